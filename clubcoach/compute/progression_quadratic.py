"""The local quadratic of the progression model, its layers eliminated from the inside out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from clubcoach.compute.progression_chain import Chain, factor
from clubcoach.compute.progression_input import Layout
from clubcoach.compute.progression_model import Problem, State, logits, prior_residuals, shared_prior
from clubcoach.compute.progression_shared import BALLS, Floats, Ints

# Slots of one piece of the elimination.
_AT_ONCE = 400


@dataclass(frozen=True, slots=True, eq=False)
class Quadratic:
    """Local quadratic after the form of the day is eliminated; border = (own, shared), or own alone."""

    chain: Chain
    weight: Floats
    shrink: Floats
    pull: Floats
    data_border: Floats
    forwarded: Floats
    own_hessian: Floats
    own_shared: Floats
    shared_hessian: Floats
    own_gradient: Floats
    shared_gradient: Floats


def expand(problem: Problem, state: State, *, with_shared: bool) -> Quadratic:
    """Expand the objective to second order around a state.

    Parameters
    ----------
    problem : Problem
    state : State
    with_shared : bool
        False leaves the shared effects out of the border: cheaper while they are held.

    Returns
    -------
    Quadratic
    """
    cells, shared, layout = problem.cells, problem.shared, problem.layout
    chance = expit(logits(problem, state))
    weights = cells.seen * chance * (1.0 - chance)
    rest = cells.seen * chance - cells.met
    slots, checks, areas = layout.slots, shared.checks.size, shared.areas.size
    by_check = _sum(cells.slot * checks + cells.check, weights, (slots, checks))
    rest_check = _sum(cells.slot * checks + cells.check, rest, (slots, checks))
    inside = (shared.check_area[:, None] == np.arange(areas)).astype(np.float64)
    weight, node_rest = by_check @ inside, rest_check @ inside
    shrink = 1.0 / (1.0 + problem.spread * weight)
    pull = problem.spread * node_rest + state.form
    border = _data_border(problem, weights, by_check, with_shared=with_shared)
    first, step = prior_residuals(problem, state)
    gradient = node_rest - weight * shrink * pull + _walk_gradient(problem, first, step)
    chain = factor(layout.start, problem.block + (weight * shrink)[:, :, None] * np.eye(areas), problem.link)
    forwarded = np.empty((slots, areas, border.shape[2] + 1))
    np.multiply(border, shrink[:, :, None], out=forwarded[:, :, :-1])
    forwarded[:, :, -1] = gradient
    if with_shared:
        _walk_border(problem, forwarded[:, :, problem.own :])
    chain.forward(forwarded)
    parts = _border_hessians(problem, weights, with_shared=with_shared)
    gradients = _border_gradients(problem, state, rest, rest_check, first, step, with_shared=with_shared)
    eliminated = _eliminate(problem, parts, gradients, border, shrink, pull, chain, forwarded)
    return Quadratic(chain, weight, shrink, pull, border, forwarded, *eliminated)


def _sum(index: Ints, values: Floats, shape: tuple[int, ...]) -> Floats:
    total = np.bincount(index, weights=values, minlength=int(np.prod(shape)))
    return np.asarray(total, dtype=np.float64).reshape(shape)


def _data_border(problem: Problem, weights: Floats, by_check: Floats, *, with_shared: bool) -> Floats:
    """Second derivatives of the likelihood between a node and (own, shared)."""
    cells, shared, slots = problem.cells, problem.shared, problem.layout.slots
    areas, checks, analysts, own = (
        shared.areas.size,
        shared.checks.size,
        shared.seat_analyst.size,
        problem.own,
    )
    out = np.zeros((slots, areas, own + (shared.value.size if with_shared else 0)))
    for area in range(areas):
        rows = np.flatnonzero(shared.check_area == area)
        out[:, area, :own] = by_check[:, rows] @ problem.contrast[rows]
    if with_shared:
        columns = shared.columns
        out[:, shared.check_area, own + columns["delta"].start + np.arange(checks)] = -by_check
        node = cells.slot * areas + shared.check_area[cells.check]
        by_analyst = _sum(node * analysts + cells.analyst, weights, (slots, areas, analysts))
        out[:, :, own:][:, :, columns["gamma"]] = -by_analyst
        out[:, :, own:][:, :, columns["beta"]] = -_sum(
            node * BALLS + cells.ball, weights, (slots, areas, BALLS)
        )
    return out


def _walk_gradient(problem: Problem, first: Floats, step: Floats) -> Floats:
    start = problem.layout.start
    pulled = problem.link * step
    out = first @ np.linalg.inv(problem.shared.initial) + pulled
    for a, b, c in zip(start[:-2], start[1:-1], start[2:], strict=True):
        out[a : a + c - b] -= pulled[b:c]
    return out


def _walk_border(problem: Problem, right: Floats) -> None:
    """Add the walks' second derivatives between theta and (start, drift)."""
    shared, start = problem.shared, problem.layout.start
    columns, areas = shared.columns, np.arange(shared.areas.size)
    right[: problem.layout.players.size, :, columns["start"]] -= np.linalg.inv(shared.initial)
    drift = columns["drift"].start + areas
    for a, b, c in zip(start[:-2], start[1:-1], start[2:], strict=True):
        right[b:c, areas, drift] -= 1.0 / shared.walk
        right[a : a + c - b, areas, drift] += 1.0 / shared.walk


