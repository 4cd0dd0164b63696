"""Shares with their interval and the count behind them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Share:
    """A share between 0 and 1 with its interval; `share` is None where nothing was seen."""

    successes: int
    n: int
    share: float | None
    low: float
    high: float
    level: float


@dataclass(frozen=True, slots=True)
class Tenths:
    """A share in whole tenths: "about 5 in 10; may be 3 to 6". `about` is None where nothing was seen."""

    about: int | None
    low: int
    high: int
    n: int
    level: float


def normal_quantile(level: float) -> float:
    """Half-width in standard deviations of a two-sided normal interval.

    Parameters
    ----------
    level : float
        Coverage, strictly between 0 and 1.

    Returns
    -------
    float
        For example 1.2816 at 0.8.

    Raises
    ------
    ValueError
        When `level` is outside (0, 1).
    """
    if not 0.0 < level < 1.0:
        raise ValueError(f"level must lie between 0 and 1, not {level!r}")
    return float(ndtri(0.5 + level / 2.0))


def wilson_bounds(successes: object, n: object, *, level: float = 0.8) -> tuple[Floats, Floats]:
    """Wilson score interval of many shares at once.

    Parameters
    ----------
    successes, n : array_like of int, equal shapes
        Counts, 0 <= successes <= n. Where n is 0 the interval is 0 to 1.
    level : float
        Coverage of the two-sided interval.

    Returns
    -------
    low, high : ndarray of float64
        Shares between 0 and 1, of the shape of the input.

    Raises
    ------
    ValueError
        When shapes differ, or a count is negative, not whole, or above its n.

    References
    ----------
    Wilson, E. B. (1927). Probable inference, the law of succession, and statistical inference.
    JASA 22, 209-212. Newcombe, R. G. (1998). Statistics in Medicine 17, 857-872, method 3.
    """
    z2 = normal_quantile(level) ** 2
    hits, total = _counts("successes", successes), _counts("n", n)
    if hits.shape != total.shape:
        raise ValueError(f"successes has shape {hits.shape} and n {total.shape}: they must be equal")
    if np.any(hits > total):
        raise ValueError("successes must not be above n")
    some = np.maximum(total, 1.0)
    share = hits / some
    middle = share + z2 / (2.0 * some)
    half = np.sqrt(z2 * (share * (1.0 - share) + z2 / (4.0 * some)) / some)
    scale = 1.0 + z2 / some
    # Rounding leaves 1e-17 where the exact end is 0 or 1.
    low = np.where(hits == 0, 0.0, np.maximum((middle - half) / scale, 0.0))
    high = np.where(hits == total, 1.0, np.minimum((middle + half) / scale, 1.0))
    return low, high


def wilson(successes: int, n: int, *, level: float = 0.8) -> Share:
    """Wilson score interval of one share.

    Parameters
    ----------
    successes, n : int
        Counts, 0 <= successes <= n.
    level : float
        Coverage of the two-sided interval.

    Returns
    -------
    Share
        With `n` 0 the share is None and the interval 0 to 1.

    Raises
    ------
    ValueError
        See `wilson_bounds`.

    References
    ----------
    Newcombe, R. G. (1998). Statistics in Medicine 17, 857-872, method 3.
    """
    low, high = wilson_bounds(np.array([successes]), np.array([n]), level=level)
    share = float(successes) / float(n) if n else None
    return Share(int(successes), int(n), share, float(low[0]), float(high[0]), level)


def tenths(successes: int, n: int, level: float = 0.8) -> Tenths:
    """A share in whole tenths, for readers who do not read percentages.

    The ends are rounded outwards, so that the words never claim more than the interval does.

    Parameters
    ----------
    successes, n : int
        Counts, 0 <= successes <= n.
    level : float
        Coverage of the two-sided interval.

    Returns
    -------
    Tenths
        `about`, `low` and `high` between 0 and 10.

    Raises
    ------
    ValueError
        See `wilson_bounds`.
    """
    found = wilson(successes, n, level=level)
    about = (20 * found.successes + found.n) // (2 * found.n) if found.n else None
    return Tenths(about, math.floor(10.0 * found.low), math.ceil(10.0 * found.high), found.n, level)


def _counts(name: str, values: object) -> Floats:
    array = np.asarray(values)
    if array.dtype.kind not in "iu":
        if array.size:
            raise ValueError(f"{name} must hold whole numbers, not {array.dtype}")
        array = array.astype(np.int64)
    if np.any(array < 0):
        raise ValueError(f"{name} must not be negative")
    return array.astype(np.float64)
