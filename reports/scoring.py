"""From tallies to scores: rescoring a few units when something is published, and fitting the whole club anew.

Both read the tallies of *doing* checks in current versions, and both write the same rows. "Now" is replaced each
time. "Then" is what was told when a day's match was first published, and nothing changes it later.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
from django.db import transaction
from django.db.models import Sum
from django.utils import timezone
from django.utils.translation import gettext as _

from clubcoach.compute.betterment import above_first
from clubcoach.compute.progression import Progression, Shared, fit_progression
from clubcoach.compute.progression_shared import Ints
from clubcoach.models import Club
from players.models import Check, Unit
from reports.models import Score, SharedFit
from sessions.models import Tally
from sessions.models.marks import TallyQuerySet

NOW, THEN = str(Score.Series.NOW), str(Score.Series.THEN)
BALLS = {"easy": 0, "normal": 1, "hard": 2}
# Units at a time, counted in days of theirs, which bounds the memory of telling a young club's days one by one.
DAYS_AT_ONCE = 4000
WRITE_AT_ONCE = 2000
COLUMNS = ("pk", "unit", "day", "area", "check", "analyst", "ball", "seen", "met")
TOLD = ("player", "day", "area", "score", "low", "high", "n")
# A season begins here; within one, the average analyst stays who it was.
SEASON_BEGINS = (9, 1)
# A first fit on a match or two knows one analyst, and must not make that one the measure for the whole season.
ANCHOR_LEAST = 2000


@dataclass(frozen=True, eq=False)
class Tallied:
    """Tallies as columns of whole numbers; days are ordinals."""

    columns: dict[str, Ints]

    def __len__(self) -> int:
        return int(self.columns["pk"].size)

    def __getitem__(self, name: str) -> Ints:
        return self.columns[name]

    def where(self, rows: Any) -> Tallied:
        return Tallied({name: column[rows] for name, column in self.columns.items()})

    def fit(self, **how: Any) -> Progression:
        given: dict[str, Any] = {
            name: column for name, column in self.columns.items() if name not in ("pk", "unit")
        }
        return fit_progression(player=self["unit"], **given, **how)

    def mark_of_units(self) -> dict[int, tuple[int, int]]:
        """How many tallies each unit has and the sum of their keys: different once any came or went."""
        units, where = np.unique(self["unit"], return_inverse=True)
        count = np.bincount(where, minlength=units.size)
        total = np.zeros(units.size, dtype=np.int64)
        np.add.at(total, where, self["pk"])
        return {int(u): (int(c), int(t)) for u, c, t in zip(units, count, total, strict=True)}


def scored_tallies(club: Club) -> TallyQuerySet:
    return Tally.objects.current().filter(unit__club=club, check_identity__kind=Check.Kind.DOING)


def read_tallies(*, club: Club, units: Iterable[int] | None = None) -> Tallied:
    rows = scored_tallies(club)
    if units is not None:
        rows = rows.filter(unit__in=list(units))
    found = [
        (pk, unit, day.toordinal(), area, check, analyst, BALLS[ball], seen, met)
        for pk, unit, day, area, check, analyst, ball, seen, met in rows.order_by("pk").values_list(
            "pk",
            "unit",
            "day",
            "check_identity__area",
            "check_identity",
            "analyst",
            "ball",
            "seen",
            "met",
        )
    ]
    table = np.array(found, dtype=np.int64).reshape(-1, len(COLUMNS))
    return Tallied(dict(zip(COLUMNS, table.T.copy(), strict=True)))


def last_fit(club: Club) -> SharedFit | None:
    return SharedFit.objects.filter(club=club).order_by("-pk").first()


@transaction.atomic
def rescore_units(*, club: Club, units: Iterable[Unit | int]) -> int:
    """Score a few units with what the club's last full fit found; without one, fit the club.

    Returns how many rows of "now" stand afterwards for them.
    """
    _one_at_a_time(club)
    wanted = {unit if isinstance(unit, int) else unit.pk for unit in units}
    here = set(Unit.objects.filter(club=club, pk__in=wanted).values_list("pk", flat=True))
    fit = last_fit(club)
    if fit is None:
        full_fit(club=club)
        return Score.objects.filter(unit__in=here, series=NOW).count()
    return _rescore(club, fit, here)


def _rescore(club: Club, fit: SharedFit, units: set[int]) -> int:
    tallies, shared = read_tallies(club=club, units=units), Shared.from_dict(fit.shared)
    now, then = _scored(club, tallies, tallies.fit(shared=shared), shared)
    # A unit whose analyses were all withdrawn has no rows to come, and must lose those it has.
    Score.objects.filter(unit__in=units, series=NOW).delete()
    _write(fit, now, then)
    return len(now)


@transaction.atomic
def full_fit(*, club: Club, now: datetime | None = None) -> SharedFit | None:
    """Find anew what the club's units share, and score everybody by it; None while there is nothing to fit."""
    prepared = prepare_full_fit(club=club, now=now)
    return switch_over(prepared) if prepared else None


