"""Hyper-parameters of the progression model from the data of a club: empirical Bayes.

How much units differ, how fast they move, how much the form of the day and the luck of a situation count, how much
analysts differ: each is set where the data, with a documented prior on it, are likeliest. The steps are those of
EM with the Gaussian around the mode in place of the posterior, sped up by Aitken's rule; every step is one step
of Newton's method for the mode as well, so that mode and hyper-parameters arrive together.

References
----------
Dempster, A. P., Laird, N. M. and Rubin, D. B. (1977). Maximum likelihood from incomplete data via the EM algorithm.
Shumway, R. H. and Stoffer, D. S. (1982). An approach to time series smoothing and forecasting using the EM
algorithm. Varadhan, R. and Roland, C. (2008). Simple and globally convergent methods for accelerating the
convergence of any EM algorithm. All from memory.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from clubcoach.compute.progression_frame import frame
from clubcoach.compute.progression_input import Cells, Layout, lay_out
from clubcoach.compute.progression_model import State, pose
from clubcoach.compute.progression_shared import Floats, Ints, Priors, Shared
from clubcoach.compute.progression_solve import Posterior, one_step

LEAST_UNITS = 20
"""Units with two match days each, below which the hyper-parameters stay at the documented priors."""

PSEUDO = 20.0
"""Observations that the prior on a variance counts for."""

WISHART_DF = 10.0
SEVERITY_PRIOR_SD = 0.5
WIDE_DRIFT_SD = 0.006
MOST_UNITS = 120
"""A larger club learns its hyper-parameters from so many units, spread over the numbers of match days."""

_ROUNDS, _EACH = 8, 3
_ENOUGH = 2e-3


def can_learn(layout: Layout) -> bool:
    """Whether a club has enough units with two match days.

    Parameters
    ----------
    layout : Layout

    Returns
    -------
    bool
    """
    return int(np.sum(layout.steps >= 2)) >= LEAST_UNITS


def learn(layout: Layout, cells: Cells, shared: Shared, looks: Ints) -> Shared:
    """Find the hyper-parameters of a club.

    Parameters
    ----------
    layout : Layout
    cells : Cells
    shared : Shared
        At the documented priors.
    looks : ndarray of int64, shape (slots, areas)
        Situations behind each node.

    Returns
    -------
    Shared
        At the learned hyper-parameters; `value` is where the shared effects stood last, a good place to begin.
    """
    layout, cells, looks = _some(layout, cells, looks)
    prior = shared
    shared = replace(
        shared, priors=replace(shared.priors, drift_sd=WIDE_DRIFT_SD, drift_area_sd=WIDE_DRIFT_SD)
    )
    state: State | None = None
    within = frame(layout, cells, shared)
    for round_ in range(_ROUNDS):
        before = _free(shared)
        path = [before]
        for _ in range(_EACH):
            posterior = one_step(pose(layout, cells, shared, looks, within), state)
            state = posterior.state
            shared = _better(posterior, prior)
            path.append(_free(shared))
        if np.abs(path[-1] - path[-2]).max() < _ENOUGH:
            break
        if round_ < _ROUNDS - 1:
            shared = _with(shared, _aitken(path))
    return replace(shared, value=posterior.shared.value, priors=_settled(posterior, prior.priors))


def _some(layout: Layout, cells: Cells, looks: Ints) -> tuple[Layout, Cells, Ints]:
    units = layout.players.size
    if units <= MOST_UNITS:
        return layout, cells, looks
    # In an order of what was seen, so that a unit's name has no say in whether it is among them.
    unit = layout.unit[cells.slot]
    seen, met = (np.bincount(unit, weights=part, minlength=units) for part in (cells.seen, cells.met))
    order = np.lexsort((met, seen, layout.day[:units], layout.steps))
    chosen = order[np.unique(np.linspace(0, units - 1, MOST_UNITS).round().astype(np.int64))]
    mine = np.isin(unit, chosen)
    slot = cells.slot[mine]
    part, at = lay_out(layout.unit[slot], layout.day[slot])
    origin = np.zeros(part.slots, dtype=np.int64)
    origin[at] = slot
    rest = (getattr(cells, name)[mine] for name in ("check", "analyst", "ball", "seen", "met"))
    return part, Cells(at, *rest), looks[origin]


# What Aitken's rule works on: logarithms of the variances of walk, own checks, day and situation.
def _free(shared: Shared) -> Floats:
    p = shared.priors
    scalars = np.array([p.own_sd**2, p.day_variance, p.situation_variance])
    return np.asarray(np.log(np.concatenate([shared.walk, scalars])), dtype=np.float64)


def _with(shared: Shared, free: Floats) -> Shared:
    values = np.exp(free)
    areas = shared.areas.size
    own, day, situation = values[areas:]
    priors = replace(
        shared.priors,
        own_sd=float(np.sqrt(own)),
        day_variance=float(day),
        situation_variance=float(situation),
    )
    return replace(shared, walk=values[:areas], priors=priors)


def _aitken(path: list[Floats]) -> Floats:
    """Where a sequence that closes in geometrically would end, taken with care."""
    one, two = path[-2] - path[-3], path[-1] - path[-2]
    ratio = np.clip(np.divide(two, one, out=np.zeros_like(two), where=np.abs(one) > 1e-12), 0.0, 0.95)
    return np.asarray(path[-1] + np.clip(two * ratio / (1.0 - ratio), -1.5, 1.5))


def _better(posterior: Posterior, prior: Shared) -> Shared:
    """One step of EM."""
    shared, state = posterior.shared, posterior.state
    day, situation = _node_variances(posterior, prior.priors)
    priors = replace(
        shared.priors,
        own_sd=_own_sd(posterior, prior.priors),
        day_variance=day,
        situation_variance=situation,
    )
    return replace(
        shared,
        initial=_initial(posterior, prior),
        walk=_walk(posterior, prior),
        priors=priors,
        value=state.value,
    )


def _initial(posterior: Posterior, prior: Shared) -> Floats:
    layout, shared = posterior.problem.layout, posterior.shared
    units, areas = layout.players.size, shared.areas.size
    away = posterior.state.theta[:units] - shared.value[shared.columns["start"]]
    total = away.T @ away + posterior.first.sum(axis=0)
    columns = posterior.reply[:units].copy()
    columns[:, np.arange(areas), posterior.problem.frame.start.start + np.arange(areas)] += 1.0
    total += (columns @ posterior.columns_covariance @ columns.transpose(0, 2, 1)).sum(axis=0)
    weight = WISHART_DF + areas + 1
    return np.asarray((total + weight * prior.initial) / (units + weight))


def _walk(posterior: Posterior, prior: Shared) -> Floats:
    layout, shared = posterior.problem.layout, posterior.shared
    units, areas = layout.players.size, shared.areas.size
    later = np.arange(units, layout.slots)
    before = _before(layout)
    gap = layout.gap[later][:, None].astype(np.float64)
    drift = shared.columns["drift"].start + np.arange(areas)
    step = posterior.state.theta[later] - posterior.state.theta[before] - gap * shared.value[drift]
    moved = posterior.variance[later] + posterior.variance[before] - 2.0 * posterior.lagged[later]
    columns = posterior.reply[later] - posterior.reply[before]
    columns[:, np.arange(areas), posterior.problem.frame.drift.start + np.arange(areas)] += gap
    moved += posterior.variance_of(layout.unit[later], columns)
    total = ((step**2 + moved) / gap).sum(axis=0)
    return np.asarray((PSEUDO * prior.walk + total) / (PSEUDO + later.size))


def _before(layout: Layout) -> Ints:
    """The slot before each slot that is not a unit's first, in the order of slots."""
    parts = [
        np.arange(a, a + c - b)
        for a, b, c in zip(layout.start[:-2], layout.start[1:-1], layout.start[2:], strict=True)
    ]
    return np.concatenate(parts) if parts else np.zeros(0, dtype=np.int64)


