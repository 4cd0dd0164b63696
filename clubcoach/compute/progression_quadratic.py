"""The local quadratic of the progression model, its inner layers eliminated unit by unit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from clubcoach.compute.progression_chain import Chain, factor
from clubcoach.compute.progression_input import Layout
from clubcoach.compute.progression_model import Problem, State, prior_residuals
from clubcoach.compute.progression_shared import BALLS, Floats, Ints

# Slots of one piece of the elimination.
_AT_ONCE = 400


@dataclass(frozen=True, slots=True, eq=False)
class Quadratic:
    """Local quadratic after the form of the day and the walks are eliminated.

    Its border are the columns of `Frame`; while the shared effects are held, the units' own checks alone. A unit's
    own checks act on the logits like the checks' difficulties turned round, so they have no columns of their own
    beside these.

    Attributes
    ----------
    with_shared : bool
        Which of the two borders.
    chain : Chain
    weight, shrink : ndarray of float64, shape (slots, areas)
        Information of each node, and the part of it that is left beside the form of the day.
    pull : ndarray of float64, shape (slots, areas)
        Where the form of the day is drawn to.
    data_border : ndarray of float64, shape (slots, areas, columns)
        Information that each node shares with the border.
    forwarded : ndarray of float64, shape (slots, areas, columns + 1)
        The border and the gradient, forwards through the chain.
    hessian : ndarray of float64, shape (units, columns, columns), and gradient : shape (units, columns)
        Of the data, for the border.
    first, step : ndarray of float64, shape (slots, areas)
        See `prior_residuals`.
    """

    with_shared: bool
    chain: Chain
    weight: Floats
    shrink: Floats
    pull: Floats
    data_border: Floats
    forwarded: Floats
    hessian: Floats
    gradient: Floats
    first: Floats
    step: Floats


def expand(problem: Problem, state: State, chance: Floats, *, with_shared: bool) -> Quadratic:
    """Expand the objective to second order around a state.

    Parameters
    ----------
    problem : Problem
    state : State
    chance : ndarray of float64, shape (cells,)
        That a check is met, at this state.
    with_shared : bool
        False leaves the shared effects out of the border: cheaper while they are held.

    Returns
    -------
    Quadratic
    """
    cells, frame, layout = problem.cells, problem.frame, problem.layout
    rest = cells.seen * chance
    weights = rest * (1.0 - chance)
    rest -= cells.met
    shape = layout.slots, problem.shared.checks.size
    by_check = _sum(frame.slot_check, weights, shape)
    rest_check = _sum(frame.slot_check, rest, shape)
    weight, node_rest = by_check @ frame.inside, rest_check @ frame.inside
    shrink = 1.0 / (1.0 + problem.spread * weight)
    pull = problem.spread * node_rest + state.form
    first, step = prior_residuals(problem, state)
    slope = node_rest - weight * shrink * pull + _walk_gradient(problem, first, step)
    inner = problem.block + (weight * shrink)[:, :, None] * np.eye(weight.shape[1])
    chain = factor(layout.start, inner, problem.link)
    if with_shared:
        border = _shared_border(problem, weights, by_check)
        hessian, gradient = _of_columns(problem, weights, rest, by_check, rest_check)
    else:
        border = _own_border(problem, by_check)
        turned = problem.contrast.T[None]
        hessian = (turned * _by_unit(layout, by_check)[:, None, :]) @ problem.contrast
        gradient = _by_unit(layout, rest_check) @ problem.contrast
    forwarded = np.empty((*border.shape[:2], border.shape[2] + 1))
    np.multiply(border, shrink[:, :, None], out=forwarded[:, :, :-1])
    forwarded[:, :, -1] = slope
    if with_shared:
        _walk_border(problem, forwarded)
    chain.forward(forwarded)
    lost = _lost(problem, border, shrink, pull, chain, forwarded)
    hessian -= lost[:, :, :-1]
    gradient -= lost[:, :, -1]
    return Quadratic(
        with_shared=with_shared,
        chain=chain,
        weight=weight,
        shrink=shrink,
        pull=pull,
        data_border=border,
        forwarded=forwarded,
        hessian=hessian,
        gradient=gradient,
        first=first,
        step=step,
    )


def _sum(index: Ints, values: Floats, shape: tuple[int, ...]) -> Floats:
    total = np.bincount(index, weights=values, minlength=int(np.prod(shape)))
    return np.asarray(total, dtype=np.float64).reshape(shape)


def _own_border(problem: Problem, by_check: Floats) -> Floats:
    """Second derivatives of the likelihood between a node and its unit's own checks."""
    shared = problem.shared
    out = np.zeros((by_check.shape[0], shared.areas.size, problem.own))
    for area in range(shared.areas.size):
        rows = np.flatnonzero(shared.check_area == area)
        out[:, area] = by_check[:, rows] @ problem.contrast[rows]
    return out


