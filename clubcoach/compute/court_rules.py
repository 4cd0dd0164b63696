"""Which checks a place on the floor decides, how many places it takes, and the check's lines on the floor."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from clubcoach.compute.camera import HALF_LENGTH, HALF_WIDTH, SERVICE_LINE
from clubcoach.compute.court_reach import End

Floats = NDArray[np.float64]
Kind = Literal[
    "nearer",
    "farther",
    "strip",
    "both nearer",
    "both farther",
    "level",
    "gap",
    "middle",
    "halves",
    "step",
    "forward",
    "towards",
    "line",
    "boxes",
    "shift",
]
Measure = Literal["net", "centre", "along", "across", "step", "forward"]
Level = Literal["upper"]

# By code: how a place decides it, which bounds it takes, how many spots, and whether the opponents' end is meant.
_WAYS: dict[str, tuple[Kind, tuple[str, ...], int, bool]] = {
    "F3": ("step", ("under_m",), 2, False),
    "F4": ("step", ("shoe_m",), 2, False),
    "F5": ("strip", ("near_m", "far_m"), 1, False),
    "L4": ("farther", ("from_m",), 1, True),
    "L5": ("farther", ("line_m",), 1, True),
    "L6": ("nearer", ("line_m",), 1, False),
    "B3": ("towards", (), 2, False),
    "B4": ("nearer", ("near_m",), 1, False),
    "B6": ("line", ("line_m",), 0, False),
    "S1": ("boxes", (), 0, True),
    "S2": ("nearer", ("near_m",), 1, False),
    "S3": ("step", ("under_m",), 2, False),
    "S4": ("nearer", ("near_m",), 1, False),
    "S6": ("farther", ("line_m",), 1, True),
    "N1": ("level", ("depth_m",), 2, False),
    "N2": ("gap", ("gap_m",), 2, False),
    "N3": ("farther", ("net_m",), 1, False),
    "N4": ("both nearer", ("line_m",), 2, False),
    "N5": ("both farther", ("far_m",), 2, False),
    "N6": ("shift", ("shift_m",), 0, False),
    "G3": ("nearer", ("glass_m",), 1, False),
    "G4": ("forward", ("forward_m",), 2, False),
    "P2": ("halves", (), 2, False),
    "P3": ("middle", ("centre_m",), 1, False),
    "P4": ("level", ("depth_m",), 2, False),
    "R3": ("nearer", ("glass_m",), 1, False),
    "R4": ("strip", ("near_m", "far_m"), 1, False),
}
# Lines are drawn for these, but no two spots decide them: a third fact is needed.
DRAWN_ONLY: dict[str, str] = {
    "B6": "whether the ball bounced before the hit",
    "N6": "to which side the ball is",
    "S1": "from which side was served",
}
# The list says that spots decide it, and they do not.
UNDECIDED: dict[str, str] = {
    "N7": "both players at two moments each, and no bound says what running in is",
}
_MEASURES: dict[Kind, Measure] = {
    "nearer": "net",
    "farther": "net",
    "strip": "net",
    "both nearer": "net",
    "both farther": "net",
    "level": "along",
    "gap": "across",
    "middle": "centre",
    "halves": "centre",
    "step": "step",
    "forward": "forward",
    "towards": "forward",
}


@dataclass(frozen=True, slots=True)
class Rule:
    """How places decide a check.

    Attributes
    ----------
    code : str
        The check's.
    kind : str
        ``nearer``, ``farther`` (than the bound from the net), ``strip`` (outside the two bounds), ``both nearer``,
        ``both farther`` (two players), ``level``, ``gap`` (two players differ by at most the bound, along and across),
        ``middle`` (within the bound of the central line), ``halves`` (two players on different halves), ``step``
        (one foot twice: shorter than the bound), ``forward`` (one foot twice: so much nearer the net), ``towards`` (one
        foot twice: nearer the net, and more so than sideways); ``line``, ``boxes``, ``shift`` are only drawn.
    bounds : tuple of float
        Metres: from the net, but between spots for ``level``, ``gap``, ``step``, ``forward``, and from the central
        line for ``middle`` and ``shift``.
    spots : int
        How many clicks decide it; 0 where none do.
    theirs : bool
        The place is on the opponents' half.
    """

    code: str
    kind: Kind
    bounds: tuple[float, ...]
    spots: int
    theirs: bool

    @property
    def measure(self) -> Measure | None:
        """What `measured` measures; None where nothing is."""
        return _MEASURES.get(self.kind)


def rule_of(check: Mapping[str, Any], level: Level | None = None) -> Rule | None:
    """How places decide a check of a check list.

    Parameters
    ----------
    check : mapping
        With ``code``, ``decides`` and ``bounds`` (metres; a club's own stand here).
    level : {"upper"}, optional
        Takes ``upper_levels_...`` bounds where the check has them.

    Returns
    -------
    Rule or None
        None where no place decides it: what eye and frames decide, the codes of `UNDECIDED`, codes that are none of the
        default list, and a check without its bounds.
    """
    if check.get("decides") not in ("spot", "two spots", "line") or check["code"] not in _WAYS:
        return None
    kind, names, spots, theirs = _WAYS[check["code"]]
    bounds = check.get("bounds", {})
    if any(name not in bounds for name in names):
        return None
    sizes = [_size(bounds, name, level) for name in names]
    return Rule(check["code"], kind, tuple(sizes), spots, theirs)


def _size(bounds: Mapping[str, Any], name: str, level: Level | None) -> float:
    upper = f"upper_levels_{name}"
    size = float(bounds[upper] if level == "upper" and upper in bounds else bounds[name])
    return HALF_LENGTH - size if name == "glass_m" else size


def spots_needed(rule: Rule) -> int:
    """How many clicks decide it.

    Parameters
    ----------
    rule : Rule

    Returns
    -------
    int
        2, 1, or 0 where its lines are only drawn.
    """
    return rule.spots


def place_end(rule: Rule, end: End) -> End:
    """At which end the place lies.

    Parameters
    ----------
    rule : Rule
    end : {"near", "far"}
        Where the player or pair plays that the check is about.

    Returns
    -------
    {"near", "far"}
    """
    return end if not rule.theirs else "far" if end == "near" else "near"


def lines(rule: Rule, end: End) -> list[Floats]:
    """The check's lines on the floor.

    Parameters
    ----------
    rule : Rule
    end : {"near", "far"}
        Where the player or pair plays; what the opponents do is drawn at the other end.

    Returns
    -------
    list of ndarray of float64, shape (2, 2)
        Metres; straight. Empty for what is measured between two spots.
    """
    sign = sign_of(place_end(rule, end))
    if rule.kind in ("nearer", "farther", "strip", "both nearer", "both farther", "line"):
        return [_across(sign * bound) for bound in rule.bounds]
    if rule.kind == "boxes":
        return [_across(sign * SERVICE_LINE), _along(0.0, sign * SERVICE_LINE)]
    if rule.kind == "halves":
        return [_along(0.0, sign * HALF_LENGTH)]
    if rule.kind in ("middle", "shift"):
        return [_along(x, sign * HALF_LENGTH) for x in (-rule.bounds[0], rule.bounds[0])]
    return []


def _across(y: float) -> Floats:
    return np.array([[-HALF_WIDTH, y], [HALF_WIDTH, y]])


def _along(x: float, y: float) -> Floats:
    return np.array([[x, 0.0], [x, y]])


def sign_of(end: End) -> float:
    """Of y at an end."""
    return -1.0 if end == "near" else 1.0
