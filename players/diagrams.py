"""A drill's plan as a printed drawing: lines and small shapes from data, with the same in words."""

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

from django.utils.html import format_html
from django.utils.safestring import SafeString

from clubcoach import svg
from clubcoach.compute import diagram as geometry
from clubcoach.compute.diagram import SERVICE_LINE, VIEWS, Point, Span
from players.diagram_words import LETTERS, legend_words, plan_words

# Units of the drawing for a metre; marks have one size in all views, so that numbers stay readable.
SCALE = {"half": 20.0, "whole": 20.0, "wall": 24.0, "room": 40.0}
PAD = 10.0
MARK, HEAD, GAP, ROOM_FOR_LETTER = 8.0, 7.0, 6.0, 36.0
SIDE_GLASS = 4.0
"""How far the glass of the side walls reaches from the corner, in metres (Rules of Padel)."""


class _Paper(NamedTuple):
    """Metres of a view to units of its drawing."""

    span: Span
    scale: float

    @property
    def width(self) -> float:
        return (self.span.right - self.span.left) * self.scale + 2 * PAD

    @property
    def height(self) -> float:
        return (self.span.far - self.span.near) * self.scale + 2 * PAD

    def at(self, point: Sequence[float]) -> Point:
        x, y = point
        return PAD + (x - self.span.left) * self.scale, PAD + (self.span.far - y) * self.scale


def diagram(court: object, *, title: str, legend: bool = True) -> SafeString:
    """The figure of a plan: drawing, what it shows in words for who does not see it, and a legend.

    What is no valid plan draws nothing, so that a page never fails over it.
    """
    if not isinstance(court, Mapping) or not geometry.is_drawable(court):
        return SafeString("")
    words = plan_words(court)
    return format_html(
        '<figure class="plan plan-{}">{}{}</figure>',
        court["view"],
        _drawing(court, f"{title}. {' '.join(words)}"),
        _legend(court) if legend else "",
    )


def _drawing(court: Mapping[str, Any], label: str) -> SafeString:
    paper = _Paper(VIEWS[court["view"]], SCALE[court["view"]])
    parts = _floor(court["view"], paper)
    parts += [_target(target, paper) for target in court.get("targets", [])]
    parts += [cone(*paper.at(point)) for point in court.get("cones", [])]
    paths = [_way(path, court, paper) for path in court.get("paths", [])]
    parts += [path_line(kind, way) for kind, way in paths]
    parts += [bounce(*paper.at(point)) for point in court.get("bounces", [])]
    if feeder := court.get("feeder"):
        parts.append(feeder_mark(*paper.at(feeder["at"]), feeder["how"]))
    parts += [player_mark(*paper.at(player["at"]), player["id"][1:]) for player in court["players"]]
    if len(paths) > 1:
        parts += [_letter(number, way) for number, (_kind, way) in enumerate(paths)]
    return format_html(
        '<svg class="plan-drawing" viewBox="0 0 {} {}" role="img" aria-label="{}">{}</svg>',
        svg.number(paper.width),
        svg.number(paper.height),
        label,
        svg.joined(parts),
    )


def _floor(view: str, paper: _Paper) -> list[SafeString]:
    span = paper.span
    left, top = paper.at((span.left, span.far))
    right, bottom = paper.at((span.right, span.near))
    parts = [_box("plan-floor", left, top, right - left, bottom - top)]

    def rule(kind: str, start: Point, end: Point) -> None:
        parts.append(svg.line(kind, *paper.at(start), *paper.at(end)))

    if view == "room":
        parts.append(_box("plan-edge", left, top, right - left, bottom - top))
    elif view == "wall":
        rule("plan-glass", (span.left, 0), (span.right, 0))
    else:
        for end in (-1, 1) if view == "whole" else (-1,):
            _half(end, rule)
        for side in (span.left, span.right):
            rule(
                "plan-mesh",
                (side, -10 + SIDE_GLASS),
                (side, 10 - SIDE_GLASS if view == "whole" else span.far),
            )
        for shift in (-1.5, 1.5):
            _, y = paper.at((0, 0))
            parts.append(svg.line("plan-net", left - 3, y + shift, right + 3, y + shift))
        if view == "half":
            rule("plan-line", (0, 0), (0, span.far))
    return parts


def _half(end: int, rule: Callable[[str, Point, Point], None]) -> None:
    rule("plan-glass", (-5, 10 * end), (5, 10 * end))
    for side in (-5, 5):
        rule("plan-glass", (side, 10 * end), (side, (10 - SIDE_GLASS) * end))
    rule("plan-line", (-5, SERVICE_LINE * end), (5, SERVICE_LINE * end))
    rule("plan-line", (0, 0), (0, (SERVICE_LINE + 0.2) * end))


