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
from reports.behind import Behind, behind
from reports.change import Change, Since, changes, since_when
from reports.charts import Chart, trend_chart
from reports.evidence import area_standards
from reports.forms import SinceForm
from reports.models import Score
from reports.reading import Reading

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


@dataclass
class Trend:
    """What the page shows of an area: a chart once enough was seen, a sentence before that."""

    unit: Unit
    area: Area
    rows: list[Score]
    chart: Chart | None = None
    too_little: str = ""
    change: Change | None = None
    said: str = ""
    behind: Behind | None = None


Wanted = list[tuple[Unit, Area]]


def days_seen(rows: Iterable[Score]) -> int:
    """On how many days something new was seen: a day on which an area did not occur carries the count on."""
    return len({row.n for row in rows})


def trends(*, club: Club, wanted: Wanted, tenths: bool, minor: bool = False) -> list[Trend]:
    """In the order asked for; two queries. A minor's has no standard to be held to."""
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
            club, unit, area, rows[unit.pk, area.pk], standards.get(unit.pk, {}).get(area.pk), tenths=tenths
        )
        for unit, area in wanted
    ]


def _trend(
    club: Club, unit: Unit, area: Area, rows: list[Score], standard: float | None, *, tenths: bool
) -> Trend:
    if not rows:
        return Trend(unit, area, rows, too_little=formatting.not_enough(0, None))
    standing = Standing(rows[-1], days_seen(rows))
    if not standing.enough:
        return Trend(unit, area, rows, too_little=standing.not_enough())
    chart = trend_chart(
        f"trend-{area.code}-{unit.pk}",
        [point(row) for row in rows],
        standard,
        title=area.name,
        club=club,
        tenths=tenths,
    )
    return Trend(unit, area, rows, chart)


def point(row: Score) -> tuple[Any, float, float, float, int]:
    """For the chart: near 0 and 100 the mean may lie a hair outside its interval's ends."""
    return (
        row.day,
        row.score,
        max(0.0, min(row.low, row.score)),
        min(100.0, max(row.high, row.score)),
        row.n,
    )


@dataclass(frozen=True)
class AskedSince:
    """The day since which changes are told, what was wrong with what was asked, and the days to choose from."""

    since: Since
    form: SinceForm


def tell_changes(
    shown: list[Trend], reading: Reading | None, *, asked: str, counts: bool, area: str = ""
) -> AskedSince | None:
    """Say of each charted trend how it changed since the day asked for, else since its first.

    An area that was seen later than that day is told from its own first day; one that was not seen after it says
    nothing. None where nothing can be told yet.
    """
    told = [trend for trend in shown if trend.chart and trend.rows[0].day < trend.rows[-1].day]
    if reading is None or not told:
        return None
    club = reading.club
    last = max(trend.rows[-1].day for trend in told)
    since = since_when(asked, min(trend.rows[0].day for trend in told), last, club)
    spans = {
        (trend.unit.pk, trend.area.pk): (max(since.day, trend.rows[0].day), trend.rows[-1].day)
        for trend in told
    }
    found = changes(reading, [(*key, *span) for key, span in spans.items() if span[0] < span[1]])
    for trend in told:
        trend.change = None if since.wrong else found.get((trend.unit.pk, trend.area.pk))
        trend.said = trend.change.told(club, counts=counts) if trend.change else ""
    days = {row.day for trend in told for row in trend.rows} - {last}
    return AskedSince(since, SinceForm(days=days | {since.day}, since=since.day, club=club, area=area))


def add_what_is_behind(shown: list[Trend], reading: Reading | None, *, counts: bool, one_eye: bool) -> None:
    """The drawer beside each score; also where it is too little to be shown."""
    if reading is None:
        return
    scores = {(trend.unit.pk, trend.area.pk): trend.rows[-1] for trend in shown if trend.rows}
    found = behind(reading, scores, counts=counts, one_eye=one_eye)
    for trend in shown:
        trend.behind = found.get((trend.unit.pk, trend.area.pk))