@dataclass(frozen=True, eq=False)
class Prepared:
    """A full fit that nobody sees yet."""

    club: Club
    made_at: datetime
    tallies: Tallied
    shared: Shared
    now: list[Score]
    then: list[Score]


def prepare_full_fit(
    *, club: Club, now: datetime | None = None, tell: Callable[[int, str], None] | None = None
) -> Prepared | None:
    """The long part, outside of any transaction that others wait for; ``tell`` hears how far it is."""
    moment, say = now or timezone.now(), tell or _to_nobody
    say(5, _("Reading what was seen"))
    tallies = read_tallies(club=club)
    if not len(tallies):
        return None
    say(15, _("Learning what everybody's scores have in common"))
    result = tallies.fit(anchor=_anchor(club, moment, tallies))
    say(60, _("Fitting each player and pair, day by day"))
    rows = _scored(club, tallies, result, result.shared)
    return Prepared(club, moment, tallies, result.shared, *rows)


def _to_nobody(progress: int, note: str) -> None:
    pass


def _anchor(club: Club, now: datetime, tallies: Tallied) -> Ints | None:
    """The analysts before whose average scores are told: those of the last fit, for as long as a season lasts."""
    fit = last_fit(club)
    if fit is None or not fit.shared or _season(club.day_of(fit.made_at)) != _season(club.day_of(now)):
        return None
    shared = Shared.from_dict(fit.shared)
    held = shared.analysts[shared.anchor > 0]
    settled = shared.n >= ANCHOR_LEAST and np.isin(held, tallies["analyst"]).any()
    return held if settled else None


def _season(day: date) -> int:
    return day.year - ((day.month, day.day) < SEASON_BEGINS)


@transaction.atomic
def switch_over(prepared: Prepared) -> SharedFit:
    """Put a full fit in place of the one before, in one short transaction.

    Publishing goes on while a fit is made: units whose tallies are not those that it read are scored again here, by
    the new shared effects, before anybody sees either.
    """
    club = prepared.club
    _one_at_a_time(club)
    fit = SharedFit.objects.create(
        club=club,
        made_at=prepared.made_at,
        shared=prepared.shared.to_dict(),
        highest_tally=int(prepared.tallies["pk"].max()),
    )
    Score.objects.filter(club=club, series=NOW).delete()
    _write(fit, prepared.now, prepared.then)
    read, here = prepared.tallies.mark_of_units(), read_tallies(club=club).mark_of_units()
    changed = {unit for unit in read.keys() | here.keys() if read.get(unit) != here.get(unit)}
    if changed:
        _rescore(club, fit, changed)
    SharedFit.objects.filter(club=club, scores__isnull=True).exclude(pk=fit.pk).delete()
    return fit


def full_fit_due(club: Club, now: datetime | None = None) -> bool:
    """At the first publishing, and while a club is young whenever its data double or a day has gone by.

    Older clubs wait for the morning, and for this only where no morning has come for two days.
    """
    fit = last_fit(club)
    seen = scored_tallies(club).aggregate(seen=Sum("seen"))["seen"] or 0
    if fit is None or not seen:
        return bool(seen)
    known = fit.shared.get("n", 0)
    patience = timedelta(hours=20) if known < ANCHOR_LEAST else timedelta(hours=48)
    return fit.made_at <= (now or timezone.now()) - patience or seen >= 2 * known


def _one_at_a_time(club: Club) -> None:
    """Two that score one club at once would each write rows by another fit: the second waits."""
    Club.objects.select_for_update(no_key=True).get(pk=club.pk)


def _scored(
    club: Club, tallies: Tallied, result: Progression, shared: Shared
) -> tuple[list[Score], list[Score]]:
    if not len(tallies):
        return [], []
    return _rows(club, result, NOW), _untold(club, tallies, shared)


