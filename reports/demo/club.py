"""Fill the demo club: a term of simulated matches, published through the same services as a user's."""

from collections.abc import Callable
from datetime import date, datetime, timedelta

import numpy as np
from django.db import transaction
from django.utils import timezone

from clubcoach import audit
from clubcoach.jobs import enqueue, run_due
from clubcoach.models import AuditEvent, Club
from players.models import Area, Player
from reports.demo import between, film, lessons
from reports.demo.people import SLUG, Cast, logins, make_people
from reports.demo.planted import Truth, plant
from reports.demo.play import Sides, play, see, words_for
from reports.demo.scenario import Fixture, Scenario, load
from reports.homework import monday_of
from sessions.models import Match
from sessions.services import SeatEntry, publish, register_match, request_analysis, submit

Say = Callable[[str], None]
BEGUN, FILLED = "demo.begun", "demo.filled"

demo_logins = logins


def is_there() -> bool:
    return Club.objects.filter(slug=SLUG).exists()


def is_half_made() -> bool:
    """Somebody stopped the filling. A demo club of an earlier version says neither and counts as whole."""
    said = AuditEvent.objects.filter(club__slug=SLUG, action__in=(BEGUN, FILLED))
    return {event.action for event in said} == {BEGUN}


def fill(
    say: Say,
    *,
    now: datetime | None = None,
    weeks: int | None = None,
    with_film: bool = True,
    told: Scenario | None = None,
) -> Club:
    """Make the club. Each match is requested, coded, handed in, published and scored in the order it was played.

    With fewer ``weeks`` only the first of the term are played, and they lie so that the last one was last week.
    """
    moment, told = now or timezone.now(), told or load()
    count = min(weeks or told.weeks, told.weeks)
    with transaction.atomic():
        cast = make_people(moment - timedelta(weeks=count + 1), told)
        audit.record(by=cast.head_coach, club=cast.club, action=BEGUN, target=cast.club)
    monday = monday_of(cast.club.today(moment)) - timedelta(weeks=count)
    with transaction.atomic():
        lessons.add(cast, monday, weeks=count, now=moment)
    say(f"{cast.club.name}: {len(cast.players)} students, {len(cast.assistants)} analysts and a head coach")
    _play_term(cast, monday, count, say, moment)
    if with_film:
        film.add(cast, new_match, say, now=moment)
    # What the night would do: everybody scored by what the whole term says about checks and analysts.
    with transaction.atomic():
        enqueue("score.club", club=cast.club, key=f"club-{cast.club.pk}")
    run_due()
    audit.record(by=cast.head_coach, club=cast.club, action=FILLED, target=cast.club)
    return cast.club


def _play_term(cast: Cast, monday: date, weeks: int, say: Say, now: datetime) -> None:
    areas = list(Area.objects.filter(club=cast.club, on=True))
    truth = plant(cast, areas)
    diary = np.random.default_rng([cast.told.seed, 3])
    for week in range(1, weeks + 2):
        first = monday + timedelta(weeks=week - 1)
        with transaction.atomic():
            between.monday_morning(cast, week, first, now)
        played = [row for row in cast.told.fixtures if row.week == week <= weeks]
        for row in played:
            _one_match(cast, truth, areas, row, first, now)
        with transaction.atomic():
            between.sunday_evening(cast, first, diary, now)
        if played:
            say(f"week {week} of {weeks}: {len(played)} matches coded, published, scored")


@transaction.atomic
def _one_match(
    cast: Cast, truth: Truth, areas: list[Area], row: Fixture, monday: date, now: datetime
) -> None:
    day = monday + timedelta(days=row.day)
    played = between.at(cast, day, 20)
    match = _register(cast, row, day, played)
    sides = _sides(cast, match, row)
    units = [unit for of_pair in sides.units.values() for unit in of_pair]
    truth.learn(units)
    analyst = cast.users[row.analyst]
    analysis = request_analysis(
        by=cast.head_coach,
        match=match,
        units=units,
        areas=areas,
        analyst=analyst,
        due_on=day + timedelta(days=4),
        now=played,
    )
    strict = next(person.severity for person in cast.told.assistants if person.ref == row.analyst)
    see(truth, analysis, sides, play(truth, sides, areas, day), strict)
    handed_in, told = (min(played + timedelta(hours=hours), now) for hours in (14, 36))
    submit(by=analyst, analysis=analysis, devices={}, now=handed_in)
    publish(by=cast.head_coach, analysis=analysis, words=words_for(truth), now=told)
    transaction.on_commit(run_due)


def _sides(cast: Cast, match: Match, row: Fixture) -> Sides:
    home, away = (
        [*(cast.unit(ref) for ref in pair), cast.unit("+".join(pair))] for pair in (row.home, row.away)
    )
    positions = {cast.by_ref[ref].pk: place for place, ref in enumerate(row.players, 1)}
    return Sides(match, {"A": home, "B": away}, positions)


def _register(cast: Cast, row: Fixture, day: date, now: datetime) -> Match:
    return _seated(cast, [cast.by_ref[ref] for ref in row.players], day, now)


def new_match(cast: Cast, day: date, home: int, away: int, now: datetime) -> Match:
    """Register it as the head coach does; the pairs' first players sit on the right."""
    return _seated(cast, [*cast.pair_players(home), *cast.pair_players(away)], day, now)


def _seated(cast: Cast, players: list[Player], day: date, now: datetime) -> Match:
    seats = [
        SeatEntry(player=player, side=side)
        for player, side in zip(players, ("right", "left") * 2, strict=True)
    ]
    return register_match(by=cast.head_coach, club=cast.club, played_on=day, seats=seats, now=now)
