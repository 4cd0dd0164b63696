"""Tallies checked at the door, summed into cells, and laid out by unit and match day."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clubcoach.compute.progression_shared import BALLS, Ints


@dataclass(frozen=True, slots=True, eq=False)
class Tallies:
    """Whole-number columns of equal length; see `fit_progression`. `situation` may be absent."""

    player: Ints
    day: Ints
    area: Ints
    check: Ints
    analyst: Ints
    ball: Ints
    seen: Ints
    met: Ints
    situation: Ints | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """Slots (unit x match day), ordered by step.

    Units stand by falling number of match days, so that step t works on the first units only and nothing
    is padded: its slots are start[t] : start[t + 1], and slot start[t] + u is unit u.

    Attributes
    ----------
    players : ndarray of int64, shape (units,)
    steps : ndarray of int64, shape (units,)
        Match days of each unit, falling.
    start : ndarray of int64, shape (longest + 1,)
    unit, day, gap : ndarray of int64, shape (slots,)
        Gap is in days since the unit's match day before; 0 at the first.
    """

    players: Ints
    steps: Ints
    start: Ints
    unit: Ints
    day: Ints
    gap: Ints

    @property
    def slots(self) -> int:
        """Number of slots."""
        return int(self.unit.size)

    @property
    def place(self) -> Ints:
        """Where each slot stands when the units follow each other, each with its days in order."""
        step = np.repeat(np.arange(self.start.size - 1), np.diff(self.start))
        return (np.cumsum(self.steps) - self.steps)[self.unit] + step

    def pieces(self, most: int) -> list[tuple[int, int, int]]:
        """Units with the same number of match days, in pieces.

        Parameters
        ----------
        most : int
            About so many slots a piece.

        Returns
        -------
        list of tuple of int
            First unit, unit behind the last, number of match days of each.
        """
        edge = np.flatnonzero(np.diff(self.steps, prepend=-1, append=-1)).tolist()
        out = []
        for first, last in pairwise(edge):
            steps = int(self.steps[first])
            size = max(1, most // steps)
            out += [(at, min(at + size, last), steps) for at in range(first, last, size)]
        return out

    def of_unit(self, unit: int) -> Ints:
        """Slots of one unit, by rising day.

        Parameters
        ----------
        unit : int
            Index into `players`.

        Returns
        -------
        ndarray of int64
        """
        return self.start[: self.steps[unit]] + unit


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Tallies summed over everything that the model does not tell apart; check and analyst are indices."""

    slot: Ints
    check: Ints
    analyst: Ints
    ball: Ints
    seen: Ints
    met: Ints


def read_tallies(columns: dict[str, ArrayLike]) -> Tallies:
    """Check the columns once.

    Parameters
    ----------
    columns : dict of str to array_like
        The columns of `Tallies`.

    Returns
    -------
    Tallies
        Rows with nothing seen are left out: they are no data.

    Raises
    ------
    ValueError
        Names the column, the first row and what is wrong with it.
    """
    arrays = {name: whole(name, values) for name, values in columns.items()}
    lengths = {name: array.size for name, array in arrays.items()}
    if len(set(lengths.values())) > 1:
        raise ValueError(f"lengths differ: {lengths}")
    ball, seen, met = arrays["ball"], arrays["seen"], arrays["met"]
    _refuse((ball < 0) | (ball >= BALLS), "ball must be 0 (easy), 1 (normal) or 2 (hard)", ball)
    _refuse(seen < 0, "seen must not be negative", seen)
    _refuse(met < 0, "met must not be negative", met)
    _refuse(met > seen, "met must not be above seen", met)
    area, check = arrays["area"], arrays["check"]
    names, back = codes(check)
    _refuse(area != first_of(names.size, back, area)[back], "a check must stay in one area", check)
    kept = seen > 0
    return Tallies(**{name: array[kept] for name, array in arrays.items()})


