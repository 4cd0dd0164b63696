"""From tallies to scores: rescoring a few units when something is published, and fitting the whole club anew.

Both read the tallies of *doing* checks in current versions, and both write the same rows. "Now" is replaced each
time. "Then" is what was told when a day's match was first published, and nothing changes it later.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
from django.db import transaction
from django.db.models import Sum
from django.utils import timezone

from clubcoach.compute.progression import Progression, Shared, fit_progression
from clubcoach.compute.progression_shared import Ints
from clubcoach.models import Club
from players.models import Check, Unit
from reports.models import Score, SharedFit
from sessions.models import Tally
from sessions.models.marks import TallyQuerySet

NOW, THEN = str(Score.Series.NOW), str(Score.Series.THEN)
BALLS = {"easy": 0, "normal": 1, "hard": 2}
DRAWS = 2000
COLUMNS = ("pk", "unit", "day", "area", "check", "analyst", "ball", "seen", "met")
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


def prepare_full_fit(*, club: Club, now: datetime | None = None) -> Prepared | None:
    """The long part, outside of any transaction that others wait for."""
    moment = now or timezone.now()
    tallies = read_tallies(club=club)
    if not len(tallies):
        return None
    result = tallies.fit(anchor=_anchor(club, moment, tallies))
    rows = _scored(club, tallies, result, result.shared)
    return Prepared(club, moment, tallies, result.shared, *rows)


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
    """Once a day while something is published, and sooner while a club is young and its data double."""
    fit = last_fit(club)
    seen = scored_tallies(club).aggregate(seen=Sum("seen"))["seen"] or 0
    if fit is None or not seen:
        return bool(seen)
    old = fit.made_at <= (now or timezone.now()) - timedelta(hours=20)
    return old or seen >= 2 * fit.shared.get("n", 0)


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
    Score.objects.bulk_create(now, batch_size=500)
    # Whoever was told first stays: a row that is there already is left as it is.
    Score.objects.bulk_create(then, batch_size=500, ignore_conflicts=True)


def _rows(club: Club, result: Progression, series: str, *, only_day: int | None = None) -> list[Score]:
    """A row for each unit, match day and area of which something was seen by then."""
    table = {name: column.tolist() for name, column in result.scores().items()}
    better = _better(club, result, table, only_day)
    made = []
    for at, (unit, day, area, n) in enumerate(
        zip(table["player"], table["day"], table["area"], table["n"], strict=True)
    ):
        if not n or only_day not in (None, day):
            continue
        made.append(
            Score(
                club=club,
                unit_id=unit,
                area_id=area,
                series=series,
                day=date.fromordinal(day),
                score=table["score"][at],
                low=table["low"][at],
                high=table["high"][at],
                n=n,
                better_than_first=better.get((unit, area, day)),
            )
        )
    return made


def _better(
    club: Club, result: Progression, table: dict[str, list[Any]], only_day: int | None
) -> dict[tuple[int, int, int], float]:
    """Chance of being better than on the first day on which the area was seen, from joint draws.

    The seed comes from the keys of club and unit, so that scoring twice gives the same.
    """
    seen: dict[int, dict[int, list[int]]] = defaultdict(lambda: defaultdict(list))
    for unit, day, area, n in zip(table["player"], table["day"], table["area"], table["n"], strict=True):
        # The first day is what the others are compared with, so it is drawn whatever is asked for.
        if n and (not seen[unit][area] or only_day in (None, day)):
            seen[unit][area].append(day)
    where = {int(area): at for at, area in enumerate(result.areas)}
    found = {}
    for unit, areas in seen.items():
        days = sorted({day for of_area in areas.values() for day in of_area})
        if len(days) < 2:
            continue
        drawn = result.draws(unit, days, rng=np.random.default_rng([club.pk, unit]), n=DRAWS)
        for area, of_area in areas.items():
            first = drawn[:, days.index(of_area[0]), where[area]]
            for day in of_area[1:]:
                change = drawn[:, days.index(day), where[area]] - first
                found[unit, area, day] = float(np.mean(change > 0) + 0.5 * np.mean(change == 0))
    return found


def _untold(club: Club, tallies: Tallied, shared: Shared) -> list[Score]:
    """Rows "as told then" that are not there yet, each from the unit's own tallies up to that day."""
    units = np.unique(tallies["unit"]).tolist()
    told = set(
        Score.objects.filter(club=club, series=THEN, unit__in=units)
        .values_list("unit", "area", "day")
        .order_by()
    )
    rows: list[Score] = []
    for day, waiting in sorted(_days_to_tell(tallies, told).items()):
        upto = np.isin(tallies["unit"], list(waiting)) & (tallies["day"] <= day)
        result = tallies.where(upto).fit(shared=shared)
        rows += _rows(club, result, THEN, only_day=day)
    return rows


def _days_to_tell(tallies: Tallied, told: set[tuple[int, int, date]]) -> dict[int, set[int]]:
    """Match days, each with the units of which an area that was seen by then has not been told."""
    days: dict[int, set[int]] = defaultdict(set)
    first: dict[tuple[int, int], int] = {}
    for unit, area, day in zip(
        tallies["unit"].tolist(), tallies["area"].tolist(), tallies["day"].tolist(), strict=True
    ):
        days[unit].add(day)
        first[unit, area] = min(day, first.get((unit, area), day))
    waiting: dict[int, set[int]] = defaultdict(set)
    for (unit, area), since in first.items():
        for day in days[unit]:
            if day >= since and (unit, area, date.fromordinal(day)) not in told:
                waiting[day].add(unit)
    return waiting
