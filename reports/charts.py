"""The trend of a score: a sentence, a small drawing that is there at once, a table, and a figure to look into.

Nothing here names a colour. The drawing has classes, the figure's traces say in ``meta`` what they are,
and the style sheet and the script colour both for light, dark and paper.
"""

import datetime as dt
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, NamedTuple

from django.utils.html import format_html
from django.utils.safestring import SafeString
from django.utils.text import capfirst
from django.utils.translation import gettext, ngettext

from clubcoach import formatting, svg

# At most so many dates, and so much of the axis between two of them: then they stand apart on a phone too.
DATES_UNDER_AXIS, ROOM_FOR_A_DATE = 4, 0.3
LEFT, RIGHT, TOP, BOTTOM = 30.0, 312.0, 10.0, 176.0


class Point(NamedTuple):
    """One match day: score and interval between 0 and 100, and how many checks stand behind it."""

    day: dt.date
    score: float
    low: float
    high: float
    n: int


@dataclass(frozen=True)
class Chart:
    """What parts/chart.html shows."""

    id: str
    title: str
    sentence: str
    svg: SafeString
    figure: dict[str, Any] | None
    columns: list[str]
    rows: list[list[str]]


def _in_order(points: Iterable[Sequence[Any]]) -> list[Point]:
    ordered = sorted((Point(*point) for point in points), key=lambda point: point.day)
    for point in ordered:
        if not 0 <= point.low <= point.score <= point.high <= 100:
            raise ValueError(f"no score with its interval: {point.low} <= {point.score} <= {point.high}")
    return ordered


def _value(point: Point, tenths: bool) -> str:
    if not tenths:
        return formatting.score_range(point.score, point.low, point.high)
    return gettext("about %(about)d in 10") % {"about": formatting.tenths(point.score / 100)}


def _range(point: Point, tenths: bool) -> str:
    if not tenths:
        ends = (round(point.low), round(point.high))
    else:
        ends = formatting.tenths_range(point.low / 100, point.high / 100)
    return gettext("%(low)d to %(high)d") % {"low": ends[0], "high": ends[1]}


def _whole(point: Point, tenths: bool) -> str:
    if tenths:
        return formatting.share_words(point.score / 100, point.low / 100, point.high / 100, point.n)
    return formatting.score_words(point.score, point.low, point.high, point.n)


def trend_sentence(
    points: Iterable[Sequence[Any]], *, club: formatting.Place | None = None, tenths: bool = False
) -> str:
    """What the chart shows, with a plain warning where the difference may be luck."""
    ordered = _in_order(points)
    if not ordered:
        return gettext("Nothing to draw yet.")
    first, last = ordered[0], ordered[-1]
    if len(ordered) == 1:
        return gettext("One match day so far, %(day)s: %(value)s.") % {
            "day": formatting.day(last.day, club),
            "value": _whole(last, tenths),
        }
    if tenths and formatting.tenths(first.score / 100) == formatting.tenths(last.score / 100):
        return _as_before(first, last, len(ordered), club)
    change = ngettext(
        "From %(before)s on %(first)s to %(now)s on %(last)s, over %(days)d match day.",
        "From %(before)s on %(first)s to %(now)s on %(last)s, over %(days)d match days.",
        len(ordered),
    ) % {
        "before": _value(first, tenths),
        "now": _value(last, tenths),
        "first": formatting.day(first.day, club),
        "last": formatting.day(last.day, club),
        "days": len(ordered),
    }
    if first.low <= last.high and last.low <= first.high:
        caution = gettext("The two ranges overlap, so the difference may be smaller than it looks, or none.")
    else:
        caution = gettext("The two ranges do not overlap.")
    return f"{change} {caution}"