FARTHEST_DAYS = 60 * 365
"""No career is that long: a day so far from the others is a slip of the pen."""


def refuse_far_days(day: ArrayLike) -> None:
    """Refuse a day that lies a lifetime from the middle of all.

    Parameters
    ----------
    day : array_like of int, shape (rows,)

    Raises
    ------
    ValueError
        Names the first row.
    """
    days = whole("day", day)
    if days.size:
        # Of two, the later one is held to be right: a slip of the pen is rarely in the future.
        away = np.abs(days - int(np.percentile(days, 50, method="higher")))
        _refuse(away > FARTHEST_DAYS, "day must lie within 60 years of the others", days)


def whole(name: str, values: ArrayLike) -> Ints:
    """A flat array of whole numbers, or a refusal with the name of the column.

    Parameters
    ----------
    name : str
    values : array_like

    Returns
    -------
    ndarray of int64

    Raises
    ------
    ValueError
        When the array is not flat or not of an integer type (an empty list passes).
    """
    array = np.asarray(values)
    if array.ndim != 1:
        raise ValueError(f"{name} must be a flat array, not of shape {array.shape}")
    if array.size and array.dtype.kind not in "iu":
        raise ValueError(f"{name} must hold whole numbers, not {array.dtype}")
    if array.dtype.kind == "u" and array.size and int(array.max()) > np.iinfo(np.int64).max:
        raise ValueError(f"{name} holds numbers beyond 64 bits")
    return array.astype(np.int64)


def codes(values: Ints) -> tuple[Ints, Ints]:
    """Distinct values, and which of them each is.

    Parameters
    ----------
    values : ndarray of int64, shape (rows,)

    Returns
    -------
    names : ndarray of int64, shape (distinct,)
        Rising.
    index : ndarray of int64, shape (rows,)
    """
    low = int(values.min(initial=0)) if values.size else 0
    span = int(values.max()) - low + 1 if values.size else 0
    if span > 4 * values.size + 1024:
        names, index = np.unique(values, return_inverse=True)
        return names, index
    # Values that lie close together need no sorting.
    met = np.zeros(span, dtype=np.bool_)
    met[values - low] = True
    return np.flatnonzero(met) + low, (np.cumsum(met) - 1)[values - low]


def first_of(count: int, index: Ints, values: Ints) -> Ints:
    """The first value that comes with each index.

    Parameters
    ----------
    count : int
        How many indices there are, each met.
    index, values : ndarray of int64, shape (rows,)

    Returns
    -------
    ndarray of int64, shape (count,)
    """
    out = np.zeros(count, dtype=np.int64)
    out[index[::-1]] = values[::-1]
    return out


def lay_out(player: Ints, day: Ints) -> tuple[Layout, Ints]:
    """Slots of all unit-days, and the slot of each row.

    Parameters
    ----------
    player, day : ndarray of int64, shape (rows,)

    Returns
    -------
    layout : Layout
    slot : ndarray of int64, shape (rows,)
    """
    names, unit_of_row = codes(player)
    days, day_of_row = codes(day)
    pair, pair_of_row = codes(unit_of_row * max(days.size, 1) + day_of_row)
    unit, day_of_pair = pair // max(days.size, 1), days[pair % max(days.size, 1)]
    steps = np.bincount(unit, minlength=names.size)
    step = np.arange(pair.size) - (np.cumsum(steps) - steps)[unit]
    order = np.argsort(-steps, kind="stable")
    rank = np.empty(names.size, dtype=np.int64)
    rank[order] = np.arange(names.size)
    start = np.concatenate([[0], np.cumsum(np.bincount(step))]).astype(np.int64)
    slot = start[step] + rank[unit]
    gap = np.where(step == 0, 0, np.diff(day_of_pair, prepend=0))
    out = {name: np.empty(pair.size, dtype=np.int64) for name in ("unit", "day", "gap")}
    out["unit"][slot], out["day"][slot], out["gap"][slot] = rank[unit], day_of_pair, gap
    return Layout(names[order], steps[order].astype(np.int64), start, **out), slot[pair_of_row]


