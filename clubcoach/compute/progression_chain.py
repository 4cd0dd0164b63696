"""Gaussian random walks of many units at once: filter and smoother in information form.

The posterior precision of one unit's path is block tridiagonal, with one block of areas x areas a match day.
Eliminating it forwards is the Kalman filter, substituting backwards the smoother of Rauch, Tung and Striebel;
both run over all units of a step at once, and their cost is linear in units x match days.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from clubcoach.compute.progression_shared import Floats, Ints


@dataclass(frozen=True, slots=True, eq=False)
class Chain:
    """Factor of the walks' precision.

    Attributes
    ----------
    start : ndarray of int64
        Slots of step t are start[t] : start[t + 1]; see `Layout`.
    link : ndarray of float64, shape (slots, areas)
        Precision of the step that leads to the slot; 0 at a unit's first.
    inner : ndarray of float64, shape (slots, areas, areas)
        Covariance of a slot given all later ones and the data up to it.
    """

    start: Ints
    link: Floats
    inner: Floats

    def forward(self, right: Floats) -> Floats:
        """Eliminate the days one after the other.

        Parameters
        ----------
        right : ndarray of float64, shape (slots, areas, k)
            Overwritten.

        Returns
        -------
        ndarray of float64, shape (slots, areas, k)
            The same array.
        """
        for before, now in self._pairs():
            gain = self.link[now, :, None] * self.inner[before]
            right[now] += gain @ right[before]
        return right

    def backward(self, forwarded: Floats) -> Floats:
        """Substitute from the last day back to the first: precision^-1 times what `forward` was given.

        Parameters
        ----------
        forwarded : ndarray of float64, shape (slots, areas, k)

        Returns
        -------
        ndarray of float64, shape (slots, areas, k)
        """
        out = self.inner @ forwarded
        for before, now in reversed(self._pairs()):
            out[before] += self.inner[before] @ (self.link[now, :, None] * out[now])
        return out

    def marginals(self) -> tuple[Floats, Floats, Floats]:
        """Variances of each day given all data, and covariances with the day before.

        Returns
        -------
        variance : ndarray of float64, shape (slots, areas)
        lagged : ndarray of float64, shape (slots, areas)
            With the same area on the unit's match day before; 0 at the first.
        first : ndarray of float64, shape (units, areas, areas)
            Covariance on each unit's first day.
        """
        full = self.inner.copy()
        lagged = np.zeros_like(self.link)
        for before, now in reversed(self._pairs()):
            gain = self.inner[before] * self.link[now, None, :]
            across = gain @ full[now]
            lagged[now] = np.diagonal(across, axis1=1, axis2=2)
            full[before] += across @ gain.transpose(0, 2, 1)
        units = int(self.start[1]) if self.start.size > 1 else 0
        return np.diagonal(full, axis1=1, axis2=2).copy(), lagged, full[:units].copy()

    def sample(self, slots: Ints, noise: Floats) -> Floats:
        """Turn white noise into departures of one unit's path from its mean.

        Parameters
        ----------
        slots : ndarray of int64, shape (days,)
            The unit's slots by rising day.
        noise : ndarray of float64, shape (n, days, areas)
            Standard normal.

        Returns
        -------
        ndarray of float64, shape (n, days, areas)
        """
        out = np.empty_like(noise)
        later: Floats | None = None
        for i in range(slots.size - 1, -1, -1):
            inner = self.inner[slots[i]]
            out[:, i] = noise[:, i] @ np.linalg.cholesky(inner).T
            if later is not None:
                out[:, i] += (later * self.link[slots[i + 1]]) @ inner
            later = out[:, i]
        return out

    def _pairs(self) -> list[tuple[slice, slice]]:
        return _pairs(self.start)


def walk_precision(start: Ints, gap: Ints, initial: Floats, walk: Floats) -> tuple[Floats, Floats]:
    """Prior precision of the walks, without data.

    Parameters
    ----------
    start : ndarray of int64
        See `Chain`.
    gap : ndarray of int64, shape (slots,)
        Days since the unit's match day before; 0 at the first.
    initial : ndarray of float64, shape (areas, areas)
        Covariance at the first match day.
    walk : ndarray of float64, shape (areas,)
        Variance per day, above 0.

    Returns
    -------
    block : ndarray of float64, shape (slots, areas, areas)
        Diagonal blocks.
    link : ndarray of float64, shape (slots, areas)
        Minus the off-diagonal blocks, which are diagonal.
    """
    areas = walk.size
    link = np.where(gap[:, None] > 0, 1.0 / (walk * np.maximum(gap, 1)[:, None]), 0.0)
    near = link.copy()
    for before, now in _pairs(start):
        near[before] += link[now]
    block = near[:, :, None] * np.eye(areas)
    if start.size > 1:
        block[: start[1]] += np.linalg.inv(initial)
    return block, link


def factor(start: Ints, block: Floats, link: Floats) -> Chain:
    """Factor a block tridiagonal precision.

    Parameters
    ----------
    start : ndarray of int64
        See `Chain`.
    block : ndarray of float64, shape (slots, areas, areas)
        Diagonal blocks, prior and data together.
    link : ndarray of float64, shape (slots, areas)
        See `walk_precision`.

    Returns
    -------
    Chain

    References
    ----------
    Durbin, J. and Koopman, S. J. (2012). Time Series Analysis by State Space Methods, 2nd ed.
    """
    inner = np.empty_like(block)
    if start.size > 1:
        inner[: start[1]] = np.linalg.inv(block[: start[1]])
    for before, now in _pairs(start):
        step = link[now]
        inner[now] = np.linalg.inv(block[now] - step[:, :, None] * inner[before] * step[:, None, :])
    return Chain(start, link, inner)


def _pairs(start: Ints) -> list[tuple[slice, slice]]:
    """Slots of a step, and those of the same units a step before."""
    return [
        (slice(int(a), int(a + c - b)), slice(int(b), int(c)))
        for a, b, c in zip(start[:-2], start[1:-1], start[2:], strict=True)
    ]
