"""What came after the last full fit: areas, checks, analysts and months that its shared effects do not know."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from clubcoach.compute.progression_shared import BALLS, Floats, Ints, Shared, at_priors


def extend(
    shared: Shared,
    areas: Ints,
    checks: Ints,
    area_of: Ints,
    analysts: Ints,
    seat_analyst: Ints,
    seat_month: Ints,
) -> Shared:
    """Add areas, checks, analysts and months that came after the fit, at prior mean and variance.

    A new check of an old area informs the unit but does not enter the score, or yesterday's score would
    change its meaning before the next full fit; a unit's own strength in it is part of its variance. A known
    analyst in a month that the fit did not see stands where the nearest month before (else the first) stood.

    Parameters
    ----------
    shared : Shared
        Of the last full fit.
    areas, checks, analysts : ndarray of int64
        Identities met in the data, rising.
    area_of : ndarray of int64, shape (checks,)
        Area identity of each of `checks`.
    seat_analyst, seat_month : ndarray of int64, shape (seats,)
        Seats met in the data; analysts as indices into `analysts`.

    Returns
    -------
    Shared
        The same object when nothing is new.
    """
    all_areas = np.union1d(shared.areas, areas)
    all_checks = np.union1d(shared.checks, checks)
    all_analysts = np.union1d(shared.analysts, analysts)
    old_seats = np.stack(
        [np.searchsorted(all_analysts, shared.analysts)[shared.seat_analyst], shared.seat_month]
    )
    met_seats = np.stack([np.searchsorted(all_analysts, analysts)[seat_analyst], seat_month])
    seats, back = np.unique(np.concatenate([old_seats, met_seats], axis=1), axis=1, return_inverse=True)
    back = np.ravel(back)
    sizes = (all_areas.size, all_checks.size, all_analysts.size, seats.shape[1])
    if sizes == (shared.areas.size, shared.checks.size, shared.analysts.size, shared.seat_analyst.size):
        return shared
    new = ~np.isin(checks, shared.checks)
    old, fresh = np.searchsorted(all_checks, shared.checks), np.searchsorted(all_checks, checks[new])
    place = np.searchsorted(all_areas, shared.areas)
    check_area = np.zeros(all_checks.size, dtype=np.int64)
    check_area[old] = place[shared.check_area]
    check_area[fresh] = np.searchsorted(all_areas, area_of[new])
    prior = at_priors(shared.priors, all_areas, all_checks, check_area, all_analysts, seats[0], seats[1])
    scored = np.zeros(all_checks.size, dtype=np.bool_)
    scored[old] = shared.scored
    scored[fresh] = ~np.isin(area_of[new], shared.areas)
    columns = prior.columns
    seat = back[: shared.seat_analyst.size]
    where = np.concatenate(
        [
            columns["delta"].start + old,
            columns["gamma"].start + seat,
            columns["beta"].start + np.arange(BALLS),
            columns["start"].start + place,
            columns["drift"].start + place,
        ]
    )
    value, covariance = prior.value.copy(), prior.covariance.copy()
    late = np.flatnonzero(~scored)
    covariance[late, late] += shared.own_sd**2
    value[where] = shared.value
    covariance[np.ix_(where, where)] = shared.covariance
    _later_months(shared, seats, seat, columns["gamma"].start, value, covariance)
    anchor = np.zeros(all_analysts.size)
    anchor[np.searchsorted(all_analysts, shared.analysts)] = shared.anchor
    reference = np.zeros(seats.shape[1])
    reference[seat] = shared.reference
    initial = shared.priors.initial_sd**2 * np.eye(all_areas.size)
    initial[np.ix_(place, place)] = shared.initial
    walk = prior.walk.copy()
    walk[place] = shared.walk
    known = bool(shared.analysts.size)
    return replace(
        prior,
        scored=scored,
        anchor=anchor if known else prior.anchor,
        reference=reference if known else prior.reference,
        value=value,
        covariance=covariance,
        initial=initial,
        walk=walk,
        n=shared.n,
    )


def _later_months(
    shared: Shared, seats: Ints, known: Ints, begin: int, value: Floats, covariance: Floats
) -> None:
    """Carry a known analyst's strictness into months that the fit did not see, with the walk's variance on top."""
    walk = shared.priors.severity_walk_sd**2
    for seat in np.setdiff1d(np.arange(seats.shape[1]), known):
        mine = known[seats[0, known] == seats[0, seat]]
        if not mine.size:
            continue
        gap = seats[1, seat] - seats[1, mine]
        before = mine[gap > 0]
        near = before[-1] if before.size else mine[0]
        at, source = begin + seat, begin + near
        value[at] = value[source]
        covariance[at, :] = covariance[source, :]
        covariance[:, at] = covariance[:, source]
        covariance[at, at] = covariance[source, source] + walk * abs(int(seats[1, seat] - seats[1, near]))
