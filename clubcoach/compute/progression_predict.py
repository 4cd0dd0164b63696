"""Chances of single checks from the posterior of the progression model, also for what it has never seen."""

from __future__ import annotations

import numpy as np

from clubcoach.compute.progression_input import Tallies
from clubcoach.compute.progression_read import chance, locate, variances
from clubcoach.compute.progression_seats import month_of
from clubcoach.compute.progression_shared import Floats, Ints, Shared
from clubcoach.compute.progression_solve import Posterior

# Rows at a time, which bounds the memory of their weights on the shared effects.
_ROWS = 20_000


def predict_rows(posterior: Posterior, rows: Tallies) -> Floats:
    """Chance that each row's check is met.

    Parameters
    ----------
    posterior : Posterior
    rows : Tallies
        Seen and met are not read.

    Returns
    -------
    ndarray of float64, shape (rows,)
        Between 0 and 1.
    """
    shared, layout = posterior.shared, posterior.problem.layout
    by_name = np.argsort(layout.players)
    at = {
        "unit": _find(layout.players[by_name], rows.player),
        "area": _find(shared.areas, rows.area),
        "check": _find(shared.checks, rows.check),
        "analyst": _find(shared.analysts, rows.analyst),
        "month": month_of(rows.day),
        "ball": rows.ball,
        "day": rows.day,
    }
    known = at["unit"] >= 0
    at["unit"][known] = by_name[at["unit"][known]]
    out = np.zeros(rows.player.size)
    for begin in range(0, out.size, _ROWS):
        piece = slice(begin, begin + _ROWS)
        out[piece] = chance(*_moments(posterior, {name: values[piece] for name, values in at.items()}))
    return out


def _moments(posterior: Posterior, at: dict[str, Ints]) -> tuple[Floats, Floats]:
    """Mean and variance of the logits. Identities that are not known are -1."""
    shared, own, priors = posterior.shared, posterior.problem.own, posterior.shared.priors
    unit, area, check, analyst, ball = (at[name] for name in ("unit", "area", "check", "analyst", "ball"))
    columns = shared.columns
    border = np.zeros((unit.size, own + shared.value.size))
    # A look on a new day: its form, and the luck of the one situation in which the check is asked.
    spread = np.full(unit.size, priors.day_variance + priors.situation_variance)
    seat, apart = _seat(shared, analyst, at["month"])
    spread += priors.severity_walk_sd**2 * apart
    fresh = {
        "delta": (check, priors.check_sd**2 + shared.own_sd**2),
        "gamma": (seat, priors.severity_sd**2),
    }
    for name, (index, variance) in fresh.items():
        some = np.flatnonzero(index >= 0)
        border[some, own + columns[name].start + index[some]] = -1.0
        spread[index < 0] += variance
    border[np.arange(unit.size), own + columns["beta"].start + ball] = -1.0
    some = np.flatnonzero(check >= 0)
    border[some, :own] = posterior.problem.contrast[check[some]]
    mean = border[:, own:] @ shared.value
    old = np.flatnonzero((unit >= 0) & (area >= 0))
    new = np.flatnonzero((unit < 0) & (area >= 0))
    spread[area < 0] += priors.start_sd**2 + priors.initial_sd**2
    if old.size:
        place = locate(posterior.problem.layout, unit[old], at["day"][old])
        theta = place.share * posterior.state.theta[place.left, area[old]]
        theta += (1.0 - place.share) * posterior.state.theta[place.right, area[old]]
        strong = np.einsum("rd,rd->r", border[old, :own], posterior.state.own[unit[old]])
        mean[old] += theta + strong + place.ahead * shared.effect("drift")[area[old]]
        spread[old] += variances(posterior, unit[old], area[old], place, border[old])
    if new.size:
        border[new, own + columns["start"].start + area[new]] = 1.0
        mean[new] += shared.effect("start")[area[new]]
        across = border[new, own:]
        spread[new] += np.einsum("rp,rp->r", across @ shared.covariance, across)
        spread[new] += np.diag(shared.initial)[area[new]]
        spread[new] += shared.own_sd**2 * np.sum(border[new, :own] ** 2, axis=1)
    return mean, spread


def _seat(shared: Shared, analyst: Ints, month: Ints) -> tuple[Ints, Ints]:
    """The seat at or before a month, else the analyst's first, with the months between; -1 for no such analyst."""
    if not shared.seat_analyst.size:
        return np.full(analyst.size, -1, dtype=np.int64), np.zeros(analyst.size, dtype=np.int64)
    low = int(shared.seat_month.min())
    span = int(shared.seat_month.max()) - low + 3
    keys = shared.seat_analyst * span + shared.seat_month - low + 1
    wanted = analyst * span + np.clip(month - low + 1, 0, span - 1)
    first = np.searchsorted(shared.seat_analyst, np.maximum(analyst, 0))
    seat = np.clip(np.searchsorted(keys, wanted, side="right") - 1, 0, keys.size - 1)
    seat = np.maximum(seat, np.minimum(first, keys.size - 1))
    seat = np.where((analyst >= 0) & (shared.seat_analyst[seat] == analyst), seat, -1)
    walking = shared.priors.severity_walk_sd > 0
    apart = np.where((seat >= 0) & walking, np.abs(month - shared.seat_month[seat]), 0)
    return seat, apart


def _find(names: Ints, wanted: Ints) -> Ints:
    if not names.size:
        return np.full(wanted.size, -1, dtype=np.int64)
    at = np.minimum(np.searchsorted(names, wanted), names.size - 1)
    return np.where(names[at] == wanted, at, -1)
