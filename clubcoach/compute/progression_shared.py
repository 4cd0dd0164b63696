"""What all units of a club share in the progression model: priors, and the fitted shared effects."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

BALLS = 3
NORMAL = 1


@dataclass(frozen=True, slots=True)
class Priors:
    """Fixed hyper-parameters, in logits and days. They hold until a club has enough data to estimate them.

    A standard deviation of 0 takes the effect out of the model.

    Attributes
    ----------
    check_sd : float
        How much checks differ in difficulty.
    severity_sd : float
        How much analysts differ in strictness, around 0.
    ball_sd : float
        How much easy and hard balls differ from normal ones.
    start_sd : float
        Of an area's mean level among units at their first match, around even odds.
    drift_sd : float
        Of an area's common progress per day, around none. Tight, so that a club without progress shows
        none: at the default one standard deviation is 0.14 logits, about 3 points, in 90 days.
    initial_sd, initial_correlation : float
        Of units around an area's mean at their first match, and between two areas of one unit.
    walk_variance : float
        Growth per day of a unit's own departure from the common drift: sd 0.37 logits in 90 days.
    own_sd : float
        A unit's own strong and weak checks inside an area.
    day_variance : float
        Form of the day, per area and match day.
    """

    check_sd: float = 1.0
    severity_sd: float = 0.5
    ball_sd: float = 1.0
    start_sd: float = 1.5
    drift_sd: float = 0.0015
    initial_sd: float = 0.8
    initial_correlation: float = 0.5
    walk_variance: float = 0.0015
    own_sd: float = 0.3
    day_variance: float = 0.04

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if not np.isfinite(value) or value < 0:
                raise ValueError(f"{field.name} must be finite and not negative, not {value!r}")
        if self.initial_sd == 0 or self.walk_variance == 0:
            raise ValueError("initial_sd and walk_variance must be above 0")
        if self.initial_correlation >= 1:
            raise ValueError(f"initial_correlation must be below 1, not {self.initial_correlation!r}")


@dataclass(frozen=True, slots=True, eq=False)
class Shared:
    """Shared effects of a fit, all that rescoring a few units needs.

    `value` holds, in this order: difficulty of each check, severity of each analyst, three balls, mean
    level of each area at the start, drift of each area per day; `covariance` is theirs.

    Attributes
    ----------
    areas, checks, analysts : ndarray of int64
        Identities, rising.
    check_area : ndarray of int64, shape (checks,)
        Index into `areas`.
    scored : ndarray of bool, shape (checks,)
        Checks that make the score of their area; a check that came after the fit is not among them.
    anchor : ndarray of float64, shape (analysts,)
        The average analyst, before whom scores are told: weights that sum to 1. Somebody who came after the
        fit has weight 0, so that nobody's score moves because of it.
    value : ndarray of float64, shape (p,), and covariance : shape (p, p)
        p = checks + analysts + 3 + 2 areas; logits, drift in logits per day.
    initial : ndarray of float64, shape (areas, areas)
        Covariance of units at their first match.
    walk : ndarray of float64, shape (areas,)
        Variance per day.
    own_sd, day_variance : float
        See `Priors`.
    n : int
        Checks seen behind the fit.
    """

    areas: Ints
    checks: Ints
    check_area: Ints
    scored: Bools
    analysts: Ints
    anchor: Floats
    value: Floats
    covariance: Floats
    initial: Floats
    walk: Floats
    own_sd: float
    day_variance: float
    priors: Priors
    n: int

    @property
    def columns(self) -> dict[str, slice]:
        """Where each kind of effect stands in `value`."""
        sizes = {
            "delta": self.checks.size,
            "gamma": self.analysts.size,
            "beta": BALLS,
            "start": self.areas.size,
            "drift": self.areas.size,
        }
        ends = np.cumsum(list(sizes.values()))
        return {
            name: slice(int(end) - size, int(end))
            for (name, size), end in zip(sizes.items(), ends, strict=True)
        }

    @property
    def average_severity(self) -> float:
        """Severity of the average analyst; near 0, where the prior holds it."""
        return float(self.anchor @ self.effect("gamma"))

    def effect(self, name: str) -> Floats:
        """Values of one kind of effect.

        Parameters
        ----------
        name : str
            One of delta, gamma, beta, start, drift.

        Returns
        -------
        ndarray of float64
            In the order of checks, analysts, balls, areas, areas.
        """
        return self.value[self.columns[name]]

    def spread(self, name: str) -> Floats:
        """Posterior standard deviations of one kind of effect, in the order of `effect`.

        Parameters
        ----------
        name : str
            One of delta, gamma, beta, start, drift.

        Returns
        -------
        ndarray of float64
        """
        return np.sqrt(np.diag(self.covariance)[self.columns[name]])

    def to_dict(self) -> dict[str, Any]:
        """Plain lists and numbers, for JSON; floats survive it bit by bit.

        Returns
        -------
        dict
            Read back by `from_dict`.
        """
        out: dict[str, Any] = {"format": 1, "priors": asdict(self.priors)}
        for field in fields(self):
            held = getattr(self, field.name)
            if isinstance(held, np.ndarray):
                out[field.name] = held.tolist()
            elif field.name != "priors":
                out[field.name] = held
        return out

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Shared:
        """Read what `to_dict` wrote.

        Parameters
        ----------
        data : mapping
            As from JSON.

        Returns
        -------
        Shared

        Raises
        ------
        ValueError
            When the format is not known, an entry is missing or a shape does not fit.
        """
        if data.get("format") != 1:
            raise ValueError(f"shared parameters of format {data.get('format')!r}; this program reads 1")
        missing = sorted({field.name for field in fields(cls)} - set(data))
        if missing:
            raise ValueError(f"shared parameters lack {', '.join(missing)}")
        areas, checks = _ints(data, "areas"), _ints(data, "checks")
        check_area, analysts = _ints(data, "check_area"), _ints(data, "analysts")
        scored = np.asarray(data["scored"], dtype=np.bool_)
        if not check_area.size == scored.size == checks.size:
            raise ValueError("check_area and scored must have an entry for each check")
        if np.any((check_area < 0) | (check_area >= areas.size)):
            raise ValueError("check_area must point into areas")
        size = checks.size + analysts.size + BALLS + 2 * areas.size
        return cls(
            areas=areas,
            checks=checks,
            check_area=check_area,
            scored=scored,
            analysts=analysts,
            anchor=_floats(data, "anchor", (analysts.size,)),
            value=_floats(data, "value", (size,)),
            covariance=_floats(data, "covariance", (size, size)),
            initial=_floats(data, "initial", (areas.size, areas.size)),
            walk=_floats(data, "walk", (areas.size,)),
            own_sd=float(data["own_sd"]),
            day_variance=float(data["day_variance"]),
            priors=Priors(**data["priors"]),
            n=int(data["n"]),
        )


def _ints(data: Mapping[str, Any], name: str) -> Ints:
    return np.asarray(data[name], dtype=np.int64)


def _floats(data: Mapping[str, Any], name: str, shape: tuple[int, ...]) -> Floats:
    array = np.asarray(data[name], dtype=np.float64)
    if array.size != int(np.prod(shape)) or not np.all(np.isfinite(array)):
        raise ValueError(f"{name} must be finite and of shape {shape}, not {array.shape}")
    return array.reshape(shape)


def at_priors(priors: Priors, areas: Ints, checks: Ints, check_area: Ints, analysts: Ints) -> Shared:
    """Shared effects before any data: prior means and variances.

    Parameters
    ----------
    priors : Priors
    areas, checks, analysts : ndarray of int64
        Identities, rising.
    check_area : ndarray of int64, shape (checks,)
        Index into `areas`.

    Returns
    -------
    Shared
    """
    size = areas.size
    sds = np.concatenate(
        [
            np.full(checks.size, priors.check_sd),
            np.full(analysts.size, priors.severity_sd),
            np.array([priors.ball_sd, 0.0, priors.ball_sd]),
            np.full(size, priors.start_sd),
            np.full(size, priors.drift_sd),
        ]
    )
    alike = (1.0 - priors.initial_correlation) * np.eye(size) + priors.initial_correlation
    return Shared(
        areas=areas,
        checks=checks,
        check_area=check_area,
        scored=np.ones(checks.size, dtype=np.bool_),
        analysts=analysts,
        anchor=np.full(analysts.size, 1.0 / max(analysts.size, 1)),
        value=np.zeros(sds.size),
        covariance=np.diag(sds**2),
        initial=priors.initial_sd**2 * alike,
        walk=np.full(size, priors.walk_variance),
        own_sd=priors.own_sd,
        day_variance=priors.day_variance,
        priors=priors,
        n=0,
    )


def extend(shared: Shared, areas: Ints, checks: Ints, area_of: Ints, analysts: Ints) -> Shared:
    """Add areas, checks and analysts that came after the fit, at prior mean and variance.

    A new check of an old area informs the unit but does not enter the score, or yesterday's score would
    change its meaning before the next full fit; a unit's own strength in it is part of its variance.

    Parameters
    ----------
    shared : Shared
        Of the last full fit.
    areas, checks, analysts : ndarray of int64
        Identities met in the data, rising.
    area_of : ndarray of int64, shape (checks,)
        Area identity of each of `checks`.

    Returns
    -------
    Shared
        The same object when nothing is new.
    """
    new_checks = ~np.isin(checks, shared.checks)
    if (
        np.isin(areas, shared.areas).all()
        and not new_checks.any()
        and np.isin(analysts, shared.analysts).all()
    ):
        return shared
    old_areas = shared.areas
    all_areas = np.union1d(old_areas, areas)
    all_checks = np.union1d(shared.checks, checks)
    old, fresh = np.searchsorted(all_checks, shared.checks), np.searchsorted(all_checks, checks[new_checks])
    check_area = np.zeros(all_checks.size, dtype=np.int64)
    check_area[old] = np.searchsorted(all_areas, old_areas[shared.check_area])
    check_area[fresh] = np.searchsorted(all_areas, area_of[new_checks])
    prior = at_priors(shared.priors, all_areas, all_checks, check_area, np.union1d(shared.analysts, analysts))
    scored = np.zeros(all_checks.size, dtype=np.bool_)
    scored[old] = shared.scored
    scored[fresh] = ~np.isin(area_of[new_checks], old_areas)
    place = np.searchsorted(all_areas, old_areas)
    columns = prior.columns
    where = np.concatenate(
        [
            columns["delta"].start + old,
            columns["gamma"].start + np.searchsorted(prior.analysts, shared.analysts),
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
    anchor = np.zeros(prior.analysts.size)
    anchor[np.searchsorted(prior.analysts, shared.analysts)] = shared.anchor
    initial = shared.priors.initial_sd**2 * np.eye(all_areas.size)
    initial[np.ix_(place, place)] = shared.initial
    walk = prior.walk.copy()
    walk[place] = shared.walk
    return Shared(
        areas=all_areas,
        checks=all_checks,
        check_area=check_area,
        scored=scored,
        analysts=prior.analysts,
        anchor=anchor if shared.analysts.size else prior.anchor,
        value=value,
        covariance=covariance,
        initial=initial,
        walk=walk,
        own_sd=shared.own_sd,
        day_variance=shared.day_variance,
        priors=shared.priors,
        n=shared.n,
    )
