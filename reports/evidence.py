"""What was seen of a unit lately, check by check, against what its level expects."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from clubcoach.compute.intervals import wilson_bounds
from clubcoach.compute.standards import check_standards
from clubcoach.models import Club
from players.models import Check, CheckWording, LevelStandard, Unit
from reports.scoring import last_fit
from sessions.models import Tally

# Common practice: about a term. What somebody did before says little about what to work on now.
WINDOW_DAYS = 120


@dataclass(frozen=True)
class Seen:
    """Counted situations of one check: how often it was seen and met, an 80 % interval, and the level's standard."""

    check: int
    area: int
    seen: int
    met: int
    low: float
    high: float
    standard: float | None

    @property
    def share(self) -> float:
        return self.met / self.seen if self.seen else 0.0


def evidence(*, club: Club, units: Iterable[Unit]) -> dict[int, dict[int, Seen]]:
    """By unit and check: the doing checks seen in the 120 days up to the unit's own last match day.

    Four queries whatever the number of units.
    """
    rows = list(units)
    counts = _counts(rows)
    asked = _standards(club, rows)
    found: dict[int, dict[int, Seen]] = {unit.pk: {} for unit in rows}
    for unit in rows:
        for (check, area), (seen, met) in counts[unit.pk].items():
            low, high = wilson_bounds([met], [seen])
            found[unit.pk][check] = Seen(
                check,
                area,
                seen,
                met,
                float(low[0]),
                float(high[0]),
                asked[unit.pk].get(check),
            )
    return found


def _counts(units: list[Unit]) -> dict[int, dict[tuple[int, int], tuple[int, int]]]:
    tallies = list(
        Tally.objects.current()
        .filter(
            unit__in=units,
            check_identity__kind=Check.Kind.DOING,
            check_identity__retired_on=None,
        )
        .order_by("pk")
        .values_list("unit", "day", "check_identity", "check_identity__area", "seen", "met")
    )
    last: dict[int, date] = {}
    for unit, day, *_rest in tallies:
        last[unit] = max(day, last.get(unit, day))
    counts: dict[int, dict[tuple[int, int], tuple[int, int]]] = defaultdict(dict)
    for unit, day, check, area, seen, met in tallies:
        if day > last[unit] - timedelta(days=WINDOW_DAYS):
            before = counts[unit].get((check, area), (0, 0))
            counts[unit][check, area] = (before[0] + seen, before[1] + met)
    return counts


def newest_wordings(checks: Iterable[int]) -> dict[int, CheckWording]:
    """The newest words of each check, also of one that the list has no more."""
    rows = CheckWording.objects.filter(check_identity__in=set(checks)).order_by("version__number")
    return {row.check_identity_id: row for row in rows}


def area_standards(units: Iterable[Unit]) -> dict[int, dict[int, float]]:
    """By unit and area: the score that the level expects; for a pair the mean of its players' levels."""
    rows = list(units)
    levels: dict[int, list[int]] = {
        unit.pk: [
            player.level_id
            for player in (unit.first, unit.second)
            if player is not None and player.level_id is not None
        ]
        for unit in rows
    }
    wanted = {level for of_unit in levels.values() for level in of_unit}
    scores: dict[int, dict[int, int]] = defaultdict(dict)
    for level, area, score in LevelStandard.objects.filter(level__in=wanted).values_list(
        "level", "area", "score"
    ):
        scores[level][area] = score
    found: dict[int, dict[int, float]] = {}
    for unit, of_unit in levels.items():
        areas = {area for level in of_unit for area in scores[level]}
        found[unit] = {
            area: float(np.mean([scores[level][area] for level in of_unit if area in scores[level]]))
            for area in areas
        }
    return found


def _standards(club: Club, units: list[Unit]) -> dict[int, dict[int, float]]:
    """By unit and check: the area's standard spread over its checks by how hard each was found to be."""
    by_area: dict[int, list[int]] = defaultdict(list)
    checks = Check.objects.filter(club=club, kind=Check.Kind.DOING, retired_on=None, area__on=True)
    for check, area in checks.values_list("pk", "area"):
        by_area[area].append(check)
    hard = hardness(club)
    found: dict[int, dict[int, float]] = {}
    for unit, areas in area_standards(units).items():
        found[unit] = {}
        for area, score in areas.items():
            if not by_area[area]:
                continue
            delta = [hard.get(check, 0.0) for check in by_area[area]]
            spread = check_standards(min(max(score / 100, 0.01), 0.99), delta)
            found[unit].update(zip(by_area[area], map(float, spread.standard), strict=True))
    return found


def hardness(club: Club) -> dict[int, float]:
    """How hard the club's last fit found each check, in logits; a check that it does not know counts as middling."""
    fit = last_fit(club)
    if fit is None or not fit.shared:
        return {}
    checks = fit.shared["checks"]
    return dict(zip(checks, fit.shared["value"][: len(checks)], strict=True))