def _write(fit: SharedFit, now: list[Score], then: list[Score]) -> None:
    for row in (*now, *then):
        row.fit = fit
    Score.objects.bulk_create(now, batch_size=WRITE_AT_ONCE)
    # Whoever was told first stays: a row that is there already is left as it is.
    Score.objects.bulk_create(then, batch_size=WRITE_AT_ONCE, ignore_conflicts=True)


def _rows(club: Club, result: Progression, series: str, *, on: Any = None) -> list[Score]:
    """A row for each unit, match day and area of which something was seen by then; with ``on`` of one day a unit.

    ``on`` says the day of unit 0, 1, 2 and so on.
    """
    table = result.scores()
    seen = table["n"] > 0
    if on is not None:
        seen &= table["day"] == on[table["player"]]
    columns = {name: column[seen].tolist() for name, column in table.items()}
    better = _better(result)
    return [
        Score(
            club_id=club.pk,
            unit_id=unit,
            area_id=area,
            series=series,
            day=date.fromordinal(day),
            score=score,
            low=low,
            high=high,
            n=n,
            better_than_first=better.get((unit, area, day)),
        )
        for unit, day, area, score, low, high, n in zip(*(columns[name] for name in TOLD), strict=True)
    ]


def _better(result: Progression) -> dict[tuple[int, int, int], float]:
    """By unit, area and day the chance of being better than on the first day on which the area was seen."""
    found = above_first(result)
    keys = zip(*(found[name].tolist() for name in ("player", "area", "day")), strict=True)
    return dict(zip(keys, found["p"].tolist(), strict=True))


def _untold(club: Club, tallies: Tallied, shared: Shared) -> list[Score]:
    """Rows "as told then" that are not there yet, each from the unit's own tallies up to that day."""
    units = np.unique(tallies["unit"]).tolist()
    told = set(
        Score.objects.filter(club=club, series=THEN, unit__in=units)
        .values_list("unit", "area", "day")
        .order_by()
    )
    rows: list[Score] = []
    for waiting in _in_pieces(tallies, _days_to_tell(tallies, told)):
        rows += _told_on(club, tallies, waiting, shared)
    return rows


def _told_on(club: Club, tallies: Tallied, waiting: list[tuple[int, int]], shared: Shared) -> list[Score]:
    """Units as they were on their days: each a unit of its own in one solve, of which the last day is told."""
    parts = [np.flatnonzero((tallies["unit"] == unit) & (tallies["day"] <= day)) for unit, day in waiting]
    then = tallies.where(np.concatenate(parts))
    then.columns["unit"] = np.repeat(np.arange(len(waiting)), [part.size for part in parts])
    days = np.array([day for _unit, day in waiting])
    rows = _rows(club, then.fit(shared=shared), THEN, on=days)
    for row in rows:
        row.unit_id = waiting[row.unit_id][0]
    return rows


def _days_to_tell(tallies: Tallied, told: set[tuple[int, int, date]]) -> list[tuple[int, int]]:
    """Units with match days on which an area that was seen by then has not been told, by day."""
    days: dict[int, set[int]] = defaultdict(set)
    first: dict[tuple[int, int], int] = {}
    for unit, area, day in zip(
        tallies["unit"].tolist(), tallies["area"].tolist(), tallies["day"].tolist(), strict=True
    ):
        days[unit].add(day)
        first[unit, area] = min(day, first.get((unit, area), day))
    waiting = {
        (day, unit)
        for (unit, area), since in first.items()
        for day in days[unit]
        if day >= since and (unit, area, date.fromordinal(day)) not in told
    }
    return [(unit, day) for day, unit in sorted(waiting)]


def _in_pieces(tallies: Tallied, waiting: list[tuple[int, int]]) -> Iterable[list[tuple[int, int]]]:
    days: dict[int, set[int]] = defaultdict(set)
    for unit, day in zip(tallies["unit"].tolist(), tallies["day"].tolist(), strict=True):
        days[unit].add(day)
    piece: list[tuple[int, int]] = []
    size = 0
    for unit, day in waiting:
        size += sum(before <= day for before in days[unit])
        piece.append((unit, day))
        if size >= DAYS_AT_ONCE:
            yield piece
            piece, size = [], 0
    if piece:
        yield piece
