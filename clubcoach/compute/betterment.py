"""Chances that units are better than when an area was first seen, for whole clubs at once and without draws.

A score is a rising function of theta while everything else stays as it is, and everything else (a unit's own
checks, their difficulty, the average analyst) is the same on both days. So a score is above another exactly where
theta is, and under the posterior the difference of two thetas is normal: the share of joint draws that
`p_better` counts is, in the limit, a normal probability. `tests/` holds both against each other.
"""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr

from clubcoach.compute.progression import Progression
from clubcoach.compute.progression_read import seen_so_far
from clubcoach.compute.progression_shared import Floats, Ints
from clubcoach.compute.progression_solve import Posterior

# Rows at a time, which bounds the memory of their weights on the shared effects.
_ROWS = 5000


def above_first(result: Progression) -> dict[str, Floats | Ints]:
    """Chance that a unit's score is above that of the first match day on which the area was seen.

    Parameters
    ----------
    result : Progression

    Returns
    -------
    dict of str to ndarray, each of shape (rows,)
        player, day, area (int64), p (float64, 0 to 1). A row for each match day after an area's first one.
    """
    posterior = result.posterior
    layout = posterior.problem.layout
    first = _first_seen(posterior)
    later = np.flatnonzero(np.ravel((first >= 0) & (np.arange(layout.slots)[:, None] > first)))
    slot, area = np.divmod(later, max(result.areas.size, 1))
    across = _across(posterior, slot, first[slot, area], area)
    p = np.empty(slot.size)
    for begin in range(0, slot.size, _ROWS):
        piece = slice(begin, begin + _ROWS)
        at = slot[piece], first[slot, area][piece], area[piece]
        mean, variance = _rise(posterior, *at, across[piece])
        sd = np.sqrt(np.maximum(variance, 0.0))
        p[piece] = np.where(sd > 0, ndtr(mean / np.where(sd > 0, sd, 1.0)), 0.5)
    return {
        "player": layout.players[layout.unit[slot]],
        "day": layout.day[slot],
        "area": result.areas[area],
        "p": p,
    }


def _first_seen(posterior: Posterior) -> Ints:
    """For each slot and area the slot of the same unit on which the area was first seen; -1 where it never was."""
    layout = posterior.problem.layout
    count = seen_so_far(posterior)
    found = np.full((layout.players.size, count.shape[1]), -1, dtype=np.int64)
    # Slots stand by step, so the last to write is the first day.
    for slots in reversed([slice(a, b) for a, b in zip(layout.start[:-1], layout.start[1:], strict=True)]):
        unit = layout.unit[slots]
        at = np.arange(slots.start, slots.stop)[:, None]
        found[unit] = np.where(count[slots] > 0, at, found[unit])
    return found[layout.unit]


def _rise(posterior: Posterior, slot: Ints, first: Ints, area: Ints, across: Floats) -> tuple[Floats, Floats]:
    """Mean and variance of theta at a slot less theta at the first slot."""
    unit = posterior.problem.layout.unit[slot]
    mean = posterior.state.theta[slot, area] - posterior.state.theta[first, area]
    out: Floats = posterior.variance[slot, area] + posterior.variance[first, area] - 2.0 * across
    columns = posterior.reply[first, area] - posterior.reply[slot, area]
    mine = posterior.own_part(columns)
    out += np.einsum("rd,rde,re->r", mine, posterior.own_covariance[unit], mine, optimize=True)
    columns -= np.einsum("rd,rdp->rp", mine, posterior.own_reply[unit], optimize=True)
    rest = posterior.problem.frame.spread(unit, columns)
    out += np.einsum("rp,rp->r", rest @ posterior.shared.covariance, rest)
    return mean, out


def _across(posterior: Posterior, slot: Ints, first: Ints, area: Ints) -> Floats:
    """Covariance of theta at two slots of a unit, given own checks and shared effects."""
    layout, areas = posterior.problem.layout, posterior.shared.areas.size
    # The column of the covariance that belongs to an area's first slot: one solve for all units and areas.
    right = np.zeros((layout.slots, areas, areas))
    right[first, area, area] = 1.0
    column = posterior.chain.backward(posterior.chain.forward(right))
    return np.asarray(column[slot, area, area])