def _own_sd(posterior: Posterior, prior: Priors) -> float:
    own = posterior.state.own
    total = np.sum(own**2) + np.sum(posterior.own_variance)
    return float(np.sqrt((PSEUDO * prior.own_sd**2 + total) / (PSEUDO + own.size)))


def _node_variances(posterior: Posterior, prior: Priors) -> tuple[float, float]:
    """Of the day and of a situation, from how large the forms of the day turned out."""
    problem, shared = posterior.problem, posterior.shared
    seen = posterior.weight > 0
    weight, shrink = posterior.weight, posterior.shrink
    columns = (problem.spread * shrink)[:, :, None] * (
        posterior.data_border - weight[:, :, None] * posterior.reply
    )
    size = posterior.state.form**2 + problem.spread * shrink
    size += (problem.spread * shrink * weight) ** 2 * posterior.variance
    size += posterior.variance_of(problem.layout.unit, columns)
    looks = np.maximum(problem.looks, 1)
    # A second step of EM inside: the form is the day's part and the situations' part.
    total, luck = problem.spread, shared.priors.situation_variance / looks
    day_share, luck_share = shared.priors.day_variance / total, luck / total
    day = day_share**2 * size + shared.priors.day_variance * (1.0 - day_share)
    situation = looks * (luck_share**2 * size + luck * (1.0 - luck_share))
    count = float(seen.sum())
    return (
        float((PSEUDO * prior.day_variance + day[seen].sum()) / (PSEUDO + count)),
        float((PSEUDO * prior.situation_variance + situation[seen].sum()) / (PSEUDO + count)),
    )


