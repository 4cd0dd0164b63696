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
        Of the progress per day that all areas of a club share, around none. Tight, so that a club without
        progress shows none: at the default one standard deviation is 0.11 logits, about 3 points, in 90 days.
    drift_area_sd : float
        Of an area's progress per day around what all share.
    initial_sd, initial_correlation : float
        Of units around an area's mean at their first match, and between two areas of one unit.
    walk_variance : float
        Growth per day of a unit's own departure from the common drift: sd 0.37 logits in 90 days.
    own_sd : float
        A unit's own strong and weak checks inside an area.
    day_variance : float
        Form of the day, per area and match day.
    situation_variance : float
        Luck that the checks of one situation share; a node with M situations has a M-th of it.
    severity_walk_sd : float
        How far an analyst's strictness walks in a month.
    """

    check_sd: float = 1.0
    severity_sd: float = 0.5
    ball_sd: float = 1.0
    start_sd: float = 1.5
    drift_sd: float = 0.0012
    drift_area_sd: float = 0.001
    initial_sd: float = 0.8
    initial_correlation: float = 0.5
    walk_variance: float = 0.0015
    own_sd: float = 0.3
    day_variance: float = 0.04
    situation_variance: float = 0.2
    severity_walk_sd: float = 0.1

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

    `value` holds, in this order: difficulty of each check, severity of each seat, three balls, mean
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
    seat_analyst, seat_month : ndarray of int64, shape (seats,)
        An analyst's strictness walks from month to month: a seat is an analyst (index into `analysts`) in a
        month of which there are tallies. Sorted by analyst, then month; see `progression_seats.month_of`.
    reference : ndarray of float64, shape (seats,)
        The average analyst as weights on the seats: each analyst's months in the fit count alike. Months that
        came after the fit have weight 0.
    value : ndarray of float64, shape (p,), and covariance : shape (p, p)
        p = checks + seats + 3 + 2 areas; logits, drift in logits per day.
    initial : ndarray of float64, shape (areas, areas)
        Covariance of units at their first match.
    walk : ndarray of float64, shape (areas,)
        Variance per day.
    priors : Priors
        Hyper-parameters of the fit: the documented ones, or as they were learned.
    n : int
        Checks seen behind the fit.
    """

    areas: Ints
    checks: Ints
    check_area: Ints
    scored: Bools
    analysts: Ints
    anchor: Floats
    seat_analyst: Ints
    seat_month: Ints
    reference: Floats
    value: Floats
    covariance: Floats
    initial: Floats
    walk: Floats
    priors: Priors
    n: int

    @property
    def own_sd(self) -> float:
        """See `Priors`."""
        return self.priors.own_sd

    @property
    def columns(self) -> dict[str, slice]:
        """Where each kind of effect stands in `value`."""
        sizes = {
            "delta": self.checks.size,
            "gamma": self.seat_analyst.size,
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
        return float(self.reference @ self.effect("gamma"))

    def severity(self, analyst: int) -> tuple[float, float]:
        """How strict an analyst is against the average one, over the months of the fit.

        Parameters
        ----------
        analyst : int
            Identity.

        Returns
        -------
        tuple of float
            Logits above 0 are strict; and its standard deviation.

        Raises
        ------
        ValueError
            When the analyst is not in the fit.
        """
        mine = self.seat_analyst == np.searchsorted(self.analysts, analyst)
        if analyst not in self.analysts or not mine.any():
            raise ValueError(f"analyst {analyst} is not in this fit")
        weights = mine / mine.sum() - self.reference
        at = self.columns["gamma"]
        variance = float(weights @ self.covariance[at, at] @ weights)
        return float(weights @ self.value[at]), float(np.sqrt(max(variance, 0.0)))

    def effect(self, name: str) -> Floats:
        """Values of one kind of effect.

        Parameters
        ----------
        name : str
            One of delta, gamma, beta, start, drift.

        Returns
        -------
        ndarray of float64
            In the order of checks, seats, balls, areas, areas.
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
        out: dict[str, Any] = {"format": 2, "priors": asdict(self.priors)}
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
        if data.get("format") == 1:
            data = _from_first_format(data)
        if data.get("format") != 2:
            raise ValueError(
                f"shared parameters of format {data.get('format')!r}; this program reads 1 and 2"
            )
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
        seat_analyst, seat_month = _ints(data, "seat_analyst"), _ints(data, "seat_month")
        if seat_analyst.size != seat_month.size or np.any(
            (seat_analyst < 0) | (seat_analyst >= analysts.size)
        ):
            raise ValueError("seat_analyst must point into analysts, with a month for each")
        size = checks.size + seat_analyst.size + BALLS + 2 * areas.size
        return cls(
            areas=areas,
            checks=checks,
            check_area=check_area,
            scored=scored,
            analysts=analysts,
            anchor=_floats(data, "anchor", (analysts.size,)),
            seat_analyst=seat_analyst,
            seat_month=seat_month,
            reference=_floats(data, "reference", (seat_analyst.size,)),
            value=_floats(data, "value", (size,)),
            covariance=_floats(data, "covariance", (size, size)),
            initial=_floats(data, "initial", (areas.size, areas.size)),
            walk=_floats(data, "walk", (areas.size,)),
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


def _from_first_format(data: Mapping[str, Any]) -> dict[str, Any]:
    """One month for ever, which every analyst of the first format had: nobody's strictness walks."""
    if "priors" not in data:
        return {**data, "format": 2}
    size = len(data.get("analysts", ()))
    priors = {
        **data["priors"],
        "own_sd": data.get("own_sd", Priors().own_sd),
        "day_variance": data.get("day_variance", Priors().day_variance),
        "situation_variance": 0.0,
        "drift_sd": 0.0,
        "drift_area_sd": data["priors"].get("drift_sd", 0.0),
        "severity_walk_sd": 0.0,
    }
    seats = {"seat_analyst": list(range(size)), "seat_month": [0] * size}
    return {**data, **seats, "reference": data.get("anchor", []), "priors": priors, "format": 2}


def severity_covariance(priors: Priors, seat_analyst: Ints, seat_month: Ints) -> Floats:
    """Prior covariance of strictness over seats: analysts apart, each a walk over its months.

    Parameters
    ----------
    priors : Priors
    seat_analyst, seat_month : ndarray of int64, shape (seats,)

    Returns
    -------
    ndarray of float64, shape (seats, seats)
    """
    first = np.zeros_like(seat_month)
    for who in np.unique(seat_analyst):
        mine = seat_analyst == who
        first[mine] = seat_month[mine].min()
    since = seat_month - first
    shared = np.minimum(since[:, None], since[None, :])
    same = seat_analyst[:, None] == seat_analyst[None, :]
    return np.asarray(same * (priors.severity_sd**2 + priors.severity_walk_sd**2 * shared), dtype=np.float64)


def average(seat_analyst: Ints, anchor: Floats) -> Floats:
    """Weights on the seats of an average over analysts: each analyst's months count alike.

    Parameters
    ----------
    seat_analyst : ndarray of int64, shape (seats,)
    anchor : ndarray of float64, shape (analysts,)

    Returns
    -------
    ndarray of float64, shape (seats,)
    """
    count = np.bincount(seat_analyst, minlength=anchor.size)
    return np.asarray((anchor / np.maximum(count, 1))[seat_analyst])


def at_priors(
    priors: Priors,
    areas: Ints,
    checks: Ints,
    check_area: Ints,
    analysts: Ints,
    seat_analyst: Ints,
    seat_month: Ints,
) -> Shared:
    """Shared effects before any data: prior means and variances.

    Parameters
    ----------
    priors : Priors
    areas, checks, analysts : ndarray of int64
        Identities, rising.
    check_area : ndarray of int64, shape (checks,)
        Index into `areas`.
    seat_analyst, seat_month : ndarray of int64, shape (seats,)
        See `Shared`.

    Returns
    -------
    Shared
    """
    size = areas.size
    sds = np.concatenate(
        [
            np.full(checks.size, priors.check_sd),
            np.zeros(seat_analyst.size),
            np.array([priors.ball_sd, 0.0, priors.ball_sd]),
            np.full(size, priors.start_sd),
            np.zeros(size),
        ]
    )
    covariance = np.diag(sds**2)
    seats = slice(checks.size, checks.size + seat_analyst.size)
    covariance[seats, seats] = severity_covariance(priors, seat_analyst, seat_month)
    drifts = slice(sds.size - size, sds.size)
    covariance[drifts, drifts] = priors.drift_sd**2 + priors.drift_area_sd**2 * np.eye(size)
    alike = (1.0 - priors.initial_correlation) * np.eye(size) + priors.initial_correlation
    anchor = np.full(analysts.size, 1.0 / max(analysts.size, 1))
    return Shared(
        areas=areas,
        checks=checks,
        check_area=check_area,
        scored=np.ones(checks.size, dtype=np.bool_),
        analysts=analysts,
        anchor=anchor,
        seat_analyst=seat_analyst,
        seat_month=seat_month,
        reference=average(seat_analyst, anchor),
        value=np.zeros(sds.size),
        covariance=covariance,
        initial=priors.initial_sd**2 * alike,
        walk=np.full(size, priors.walk_variance),
        priors=priors,
        n=0,
    )
