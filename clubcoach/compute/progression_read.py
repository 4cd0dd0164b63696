"""Reading the posterior of the progression model: means, variances, scores and joint draws."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from clubcoach.compute.progression_input import Layout
from clubcoach.compute.progression_shared import Floats, Ints
from clubcoach.compute.progression_solve import Posterior

# Gauss-Hermite nodes for means over a normal logit; 21 are exact to 1e-6 up to a variance of 4.
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(21)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
# Rows whose units' matrices are gathered at a time, which bounds the memory.
_ROWS_AT_ONCE = 2000


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """Where days stand on the walks: theta = share * theta[left] + (1 - share) * theta[right] + ...

    `ahead` is the number of days beyond the unit's last match day (negative: before its first), over
    which the common drift runs; `loose` the days of walk that no match pins down.
    """

    left: Ints
    right: Ints
    share: Floats
    ahead: Floats
    loose: Floats


def locate(layout: Layout, unit: Ints, day: Ints) -> Place:
    """Find days on units' walks.

    Parameters
    ----------
    layout : Layout
    unit, day : ndarray of int64, shape (rows,)
        Unit as an index into `layout.players`, each known.

    Returns
    -------
    Place
    """
    order = np.lexsort((layout.day, layout.unit))
    low = int(layout.day.min(initial=0))
    span = int(layout.day.max(initial=0)) - low + 3
    keys = layout.unit[order] * span + layout.day[order] - low + 1
    at = np.searchsorted(keys, unit * span + np.clip(day - low + 1, 0, span - 1), side="right") - 1
    end = np.cumsum(layout.steps)[unit] - 1
    begin = end - layout.steps[unit] + 1
    left, right = order[np.maximum(at, begin)], order[np.clip(at + 1, begin, end)]
    before, after = day < layout.day[left], day > layout.day[right]
    outside = before | after | (left == right)
    width = np.where(outside, 1, layout.day[right] - layout.day[left])
    part = np.where(outside, 0.0, (day - layout.day[left]) / width)
    ahead = np.where(outside, day - layout.day[left], 0).astype(np.float64)
    loose = np.where(outside, np.abs(ahead), width * part * (1.0 - part))
    return Place(left, np.where(outside, left, right), 1.0 - part, ahead, loose)


def variances(posterior: Posterior, unit: Ints, area: Ints, place: Place, border: Floats) -> Floats:
    """Variance of theta at a place plus a linear function of (own, shared).

    Parameters
    ----------
    posterior : Posterior
    unit, area : ndarray of int64, shape (rows,)
    place : Place
    border : ndarray of float64, shape (rows, own + p)
        Weights of the unit's own-check coordinates and of the shared effects; overwritten.

    Returns
    -------
    ndarray of float64, shape (rows,)
    """
    share, rest = place.share, 1.0 - place.share
    left, right = posterior.variance[place.left, area], posterior.variance[place.right, area]
    out: Floats = share**2 * left + rest**2 * right + 2.0 * share * rest * posterior.lagged[place.right, area]
    out += posterior.shared.walk[area] * place.loose
    problem, frame = posterior.problem, posterior.problem.frame
    columns = -share[:, None] * posterior.reply[place.left, area]
    inner = np.flatnonzero(rest)
    columns[inner] -= rest[inner, None] * posterior.reply[place.right[inner], area[inner]]
    border[np.arange(area.size), problem.own + posterior.shared.columns["drift"].start + area] += place.ahead
    own = border[:, : problem.own] + posterior.own_part(columns)
    for begin in range(0, area.size, _ROWS_AT_ONCE):
        rows = slice(begin, begin + _ROWS_AT_ONCE)
        mine = own[rows, None, :]
        loose = mine @ posterior.own_covariance[unit[rows]]
        out[rows] += (loose @ mine.transpose(0, 2, 1))[:, 0, 0]
        columns[rows] -= (mine @ posterior.own_reply[unit[rows]])[:, 0]
    across = border[:, problem.own :] + frame.spread(unit, columns)
    out += np.einsum("rp,rp->r", across @ posterior.shared.covariance, across)
    return out


def score_rows(posterior: Posterior, slots: Ints, z: float) -> tuple[Floats, Floats, Floats]:
    """Scores of all areas at given slots.

    A score is the mean over the area's checks of P(met), on a normal ball before the average analyst, without
    the form of the day. Its uncertainty is carried by one direction, the move of the checks' logits together
    that changes the score: low and high stand z deviations along it, the score is the mean over it.

    Parameters
    ----------
    posterior : Posterior
    slots : ndarray of int64, shape (rows,)
    z : float
        Normal deviations of the interval's ends.

    Returns
    -------
    score, low, high : ndarray of float64, shape (rows, areas)
        0 to 100.
    """
    shared, problem = posterior.shared, posterior.problem
    unit, frame = problem.layout.unit[slots], problem.frame
    strong = posterior.state.own @ problem.contrast.T
    hard = shared.effect("delta") + shared.average_severity
    weights = -posterior.reply[slots]
    logits = []
    for area in range(shared.areas.size):
        rows = np.flatnonzero((shared.check_area == area) & shared.scored)
        logits.append(posterior.state.theta[slots, area, None] + strong[unit][:, rows] - hard[rows])
        slope = expit(logits[-1]) * expit(-logits[-1])
        slope /= slope.sum(axis=1, keepdims=True)
        weights[:, area, frame.checks.start + rows] -= slope
    spread = posterior.variance[slots] + posterior.variance_of(unit, weights)
    # The average analyst sat in many months that a unit did not meet.
    variance, shares = _average_analyst(posterior)
    spread += variance - 2.0 * (weights @ shares[unit][:, :, None])[:, :, 0]
    sd = np.sqrt(np.maximum(spread, 0.0))
    out = tuple(np.zeros_like(sd) for _ in range(3))
    for area, logit in enumerate(logits):
        wide = sd[:, area]
        out[0][:, area] = 100.0 * sum(
            weight * expit(logit + (node * wide)[:, None]).mean(axis=1)
            for node, weight in zip(_NODES, _WEIGHTS, strict=True)
        )
        out[1][:, area] = 100.0 * expit(logit - (z * wide)[:, None]).mean(axis=1)
        out[2][:, area] = 100.0 * expit(logit + (z * wide)[:, None]).mean(axis=1)
    return out[0], out[1], out[2]


def _average_analyst(posterior: Posterior) -> tuple[float, Floats]:
    """Variance of the average analyst's severity, and its covariance with each unit's columns."""
    shared, problem = posterior.shared, posterior.problem
    weights = np.zeros(shared.value.size)
    weights[shared.columns["gamma"]] = shared.reference
    toward = shared.covariance @ weights
    out = problem.frame.of_units(toward)
    own = (posterior.own_reply @ out[:, :, None])[:, :, 0]
    out[:, problem.frame.checks] += own @ problem.contrast.T
    return float(weights @ toward), out


def chance(mean: Floats, variance: Floats) -> Floats:
    """Mean of a logistic share over a normal logit.

    Parameters
    ----------
    mean, variance : ndarray of float64, shape (rows,)

    Returns
    -------
    ndarray of float64, shape (rows,)
        Between 0 and 1.
    """
    return np.asarray(expit(mean[:, None] + np.sqrt(variance)[:, None] * _NODES) @ _WEIGHTS)


def seen_so_far(posterior: Posterior) -> Ints:
    """Checks seen up to and including each match day.

    Parameters
    ----------
    posterior : Posterior

    Returns
    -------
    ndarray of int64, shape (slots, areas)
    """
    problem = posterior.problem
    layout, cells, areas = problem.layout, problem.cells, problem.shared.areas.size
    node = cells.slot * areas + problem.shared.check_area[cells.check]
    seen = np.bincount(node, weights=cells.seen, minlength=layout.slots * areas).astype(np.int64)
    out = seen.reshape(layout.slots, areas)
    for a, b, c in zip(layout.start[:-2], layout.start[1:-1], layout.start[2:], strict=True):
        out[b:c] += out[a : a + c - b]
    return out


def draw_scores(posterior: Posterior, unit: int, days: Ints, rng: np.random.Generator, n: int) -> Floats:
    """Joint draws of one unit's scores.

    Parameters
    ----------
    posterior : Posterior
    unit : int
        Index into the layout's players.
    days : ndarray of int64, shape (days,)
    rng : numpy.random.Generator
    n : int

    Returns
    -------
    ndarray of float64, shape (n, days, areas)
        0 to 100.
    """
    shared, problem, state = posterior.shared, posterior.problem, posterior.state
    slots, areas, own = problem.layout.of_unit(unit), shared.areas.size, problem.own
    moved = rng.standard_normal((n, shared.value.size)) @ _root(shared.covariance)
    at = rng.standard_normal((n, own)) @ np.linalg.cholesky(posterior.own_covariance[unit]).T
    columns = problem.frame.of_units(moved)[:, unit]
    at -= columns @ posterior.own_reply[unit].T
    columns[:, problem.frame.checks] -= at @ problem.contrast.T
    path = posterior.chain.sample(slots, rng.standard_normal((n, slots.size, areas)))
    path -= np.einsum("tad,nd->nta", posterior.reply[slots], columns, optimize=True)
    path += state.theta[slots]
    drift = shared.effect("drift") + moved[:, shared.columns["drift"]]
    theta = _walk_to(problem.layout.day[slots], path, days, drift, shared.walk, rng)
    strong = (state.own[unit] + at) @ problem.contrast.T
    hard = shared.effect("delta") + moved[:, shared.columns["delta"]]
    hard += ((shared.effect("gamma") + moved[:, shared.columns["gamma"]]) @ shared.reference)[:, None]
    out = np.empty_like(theta)
    for area in range(areas):
        rows = np.flatnonzero((shared.check_area == area) & shared.scored)
        logit = theta[:, :, area, None] + (strong - hard)[:, None, rows]
        out[:, :, area] = 100.0 * expit(logit).mean(axis=2)
    return out


def _walk_to(
    known: Ints, path: Floats, days: Ints, drift: Floats, walk: Floats, rng: np.random.Generator
) -> Floats:
    """Carry drawn paths to other days: bridges between match days, the drift beyond them."""
    wanted, back = np.unique(days, return_inverse=True)
    out = np.empty((path.shape[0], wanted.size, walk.size))
    first, last = int(known[0]), int(known[-1])
    place, here = first, path[:, 0]
    for i in [*np.flatnonzero(wanted < first)[::-1], *np.flatnonzero(wanted >= first)]:
        day = int(wanted[i])
        if day >= first > place:
            place, here = first, path[:, 0]
        reached = int(np.searchsorted(known, day, side="right")) - 1
        if reached >= 0 and known[reached] >= place:
            place, here = int(known[reached]), path[:, reached]
        noise = rng.standard_normal(here.shape)
        if first <= day < last:
            goal, there = int(known[reached + 1]), path[:, reached + 1]
            part = (day - place) / (goal - place)
            here = here + part * (there - here) + np.sqrt(walk * (goal - day) * part) * noise
        else:
            here = here + drift * (day - place) + np.sqrt(walk * abs(day - place)) * noise
        place = day
        out[:, i] = here
    return out[:, back]


def _root(covariance: Floats) -> Floats:
    """A symmetric root, also where effects out of the model have no variance."""
    value, vector = np.linalg.eigh(covariance)
    return np.asarray((vector * np.sqrt(np.maximum(value, 0.0))) @ vector.T)
