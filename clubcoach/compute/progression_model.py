"""The progression model: data and priors put together, and its penalised log likelihood."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from clubcoach.compute.progression_chain import walk_precision
from clubcoach.compute.progression_frame import Frame, frame
from clubcoach.compute.progression_input import Cells, Layout
from clubcoach.compute.progression_shared import Floats, Ints, Shared, at_priors


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """Data and prior precisions of one solve. `contrast` spans each area's own-check effects (sum zero).

    `spread` (slots, areas) is the variance of the form of the day, with the luck that a node's situations share.
    `first_precision` is that of the areas on a unit's first day, `prior_precision` that of the shared effects, with
    rows of 0 where an effect is out of the model.
    """

    layout: Layout
    cells: Cells
    frame: Frame
    shared: Shared
    contrast: Floats
    block: Floats
    link: Floats
    looks: Ints
    spread: Floats
    first_precision: Floats
    prior_precision: Floats
    prior_mean: Floats

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


def pose(
    layout: Layout, cells: Cells, shared: Shared, looks: Ints | None = None, within: Frame | None = None
) -> Problem:
    """Put data and priors together.

    Parameters
    ----------
    layout : Layout
    cells : Cells
    shared : Shared
        Effects to hold, or those at priors where a fit starts.
    looks : ndarray of int64, shape (slots, areas), optional
        Situations behind each node. Without it: as many as the check seen most often there.
    within : Frame, optional
        Of the same cells, where they are posed again with other hyper-parameters.

    Returns
    -------
    Problem
    """
    block, link = walk_precision(layout.start, layout.gap, shared.initial, shared.walk)
    looks = most_seen(layout, cells, shared) if looks is None else looks
    priors = shared.priors
    spread = priors.day_variance + priors.situation_variance / np.maximum(looks, 1)
    precision, mean = _shared_prior(shared)
    return Problem(
        layout=layout,
        cells=cells,
        frame=within or frame(layout, cells, shared),
        shared=shared,
        contrast=_contrasts(shared),
        block=block,
        link=link,
        looks=looks,
        spread=spread,
        first_precision=np.asarray(np.linalg.inv(shared.initial)),
        prior_precision=precision,
        prior_mean=mean,
    )


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
    """Log odds of each cell.

    Parameters
    ----------
    problem : Problem
    state : State

    Returns
    -------
    ndarray of float64, shape (cells,)
    """
    cells, shared = problem.cells, problem.shared
    at = replace(shared, value=state.value)
    ease = (state.own @ problem.contrast.T - at.effect("delta"))[problem.layout.unit]
    ease += np.take(state.theta + state.form, shared.check_area, axis=1)
    out = ease.ravel()[problem.frame.slot_check]
    out -= at.effect("gamma")[cells.analyst]
    out -= at.effect("beta")[cells.ball]
    return out


def prior_residuals(problem: Problem, state: State) -> tuple[Floats, Floats]:
    """Departures from the prior means of the walks.

    Parameters
    ----------
    problem : Problem
    state : State

    Returns
    -------
    first : ndarray of float64, shape (slots, areas)
        Of a unit's first day from the mean start; 0 elsewhere.
    step : ndarray of float64, shape (slots, areas)
        Of each later day from the one before and the drift; 0 at the first.
    """
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


def chances(cells: Cells, logit: Floats) -> tuple[Floats, float]:
    """Chance that a check is met in each cell, and minus the log likelihood of the cells.

    Parameters
    ----------
    cells : Cells
    logit : ndarray of float64, shape (cells,)

    Returns
    -------
    ndarray of float64, shape (cells,)
    float
    """
    # From one exponential, whatever the sign: of the chances on either side, this one is the smaller.
    small = np.exp(-np.abs(logit))
    height = cells.seen @ (np.log1p(small) + np.maximum(logit, 0.0)) - cells.met @ logit
    return np.where(logit > 0, 1.0, small) / (1.0 + small), float(height)


def penalty(problem: Problem, state: State) -> float:
    """Minus the log of all priors, without constants.

    Parameters
    ----------
    problem : Problem
    state : State

    Returns
    -------
    float
    """
    first, step = prior_residuals(problem, state)
    total = 0.5 * np.sum(first @ problem.first_precision * first) + 0.5 * np.sum(problem.link * step**2)
    loose = problem.spread > 0
    total += 0.5 * np.sum(state.form[loose] ** 2 / problem.spread[loose])
    if problem.shared.own_sd > 0:
        total += 0.5 * np.sum(state.own**2) / problem.shared.own_sd**2
    away = state.value - problem.prior_mean
    return float(total + 0.5 * away @ problem.prior_precision @ away)


def _shared_prior(shared: Shared) -> tuple[Floats, Floats]:
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
