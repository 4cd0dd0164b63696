"""The mode of the progression model and the Gaussian around it.

Unknowns are, from the inside out: form of the day (one number a node), the walks (a chain a unit), a unit's
own checks, and the shared effects. The penalised log likelihood is concave in all of them together, so
Newton's method (penalised IRLS) on all at once converges in a few steps; each layer is eliminated in turn,
which keeps the cost linear in cells and in units x match days.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from clubcoach.compute.progression_chain import Chain
from clubcoach.compute.progression_model import Problem, State, chances, first, logits, penalty
from clubcoach.compute.progression_quadratic import Quadratic, expand
from clubcoach.compute.progression_shared import NORMAL, Floats, Ints, Shared

# A step of this size is taken, and the next one, about its square, is not. The mode is exact to some 1e-12 either way;
# the Gaussian stands where the step began.
TOLERANCE = 1e-6
HELD_TOLERANCE = 1e-9
STEPS = 60


@dataclass(frozen=True, slots=True, eq=False)
class Posterior:
    """Mode, and the Gaussian around it, layer by layer.

    Attributes
    ----------
    chain : Chain
    reply : ndarray of float64, shape (slots, areas, columns)
        theta moves by minus this times a move of the unit's columns (see `Frame`).
    variance, lagged : ndarray of float64, shape (slots, areas)
        Of theta given own and shared; with the match day before.
    first : ndarray of float64, shape (units, areas, areas)
        Covariance of theta at each unit's first day, given own and shared.
    own_covariance : ndarray of float64, shape (units, own, own)
        Given the shared effects.
    own_reply : ndarray of float64, shape (units, own, columns)
        own moves by minus this times a move of the unit's columns.
    shared : Shared
        With the covariance that the intervals use.
    own_variance : ndarray of float64, shape (units, own)
        With what the shared effects leave open.
    columns_covariance : ndarray of float64, shape (units, columns, columns)
        Of a unit's columns, each difficulty with the unit's own check taken off.
    weight, shrink : ndarray of float64, shape (slots, areas)
        Information of each node, and the part of it that is left beside the form of the day.
    data_border : ndarray of float64, shape (slots, areas, columns)
        Information that each node shares with its unit's columns.
    """

    problem: Problem
    state: State
    shared: Shared
    chain: Chain
    reply: Floats
    variance: Floats
    lagged: Floats
    first: Floats
    own_covariance: Floats
    own_reply: Floats
    own_variance: Floats
    columns_covariance: Floats
    weight: Floats
    shrink: Floats
    data_border: Floats

    def variance_of(self, unit: Ints, weights: Floats) -> Floats:
        """Variance of weighted sums of a unit's columns, each difficulty with the unit's own check taken off.

        Parameters
        ----------
        unit : ndarray of int64, shape (rows,)
            Fast where units follow each other, as the slots of a step do.
        weights : ndarray of float64, shape (rows, k, columns)

        Returns
        -------
        ndarray of float64, shape (rows, k)
        """
        out = np.empty(weights.shape[:2])
        # Rows of one step name the units one after the other: their matrices are read where they stand.
        edge = [0, *(np.flatnonzero(np.diff(unit) != 1) + 1).tolist(), unit.size]
        for a, b in pairwise(edge if unit.size else []):
            among = slice(int(unit[a]), int(unit[b - 1]) + 1)
            out[a:b] = np.sum((weights[a:b] @ self.columns_covariance[among]) * weights[a:b], axis=2)
        return out

    def own_part(self, columns: Floats) -> Floats:
        """What weights on a unit's columns make of its own checks, which are difficulties turned round.

        Parameters
        ----------
        columns : ndarray of float64, shape (..., columns)

        Returns
        -------
        ndarray of float64, shape (..., own)
        """
        return -columns[..., self.problem.frame.checks] @ self.problem.contrast


@dataclass(frozen=True, slots=True, eq=False)
class _Point:
    """A state with the chances in its cells and what the objective is there."""

    state: State
    chance: Floats
    height: float


@dataclass(frozen=True, slots=True, eq=False)
class _Own:
    """The own checks of units between the chains and the shared effects."""

    covariance: Floats
    gradient: Floats
    border: Floats
    reply: Floats


def solve(problem: Problem, *, held: bool) -> Posterior:
    """Newton's method to the joint mode, then the Gaussian around it.

    Parameters
    ----------
    problem : Problem
    held : bool
        True: shared effects keep the values and covariance of `problem.shared`. False: they are fitted.

    Returns
    -------
    Posterior

    Raises
    ------
    RuntimeError
        When the steps do not come below the tolerance, which a concave objective rules out.
    """
    # Steps with the shared effects in them cost several times those without: they come where they matter, and where
    # the Gaussian needs what they are made of.
    point = _settle(problem, _at(problem, first(problem)), 1e-4 if held else 0.6)
    for _ in range(STEPS):
        quadratic = expand(problem, point.state, point.chance, with_shared=True)
        own = _own(problem, quadratic, point.state)
        move = _newton(problem, quadratic, own, point.state, held=held)
        point = _advance(problem, point, move)
        if _size(move) < (HELD_TOLERANCE if held else TOLERANCE):
            return _gaussian(problem, point.state, quadratic, own, held=held)
    raise RuntimeError(f"no mode after {STEPS} steps")


def _at(problem: Problem, state: State) -> _Point:
    chance, height = chances(problem.cells, logits(problem, state))
    return _Point(state, chance, height + penalty(problem, state))


def _settle(problem: Problem, point: _Point, tolerance: float) -> _Point:
    """Steps of Newton's method with the shared effects held, until the last was small."""
    for _ in range(STEPS):
        quadratic = expand(problem, point.state, point.chance, with_shared=False)
        own = _own(problem, quadratic, point.state)
        move = _newton(problem, quadratic, own, point.state, held=True)
        point = _advance(problem, point, move)
        if _size(move) < tolerance:
            return point
    raise RuntimeError(f"no mode after {STEPS} steps")