def _as_before(first: Point, last: Point, days: int, club: formatting.Place | None) -> str:
    """In whole tenths there is no difference to speak of, so none is explained away."""
    return ngettext(
        "%(now)s on %(last)s, as on %(first)s, over %(days)d match day.",
        "%(now)s on %(last)s, as on %(first)s, over %(days)d match days.",
        days,
    ) % {
        "now": capfirst(_value(last, tenths=True)),
        "first": formatting.day(first.day, club),
        "last": formatting.day(last.day, club),
        "days": days,
    }


def trend_table(
    points: Iterable[Sequence[Any]], *, club: formatting.Place | None = None, tenths: bool = False
) -> tuple[list[str], list[list[str]]]:
    """Column heads, and a row for each match day, the newest first."""
    columns = [
        gettext("Match day"),
        gettext("In 10") if tenths else gettext("Score"),
        gettext("May be"),
        gettext("Seen"),
    ]
    rows = [
        [
            formatting.day(point.day, club),
            str(formatting.tenths(point.score / 100) if tenths else round(point.score)),
            _range(point, tenths),
            str(point.n),
        ]
        for point in reversed(_in_order(points))
    ]
    return columns, rows


def _span(ordered: Sequence[Point]) -> tuple[dt.date, dt.date]:
    """First and last day of the axis; one match day alone stands in the middle of two weeks."""
    first, last = ordered[0].day, ordered[-1].day
    return (first, last) if first < last else (first - dt.timedelta(7), last + dt.timedelta(7))


def _dates_to_write(ordered: Sequence[Point]) -> list[dt.date]:
    """First and last match day, and between them those nearest to even steps of time that leave room."""
    first, last = ordered[0].day, ordered[-1].day
    written = [first, last] if first < last else [first]
    for step in range(1, DATES_UNDER_AXIS - 1):
        there = first + (last - first) * step / (DATES_UNDER_AXIS - 1)
        nearest = min((point.day for point in ordered), key=lambda day: abs(day - there))
        if all(abs(nearest - other) >= (last - first) * ROOM_FOR_A_DATE for other in written):
            written.append(nearest)
    return sorted(written)


def _place_of_the_word(ordered: Sequence[Point], standard: float) -> tuple[dt.date, bool]:
    """In the middle of the longest time without a match, and whether above the standard: where no score is."""
    start, end = _span(ordered)
    days = sorted({start, end, *(point.day for point in ordered)})
    before, after = max(pairwise(days), key=lambda gap: gap[1] - gap[0])
    around = [point.score for point in ordered if point.day in (before, after)]
    return before + (after - before) / 2, sum(around) / len(around) <= standard