def _border_hessians(
    problem: Problem, weights: Floats, *, with_shared: bool
) -> tuple[Floats, Floats, Floats]:
    cells, shared, layout = problem.cells, problem.shared, problem.layout
    units, checks, analysts = layout.players.size, shared.checks.size, shared.seat_analyst.size
    unit_check = layout.unit[cells.slot] * checks + cells.check
    by_check = _sum(unit_check, weights, (units, checks))
    own = (problem.contrast.T[None] * by_check[:, None, :]) @ problem.contrast
    if shared.own_sd > 0:
        own += np.eye(problem.own) / shared.own_sd**2
    if not with_shared:
        return own, np.zeros((units, problem.own, 0)), np.zeros((0, 0))
    by_analyst = _sum(unit_check * analysts + cells.analyst, weights, (units, checks, analysts))
    by_ball = _sum(unit_check * BALLS + cells.ball, weights, (units, checks, BALLS))
    columns, turned = shared.columns, problem.contrast.T[None]
    across = np.zeros((units, problem.own, shared.value.size))
    across[:, :, columns["delta"]] = -turned * by_check[:, None, :]
    across[:, :, columns["gamma"]] = -(turned @ by_analyst)
    across[:, :, columns["beta"]] = -(turned @ by_ball)
    hessian = shared_prior(shared)[0]
    hessian = np.triu(hessian)
    rows = {
        "delta": np.diag(by_check.sum(axis=0)),
        "gamma": by_analyst.sum(axis=0),
        "beta": by_ball.sum(axis=0),
    }
    table = _sum(cells.analyst * BALLS + cells.ball, weights, (analysts, BALLS))
    for name, part in rows.items():
        hessian[columns["delta"], columns[name]] += part
    hessian[columns["gamma"], columns["gamma"]] += np.diag(table.sum(axis=1))
    hessian[columns["gamma"], columns["beta"]] += table
    hessian[columns["beta"], columns["beta"]] += np.diag(table.sum(axis=0))
    hessian[columns["start"], columns["start"]] += units * np.linalg.inv(shared.initial)
    hessian[columns["drift"], columns["drift"]] += np.diag(layout.gap.sum() / shared.walk)
    return own, across, np.triu(hessian) + np.triu(hessian, 1).T


def _border_gradients(
    problem: Problem,
    state: State,
    rest: Floats,
    rest_check: Floats,
    first: Floats,
    step: Floats,
    *,
    with_shared: bool,
) -> tuple[Floats, Floats]:
    cells, shared, layout = problem.cells, problem.shared, problem.layout
    own = _by_unit(layout, rest_check) @ problem.contrast
    if shared.own_sd > 0:
        own = own + state.own / shared.own_sd**2
    if not with_shared:
        return own, np.zeros(0)
    precision, mean = shared_prior(shared)
    out = precision @ (state.value - mean)
    columns = shared.columns
    out[columns["delta"]] -= rest_check.sum(axis=0)
    out[columns["gamma"]] -= _sum(cells.analyst, rest, (shared.seat_analyst.size,))
    out[columns["beta"]] -= _sum(cells.ball, rest, (BALLS,))
    out[columns["start"]] -= np.linalg.inv(shared.initial) @ first.sum(axis=0)
    out[columns["drift"]] -= step.sum(axis=0) / shared.walk
    return own, out


def _by_unit(layout: Layout, values: Floats) -> Floats:
    out = np.zeros((layout.players.size, *values.shape[1:]))
    for a, b in zip(layout.start[:-1], layout.start[1:], strict=True):
        out[: b - a] += values[a:b]
    return out


def _eliminate(
    problem: Problem,
    hessians: tuple[Floats, Floats, Floats],
    gradients: tuple[Floats, Floats],
    border: Floats,
    shrink: Floats,
    pull: Floats,
    chain: Chain,
    forwarded: Floats,
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Take form and walks out of the border's Hessian and gradient."""
    own, across, hessian = hessians
    own_gradient, gradient = gradients
    split, layout = problem.own, problem.layout
    _slots, areas, width = forwarded.shape
    # Both layers as one array, unit after unit, whose square over a unit or over all is what they take away.
    # In pieces that stay in the processor's cache: written to memory, it would cost more than the arithmetic.
    scale = np.sqrt(problem.spread * shrink)
    last = np.divide(shrink * pull, scale, out=np.zeros_like(scale), where=scale > 0)
    root = np.linalg.cholesky(chain.inner).transpose(0, 2, 1)
    order = np.argsort(layout.place)
    lost = np.empty((layout.players.size, split, width))
    square = np.zeros((width - split, width - split))
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
        np.matmul(of_unit[:, :, :split].transpose(0, 2, 1), of_unit, out=lost[begin:end])
        rest = part.reshape(count * 2 * areas, width)[:, split:]
        square += rest.T @ rest
    own_gradient = own_gradient - lost[:, :, -1]
    return (
        own - lost[:, :, :split],
        across - lost[:, :, split:-1],
        hessian - square[:-1, :-1],
        own_gradient,
        gradient - square[:-1, -1],
    )
