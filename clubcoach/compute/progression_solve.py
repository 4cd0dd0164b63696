"""The mode of the progression model and the Gaussian around it.

Unknowns are, from the inside out: form of the day (one number a node), the walks (a chain a unit), a unit's
own checks, and the shared effects. The penalised log likelihood is concave in all of them together, so
Newton's method (penalised IRLS) on all at once converges in a few steps; each layer is eliminated in turn,
which keeps the cost linear in cells and in units x match days.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from clubcoach.compute.progression_chain import Chain
from clubcoach.compute.progression_model import Problem, State, first, objective, shared_prior
from clubcoach.compute.progression_quadratic import Quadratic, expand
from clubcoach.compute.progression_shared import NORMAL, Floats, Ints, Shared

TOLERANCE = 1e-9
# The step after one of this size is about its square.
SHARED_TOLERANCE = 1e-5
STEPS = 60


@dataclass(frozen=True, slots=True, eq=False)
class Posterior:
    """Mode, and the Gaussian around it, layer by layer.

    Attributes
    ----------
    chain : Chain
    reply : ndarray of float64, shape (slots, areas, own + p)
        theta moves by minus this times a move of (own, shared).
    variance, lagged : ndarray of float64, shape (slots, areas)
        Of theta given own and shared; with the match day before.
    first : ndarray of float64, shape (units, areas, areas)
        Covariance of theta at each unit's first day, given own and shared.
    own_covariance : ndarray of float64, shape (units, own, own)
        Given the shared effects.
    own_reply : ndarray of float64, shape (units, own, p)
        own moves by minus this times a move of the shared effects.
    shared : Shared
        With the covariance that the intervals use.
    weight, shrink : ndarray of float64, shape (slots, areas)
        Information of each node, and the part of it that is left beside the form of the day.
    data_border : ndarray of float64, shape (slots, areas, own + p)
        Information that each node shares with (own, shared).
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
    weight: Floats
    shrink: Floats
    data_border: Floats


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
    state = first(problem)
    if not held:
        # Steps with the shared effects in them cost several times those without: they come where they matter.
        state = _settle(problem, state, 0.6, held=True)
        state = _settle(problem, state, SHARED_TOLERANCE, held=False)
    return _around(problem, _settle(problem, state, TOLERANCE, held=True), held=held)


def _settle(problem: Problem, state: State, tolerance: float, *, held: bool) -> State:
    """Steps of Newton's method until the last was small: of the shared effects, or of the rest while they are held."""
    best = objective(problem, state)
    for _ in range(STEPS):
        quadratic = expand(problem, state, with_shared=not held)
        move = _newton(problem, quadratic, state, held=held)
        state, best = _advance(problem, state, move, best)
        if (_size(move) if held else float(np.abs(move.value).max(initial=0.0))) < tolerance:
            return state
    raise RuntimeError(f"no mode after {STEPS} steps")


def _newton(problem: Problem, quadratic: Quadratic, state: State, *, held: bool) -> State:
    """The step to the minimum of the local quadratic."""
    q, layout = quadratic, problem.layout
    inverse = np.linalg.inv(q.own_hessian)
    value = np.zeros_like(state.value)
    own_move = -(inverse @ q.own_gradient[:, :, None])[:, :, 0]
    if not held:
        answer = inverse @ q.own_shared
        hessian = q.shared_hessian - np.einsum("uop,uoq->pq", q.own_shared, answer, optimize=True)
        gradient = q.shared_gradient - np.einsum("uop,uo->p", answer, q.own_gradient)
        free = _free(problem.shared)
        value[free] = -np.linalg.solve(hessian[np.ix_(free, free)], gradient[free])
        own_move = own_move - answer @ value
    border = own_move[layout.unit]
    if not held:
        border = np.concatenate([border, np.broadcast_to(value, (layout.slots, value.size))], axis=1)
    moved = np.einsum("sad,sd->sa", q.forwarded[:, :, :-1], border) + q.forwarded[:, :, -1]
    theta = -q.chain.backward(moved[:, :, None])[:, :, 0]
    data = np.einsum("sad,sd->sa", q.data_border, border)
    form = -q.shrink * (q.pull + problem.spread * (q.weight * theta + data))
    return State(theta, form, own_move, value)


def _free(shared: Shared) -> Ints:
    free = np.diag(shared_prior(shared)[0]) > 0
    # A normal ball is the zero of the balls.
    free[shared.columns["beta"].start + NORMAL] = False
    return np.flatnonzero(free)


def _advance(problem: Problem, state: State, move: State, best: float) -> tuple[State, float]:
    share = 1.0
    while True:
        there = State(
            state.theta + share * move.theta,
            state.form + share * move.form,
            state.own + share * move.own,
            state.value + share * move.value,
        )
        found = objective(problem, there)
        # Near the mode the objective is flat to rounding: a whole step is then the best there is.
        if found <= best + 1e-9 * (1.0 + abs(best)) or share < 1e-6:
            return there, found
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
    at = first(problem) if state is None else state
    best = objective(problem, at)
    for _ in range(steps):
        quadratic = expand(problem, at, with_shared=True)
        at, best = _advance(problem, at, _newton(problem, quadratic, at, held=False), best)
    return _gaussian(problem, at, quadratic, held=False)


def _around(problem: Problem, state: State, *, held: bool) -> Posterior:
    return _gaussian(problem, state, expand(problem, state, with_shared=True), held=held)


def _gaussian(problem: Problem, state: State, q: Quadratic, *, held: bool) -> Posterior:
    own_covariance: Floats = np.asarray(np.linalg.inv(q.own_hessian), dtype=np.float64)
    own_reply = own_covariance @ q.own_shared
    shared = problem.shared
    if not held:
        covariance = np.zeros_like(shared.covariance)
        hessian = q.shared_hessian - np.einsum("uop,uoq->pq", q.own_shared, own_reply, optimize=True)
        free = _free(shared)
        covariance[np.ix_(free, free)] = np.linalg.inv(hessian[np.ix_(free, free)])
        covariance = (covariance + covariance.T) / 2.0
        shared = replace(shared, value=state.value, covariance=covariance, n=int(problem.cells.seen.sum()))
    reply: Floats = q.chain.backward(q.forwarded[:, :, :-1])
    variance, lagged, at_first = q.chain.marginals()
    return Posterior(
        problem=problem,
        state=state,
        shared=shared,
        chain=q.chain,
        reply=reply,
        variance=variance,
        lagged=lagged,
        first=at_first,
        own_covariance=own_covariance,
        own_reply=own_reply,
        weight=q.weight,
        shrink=q.shrink,
        data_border=q.data_border,
    )
