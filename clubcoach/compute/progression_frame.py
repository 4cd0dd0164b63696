"""Where each cell's information goes: indices that stay the same over all steps of a fit.

A unit met only a few analysts in a few months, so its own view of the shared effects leaves out all other months of
strictness: its *columns* are the difficulties of all checks, the balls, the areas' start and drift, and the seats
that it met. Elimination works on these few columns; only what is left of it is spread over the shared effects.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from clubcoach.compute.progression_input import Cells, Layout
from clubcoach.compute.progression_shared import BALLS, Floats, Ints, Shared

# Units whose matrices are spread over the shared effects at a time, which bounds the memory.
_UNITS_AT_ONCE = 500


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """Indices of one set of cells.

    Attributes
    ----------
    slot_check : ndarray of int64, shape (cells,)
        slot * checks + check.
    node : ndarray of int64, shape (cells,)
        slot * areas + area of the check.
    unit : ndarray of int64, shape (cells,)
    seat : ndarray of int64, shape (cells,)
        Which of its unit's seats the cell belongs to.
    inside : ndarray of float64, shape (checks, areas)
        1 where the check belongs to the area.
    place : ndarray of int64, shape (units, columns)
        Where each column of a unit stands among the shared effects; their number (one too far) for the columns
        of a unit that met fewer seats than others.
    checks, balls, start, drift, seats : slice
        Where each kind of effect stands among the columns.
    size : int
        Number of shared effects.
    """

    slot_check: Ints
    node: Ints
    unit: Ints
    seat: Ints
    inside: Floats
    place: Ints
    checks: slice
    balls: slice
    start: slice
    drift: slice
    seats: slice
    size: int

    @property
    def columns(self) -> int:
        """Number of columns of a unit."""
        return int(self.place.shape[1])

    def of_units(self, values: Floats) -> Floats:
        """Values of the shared effects in each unit's columns.

        Parameters
        ----------
        values : ndarray of float64, shape (..., p)

        Returns
        -------
        ndarray of float64, shape (..., units, columns)
        """
        beyond = np.zeros((*values.shape[:-1], 1))
        return np.concatenate([values, beyond], axis=-1)[..., self.place]

    def spread(self, unit: Ints, weights: Floats) -> Floats:
        """Weights on units' columns as weights on the shared effects.

        Parameters
        ----------
        unit : ndarray of int64, shape (rows,)
        weights : ndarray of float64, shape (rows, columns)

        Returns
        -------
        ndarray of float64, shape (rows, p)
        """
        out = np.zeros((unit.size, self.size + 1))
        np.put_along_axis(out, self.place[unit], weights, axis=1)
        return out[:, :-1]

    def gather(self, matrices: Floats, vectors: Floats) -> tuple[Floats, Floats]:
        """Sum units' matrices and vectors over the shared effects.

        Parameters
        ----------
        matrices : ndarray of float64, shape (units, columns, columns)
        vectors : ndarray of float64, shape (units, columns)

        Returns
        -------
        ndarray of float64, shape (p, p)
        ndarray of float64, shape (p,)
        """
        wide = self.size + 1
        total = np.zeros(wide * wide)
        for begin in range(0, self.place.shape[0], _UNITS_AT_ONCE):
            place = self.place[begin : begin + _UNITS_AT_ONCE]
            at = np.ravel(place[:, :, None] * wide + place[:, None, :])
            part = matrices[begin : begin + _UNITS_AT_ONCE]
            total += np.bincount(at, weights=part.ravel(), minlength=wide * wide)
        vector = np.bincount(self.place.ravel(), weights=vectors.ravel(), minlength=wide)
        return total.reshape(wide, wide)[:-1, :-1], np.asarray(vector[:-1], dtype=np.float64)


def frame(layout: Layout, cells: Cells, shared: Shared) -> Frame:
    """Find the indices once.

    Parameters
    ----------
    layout : Layout
    cells : Cells
    shared : Shared
        Only its identities are read.

    Returns
    -------
    Frame
    """
    checks, areas, seats = shared.checks.size, shared.areas.size, shared.seat_analyst.size
    units = layout.players.size
    unit = layout.unit[cells.slot]
    met = np.zeros((units, seats), dtype=np.bool_)
    met[unit, cells.analyst] = True
    rank = np.cumsum(met, axis=1) - 1
    most = int(met.sum(axis=1).max(initial=0))
    whole = shared.columns
    kinds = ("delta", "beta", "start", "drift")
    common = np.concatenate([np.arange(whole[kind].start, whole[kind].stop) for kind in kinds])
    place = np.full((units, common.size + most), shared.value.size, dtype=np.int64)
    place[:, : common.size] = common
    of_unit, which = np.nonzero(met)
    place[of_unit, common.size + rank[of_unit, which]] = whole["gamma"].start + which
    ends = np.cumsum([0, checks, BALLS, areas, areas, most]).tolist()
    at = [slice(a, b) for a, b in pairwise(ends)]
    return Frame(
        slot_check=cells.slot * checks + cells.check,
        node=cells.slot * areas + shared.check_area[cells.check],
        unit=unit,
        seat=rank[unit, cells.analyst],
        inside=(shared.check_area[:, None] == np.arange(areas)).astype(np.float64),
        place=place,
        checks=at[0],
        balls=at[1],
        start=at[2],
        drift=at[3],
        seats=at[4],
        size=shared.value.size,
    )
