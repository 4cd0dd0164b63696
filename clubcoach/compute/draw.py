"""The draw of a match: which situations are looked at, and how much they can tell."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clubcoach.compute.intervals import normal_quantile

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class DrawOrder:
    """A random order of all situations; any first part of it is a draw balanced over the strata."""

    order: Ints
    stratum: Ints

    @property
    def n(self) -> int:
        """Number of situations in the frame."""
        return int(self.order.size)

    def weights(self, taken: int) -> Floats:
        """Weights of the first `taken` situations, which undo the rounding of the strata.

        Parameters
        ----------
        taken : int
            How far along the order the analyst went, 0 to n.

        Returns
        -------
        ndarray of float64, shape (taken,)
            Stratum's share of the frame over its share of the draw; they sum to `taken`. Strata that the
            draw has not reached yet cannot be weighed up: see `unreached`.

        Raises
        ------
        ValueError
            When `taken` is outside 0 to n.
        """
        drawn = self.stratum[: self._inside(taken)]
        names, back, count = np.unique(drawn, return_inverse=True, return_counts=True)
        frame = np.array([np.count_nonzero(self.stratum == name) for name in names], dtype=np.float64)
        if not names.size:
            return np.zeros(0)
        weight = (frame / frame.sum()) / (count / count.sum())
        return np.asarray(weight[back], dtype=np.float64)

    def unreached(self, taken: int) -> Ints:
        """Strata of the frame without a situation among the first `taken`.

        Parameters
        ----------
        taken : int
            How far along the order the analyst went, 0 to n.

        Returns
        -------
        ndarray of int64
            Names of strata, rising.
        """
        return np.setdiff1d(self.stratum, self.stratum[: self._inside(taken)])

    def _inside(self, taken: int) -> int:
        if not 0 <= taken <= self.n:
            raise ValueError(f"taken must lie between 0 and {self.n}, not {taken}")
        return taken


@dataclass(frozen=True, slots=True)
class Margin:
    """Half-width of the interval of a share of one half."""

    half_width: float
    n: int
    population: int | None
    clusters: int | None
    level: float


@dataclass(frozen=True, slots=True)
class SampleSize:
    """Situations needed: from an endless frame, and from a frame of `population`."""

    endless: int
    n: int
    population: int | None


def draw_order(situation_ids: ArrayLike, stratum: ArrayLike, *, rng: np.random.Generator) -> DrawOrder:
    """Put all situations of a match into one random order that stays balanced over its strata.

    Within a stratum the order is a random shuffle. The strata are interleaved by systematic sampling
    with a random start each: the i-th situation of a stratum of size m gets the place (i + start) / m. So
    at every point of the way each stratum has had its part to within about one situation, a small
    stratum is not pushed to the middle, and "ten more" goes on along the same order.

    Parameters
    ----------
    situation_ids : array_like of int, shape (n,)
        Different identities.
    stratum : array_like of int, shape (n,)
        For example end x serving pair.
    rng : numpy.random.Generator
        Made from the match's stored seed.

    Returns
    -------
    DrawOrder
        The same for the same seed whatever the order of the input.

    Raises
    ------
    ValueError
        When lengths differ, an identity comes twice or an array is not of whole numbers.

    References
    ----------
    Cochran, W. G. (1977). Sampling Techniques, 3rd ed., chapter 8 (from memory).
    """
    ids, strata = _whole("situation_ids", situation_ids), _whole("stratum", stratum)
    if ids.size != strata.size:
        raise ValueError(f"situation_ids has {ids.size} rows and stratum {strata.size}")
    if np.unique(ids).size != ids.size:
        raise ValueError("a situation comes twice")
    by_id = np.argsort(ids)
    ids, strata = ids[by_id], strata[by_id]
    place = np.zeros(ids.size)
    for name in np.unique(strata):
        rows = rng.permutation(np.flatnonzero(strata == name))
        place[rows] = (np.arange(rows.size) + rng.random()) / rows.size
    order = np.lexsort((rng.random(ids.size), place))
    return DrawOrder(ids[order], strata[order])


def margin(
    n: int,
    population: int | None,
    *,
    clusters: int | None = None,
    correlation: float = 1.0,
    level: float = 0.8,
) -> Margin:
    """How closely n drawn situations tell a share of one half.

    Parameters
    ----------
    n : int
        Situations drawn, at least one.
    population : int or None
        Situations in the frame; None where pass 1 was not done.
    clusters : int or None
        Rallies that the n situations come from. None: every situation from its own rally.
    correlation : float
        Of situations inside one rally, 0 to 1. At 1, the default, each rally counts once, so that
        the margin is never told too small while the correlation is not known.
    level : float
        Coverage of the two-sided interval.

    Returns
    -------
    Margin
        `half_width` as a share: 0.2 is "2 in 10". At most one half.

    Raises
    ------
    ValueError
        When n is not in 1..population, clusters not in 1..n, or correlation not in 0..1.

    References
    ----------
    Cochran, W. G. (1977). Sampling Techniques, 3rd ed., section 3.2, and Kish's design effect
    1 + (m - 1) rho with m situations a rally (both from memory).
    """
    if n < 1:
        raise ValueError(f"n must be at least 1, not {n}")
    if population is not None and population < n:
        raise ValueError(f"population ({population}) must not be below n ({n})")
    if clusters is not None and not 1 <= clusters <= n:
        raise ValueError(f"clusters must lie between 1 and n ({n}), not {clusters}")
    if not 0.0 <= correlation <= 1.0:
        raise ValueError(f"correlation must lie between 0 and 1, not {correlation!r}")
    design = 1.0 if clusters is None else 1.0 + (n / clusters - 1.0) * correlation
    left = 1.0 if population is None else (population - n) / max(population - 1, 1)
    half = normal_quantile(level) * math.sqrt(0.25 * design * left / n)
    return Margin(min(half, 0.5), n, population, clusters, level)


def sample_size(
    half_width: float,
    population: int | None,
    *,
    share: float = 0.5,
    level: float = 0.8,
    deviations: float | None = None,
) -> SampleSize:
    """Situations needed to know a share to within `half_width`.

    Parameters
    ----------
    half_width : float
        Wanted half-width of the interval, a share.
    population : int or None
        Situations in the frame; None for an endless one.
    share : float
        The share expected; one half asks for most.
    level : float
        Coverage of the two-sided interval.
    deviations : float or None
        Normal deviations in place of `level` (textbooks round them).

    Returns
    -------
    SampleSize
        Rounded up; never above the population.

    Raises
    ------
    ValueError
        When the half-width or the share is not strictly between 0 and 1, or the population is empty.

    References
    ----------
    Cochran, W. G. (1977). Sampling Techniques, 3rd ed., section 4.4 (from memory).
    """
    if not 0.0 < half_width < 1.0:
        raise ValueError(f"half_width must lie between 0 and 1, not {half_width!r}")
    if not 0.0 < share < 1.0:
        raise ValueError(f"share must lie between 0 and 1, not {share!r}")
    if population is not None and population < 1:
        raise ValueError(f"population must be at least 1, not {population}")
    z = normal_quantile(level) if deviations is None else deviations
    endless = z * z * share * (1.0 - share) / half_width**2
    finite = endless if population is None else endless / (1.0 + (endless - 1.0) / population)
    # 400.00000000000006 is 400: the last bits of a float must not ask for one more situation.
    return SampleSize(_up(endless), min(_up(finite), population or _up(finite)), population)


def _up(value: float) -> int:
    return max(1, math.ceil(value - 1e-9))


def _whole(name: str, values: ArrayLike) -> Ints:
    array = np.asarray(values)
    if array.size and array.dtype.kind not in "iu":
        raise ValueError(f"{name} must hold whole numbers, not {array.dtype}")
    if array.ndim != 1:
        raise ValueError(f"{name} must be flat, not of shape {array.shape}")
    return array.astype(np.int64)