def trend_svg(
    points: Iterable[Sequence[Any]],
    standard: float | None = None,
    *,
    title: str = "",
    club: formatting.Place | None = None,
    tenths: bool = False,
) -> SafeString:
    """The drawing that stands on the page before, and without, any script; always the whole scale."""
    ordered = _in_order(points)
    if not ordered:
        return SafeString("")
    start, end = _span(ordered)

    def x(day: dt.date) -> float:
        return LEFT + 12 + (RIGHT - LEFT - 24) * (day - start).days / (end - start).days

    def y(score: float) -> float:
        return BOTTOM - (BOTTOM - TOP) * score / 100

    parts = []
    for level in (0, 50, 100):
        parts.append(svg.line("axis" if level == 0 else "grid", LEFT, y(level), RIGHT, y(level)))
        parts.append(svg.text("scale", LEFT - 5, y(level) + 4, str(level // 10 if tenths else level)))
    if standard is not None:
        parts.append(svg.line("standard", LEFT, y(standard), RIGHT, y(standard)))
        day, above = _place_of_the_word(ordered, standard)
        at = y(standard) + (-5 if above else 13)
        parts.append(svg.text("standard-word", x(day), at, gettext("standard")))
    parts += [
        svg.line("interval", x(point.day), y(point.low), x(point.day), y(point.high)) for point in ordered
    ]
    path = " ".join(f"{svg.number(x(point.day))},{svg.number(y(point.score))}" for point in ordered)
    parts.append(format_html('<polyline class="trend" points="{}"/>', path))
    parts += [svg.dot("estimate", x(point.day), y(point.score), 4) for point in ordered]
    written = _dates_to_write(ordered)
    for day, words in zip(written, formatting.days(written, club), strict=True):
        parts.append(svg.text("date", x(day), BOTTOM + 18, words))
    return format_html(
        '<svg class="trend-drawing" viewBox="0 0 320 200" role="img"><title>{}</title>{}</svg>',
        title or trend_sentence(ordered, club=club, tenths=tenths),
        svg.joined(parts),
    )


def _standard_word(ordered: Sequence[Point], standard: float) -> dict[str, Any]:
    day, above = _place_of_the_word(ordered, standard)
    return {
        "name": "standard",
        "text": gettext("standard"),
        "x": day,
        "y": standard,
        "xanchor": "center",
        "yanchor": "bottom" if above else "top",
        "showarrow": False,
    }


def trend_figure(
    points: Iterable[Sequence[Any]],
    standard: float | None = None,
    *,
    club: formatting.Place | None = None,
    tenths: bool = False,
) -> dict[str, Any] | None:
    """The same as a validated Plotly figure of plain lists; none where there is nothing to look into."""
    # Its import takes a good part of a second, which commands that draw nothing should not wait for.
    import plotly.graph_objects as go

    ordered = _in_order(points)
    if not ordered:
        return None
    start, end = _span(ordered)
    pad = dt.timedelta(days=max(1, round((end - start).days * 0.04)))
    traces = [
        go.Scatter(
            x=[point.day for point in ordered],
            y=[point.score for point in ordered],
            error_y={
                "type": "data",
                "symmetric": False,
                "array": [point.high - point.score for point in ordered],
                "arrayminus": [point.score - point.low for point in ordered],
            },
            mode="lines+markers",
            name=gettext("score"),
            meta="score",
            hoverinfo="text",
            hovertext=[f"{formatting.day(point.day, club)}: {_whole(point, tenths)}" for point in ordered],
        )
    ]
    if standard is not None:
        traces.insert(
            0,
            go.Scatter(
                x=[start - pad, end + pad],
                y=[standard, standard],
                mode="lines",
                name=gettext("standard of the level"),
                meta="standard",
                hoverinfo="name",
            ),
        )
    written = _dates_to_write(ordered)
    notes = [] if standard is None else [_standard_word(ordered, standard)]
    levels = [0, 25, 50, 75, 100]
    layout = go.Layout(
        template={},
        showlegend=False,
        dragmode=False,
        hovermode="closest",
        margin={"l": 36, "r": 36, "t": 8, "b": 36},
        height=260,
        annotations=notes,
        xaxis={
            "type": "date",
            "range": [start - pad, end + pad],
            "fixedrange": True,
            "tickangle": 0,
            "ticklabeloverflow": "allow",
            "tickvals": written,
            "ticktext": formatting.days(written, club),
        },
        yaxis={
            "range": [0, 100],
            "fixedrange": True,
            "tickvals": levels,
            "ticktext": [f"{level / 10:g}" if tenths else str(level) for level in levels],
        },
    )
    return json.loads(go.Figure(data=traces, layout=layout).to_json(validate=True))


def trend_chart(
    chart_id: str,
    points: Iterable[Sequence[Any]],
    standard: float | None = None,
    *,
    title: str,
    club: formatting.Place | None = None,
    tenths: bool = False,
) -> Chart:
    """All that ``parts/chart.html`` needs; with ``tenths`` in the words of students."""
    ordered = _in_order(points)
    columns, rows = trend_table(ordered, club=club, tenths=tenths)
    sentence = trend_sentence(ordered, club=club, tenths=tenths)
    return Chart(
        id=chart_id,
        title=title,
        sentence=sentence,
        svg=trend_svg(ordered, standard, title=f"{title}. {sentence}", club=club, tenths=tenths),
        figure=trend_figure(ordered, standard, club=club, tenths=tenths),
        columns=columns,
        rows=rows,
    )
