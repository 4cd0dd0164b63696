"""What a court sounds like from where the camera stands; kept, taught by corrections, and where listening begins."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clubcoach.compute.onsets import Onsets

Floats = NDArray[np.float64]

# dB, columns as in `Onsets.shape`; the strength is told against the film's strongest tenth.
RACKET = (12.0, -5.0, -16.0, -22.0, 0.0, -22.0)
FEWEST = 5
# dB in which rackets differ, columns as above and level.
SCALE = np.array([6.0, 6.0, 5.0, 6.0, 5.0, 5.0, 4.0])
MOST = 200.0

__all__ = ["CourtSound"]


@dataclass(frozen=True, slots=True)
class CourtSound:
    """Rackets of a court and of the one next door.

    Attributes
    ----------
    level_db : float or None
        Mean level of own rackets, dB of full scale; None where nothing is known.
    next_db : float or None
        The same of the neighbour's; None where there is none.
    shape : tuple of float
        Mean shape of own rackets, as in `Onsets.shape`.
    next_shape : tuple of float or None
        The same of the neighbour's.
    weight : float
        Hits that this rests on, at most `MOST`.
    taught : bool
        Whether somebody's corrections stand behind it. What was only heard is told but never begun with: an error
        would feed itself.
    """

    level_db: float | None = None
    next_db: float | None = None
    shape: tuple[float, ...] = RACKET
    next_shape: tuple[float, ...] | None = None
    weight: float = 0.0
    taught: bool = False

    @classmethod
    def usual(cls) -> CourtSound:
        """A court of which nothing is known."""
        return cls()

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "level_db": self.level_db,
            "next_db": self.next_db,
            "shape": list(self.shape),
            "next_shape": None if self.next_shape is None else list(self.next_shape),
            "weight": self.weight,
            "taught": self.taught,
        }

    @classmethod
    def from_dict(cls, given: Mapping[str, Any]) -> CourtSound:
        """Back from `as_dict`; what is missing or makes no sense counts as not known."""
        level, beside = _number(given.get("level_db")), _number(given.get("next_db"))
        shape, beside_shape = _shape(given.get("shape")), _shape(given.get("next_shape"))
        if level is None or shape is None:
            return cls()
        weight = min(MOST, max(0.0, _number(given.get("weight")) or 0.0))
        return cls(level, beside, shape, beside_shape, weight, given.get("taught") is True)


def _number(given: Any) -> float | None:
    fine = isinstance(given, (int, float)) and not isinstance(given, bool) and math.isfinite(given)
    return float(given) if fine else None


def _shape(given: Any) -> tuple[float, ...] | None:
    if not isinstance(given, (list, tuple)) or len(given) != len(RACKET):
        return None
    numbers = [_number(one) for one in given]
    return tuple(one for one in numbers if one is not None) if None not in numbers else None


def taught(
    court: CourtSound, onsets: Onsets, shape: Floats, kept: NDArray[np.bool_], dropped: NDArray[np.bool_]
) -> CourtSound:
    """A court with the rackets of what was kept, and of what was dropped as those next door.

    Parameters
    ----------
    court : CourtSound
        What is known so far.
    onsets : Onsets
    shape : (n, 6) array
        Their shapes, strength told against the film's strongest tenth.
    kept, dropped : (n,) bool arrays
        Rackets in rallies that are some, and in proposals that are none.

    Returns
    -------
    CourtSound
        `court` itself where too few were kept.
    """
    own, other = onsets_of(onsets, shape, kept), onsets_of(onsets, shape, dropped)
    if len(own) < FEWEST:
        return court
    beside, beside_shape = (court.next_db, court.next_shape) if court.taught else (None, None)
    if len(other) >= FEWEST:
        middle = np.median(other, axis=0)
        own = _without(own, middle)
        beside, beside_shape = float(middle[-1]), tuple(float(x) for x in middle[:-1])
    before = court.weight if court.taught else 0.0
    share = len(own) / (len(own) + 0.5 * before)
    found = np.median(own, axis=0)
    if court.taught and court.level_db is not None:
        found = share * found + (1 - share) * np.array([*court.shape, court.level_db])
    weight = min(MOST, 0.5 * before + len(own))
    return CourtSound(
        float(found[-1]), beside, tuple(float(x) for x in found[:-1]), beside_shape, weight, True
    )


def onsets_of(onsets: Onsets, shape: Floats, chosen: NDArray[np.bool_]) -> Floats:
    """Shapes and levels of the chosen, in one table."""
    return np.column_stack([shape[chosen], onsets.level_db[chosen]])


def _without(own: Floats, beside: Floats) -> Floats:
    """While we played, so did the neighbour: leave out what is nearer to the neighbour's than to ours."""
    left = own
    for _ in range(5):
        here = np.median(left, axis=0)
        nearer = np.square((own - here) / SCALE).sum(axis=1) < np.square((own - beside) / SCALE).sum(axis=1)
        if nearer.sum() < FEWEST:
            break
        left = own[nearer]
    return left
