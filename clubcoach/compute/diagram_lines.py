"""Plans of a drill as lines of text, one mark a line, as a coach types them::

    view half
    P1 at 2.5, -8
    feeder by hand at 0, 2
    run from 2.5, -8 to 2.5, -3
    bounce at 2.5, -7
    target at 0, -8.5 size 4 by 2
    cone at 4.7, -4

What a plan is, and where its points lie, stands in :mod:`clubcoach.compute.diagram`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, NamedTuple

from clubcoach.compute.diagram import FEEDS, PATH_KINDS, PLAYERS, VIEWS, validate_diagram

_NUMBER = r"[-+]?\d+(?:\.\d+)?"
_POINT = rf"({_NUMBER})\s*[,;\s]\s*({_NUMBER})"
_VIEW = re.compile(rf"view\s+({'|'.join(VIEWS)})")
_PLAYER = re.compile(rf"({'|'.join(PLAYERS)})\s+at\s+{_POINT}", re.IGNORECASE)
_FEEDER = re.compile(rf"feeder\s+by\s+({'|'.join(FEEDS)})\s+at\s+{_POINT}")
_PATH = re.compile(rf"({'|'.join(PATH_KINDS)})\s+from\s+(.+)")
_MARK = re.compile(rf"(bounce|cone)\s+at\s+{_POINT}")
_TARGET = re.compile(rf"target\s+at\s+{_POINT}\s+size\s+({_NUMBER})\s*(?:by|x|,)\s*({_NUMBER})")
_PATH_POINT = re.compile(_POINT)

FORMS = {
    "view": "write for instance: view half",
    "p1": "write for instance: P1 at 2.5, -8",
    "feeder": "write for instance: feeder by hand at 0, 2",
    "run": "write for instance: run from 2.5, -8 to 2.5, -3",
    "bounce": "write for instance: bounce at 2.5, -7",
    "cone": "write for instance: cone at 4.7, -4",
    "target": "write for instance: target at 0, -8.5 size 4 by 2",
}
_LIKE = {code.lower(): "p1" for code in PLAYERS} | dict.fromkeys(PATH_KINDS, "run")


class LineProblem(NamedTuple):
    """What is wrong with a line; line 0 is the plan as a whole."""

    line: int
    what: str
    what_to_do: str


def read_lines(text: str) -> tuple[dict[str, Any], list[LineProblem]]:
    """Read a plan from its lines.

    Parameters
    ----------
    text : str
        One mark a line; empty lines are passed over. Numbers are metres, with a point.

    Returns
    -------
    dict
        The plan, empty without lines. To be used only when there is no problem.
    list of LineProblem
        What is wrong, each with the number of its line. No text raises.
    """
    court: dict[str, Any] = {}
    line_of: dict[str, int] = {}
    problems = []
    for number, line in enumerate(text.splitlines(), 1):
        # A typed or pasted minus may be a dash.
        words = " ".join(line.replace("\N{MINUS SIGN}", "-").replace("\N{EN DASH}", "-").split())
        if not words:
            continue
        field = _put(court, words)
        if field is None:
            first = words.split()[0].lower()
            advice = FORMS.get(
                _LIKE.get(first, first), "start it with view, P1, feeder, run, ball, lob, target"
            )
            problems.append(LineProblem(number, "it cannot be read", advice))
        elif field in line_of:
            problems.append(LineProblem(number, f"the plan has its {field} already", "keep one of the two"))
        else:
            line_of[field] = number
    if court and not problems:
        problems = [
            LineProblem(_line(problem.where, line_of), problem.what, problem.what_to_do)
            for problem in validate_diagram(court, "")
        ]
    return court, problems


def _put(court: dict[str, Any], words: str) -> str | None:
    """Write a line into the plan; returns what the plan calls it, or None for a line that cannot be read."""
    lower = words.lower()
    if found := _VIEW.fullmatch(lower):
        court["view"] = found[1]
        return "view"
    if found := _FEEDER.fullmatch(lower):
        court["feeder"] = {"at": _point(found[2], found[3]), "how": found[1]}
        return "feeder"
    if found := _PLAYER.fullmatch(words):
        return _add(court, "players", {"id": found[1].upper(), "at": _point(found[2], found[3])})
    if found := _MARK.fullmatch(lower):
        return _add(court, f"{found[1]}s", _point(found[2], found[3]))
    if found := _TARGET.fullmatch(lower):
        at, size = _point(found[1], found[2]), _point(found[3], found[4])
        return _add(court, "targets", {"at": at, "size": size})
    if found := _PATH.fullmatch(lower):
        pieces = [_PATH_POINT.fullmatch(piece.strip()) for piece in re.split(r"\bto\b", found[2])]
        points = [_point(piece[1], piece[2]) for piece in pieces if piece]
        if len(points) == len(pieces):
            return _add(court, "paths", {"kind": found[1], "points": points})
    return None


def _add(court: dict[str, Any], field: str, entry: Any) -> str:
    entries = court.setdefault(field, [])
    entries.append(entry)
    return f"{field}, entry {len(entries)}"


def _point(x: str, y: str) -> list[float]:
    return [_number(x), _number(y)]


def _number(text: str) -> float:
    value = float(text)
    return int(value) if value.is_integer() else value


def _line(where: str, line_of: Mapping[str, int]) -> int:
    """The line of a problem: its place reads ': paths, entry 2: points'."""
    for field, number in line_of.items():
        if f"{where}:".startswith(f": {field}:"):
            return number
    return 0


def write_lines(court: Mapping[str, Any]) -> str:
    """Write a valid plan as lines that :func:`read_lines` reads back to the same plan."""
    if not court:
        return ""
    lines = [f"view {court['view']}"]
    lines += [f"{player['id']} at {_pair(player['at'])}" for player in court.get("players", ())]
    if feeder := court.get("feeder"):
        lines.append(f"feeder by {feeder['how']} at {_pair(feeder['at'])}")
    for path in court.get("paths", ()):
        lines.append(f"{path['kind']} from {' to '.join(_pair(point) for point in path['points'])}")
    lines += [f"bounce at {_pair(point)}" for point in court.get("bounces", ())]
    for target in court.get("targets", ()):
        across, along = target["size"]
        lines.append(f"target at {_pair(target['at'])} size {across!r} by {along!r}")
    lines += [f"cone at {_pair(point)}" for point in court.get("cones", ())]
    return "\n".join(lines)


def _pair(point: list[float]) -> str:
    return f"{point[0]!r}, {point[1]!r}"
