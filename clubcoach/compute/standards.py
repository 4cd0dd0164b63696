"""What a level asks of each check, and the simple rule for focus points."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import expit, logit

from clubcoach.compute.intervals import wilson_bounds

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class CheckStandards:
    """An area's standard spread over its checks: `theta` in logits, `standard` a share per check."""

    theta: float
    standard: Floats
    n: int


@dataclass(frozen=True, slots=True)
class Candidate:
    """One check against its standard. `gap` = standard - share; `sure_gap` = standard - high."""

    check: int
    area: int
    n: int
    met: int
    share: float
    low: float
    high: float
    standard: float
    gap: float
    sure_gap: float
    supported: bool


@dataclass(frozen=True, slots=True)
class FocusChoice:
    """`chosen` is what the rule proposes; `candidates` are all checks seen, in the rule's order."""

    chosen: tuple[Candidate, ...]
    candidates: tuple[Candidate, ...]
    level: float
    least: int


def check_standards(standard: float, delta: ArrayLike) -> CheckStandards:
    """Spread an area's standard over its checks by how hard each of them is.

    theta* solves mean_c sigma(theta* - delta[c]) = standard, and check c gets sigma(theta* - delta[c]):
    a unit exactly at the area's standard meets a hard check less often than an easy one.

    Parameters
    ----------
    standard : float
        The area's standard, a share strictly between 0 and 1.
    delta : array_like of float, shape (checks,)
        Difficulty of the area's doing checks in logits.

    Returns
    -------
    CheckStandards
        `theta` in logits, `standard` shares of shape (checks,), `n` the number of checks.

    Raises
    ------
    ValueError
        When the standard is no inner share, or `delta` is empty, not flat or not finite.
    """
    hard = np.asarray(delta, dtype=np.float64)
    if not 0.0 < standard < 1.0:
        raise ValueError(f"standard must lie between 0 and 1, not {standard!r}")
    if hard.ndim != 1 or hard.size == 0:
        raise ValueError(f"delta must be a flat array of at least one check, not of shape {hard.shape}")
    if not np.all(np.isfinite(hard)):
        raise ValueError("delta must be finite")
    middle = float(logit(standard))
    low, high = middle + float(hard.min()) - 1e-6, middle + float(hard.max()) + 1e-6
    theta = float(brentq(lambda x: float(np.mean(expit(x - hard))) - standard, low, high, xtol=1e-13))
    return CheckStandards(theta, expit(theta - hard), int(hard.size))


def simple_focus(
    check: ArrayLike,
    area: ArrayLike,
    n: ArrayLike,
    met: ArrayLike,
    standard: ArrayLike,
    *,
    most: int = 3,
    of_one_area: int = 2,
    least: int = 8,
    level: float = 0.8,
) -> FocusChoice:
    """Focus points by the simple rule: the widest gap to the standard that the evidence supports.

    A check is supported when it was seen at least `least` times and the upper end of its Wilson interval
    lies below its standard. The order is by that sure gap (standard - upper end), not by the gap
    itself: few looks make wide gaps by luck, and the order must not reward them.

    Parameters
    ----------
    check, area : array_like of int, shape (rows,)
        Identity of a doing check (once each) and its area. The caller leaves result checks out.
    n, met : array_like of int, shape (rows,)
        Seen and met, counted situations only.
    standard : array_like of float, shape (rows,)
        The level's standard for each check, a share.
    most : int
        Focus points at most: three, or one for a minor.
    of_one_area : int
        At most so many of one area.
    least : int
        Seen at least so often.
    level : float
        Coverage of the two-sided interval.

    Returns
    -------
    FocusChoice
        Supported candidates first; checks never seen are left out.

    Raises
    ------
    ValueError
        When lengths differ, counts are wrong, a check comes twice, or a standard is no share.
    """
    codes, areas = _whole("check", check), _whole("area", area)
    total, hits = _whole("n", n), _whole("met", met)
    asked = np.asarray(standard, dtype=np.float64)
    lengths = {
        "check": codes.size,
        "area": areas.size,
        "n": total.size,
        "met": hits.size,
        "standard": asked.size,
    }
    if len(set(lengths.values())) > 1:
        raise ValueError(f"lengths differ: {lengths}")
    if np.unique(codes).size != codes.size:
        raise ValueError("a check comes twice")
    if not np.all((asked >= 0.0) & (asked <= 1.0)):
        raise ValueError("standard must be a share between 0 and 1")
    low, high = wilson_bounds(hits, total, level=level)
    rows: list[Candidate] = []
    for i in np.flatnonzero(total > 0):
        share, ask = float(hits[i] / total[i]), float(asked[i])
        rows.append(
            Candidate(
                check=int(codes[i]),
                area=int(areas[i]),
                n=int(total[i]),
                met=int(hits[i]),
                share=share,
                low=float(low[i]),
                high=float(high[i]),
                standard=ask,
                gap=ask - share,
                sure_gap=ask - float(high[i]),
                supported=bool(high[i] < ask and total[i] >= least),
            )
        )
    rows.sort(key=lambda row: (not row.supported, -row.sure_gap, -row.gap, row.check))
    return FocusChoice(_spread(rows, most, of_one_area), tuple(rows), level, least)


def _spread(rows: list[Candidate], most: int, of_one_area: int) -> tuple[Candidate, ...]:
    chosen: list[Candidate] = []
    taken: Counter[int] = Counter()
    for row in rows:
        if len(chosen) < most and row.supported and taken[row.area] < of_one_area:
            chosen.append(row)
            taken[row.area] += 1
    return tuple(chosen)


def _whole(name: str, values: ArrayLike) -> NDArray[np.int64]:
    array = np.asarray(values)
    if array.size and array.dtype.kind not in "iu":
        raise ValueError(f"{name} must hold whole numbers, not {array.dtype}")
    if array.ndim != 1:
        raise ValueError(f"{name} must be flat, not of shape {array.shape}")
    return array.astype(np.int64)
