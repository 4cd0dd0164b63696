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
    """

    level_db: float | None = None
    next_db: float | None = None
    shape: tuple[float, ...] = RACKET
    next_shape: tuple[float, ...] | None = None
    weight: float = 0.0

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
        }

    @classmethod
    def from_dict(cls, given: Mapping[str, Any]) -> CourtSound:
        """Back from `as_dict`; what is missing or makes no sense counts as not known."""
        level, beside = _number(given.get("level_db")), _number(given.get("next_db"))
        shape, beside_shape = _shape(given.get("shape")), _shape(given.get("next_shape"))
        if level is None or shape is None:
            return cls()
        weight = min(MOST, max(0.0, _number(given.get("weight")) or 0.0))
        return cls(level, beside, shape, beside_shape, weight)


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
    own, other = int(kept.sum()), int(dropped.sum())
    if own < FEWEST:
        return court
    before = court.weight if court.level_db is not None else 0.0
    share = own / (own + 0.5 * before)
    level, middle = float(np.median(onsets.level_db[kept])), np.median(shape[kept], axis=0)
    if court.level_db is not None:
        level = share * level + (1 - share) * court.level_db
        middle = share * middle + (1 - share) * np.array(court.shape)
    beside, beside_shape = court.next_db, court.next_shape
    if other >= FEWEST:
        beside = float(np.median(onsets.level_db[dropped]))
        beside_shape = tuple(float(x) for x in np.median(shape[dropped], axis=0))
    weight = min(MOST, 0.5 * before + own)
    return CourtSound(level, beside, tuple(float(x) for x in middle), beside_shape, weight)
