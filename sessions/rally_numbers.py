"""The numbers of a match's rallies, which follow the order of time; the one place that says who moves up or down."""

from __future__ import annotations

from bisect import bisect
from collections.abc import Sequence

from sessions.models import Rally


def place(rally: Rally) -> tuple[float, float]:
    """As rows are ordered: one that is not written yet comes after those of the same start."""
    return rally.start_s, rally.pk or float("inf")


def put_in(rally: Rally, others: Sequence[Rally]) -> list[Rally]:
    """Number a rally that comes in among the others, which are in the order of time.

    A number that it brings stays while it keeps the order; else it takes the one after the rally before it. Those
    behind move up by one, their other facts stay, and only if that number is taken. Returns the others that moved.
    """
    at = bisect(others, place(rally), key=place)
    before, later = others[:at], others[at:]
    in_order = rally.number > (before[-1].number if before else 0)
    if not in_order or (later and rally.number > later[0].number):
        rally.number = before[-1].number + 1 if before else later[0].number if later else 1
    if all(row.number != rally.number for row in later):
        return []
    return _moved([row for row in later if row.number >= rally.number], 1)


def take_out(rally: Rally, others: Sequence[Rally]) -> list[Rally]:
    """Close the gap that a rally leaves among the others, unless another one has its number too; returns the moved."""
    if any(row.number == rally.number for row in others):
        return []
    later = others[bisect(others, place(rally), key=place) :]
    return _moved([row for row in later if row.number > rally.number], -1)


def _moved(rows: list[Rally], by: int) -> list[Rally]:
    for row in rows:
        row.number += by
    return rows
