"""The progression model: data and priors put together, and its penalised log likelihood."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from clubcoach.compute.progression_chain import walk_precision
from clubcoach.compute.progression_input import Cells, Layout
from clubcoach.compute.progression_shared import Floats, Ints, Shared, at_priors


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """Data and prior precisions of one solve. `contrast` spans each area's own-check effects (sum zero).

    `spread` (slots, areas) is the variance of the form of the day, with the luck that a node's situations share.
    """

    layout: Layout
    cells: Cells
    shared: Shared
    contrast: Floats
    block: Floats
    link: Floats
    looks: Ints
    spread: Floats

    @property
    def own(self) -> int:
        """Number of own-check coordinates of a unit."""
        return int(self.contrast.shape[1])


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """Values of all unknowns: theta and form (slots, areas), own (units, own), shared (p,)."""

    theta: Floats
    form: Floats
    own: Floats
    value: Floats


def pose(layout: Layout, cells: Cells, shared: Shared, looks: Ints | None = None) -> Problem:
    """Put data and priors together.

    Parameters
    ----------
    layout : Layout
    cells : Cells
    shared : Shared
        Effects to hold, or those at priors where a fit starts.
    looks : ndarray of int64, shape (slots, areas), optional
        Situations behind each node. Without it: as many as the check seen most often there.

    Returns
    -------
    Problem
    """
    block, link = walk_precision(layout.start, layout.gap, shared.initial, shared.walk)
    looks = most_seen(layout, cells, shared) if looks is None else looks
    priors = shared.priors
    spread = priors.day_variance + priors.situation_variance / np.maximum(looks, 1)
    return Problem(layout, cells, shared, _contrasts(shared), block, link, looks, spread)


def most_seen(layout: Layout, cells: Cells, shared: Shared) -> Ints:
    """How often the check that was seen most often was seen, by slot and area: a situation asks a check once.

    Parameters
    ----------
    layout : Layout
    cells : Cells
    shared : Shared

    Returns
    -------
    ndarray of int64, shape (slots, areas)
    """
    checks = shared.checks.size
    seen = np.bincount(
        cells.slot * checks + cells.check, weights=cells.seen, minlength=layout.slots * checks
    ).reshape(layout.slots, checks)
    out = np.zeros((layout.slots, shared.areas.size), dtype=np.int64)
    for area in range(shared.areas.size):
        out[:, area] = seen[:, shared.check_area == area].max(axis=1, initial=0)
    return out


def _contrasts(shared: Shared) -> Floats:
    parts = [np.zeros((shared.checks.size, 0))]
    for area in range(shared.areas.size):
        rows = np.flatnonzero((shared.check_area == area) & shared.scored)
        if shared.own_sd > 0 and rows.size > 1:
            # Helmert's contrasts: orthonormal, each sums to zero over the area's checks.
            part = np.zeros((shared.checks.size, rows.size - 1))
            for i in range(1, rows.size):
                part[rows[:i], i - 1] = 1.0
                part[rows[i], i - 1] = -float(i)
            parts.append(part / np.sqrt(np.sum(part**2, axis=0)))
    return np.concatenate(parts, axis=1)


def first(problem: Problem) -> State:
    shared, slots = problem.shared, problem.layout.slots
    theta = np.broadcast_to(shared.effect("start"), (slots, shared.areas.size)).copy()
    own = np.zeros((problem.layout.players.size, problem.own))
    return State(theta, np.zeros_like(theta), own, shared.value.copy())


def logits(problem: Problem, state: State) -> Floats:
    cells, shared = problem.cells, problem.shared
    at = replace(shared, value=state.value)
    area, unit = shared.check_area[cells.check], problem.layout.unit[cells.slot]
    own = state.own @ problem.contrast.T
    return (
        (state.theta + state.form)[cells.slot, area]
        + own[unit, cells.check]
        - at.effect("delta")[cells.check]
        - at.effect("gamma")[cells.analyst]
        - at.effect("beta")[cells.ball]
    )


def prior_residuals(problem: Problem, state: State) -> tuple[Floats, Floats]:
    """Departure of each day from the one before and the drift; at a unit's first day, from the mean start."""
    layout, start = problem.layout, problem.layout.start
    at = replace(problem.shared, value=state.value)
    step = np.zeros_like(state.theta)
    for a, b, c in zip(start[:-2], start[1:-1], start[2:], strict=True):
        step[b:c] = state.theta[b:c] - state.theta[a : a + c - b]
    step -= at.effect("drift") * layout.gap[:, None]
    first = np.zeros_like(state.theta)
    units = layout.players.size
    first[:units] = state.theta[:units] - at.effect("start")
    step[:units] = 0.0
    return first, step


def objective(problem: Problem, state: State) -> float:
    """Minus the penalised log likelihood, without constants."""
    cells, shared = problem.cells, problem.shared
    logit = logits(problem, state)
    first, step = prior_residuals(problem, state)
    total = np.sum(cells.seen * np.logaddexp(0.0, logit) - cells.met * logit)
    total += 0.5 * np.sum(first @ np.linalg.inv(shared.initial) * first) + 0.5 * np.sum(
        problem.link * step**2
    )
    loose = problem.spread > 0
    total += 0.5 * np.sum(state.form[loose] ** 2 / problem.spread[loose])
    if shared.own_sd > 0:
        total += 0.5 * np.sum(state.own**2) / shared.own_sd**2
    precision, mean = shared_prior(shared)
    away = state.value - mean
    return float(total + 0.5 * away @ precision @ away)


def shared_prior(shared: Shared) -> tuple[Floats, Floats]:
    """Prior precision (rows of 0 where an effect is out of the model) and means of the shared effects."""
    prior = at_priors(
        shared.priors,
        shared.areas,
        shared.checks,
        shared.check_area,
        shared.analysts,
        shared.seat_analyst,
        shared.seat_month,
    )
    inside = np.flatnonzero(np.diag(prior.covariance) > 0)
    precision = np.zeros_like(prior.covariance)
    precision[np.ix_(inside, inside)] = np.linalg.inv(prior.covariance[np.ix_(inside, inside)])
    return precision, prior.value
