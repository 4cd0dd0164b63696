"""Where a club's roster stands: who was seen when, and how far each is from what the level expects."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from django.db.models import F, Max, OuterRef, Q, QuerySet, Subquery
from django.utils.translation import gettext as _

from clubcoach.models import Club
from players.models import Area, FilmConsent, LevelStandard, Player, PlayerQuerySet, Unit
from reports import trend
from reports.models import Score
from sessions.models import Tally

FEW = 5
LATELY, ENDS_SOON = timedelta(days=60), timedelta(days=30)


@dataclass
class RosterRow:
    """One player: the last day that was looked at, and the areas in which the level is not reached yet."""

    player: Player
    last_seen: date | None = None
    clearly_below: list[Area] = field(default_factory=list)
    a_little_below: list[Area] = field(default_factory=list)
    reached: list[Area] = field(default_factory=list)
    unit: int | None = None
    # Which set of analyses the player's scores are of, where a club's do not hang together.
    set_mark: str = ""

    @property
    def known(self) -> bool:
        return bool(self.clearly_below or self.a_little_below or self.reached)


@dataclass(frozen=True)
class Few:
    """The first few of a list, and how many there are."""

    rows: list[Any]
    total: int

    @property
    def more(self) -> int:
        return self.total - len(self.rows)


@dataclass(frozen=True)
class Overview:
    """The roster in numbers, for three sentences."""

    players: int
    seen_lately: int
    never_seen: int
    weakest: Area | None
    weakest_below: int
    weakest_known: int
    longest_unseen: list[RosterRow]


def standings(club: Club, players: Iterable[Player]) -> list[RosterRow]:
    """The same number of queries for one player and for five hundred."""
    rows = list(players)
    units = dict(
        Unit.objects.filter(first__in=[player.pk for player in rows], kind=Unit.Kind.PLAYER).values_list(
            "pk", "first"
        )
    )
    last = _last_days(list(units))
    scores = _latest_scores(list(units))
    asked = _standards(club)
    areas = {area.pk: area for area in Area.objects.filter(club=club, on=True)}
    unit_of = {player: unit for unit, player in units.items()}
    found = []
    for player in rows:
        unit = unit_of.get(player.pk)
        standing = RosterRow(player, last.get(unit) if unit else None, unit=unit)
        for score, days in scores.get(unit, ()) if unit else ():
            area = areas.get(score.area_id)
            standard = asked.get((player.level_id, score.area_id))
            if area is not None and standard is not None and trend.Standing(score, days).enough:
                _place(standing, area, score, standard)
        found.append(standing)
    return found


def _place(standing: RosterRow, area: Area, score: Any, standard: int) -> None:
    if score.high < standard:
        standing.clearly_below.append(area)
    elif score.score < standard:
        standing.a_little_below.append(area)
    else:
        standing.reached.append(area)


def _last_days(units: list[int]) -> dict[int, date]:
    rows = Tally.objects.current().filter(unit__in=units).order_by().values("unit").annotate(last=Max("day"))
    return {row["unit"]: row["last"] for row in rows}


def _latest_scores(units: list[int]) -> dict[int, list[tuple[Score, int]]]:
    """Each unit's latest score by area, with the number of match days behind it."""
    mine = Score.objects.filter(unit__in=units, series=Score.Series.NOW)
    # A day on which an area did not occur carries the count on and is no day of its own.
    counts = set(mine.order_by().values_list("unit", "area", "n"))
    days = Counter((unit, area) for unit, area, _n in counts)
    newest = (
        Score.objects.filter(unit=OuterRef("unit"), area=OuterRef("area"), series=Score.Series.NOW)
        .order_by("-day")
        .values("day")[:1]
    )
    latest = mine.annotate(newest=Subquery(newest)).filter(day=F("newest")).order_by("area__position")
    found: dict[int, list[tuple[Score, int]]] = defaultdict(list)
    for score in latest:
        found[score.unit_id].append((score, days[score.unit_id, score.area_id]))
    return found


def _standards(club: Club) -> dict[tuple[int | None, int], int]:
    rows = LevelStandard.objects.filter(level__club=club).values_list("level", "area", "score")
    return {(level, area): score for level, area, score in rows}


def everybody(club: Club) -> PlayerQuerySet:
    return Player.objects.filter(club=club, active=True).select_related("level", "club")


def overview(rows: list[RosterRow], *, today: date) -> Overview:
    below: Counter[int] = Counter()
    known: Counter[int] = Counter()
    areas: dict[int, Area] = {}
    for row in rows:
        for area in [*row.clearly_below, *row.a_little_below, *row.reached]:
            areas[area.pk] = area
            known[area.pk] += 1
        below.update(area.pk for area in [*row.clearly_below, *row.a_little_below])
    weakest = max(below, key=lambda pk: (below[pk] / known[pk], below[pk], -pk), default=None)
    seen = [row for row in rows if row.last_seen is not None]
    unseen = [row for row in seen if row.last_seen is not None and today - row.last_seen > LATELY]
    unseen.sort(key=lambda row: (row.last_seen or today, row.player.pk))
    return Overview(
        players=len(rows),
        seen_lately=len(seen) - len(unseen),
        never_seen=len(rows) - len(seen),
        weakest=areas[weakest] if weakest is not None else None,
        weakest_below=below[weakest] if weakest is not None else 0,
        weakest_known=known[weakest] if weakest is not None else 0,
        longest_unseen=unseen[:3],
    )


def listed_name(player: Player) -> str:
    """A minor is initials in a list that may be printed or shown around."""
    return player.initials if player.is_minor() else player.name


def listed_unit_name(unit: Unit) -> str:
    if unit.second is None:
        return listed_name(unit.first)
    return _("%(one)s and %(other)s") % {"one": listed_name(unit.first), "other": listed_name(unit.second)}


def unseen(club: Club, today: date) -> PlayerQuerySet:
    """Who was not looked at for long or ever, those never seen first; with the day as ``last_seen``."""
    tallies = Tally.objects.current().filter(unit__first=OuterRef("pk"), unit__kind=Unit.Kind.PLAYER)
    return (
        Player.objects.filter(club=club, active=True)
        .select_related("club")
        .annotate(last_seen=Subquery(tallies.order_by("-day").values("day")[:1]))
        .filter(Q(last_seen=None) | Q(last_seen__lt=today - LATELY))
        .order_by(F("last_seen").asc(nulls_first=True), "family_name", "given_name", "pk")
    )


def unguarded(club: Club, today: date) -> PlayerQuerySet:
    """Minors of whom no guardian is known: nobody can agree to films for them."""
    born_after = years_before(today, club.majority_age)
    return Player.objects.filter(
        club=club, active=True, born_on__gt=born_after, guardianships=None
    ).select_related("club")


def years_before(day: date, years: int) -> date:
    try:
        return day.replace(year=day.year - years)
    except ValueError:
        # 29 February in a year that has none.
        return day.replace(year=day.year - years, day=28)


def consents_ending(club: Club, today: date) -> list[tuple[Player, date]]:
    """Whose consent to be filmed ends soon, the first to end first."""
    rows = (
        FilmConsent.objects.filter(player__club=club, player__active=True, expires_on__lte=today + ENDS_SOON)
        .in_force(today)
        .select_related("player__club")
        .order_by("expires_on", "pk")
    )
    found: dict[int, tuple[Player, date]] = {}
    for row in rows:
        found.setdefault(row.player_id, (row.player, row.expires_on))
    return list(found.values())


def few(rows: QuerySet[Any], most: int = FEW) -> Few:
    return Few(list(rows[:most]), rows.order_by().count())