def add_up(slot: Ints, check: Ints, analyst: Ints, ball: Ints, seen: Ints, met: Ints) -> Cells:
    """Sum rows of the same slot, check, analyst and ball; sorted, so the order of rows is forgotten.

    Parameters
    ----------
    slot, check, analyst, ball, seen, met : ndarray of int64, shape (rows,)
        Check and analyst as indices from 0.

    Returns
    -------
    Cells
    """
    checks, analysts = int(check.max(initial=0)) + 1, int(analyst.max(initial=0)) + 1
    key = ((slot * checks + check) * analysts + analyst) * BALLS + ball
    order = _rising(key)
    key = key[order]
    start = np.flatnonzero(np.diff(key, prepend=-1))
    first = order[start]
    seen, met = (np.add.reduceat(part[order], start) if start.size else part for part in (seen, met))
    return Cells(slot[first], check[first], analyst[first], ball[first], seen, met)


def _rising(key: Ints) -> Ints:
    """Order by rising keys, none negative; equal ones stay in order."""
    # numpy sorts 16 bits by counting: a few such passes cost a quarter of one comparison sort.
    order = np.argsort((key & 0xFFFF).astype(np.uint16), kind="stable")
    rest = key >> 16
    while rest.any():
        order = order[np.argsort((rest[order] & 0xFFFF).astype(np.uint16), kind="stable")]
        rest >>= 16
    return order


def distinct(node: Ints, situation: Ints, nodes: int) -> Ints:
    """How many situations each node has.

    Parameters
    ----------
    node, situation : ndarray of int64, shape (rows,)
    nodes : int

    Returns
    -------
    ndarray of int64, shape (nodes,)
    """
    names, which = codes(situation)
    pairs = np.unique(node * max(names.size, 1) + which)
    return np.bincount(pairs // max(names.size, 1), minlength=nodes).astype(np.int64)


def prefixes(layout: Layout, cells: Cells, units: Ints) -> tuple[Layout, Cells, Ints, Ints]:
    """Every unit as it was known after each of its match days, each prefix a unit of its own.

    Parameters
    ----------
    layout : Layout
    cells : Cells
    units : ndarray of int64
        Indices of the units wanted.

    Returns
    -------
    layout : Layout
        Its `players` are slots of the old layout: the last day that the prefix knows.
    cells : Cells
    last : ndarray of int64, shape (prefixes,)
        Slot, in the new layout, of each prefix's last day, in the order of its `players`.
    origin : ndarray of int64, shape (slots of the new layout,)
        The old slot of each.
    """
    mine = np.isin(layout.unit[cells.slot], units)
    slot = cells.slot[mine]
    step = np.searchsorted(layout.start, slot, side="right") - 1
    copies = layout.steps[layout.unit[slot]] - step
    row = np.repeat(np.flatnonzero(mine), copies)
    ahead = np.arange(row.size) - np.repeat(np.cumsum(copies) - copies, copies)
    until = layout.start[np.repeat(step, copies) + ahead] + layout.unit[cells.slot[row]]
    out, at = lay_out(until, layout.day[cells.slot[row]])
    again = Cells(at, *(getattr(cells, name)[row] for name in ("check", "analyst", "ball", "seen", "met")))
    origin = np.zeros(out.slots, dtype=np.int64)
    origin[at] = cells.slot[row]
    return out, again, out.start[out.steps - 1] + np.arange(out.players.size), origin


def _refuse(wrong: NDArray[np.bool_], what: str, values: Ints) -> None:
    rows = np.flatnonzero(wrong)
    if rows.size:
        raise ValueError(f"{what}: row {int(rows[0])} has {int(values[rows[0]])} ({rows.size} such rows)")