def _own(problem: Problem, q: Quadratic, state: State) -> _Own:
    """Curvature and gradient of the own checks, and what they share with their unit's columns."""
    sharp = 1.0 / problem.shared.own_sd**2 if problem.shared.own_sd > 0 else 0.0
    if q.with_shared:
        checks, turned = problem.frame.checks, problem.contrast.T[None]
        border = -(turned @ q.hessian[:, checks])
        hessian = -(border[:, :, checks] @ problem.contrast)
        gradient = -(q.gradient[:, checks] @ problem.contrast)
    else:
        hessian, gradient, border = q.hessian, q.gradient, np.zeros((*q.gradient.shape, 0))
    covariance: Floats = np.asarray(np.linalg.inv(hessian + sharp * np.eye(problem.own)), dtype=np.float64)
    return _Own(covariance, gradient + sharp * state.own, border, covariance @ border)


def _shared(problem: Problem, q: Quadratic, own: _Own, state: State) -> tuple[Floats, Floats]:
    """Hessian and gradient of the shared effects, all else eliminated."""
    shared, layout, columns = problem.shared, problem.layout, problem.shared.columns
    turned = own.reply.transpose(0, 2, 1)
    hessian, gradient = problem.frame.gather(
        q.hessian - turned @ own.border, q.gradient - (turned @ own.gradient[:, :, None])[:, :, 0]
    )
    hessian += problem.prior_precision
    gradient += problem.prior_precision @ (state.value - problem.prior_mean)
    hessian[columns["start"], columns["start"]] += layout.players.size * problem.first_precision
    hessian[columns["drift"], columns["drift"]] += np.diag(layout.gap.sum() / shared.walk)
    gradient[columns["start"]] -= problem.first_precision @ q.first.sum(axis=0)
    gradient[columns["drift"]] -= q.step.sum(axis=0) / shared.walk
    return (hessian + hessian.T) / 2.0, gradient


