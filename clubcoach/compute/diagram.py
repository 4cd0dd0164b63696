"""Small plans of a drill as data: what a valid one looks like, and the geometry that a drawing needs.

A plan is a mapping with these fields; only ``view`` and ``players`` are needed, and no other is known::

    {"view": "half",
     "players": [{"id": "P1", "at": [2.5, -8]}],
     "feeder": {"at": [0, 2], "how": "hand"},
     "paths": [{"kind": "run", "points": [[2.5, -8], [2.5, -3]]}],
     "bounces": [[2.5, -7]],
     "targets": [{"at": [0, -8.5], "size": [4, 2]}],
     "cones": [[4.7, -4]]}

Points are metres. On a court the origin is the middle of the net, x runs across from -5 to 5, y along from -10
(the end of the reader) to 10. ``half`` shows the near half and 3 m across the net, ``whole`` both halves. ``wall``
is the floor before a practice wall, the origin at the foot of the wall, y from -6 to 0. ``room`` is a square of
floor at home, the origin in its middle, the reader facing positive y. A target lies round its middle. Paths are
drawn in their order: ``run`` on foot, ``ball`` low, ``lob`` high.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple, TypeGuard

from clubcoach.compute._datafile import Problem, check_word, is_number

Point = tuple[float, float]


class Span(NamedTuple):
    """The floor that a view shows, in metres."""

    left: float
    right: float
    near: float
    far: float


VIEWS = {
    "half": Span(-5, 5, -10, 3),
    "whole": Span(-5, 5, -10, 10),
    "wall": Span(-3, 3, -6, 0),
    "room": Span(-1.5, 1.5, -1.5, 1.5),
}
COURT_VIEWS = ("half", "whole")
PATH_KINDS = ("run", "ball", "lob")
FEEDS = ("hand", "racket")
PLAYERS = ("P1", "P2", "P3", "P4")
MOST = {"players": 4, "paths": 8, "bounces": 4, "targets": 4, "cones": 8}
MOST_POINTS = 6
SHORTEST = 0.1
"""A piece of a path is at least so long, in metres: nothing shorter has a direction that one sees."""
SERVICE_LINE = 6.95
NET_PLACE = 4.5
BACK_GLASS = 9.0
"""Farther than this from the net a place is called after the glass (our own reading)."""
OFF_MIDDLE = 1.2
"""Up to this far from the central line a place is in the middle (our own reading)."""
FIELDS = ("view", "players", "feeder", "paths", "bounces", "targets", "cones")


def validate_diagram(court: object, where: str = "court") -> list[Problem]:
    """Say everything that is wrong with a plan.

    Parameters
    ----------
    court : object
        The plan. An empty mapping means that there is none, and is right.
    where : str
        What the problems name in front of the field.

    Returns
    -------
    list of Problem
        Empty when the plan may be drawn. Wrong types are problems too: no input raises.
    """
    if not isinstance(court, Mapping):
        return [Problem(where, "it is not an object", "name its fields, or leave it empty")]
    if not court:
        return []
    problems = [
        Problem(where, f"{str(field)[:40]!r} is no field of a plan", f"choose from {', '.join(FIELDS)}")
        for field in court
        if field not in FIELDS
    ]
    problems += check_word(court, where, "view", tuple(VIEWS))
    view = court.get("view")
    # With no known view, whatever lies on a whole court is let pass: one mistake, one sentence.
    span = VIEWS[view if isinstance(view, str) and view in VIEWS else "whole"]
    problems += _players(court, where, span)
    problems += _feeder(court.get("feeder"), f"{where}: feeder", span)
    for number, path in _entries(court, where, "paths", problems):
        problems += _path(path, f"{where}: paths, entry {number}", span)
    for number, target in _entries(court, where, "targets", problems):
        problems += _target(target, f"{where}: targets, entry {number}", span)
    for field in ("bounces", "cones"):
        for number, point in _entries(court, where, field, problems):
            problems += _inside(point, f"{where}: {field}, entry {number}", span)
    return problems


def is_drawable(court: object) -> bool:
    """Tell whether there is a plan, and one without a problem."""
    return bool(court) and not validate_diagram(court)


def _entries(
    court: Mapping[str, Any], where: str, field: str, problems: list[Problem]
) -> list[tuple[int, object]]:
    """Number the entries of a list; a list that is none, or too long, adds its problem instead."""
    entries = court.get(field, [])
    if not isinstance(entries, list):
        problems.append(Problem(f"{where}: {field}", "it is not a list", "write a list, or leave it out"))
        return []
    if len(entries) > MOST[field]:
        what = f"there are {len(entries)} of them"
        problems.append(Problem(f"{where}: {field}", what, f"draw at most {MOST[field]}"))
        return []
    return list(enumerate(entries, 1))


def _players(court: Mapping[str, Any], where: str, span: Span) -> list[Problem]:
    problems: list[Problem] = []
    seen = []
    for number, player in _entries(court, where, "players", problems):
        here = f"{where}: players, entry {number}"
        if not isinstance(player, Mapping):
            problems.append(Problem(here, "it is not an object", "give its id and where it stands"))
            continue
        problems += check_word(player, here, "id", PLAYERS)
        problems += _inside(player.get("at"), f"{here}: at", span)
        seen.append(player.get("id"))
    for code in PLAYERS:
        if seen.count(code) > 1:
            problems.append(Problem(f"{where}: players", f"{code} stands twice", "number them apart"))
    if not seen and not problems:
        problems.append(Problem(f"{where}: players", "nobody is on the plan", "draw at least one player"))
    return problems


def _feeder(feeder: object, where: str, span: Span) -> Iterator[Problem]:
    if feeder is None:
        return
    if not isinstance(feeder, Mapping):
        yield Problem(where, "it is not an object", "say where the feeder stands and how, or leave it out")
        return
    yield from check_word(feeder, where, "how", FEEDS)
    yield from _inside(feeder.get("at"), f"{where}: at", span)


def _path(path: object, where: str, span: Span) -> Iterator[Problem]:
    if not isinstance(path, Mapping):
        yield Problem(where, "it is not an object", "give its kind and its points")
        return
    yield from check_word(path, where, "kind", PATH_KINDS)
    points = path.get("points")
    if not isinstance(points, list) or not 2 <= len(points) <= MOST_POINTS:
        yield Problem(f"{where}: points", "it has too few or too many", f"give 2 to {MOST_POINTS} points")
        return
    wrong = [problem for point in points for problem in _inside(point, f"{where}: points", span)]
    yield from wrong
    if not wrong and any(math.dist(points[i], points[i + 1]) < SHORTEST for i in range(len(points) - 1)):
        yield Problem(f"{where}: points", "two that follow are the same", "leave one of them out")


def _target(target: object, where: str, span: Span) -> Iterator[Problem]:
    box: Mapping[str, Any] = target if isinstance(target, Mapping) else {}
    at, size = box.get("at"), box.get("size")
    if not _is_point(at) or not _is_point(size) or not (size[0] > 0 and size[1] > 0):
        yield Problem(where, "it is no box", "give its middle (at) and its size, across and along, in metres")
        return
    (x, y), (across, along) = at, size
    corners = ((x - across / 2, y - along / 2), (x + across / 2, y + along / 2))
    if not all(_lies_in(corner, span) for corner in corners):
        yield _outside(where, span)


def _inside(point: object, where: str, span: Span) -> Iterator[Problem]:
    if not _is_point(point):
        yield Problem(where, "it is no point", "give two numbers, across and along, in metres")
    elif not _lies_in(point, span):
        yield _outside(where, span)


def _outside(where: str, span: Span) -> Problem:
    advice = f"stay within {span.left:g} to {span.right:g} across and {span.near:g} to {span.far:g} along"
    return Problem(where, "it lies outside what the view shows", advice)


def _is_point(value: object) -> TypeGuard[list[float]]:
    return isinstance(value, list) and len(value) == 2 and all(is_number(part) for part in value)


def _lies_in(point: Any, span: Span) -> bool:
    # A hair of tolerance: half a size of 0.1 is not exact in the machine's numbers.
    x, y = point
    hair = 1e-9
    return bool(span.left - hair <= x <= span.right + hair and span.near - hair <= y <= span.far + hair)


def place(view: str, point: Sequence[float]) -> tuple[str, str]:
    """Name a point: how deep it lies and on which side, as seen on the plan.

    Returns
    -------
    tuple of str
        Depth: on a court ``net``, ``strip``, ``back`` or ``glass``, with ``far_`` before it across the net;
        before a wall ``wall``, ``near_wall`` or ``off_wall``; in a room ``front``, ``middle`` or ``rear``.
        Side: ``left``, ``centre`` or ``right``.
    """
    x, y = point
    span = VIEWS[view]
    limit = OFF_MIDDLE if view in COURT_VIEWS else (span.right - span.left) / 8
    side = "left" if x < -limit else "right" if x > limit else "centre"
    if view in COURT_VIEWS:
        away = abs(y)
        if away <= NET_PLACE:
            depth = "net"
        elif away <= SERVICE_LINE:
            depth = "strip"
        else:
            depth = "back" if away <= BACK_GLASS else "glass"
        return (f"far_{depth}" if y > 0 else depth), side
    if view == "wall":
        return ("wall" if y >= -0.3 else "near_wall" if y >= -2.5 else "off_wall"), side
    return ("front" if y > limit else "rear" if y < -limit else "middle"), side


def shortened(points: Sequence[Point], start: float = 0.0, end: float = 0.0) -> list[Point]:
    """Cut a length off both ends of a path, so that its arrow does not run into the marks it joins.

    Parameters
    ----------
    points : sequence of (float, float)
        At least two, those that follow different.
    start, end : float
        Lengths to cut, in the unit of the points. A first or last piece keeps at least a third of itself.
    """
    path = [(float(x), float(y)) for x, y in points]
    path[0] = _towards(path[0], path[1], start)
    path[-1] = _towards(path[-1], path[-2], end)
    return path


def _towards(here: Point, there: Point, length: float) -> Point:
    share = min(length / math.dist(here, there), 2 / 3 if length else 0)
    return (here[0] + (there[0] - here[0]) * share, here[1] + (there[1] - here[1]) * share)


def arrow_head(points: Sequence[Point], length: float) -> tuple[Point, Point, Point]:
    """Corners of the arrow head at the end of a path: the tip, and the two behind it."""
    (x0, y0), (x1, y1) = points[-2], points[-1]
    whole = math.dist((x0, y0), (x1, y1))
    ux, uy = (x1 - x0) / whole, (y1 - y0) / whole
    bx, by, half = x1 - ux * length, y1 - uy * length, length * 0.45
    return (x1, y1), (bx - uy * half, by + ux * half), (bx + uy * half, by - ux * half)


def middle_of(points: Sequence[Point]) -> Point:
    """The middle of the longest piece of a path, where its letter stands clear of corners and arrow heads."""
    longest = max(range(len(points) - 1), key=lambda i: math.dist(points[i], points[i + 1]))
    (x0, y0), (x1, y1) = points[longest], points[longest + 1]
    return ((x0 + x1) / 2, (y0 + y1) / 2)


def beside(points: Sequence[Point], away: float) -> Point:
    """A point beside the middle of the first piece of a path, on the left of who goes along it."""
    (x0, y0), (x1, y1) = points[:2]
    share = away / math.dist((x0, y0), (x1, y1))
    return ((x0 + x1) / 2 - (y1 - y0) * share, (y0 + y1) / 2 + (x1 - x0) * share)


def hatching(left: float, top: float, width: float, height: float, gap: float) -> list[tuple[Point, Point]]:
    """Slanted lines that fill a box, each from its left or lower edge up to its upper or right edge."""
    lines = []
    offset = gap
    while offset < width + height:
        low = (left, top + offset) if offset <= height else (left + offset - height, top + height)
        high = (left + offset, top) if offset <= width else (left + width, top + offset - width)
        lines.append((low, high))
        offset += gap
    return lines
