"""How a unit's score in an area went, and whether enough was seen to say so."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext as _

from clubcoach import formatting
from clubcoach.models import Club
from players.models import Area, Unit
from reports.charts import Chart, trend_chart
from reports.evidence import area_standards
from reports.models import Score

# METHODS: a score is shown from 15 checks over two match days on, and with an interval under 25 points.
LEAST_SEEN, LEAST_DAYS, WIDEST = 15, 2, 25.0


@dataclass(frozen=True)
class Standing:
    """The latest score of a unit in an area, with what stands behind it."""

    score: Score
    days: int

    @property
    def enough(self) -> bool:
        return (
            self.score.n >= LEAST_SEEN
            and self.days >= LEAST_DAYS
            and self.score.high - self.score.low < WIDEST
        )

    @property
    def about_more(self) -> int:
        """Checks that are still missing; an interval shrinks with the root of what was seen."""
        width = self.score.high - self.score.low
        wanted = max(LEAST_SEEN, math.ceil(self.score.n * (width / WIDEST) ** 2))
        return max(1, wanted - self.score.n)

    def not_enough(self) -> str:
        if self.score.n >= LEAST_SEEN and self.days < LEAST_DAYS:
            return _("%(seen)s on one match day; after another one we can say") % {
                "seen": formatting.seen_times(self.score.n)
            }
        return formatting.not_enough(self.score.n, self.about_more)


@dataclass(frozen=True)
class Trend:
    """What the page shows of an area: a chart once enough was seen, a sentence before that."""

    unit: Unit
    area: Area
    chart: Chart | None
    too_little: str
    better: str


def days_seen(rows: Iterable[Score]) -> int:
    """On how many days something new was seen: a day on which an area did not occur carries the count on."""
    return len({row.n for row in rows})


def trends(*, club: Club, wanted: list[tuple[Unit, Area]], tenths: bool, minor: bool = False) -> list[Trend]:
    """In the order asked for; two queries. A minor's has neither a standard to be held to nor a chance."""
    units = list({unit.pk: unit for unit, _area in wanted}.values())
    rows: dict[tuple[int, int], list[Score]] = {(unit.pk, area.pk): [] for unit, area in wanted}
    areas = {area.pk for _unit, area in wanted}
    found = Score.objects.filter(unit__in=units, area__in=areas, series=Score.Series.NOW).order_by("day")
    for row in found:
        if (row.unit_id, row.area_id) in rows:
            rows[row.unit_id, row.area_id].append(row)
    standards: dict[int, dict[int, float]] = {} if minor else area_standards(units)
    return [
        _trend(
            club,
            unit,
            area,
            rows[unit.pk, area.pk],
            standards.get(unit.pk, {}).get(area.pk),
            tenths=tenths,
            minor=minor,
        )
        for unit, area in wanted
    ]


def _trend(
    club: Club,
    unit: Unit,
    area: Area,
    rows: list[Score],
    standard: float | None,
    *,
    tenths: bool,
    minor: bool,
) -> Trend:
    if not rows:
        return Trend(unit, area, None, formatting.not_enough(0, None), "")
    standing = Standing(rows[-1], days_seen(rows))
    if not standing.enough:
        return Trend(unit, area, None, standing.not_enough(), "")
    chart = trend_chart(
        f"trend-{area.code}-{unit.pk}",
        [point(row) for row in rows],
        standard,
        title=area.name,
        club=club,
        tenths=tenths,
    )
    return Trend(unit, area, chart, "", "" if minor else better_words(club, rows, tenths=tenths))


def point(row: Score) -> tuple[Any, float, float, float, int]:
    """For the chart: near 0 and 100 the mean may lie a hair outside its interval's ends."""
    return (
        row.day,
        row.score,
        max(0.0, min(row.low, row.score)),
        min(100.0, max(row.high, row.score)),
        row.n,
    )


def better_words(club: Club, rows: list[Score], *, tenths: bool) -> str:
    chance = rows[-1].better_than_first
    if chance is None:
        return ""
    values: dict[str, Any] = {
        "day": formatting.day(rows[0].day, club),
        "tenths": formatting.tenths(chance),
        "percent": round(100 * chance),
    }
    if tenths:
        return _("The chance that it is better now than on %(day)s: about %(tenths)d in 10.") % values
    return _("The chance that it is better now than on %(day)s: %(percent)d %%.") % values