def _settled(posterior: Posterior, prior: Priors) -> Priors:
    """How much analysts differ and how far the common drifts lie from none, once the rest is known.

    Both rest on a handful of effects, so they are not part of the steps, in which a small spread would make the
    effects small and these the spread: they stay wide there, and are set at the end from what the data alone say.
    """
    shared = posterior.shared
    analysts = np.unique(shared.seat_analyst)
    at = shared.columns["gamma"].start + np.searchsorted(shared.seat_analyst, analysts)
    grid = SEVERITY_PRIOR_SD * np.geomspace(0.05, 5.0, 120)
    one = np.eye(at.size)
    fit = _likeliness(shared, at, shared.priors.severity_sd**2 * one, grid[:, None, None] ** 2 * one)
    fit -= 0.5 * (grid / SEVERITY_PRIOR_SD) ** 2
    weight = np.exp(fit - fit.max()) * grid
    # The mean over what the spread may be: with few analysts, or analysts who share no player, it stays wide.
    severity = float(np.sqrt(np.sum(weight * grid**2) / np.sum(weight)))
    columns = shared.columns["drift"]
    at = np.arange(columns.start, columns.stop)
    one, held = np.eye(at.size), shared.priors
    common = np.repeat(prior.drift_sd * _DRIFTS, _DRIFTS.size)
    apart = np.tile(prior.drift_area_sd * _DRIFTS, _DRIFTS.size)
    fit = _likeliness(
        shared,
        at,
        held.drift_sd**2 + held.drift_area_sd**2 * one,
        common[:, None, None] ** 2 + apart[:, None, None] ** 2 * one,
    )
    best = int(np.argmax(fit))
    return replace(
        shared.priors, severity_sd=severity, drift_sd=float(common[best]), drift_area_sd=float(apart[best])
    )


# Up to the documented prior and no further: where half of what is looked at is worked on and grows, a club that could
# learn a fast progress of all would lift what stands still along with it. Large clubs overrule the prior by their data.
_DRIFTS = np.geomspace(0.01, 1.0, 24)


def _likeliness(shared: Shared, at: Ints, held: Floats, grid: Floats) -> Floats:
    """Log likelihood of prior covariances of some effects; `held` is the one under which they were fitted.

    Parameters
    ----------
    shared : Shared
    at : ndarray of int64, shape (k,)
    held : ndarray of float64, shape (k, k)
    grid : ndarray of float64, shape (m, k, k)

    Returns
    -------
    ndarray of float64, shape (m,)
    """
    posterior = shared.covariance[np.ix_(at, at)]
    sharp = np.linalg.inv(posterior) - np.linalg.inv(held)
    value, vector = np.linalg.eigh((sharp + sharp.T) / 2.0)
    # What the data alone say: where they say nothing, the noise is large beside anything on the grid.
    value = np.maximum(value, 1e-4 * np.abs(value).max() + 1e-12)
    noise = (vector / value) @ vector.T
    found = noise @ np.linalg.solve(posterior, shared.value[at])
    total = grid + noise
    _sign, size = np.linalg.slogdet(total)
    return np.asarray(
        -0.5 * size - 0.5 * np.einsum("i,mi->m", found, np.linalg.solve(total, found[:, None])[..., 0])
    )
