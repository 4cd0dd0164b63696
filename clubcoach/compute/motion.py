"""Rallies by what moves inside the court, where the sound is of no use; rougher, and told so."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import gaussian_filter1d

from clubcoach.compute.onsets import Onsets
from clubcoach.compute.rallies import Heard, HeardRally, Hits
from clubcoach.compute.rallies_court import CourtSound

Floats = NDArray[np.float64]
SMOOTH_S = 1.0
SHORTEST_S = 2.0
__all__ = ["rallies_of_motion"]


def rallies_of_motion(activity: ArrayLike, per_second: float) -> Heard:
    """Spells of much motion.

    Parameters
    ----------
    activity : (n,) array
        Share of the court's picture that changed, between 0 and 1.
    per_second : float
        How often it was measured.

    Returns
    -------
    Heard
        Without hits; `reasons` holds by_motion.

    Raises
    ------
    ValueError
        When `per_second` is not above 0.
    """
    if not per_second > 0:
        raise ValueError(f"per_second must be above 0, not {per_second}")
    moved = np.nan_to_num(np.asarray(activity, dtype=float))
    nothing = Onsets(np.zeros(0), np.zeros(0), np.zeros(0), np.zeros((0, 6)))
    none = Hits(np.zeros(0), (), np.zeros(0))
    usual = CourtSound.usual()
    if len(moved) < 10 * per_second:
        return Heard(none, (), "useless", ("too_short", "by_motion"), usual, nothing)
    smooth = gaussian_filter1d(moved, SMOOTH_S * per_second)
    low, high = np.quantile(smooth, [0.2, 0.9])
    if high < 1.5 * low + 1e-4:
        return Heard(none, (), "useless", ("noise", "by_motion"), usual, nothing)
    busy = smooth > (low + high) / 2
    edges = np.flatnonzero(np.diff(np.r_[0, busy.astype(int), 0]))
    spells = [
        HeardRally(a / per_second, (b - 1) / per_second, 0, 0.5)
        for a, b in zip(edges[::2], edges[1::2], strict=True)
        if b - a >= SHORTEST_S * per_second
    ]
    return Heard(none, tuple(spells), "poor" if spells else "useless", ("by_motion",), usual, nothing)