def _way(path: Mapping[str, Any], court: Mapping[str, Any], paper: _Paper) -> tuple[str, list[Point]]:
    """A path on paper, cut where it would run into the mark of whoever starts or ends it."""
    points = path["points"]
    marks = [mark["at"] for mark in (*court["players"], court.get("feeder")) if mark]
    start = MARK + 1 if points[0] in marks else 0.0
    end = MARK + 2 if points[-1] in marks else 0.0
    return path["kind"], geometry.shortened([paper.at(point) for point in points], start, end)


def path_line(kind: str, way: Sequence[Point]) -> SafeString:
    """A path with its arrow head; the line stops where the head begins, or dashes would show through it."""
    body = geometry.shortened(way, 0, HEAD * 0.8)
    return format_html(
        '<g class="plan-{}"><polyline points="{}"/><polygon points="{}"/></g>',
        kind,
        _list(body),
        _list(geometry.arrow_head(way, HEAD)),
    )


def player_mark(x: float, y: float, number: str) -> SafeString:
    return format_html(
        '<g class="plan-player">{}{}</g>', svg.dot("disc", x, y, MARK), svg.text("word", x, y + 4, number)
    )


def feeder_mark(x: float, y: float, how: str) -> SafeString:
    """A box with a ball in it, or with a racket."""
    tool = [svg.dot("ball", x, y, 2.5)]
    if how == "racket":
        tool = [svg.dot("head", x, y - 2, 3.8), svg.line("handle", x, y + 1.8, x, y + 6)]
    box = _box("disc", x - MARK, y - MARK, 2 * MARK, 2 * MARK)
    return format_html('<g class="plan-feeder">{}{}</g>', box, svg.joined(tool))


def cone(x: float, y: float) -> SafeString:
    corners = [(x, y - 5), (x + 4.5, y + 3.5), (x - 4.5, y + 3.5)]
    return format_html('<polygon class="plan-cone" points="{}"/>', _list(corners))


def bounce(x: float, y: float) -> SafeString:
    return svg.dot("plan-bounce", x, y, 2.6)


def target_box(x: float, y: float, width: float, height: float) -> SafeString:
    hatch = [svg.line("hatch", *low, *high) for low, high in geometry.hatching(x, y, width, height, GAP)]
    return format_html(
        '<g class="plan-target">{}{}</g>', svg.joined(hatch), _box("outline", x, y, width, height)
    )


def _target(target: Mapping[str, Any], paper: _Paper) -> SafeString:
    (x, y), (across, along) = target["at"], target["size"]
    left, top = paper.at((x - across / 2, y + along / 2))
    return target_box(left, top, across * paper.scale, along * paper.scale)


def _letter(number: int, way: Sequence[Point]) -> SafeString:
    """On the line, where a gap in it is enough room; beside a short one."""
    short = len(way) == 2 and math.dist(*way) < ROOM_FOR_LETTER
    x, y = geometry.beside(way, 7) if short else geometry.middle_of(way)
    return svg.text("plan-letter", x, y + 3, LETTERS[number])


def _box(kind: str, x: float, y: float, width: float, height: float) -> SafeString:
    return format_html(
        '<rect class="{}" x="{}" y="{}" width="{}" height="{}"/>',
        kind, svg.number(x), svg.number(y), svg.number(width), svg.number(height),
    )  # fmt: skip


def _list(points: Sequence[Point]) -> str:
    return " ".join(f"{svg.number(x)},{svg.number(y)}" for x, y in points)


def _key_line(kind: str) -> SafeString:
    if kind == "net":
        return svg.joined([svg.line("plan-net", 1, y, 31, y) for y in (8.5, 11.5)])
    if kind in ("glass", "mesh"):
        return svg.line(f"plan-{kind}", 1, 10, 31, 10)
    return path_line(kind, [(1, 10), (31, 10)])


def _key(kind: str) -> SafeString:
    shapes = {
        "player": lambda: player_mark(16, 10, "1"),
        "hand": lambda: feeder_mark(16, 10, "hand"),
        "racket": lambda: feeder_mark(16, 10, "racket"),
        "bounce": lambda: bounce(16, 10),
        "target": lambda: target_box(4, 4, 24, 12),
        "cone": lambda: cone(16, 10),
    }
    return shapes.get(kind, lambda: _key_line(kind))()


def _legend(court: Mapping[str, Any]) -> SafeString:
    entries = [
        format_html(
            '<li><svg class="plan-key" viewBox="0 0 32 20" aria-hidden="true" focusable="false">{}</svg> {}</li>',
            _key(kind),
            words,
        )
        for kind, words in legend_words(court)
    ]
    return format_html('<figcaption><ul class="plan-legend">{}</ul></figcaption>', svg.joined(entries))