def _shared_border(problem: Problem, weights: Floats, by_check: Floats) -> Floats:
    """Second derivatives of the likelihood between a node and its unit's columns."""
    cells, frame, shared, slots = problem.cells, problem.frame, problem.shared, problem.layout.slots
    areas, most = shared.areas.size, frame.seats.stop - frame.seats.start
    out = np.zeros((slots, areas, frame.columns))
    out[:, shared.check_area, np.arange(shared.checks.size)] = -by_check
    out[:, :, frame.balls] = -_sum(frame.node * BALLS + cells.ball, weights, (slots, areas, BALLS))
    out[:, :, frame.seats] = -_sum(frame.node * most + frame.seat, weights, (slots, areas, most))
    return out


def _walk_gradient(problem: Problem, first: Floats, step: Floats) -> Floats:
    start = problem.layout.start
    pulled = problem.link * step
    out = first @ problem.first_precision + pulled
    for a, b, c in zip(start[:-2], start[1:-1], start[2:], strict=True):
        out[a : a + c - b] -= pulled[b:c]
    return out


def _walk_border(problem: Problem, right: Floats) -> None:
    """Add the walks' second derivatives between theta and (start, drift)."""
    shared, frame, start = problem.shared, problem.frame, problem.layout.start
    areas = np.arange(shared.areas.size)
    right[: problem.layout.players.size, :, frame.start] -= problem.first_precision
    drift = frame.drift.start + areas
    for a, b, c in zip(start[:-2], start[1:-1], start[2:], strict=True):
        right[b:c, areas, drift] -= 1.0 / shared.walk
        right[a : a + c - b, areas, drift] += 1.0 / shared.walk


def _of_columns(
    problem: Problem, weights: Floats, rest: Floats, by_check: Floats, rest_check: Floats
) -> tuple[Floats, Floats]:
    """Second and first derivatives of the likelihood for each unit's columns."""
    cells, frame, layout = problem.cells, problem.frame, problem.layout
    units, checks, most = layout.players.size, by_check.shape[1], frame.seats.stop - frame.seats.start
    hessian = np.zeros((units, frame.columns, frame.columns))
    # The upper triangle; a kind of effect meets itself only on the diagonal.
    for kind, size, index in (("balls", BALLS, cells.ball), ("seats", most, frame.seat)):
        at = getattr(frame, kind)
        crossed = (frame.unit * checks + cells.check) * size + index
        hessian[:, frame.checks, at] = _sum(crossed, weights, (units, checks, size))
    crossed = (frame.unit * BALLS + cells.ball) * most + frame.seat
    hessian[:, frame.balls, frame.seats] = _sum(crossed, weights, (units, BALLS, most))
    hessian += hessian.transpose(0, 2, 1)
    diagonal = np.einsum("uii->ui", hessian)
    diagonal[:, frame.checks] = _by_unit(layout, by_check)
    diagonal[:, frame.balls] = hessian[:, frame.checks, frame.balls].sum(axis=1)
    diagonal[:, frame.seats] = hessian[:, frame.checks, frame.seats].sum(axis=1)
    gradient = np.zeros((units, frame.columns))
    gradient[:, frame.checks] = -_by_unit(layout, rest_check)
    gradient[:, frame.balls] = -_sum(frame.unit * BALLS + cells.ball, rest, (units, BALLS))
    gradient[:, frame.seats] = -_sum(frame.unit * most + frame.seat, rest, (units, most))
    return hessian, gradient


def _by_unit(layout: Layout, values: Floats) -> Floats:
    out = np.zeros((layout.players.size, *values.shape[1:]))
    for a, b in zip(layout.start[:-1], layout.start[1:], strict=True):
        out[: b - a] += values[a:b]
    return out


def _lost(
    problem: Problem, border: Floats, shrink: Floats, pull: Floats, chain: Chain, forwarded: Floats
) -> Floats:
    """What form and walks take away from each unit's border and its gradient: (units, columns, columns + 1)."""
    layout = problem.layout
    _slots, areas, width = forwarded.shape
    # Both layers as one array, unit after unit, whose square over a unit is what they take away.
    # In pieces that stay in the processor's cache: written to memory, it would cost more than the arithmetic.
    scale = np.sqrt(problem.spread * shrink)
    last = np.divide(shrink * pull, scale, out=np.zeros_like(scale), where=scale > 0)
    root = np.linalg.cholesky(chain.inner).transpose(0, 2, 1)
    order = np.argsort(layout.place)
    lost = np.empty((layout.players.size, width - 1, width))
    row = 0
    for begin, end, steps in layout.pieces(_AT_ONCE):
        count = (end - begin) * steps
        rows = order[row : row + count]
        row += count
        part = np.empty((count, 2 * areas, width))
        np.multiply(border[rows], scale[rows, :, None], out=part[:, :areas, :-1])
        part[:, :areas, -1] = last[rows]
        np.matmul(root[rows], forwarded[rows], out=part[:, areas:])
        of_unit = part.reshape(end - begin, steps * 2 * areas, width)
        np.matmul(of_unit[:, :, :-1].transpose(0, 2, 1), of_unit, out=lost[begin:end])
    return lost
