"""Fill the demo club: two months of simulated matches, published through the same services as a user's."""

from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from itertools import combinations

import numpy as np
from django.db import transaction
from django.utils import timezone

from clubcoach.jobs import run_due
from clubcoach.models import Club, User
from players.models import Area, Unit
from reports.demo import film
from reports.demo.people import SLUG, Cast, logins, make_people
from reports.demo.play import STRICTNESS, Truth, plant, play_rallies, see, words_for
from sessions.models import Match
from sessions.services import SeatEntry, publish, register_match, request_analysis, submit

SEED = 20260901
WEEKS = 8
Say = Callable[[str], None]

demo_logins = logins


def is_there() -> bool:
    return Club.objects.filter(slug=SLUG).exists()


def fill(say: Say, *, now: datetime | None = None, weeks: int = WEEKS, with_film: bool = True) -> Club:
    """Make the club. Each match is requested, coded, handed in, published and scored in the order it was played."""
    moment = now or timezone.now()
    began = moment.date() - timedelta(weeks=weeks)
    with transaction.atomic():
        cast = make_people(moment - timedelta(weeks=weeks + 1))
    say(f"{cast.club.name}: {len(cast.players)} students, {len(cast.assistants)} analysts and a head coach")
    areas = list(Area.objects.filter(club=cast.club, on=True))
    truth = plant(SEED, _units_by_level(cast), areas, began)
    plan = _calendar(cast, began, weeks)
    for number, (day, home, away) in enumerate(plan, 1):
        _one_match(cast, truth, areas, number, day, home, away)
        say(f"match {number} of {len(plan)}, {day:%d %b}: coded, published, scored")
    if with_film:
        film.add(cast, new_match, say, now=moment)
    return cast.club


def _units_by_level(cast: Cast) -> list[tuple[Unit, int]]:
    levels = {player.pk: (player.level.position if player.level else 1) - 1 for player in cast.players}
    single = [
        (Unit.objects.get(first=player, kind=Unit.Kind.PLAYER), levels[player.pk]) for player in cast.players
    ]
    return single + [(pair, levels[pair.first_id]) for pair in cast.pairs]


def _calendar(cast: Cast, began: date, weeks: int) -> list[tuple[date, int, int]]:
    """Every pair plays about every second week; who meets whom goes round."""
    meetings = list(combinations(range(len(cast.pairs)), 2))
    order = np.random.default_rng(SEED).permutation(len(meetings))
    plan = []
    for number in range(2 * weeks):
        home, away = meetings[order[number % len(meetings)]]
        plan.append((began + timedelta(days=1 + 7 * (number // 2) + 2 * (number % 2)), home, away))
    return plan


def _at(day: date, hour: int, club: Club) -> datetime:
    return datetime.combine(day, time(hour), tzinfo=club.zone)


@transaction.atomic
def _one_match(
    cast: Cast, truth: Truth, areas: list[Area], number: int, day: date, home: int, away: int
) -> None:
    played = _at(day, 20, cast.club)
    match = new_match(cast, day, home, away, played)
    seats = [*cast.pair_players(home), *cast.pair_players(away)]
    units = [Unit.objects.get(first=player, kind=Unit.Kind.PLAYER) for player in seats]
    units += [cast.pairs[home], cast.pairs[away]]
    edge = 0.25 * float(truth.skill[units[4].pk, "net"] - truth.skill[units[5].pk, "net"])
    rallies = play_rallies(match, truth.rng, edge)
    who = number % len(cast.assistants)
    analyst: User = cast.assistants[who]
    analysis = request_analysis(
        by=cast.head_coach,
        match=match,
        units=units,
        areas=areas,
        analyst=analyst,
        due_on=day + timedelta(days=4),
        now=played,
    )
    see(truth, analysis, rallies, STRICTNESS[who])
    submit(by=analyst, analysis=analysis, devices={}, now=played + timedelta(hours=14))
    publish(
        by=cast.head_coach,
        analysis=analysis,
        words=words_for(analysis, truth.rng),
        now=played + timedelta(hours=36),
    )
    transaction.on_commit(run_due)


def new_match(cast: Cast, day: date, home: int, away: int, now: datetime) -> Match:
    """Register it as the head coach does; the pairs' first players sit on the right."""
    seats = []
    for pair in (home, away):
        for player, side in zip(cast.pair_players(pair), ("right", "left"), strict=True):
            seats.append(SeatEntry(player=player, side=side))
    return register_match(by=cast.head_coach, club=cast.club, played_on=day, seats=seats, now=now)