def _newton(problem: Problem, q: Quadratic, own: _Own, state: State, *, held: bool) -> State:
    """The step to the minimum of the local quadratic."""
    frame = problem.frame
    value = np.zeros_like(state.value)
    if not held:
        hessian, gradient = _shared(problem, q, own, state)
        free = _free(problem)
        value[free] = -np.linalg.solve(hessian[np.ix_(free, free)], gradient[free])
    own_move = -(own.covariance @ own.gradient[:, :, None])[:, :, 0]
    columns = own_move
    if q.with_shared:
        columns = frame.of_units(value)
        own_move = own_move - (own.reply @ columns[:, :, None])[:, :, 0]
        columns[:, frame.checks] -= own_move @ problem.contrast.T
    border = columns[problem.layout.unit][:, :, None]
    theta = -q.chain.backward(q.forwarded[:, :, :-1] @ border + q.forwarded[:, :, -1:])[:, :, 0]
    data = (q.data_border @ border)[:, :, 0]
    form = -q.shrink * (q.pull + problem.spread * (q.weight * theta + data))
    return State(theta, form, own_move, value)


def _free(problem: Problem) -> Ints:
    free = np.diag(problem.prior_precision) > 0
    # A normal ball is the zero of the balls.
    free[problem.shared.columns["beta"].start + NORMAL] = False
    return np.flatnonzero(free)


def _advance(problem: Problem, point: _Point, move: State) -> _Point:
    share, at = 1.0, point.state
    while True:
        there = _at(
            problem,
            State(
                at.theta + share * move.theta,
                at.form + share * move.form,
                at.own + share * move.own,
                at.value + share * move.value,
            ),
        )
        # Near the mode the objective is flat to rounding: a whole step is then the best there is.
        if there.height <= point.height + 1e-9 * (1.0 + abs(point.height)) or share < 1e-6:
            return there
        share /= 2.0


def _size(move: State) -> float:
    return max(float(np.abs(part).max(initial=0.0)) for part in (move.theta, move.form, move.own, move.value))


def one_step(problem: Problem, state: State | None) -> Posterior:
    """One step of Newton's method, and the Gaussian around where it led; see `progression_learn`.

    Parameters
    ----------
    problem : Problem
    state : State, optional
        Where to step from; without it, from the prior means and three steps in place of one.

    Returns
    -------
    Posterior
    """
    steps = 1 if state is not None else 3
    point = _at(problem, first(problem) if state is None else state)
    for _ in range(steps):
        quadratic = expand(problem, point.state, point.chance, with_shared=True)
        own = _own(problem, quadratic, point.state)
        point = _advance(problem, point, _newton(problem, quadratic, own, point.state, held=False))
    return _gaussian(problem, point.state, quadratic, own, held=False)


def _gaussian(problem: Problem, state: State, q: Quadratic, own: _Own, *, held: bool) -> Posterior:
    shared = problem.shared
    if not held:
        covariance = np.zeros_like(shared.covariance)
        hessian, _gradient = _shared(problem, q, own, state)
        free = _free(problem)
        covariance[np.ix_(free, free)] = np.linalg.inv(hessian[np.ix_(free, free)])
        covariance = (covariance + covariance.T) / 2.0
        shared = replace(shared, value=state.value, covariance=covariance, n=int(problem.cells.seen.sum()))
    reply: Floats = q.chain.backward(q.forwarded[:, :, :-1])
    variance, lagged, at_first = q.chain.marginals()
    own_variance, columns_covariance = _of_columns(problem, own, shared.covariance)
    return Posterior(
        problem=problem,
        state=state,
        shared=shared,
        chain=q.chain,
        reply=reply,
        variance=variance,
        lagged=lagged,
        first=at_first,
        own_covariance=own.covariance,
        own_reply=own.reply,
        own_variance=own_variance,
        columns_covariance=columns_covariance,
        weight=q.weight,
        shrink=q.shrink,
        data_border=q.data_border,
    )


def _of_columns(problem: Problem, own: _Own, covariance: Floats) -> tuple[Floats, Floats]:
    """See `own_variance` and `columns_covariance` of `Posterior`."""
    wide = np.pad(covariance, (0, 1))
    place, checks, turned = problem.frame.place, problem.frame.checks, problem.contrast.T
    out: Floats = wide[place[:, :, None], place[:, None, :]]
    moved = own.reply @ out
    both = own.covariance + moved @ own.reply.transpose(0, 2, 1)
    across = problem.contrast @ moved
    out[:, checks] += across
    out[:, :, checks] += across.transpose(0, 2, 1)
    out[:, checks, checks] += problem.contrast @ both @ turned
    return np.diagonal(both, axis1=1, axis2=2).copy(), out
