"""What stands behind a score: what was seen when, by whom and on which balls."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date

from reports.models import Score
from reports.reading import Reading
from reports.scoring import BALLS
from sessions.models import Analyst


@dataclass
class DayBehind:
    """One match day of one unit in one area."""

    day: date
    seen: int = 0
    met: int = 0
    easy: int = 0
    normal: int = 0
    hard: int = 0
    eyes: set[int] = field(default_factory=set)
    analysts: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Behind:
    """For the drawer beside a score; analysts by name are for coaches."""

    score: Score
    days: list[DayBehind]
    eyes: int
    counts: bool
    one_eye: bool

    @property
    def about(self) -> float:
        """As a share, for tenths; near 0 and 100 the mean may lie a hair outside its interval's ends."""
        return self.score.score / 100

    @property
    def low(self) -> float:
        return max(0.0, min(self.score.low, self.score.score)) / 100

    @property
    def high(self) -> float:
        return min(100.0, max(self.score.high, self.score.score)) / 100


Key = tuple[int, int]


def behind(reading: Reading, scores: dict[Key, Score], *, counts: bool, one_eye: bool) -> dict[Key, Behind]:
    """By unit and area; for coaches one query for the analysts' names."""
    days = _days(reading, scores)
    eyes = {eye for rows in days.values() for row in rows for eye in row.eyes}
    names = dict(Analyst.objects.filter(pk__in=eyes).values_list("pk", "name")) if counts else {}
    for rows in days.values():
        for row in rows:
            row.analysts = sorted(names[eye] for eye in row.eyes if eye in names)
    return {
        key: Behind(scores[key], rows, len({eye for row in rows for eye in row.eyes}), counts, one_eye)
        for key, rows in days.items()
    }


def _days(reading: Reading, wanted: Iterable[Key]) -> dict[Key, list[DayBehind]]:
    keys, balls = set(wanted), {number: name for name, number in BALLS.items()}
    found: dict[Key, dict[int, DayBehind]] = defaultdict(dict)
    names = ("unit", "area", "day", "analyst", "ball", "seen", "met")
    for unit, area, day, analyst, ball, seen, met in zip(
        *(reading.tallies[name].tolist() for name in names), strict=True
    ):
        if (unit, area) not in keys:
            continue
        row = found[unit, area].setdefault(day, DayBehind(date.fromordinal(day)))
        row.seen += seen
        row.met += met
        setattr(row, balls[ball], getattr(row, balls[ball]) + seen)
        row.eyes.add(analyst)
    return {key: [rows[day] for day in sorted(rows)] for key, rows in found.items()}
