"""Months of strictness: which analyst has tallies in which month."""

from __future__ import annotations

import numpy as np

from clubcoach.compute.progression_input import codes
from clubcoach.compute.progression_shared import Ints

MONTH_DAYS = 30.4375


def month_of(day: Ints) -> Ints:
    """Number of the month that a day lies in, all months of one length.

    Parameters
    ----------
    day : ndarray of int64
        Day numbers.

    Returns
    -------
    ndarray of int64
    """
    return np.floor(day / MONTH_DAYS).astype(np.int64)


def seats_of(analyst: Ints, day: Ints, *, walking: bool) -> tuple[Ints, Ints, Ints, Ints]:
    """The months in which each analyst has tallies.

    Parameters
    ----------
    analyst, day : ndarray of int64, shape (rows,)
    walking : bool
        False: one seat for each analyst, in month 0.

    Returns
    -------
    analysts : ndarray of int64
        Identities, rising.
    seat_analyst, seat_month : ndarray of int64, shape (seats,)
    seat : ndarray of int64, shape (rows,)
    """
    analysts, who = codes(analyst)
    days, at = codes(day)
    months, when = codes(month_of(days) if walking else np.zeros_like(days))
    pairs, seat = codes(who * max(months.size, 1) + when[at])
    return analysts, pairs // max(months.size, 1), months[pairs % max(months.size, 1)], seat
