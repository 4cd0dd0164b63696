"""With what chance clicked places meet a check, and what they measure.

A foot is clicked in the picture of the moment that the check asks about. What the clicks and the court view do not
know is carried into the chance; the view's part is shared between two spots.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr
from scipy.stats import multivariate_normal

from clubcoach.compute.camera import HALF_LENGTH, HALF_WIDTH
from clubcoach.compute.court import CourtFit
from clubcoach.compute.court_reach import DOUBT, SURE, End, chance, chance_between
from clubcoach.compute.court_rules import (
    DRAWN_ONLY,
    UNDECIDED,
    Measure,
    Rule,
    lines,
    place_end,
    rule_of,
    sign_of,
    spots_needed,
)

__all__ = [
    "DRAWN_ONLY",
    "UNDECIDED",
    "Measure",
    "Rule",
    "all_measured",
    "chance_met",
    "chances_met",
    "lines",
    "measured",
    "place_end",
    "rule_of",
    "spots_needed",
    "verdict",
]

Floats = NDArray[np.float64]

# A place this likely on the other half is a slip of the hand, or of the foot that was meant.
_WRONG_HALF = 0.9
# Nodes of the integral over a step's length, either side of the bound, and over its direction.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)
_TURNS = 256
# Beyond so many standard deviations nothing is left of a normal spread.
_TAIL = 8.0


def verdict(share: float) -> Literal["met", "missed", "close", ""]:
    """What is proposed.

    Parameters
    ----------
    share : float
        Chance of met.

    Returns
    -------
    {"met", "missed", "close", ""}
        ``close`` from .2 to .8: too close to decide; empty for NaN.
    """
    if np.isnan(share):
        return ""
    return "met" if share > SURE else "missed" if share < DOUBT else "close"


def chance_met(rule: Rule, fit: CourtFit, pixels: ArrayLike, *, end: End) -> float:
    """How likely a check is met, by what was clicked.

    Parameters
    ----------
    rule : Rule
    fit : CourtFit
    pixels : array_like of float, shape (spots, 2)
        As many clicks as the rule needs, pixels of the fit's picture. For a step: where the foot was, then where it is.
    end : {"near", "far"}
        Where the player or pair plays that the check is about.

    Returns
    -------
    float
        Between 0 and 1. NaN where it cannot tell: no two spots decide the check, a click shows no floor, or lies on the
        half on which nobody of them can be.

    Raises
    ------
    ValueError
        When there are more or fewer clicks than the rule needs.
    """
    return float(chances_met(rule, fit, np.asarray(pixels, dtype=np.float64)[None], end=end)[0])


def chances_met(rule: Rule, fit: CourtFit, pixels: ArrayLike, *, end: End) -> Floats:
    """`chance_met` for many at once.

    Parameters
    ----------
    rule, fit, end
        As there.
    pixels : array_like of float, shape (n, spots, 2)

    Returns
    -------
    ndarray of float64, shape (n,)

    Raises
    ------
    ValueError
        When the array has another shape.

    Notes
    -----
    Places are normal about the clicked ones with the view's covariances, any place inside the walls as likely as
    another beforehand (the walls are left out of account where two players' places decide). The
    length of a step is as likely as another beforehand, whatever its direction (`court_reach`: from none to twice the
    bound): a plain spread in two directions would make every small step a longer one.
    """
    clicks = np.asarray(pixels, dtype=np.float64)
    if rule.spots == 0:
        return np.full(len(clicks), np.nan)
    if clicks.ndim != 3 or clicks.shape[1:] != (rule.spots, 2):
        raise ValueError(
            f"{rule.code} takes {rule.spots} clicks of two pixels, not {' x '.join(map(str, clicks.shape[1:]))}"
        )
    shares = _one(rule, fit, clicks[:, 0]) if rule.spots == 1 else _two(rule, fit, clicks, end)
    depths, sds = _depths(fit, clicks, place_end(rule, end))
    with np.errstate(invalid="ignore"):
        there = np.all(ndtr(depths / sds) >= 1 - _WRONG_HALF, axis=1)
    return np.where(there, shares, np.nan)


def _depths(fit: CourtFit, clicks: Floats, end: End) -> tuple[Floats, Floats]:
    """Metres from the net into that half, and standard deviations, shape (n, spots)."""
    places, covariances = fit.to_court(clicks.reshape(-1, 2))
    shape = clicks.shape[:2]
    return sign_of(end) * places[:, 1].reshape(shape), np.sqrt(covariances[:, 1, 1]).reshape(shape)


def _one(rule: Rule, fit: CourtFit, clicks: Floats) -> Floats:
    measure: Literal["depth", "centre"] = "centre" if rule.kind == "middle" else "depth"
    # Nobody stands behind a wall: beside one that is known, where the picture knows little else.
    inside = chance(fit, clicks, HALF_WIDTH if measure == "centre" else HALF_LENGTH, measure=measure)
    with np.errstate(invalid="ignore"):
        inside = np.where(inside > 1 - _WRONG_HALF, inside, np.nan)
    nearer = [chance(fit, clicks, bound, measure=measure) / inside for bound in rule.bounds]
    if rule.kind == "strip":
        return nearer[0] + 1 - nearer[1]
    return 1 - nearer[0] if rule.kind == "farther" else nearer[0]


def _two(rule: Rule, fit: CourtFit, clicks: Floats, end: End) -> Floats:
    first, second = clicks[:, 0], clicks[:, 1]
    if rule.kind in ("level", "gap"):
        measure: Literal["depth", "centre"] = "depth" if rule.kind == "level" else "centre"
        return chance_between(fit, first, second, rule.bounds[0], measure=measure)
    if rule.kind in ("step", "forward", "towards"):
        steps, covariances = fit.apart(first, second)
        if rule.kind == "step":
            return _shorter(steps, covariances, rule.bounds[0])
        # Forward is towards the net, from either end.
        ahead = -sign_of(place_end(rule, end)) * np.array([0.0, 1.0])
        if rule.kind == "forward":
            return np.asarray(
                ndtr((steps @ ahead - rule.bounds[0]) / np.sqrt(covariances[:, 1, 1])), dtype=np.float64
            )
        turn = ahead + np.array([[1.0, 0.0], [-1.0, 0.0]])
        return _both_below(-steps @ turn.T, turn @ covariances @ turn.T)
    axis = 0 if rule.kind == "halves" else 1
    values, joint = _pair(fit, first, second, axis)
    if rule.kind == "halves":
        turned = joint * np.array([[1.0, -1.0], [-1.0, 1.0]])
        return _both_below(values * [1, -1], turned) + _both_below(values * [-1, 1], turned)
    depths = sign_of(place_end(rule, end)) * values
    if rule.kind == "both nearer":
        return _both_below(depths - rule.bounds[0], joint)
    return _both_below(rule.bounds[0] - depths, joint)


def _pair(fit: CourtFit, first: Floats, second: Floats, axis: int) -> tuple[Floats, Floats]:
    """Both places along an axis, and their joint covariance: the view's error is in both."""
    one, one_spread = fit.to_court(first)
    two, two_spread = fit.to_court(second)
    _, apart = fit.apart(first, second)
    v1, v2, gap = (spread[:, axis, axis] for spread in (one_spread, two_spread, apart))
    shared = (v1 + v2 - gap) / 2
    joint = np.stack([np.stack([v1, shared], axis=1), np.stack([shared, v2], axis=1)], axis=1)
    return np.stack([one[:, axis], two[:, axis]], axis=1), joint


def _both_below(means: Floats, covariances: Floats) -> Floats:
    """How likely both of two normal values are below 0, shape (n,)."""
    shares = np.full(len(means), np.nan)
    for row in np.flatnonzero(np.isfinite(means).all(axis=1) & np.isfinite(covariances).all(axis=(1, 2))):
        shares[row] = multivariate_normal.cdf(
            np.zeros(2), mean=means[row], cov=covariances[row], allow_singular=True
        )
    return shares


def _shorter(steps: Floats, covariances: Floats, bound: float) -> Floats:
    """How likely steps are shorter than a bound, lengths being equally likely beforehand, shape (n,)."""
    shares = np.full(len(steps), np.nan)
    for row in np.flatnonzero(np.isfinite(steps).all(axis=1) & np.isfinite(covariances).all(axis=(1, 2))):
        shares[row] = _shorter_one(steps[row], covariances[row], bound)
    return shares


def _shorter_one(step: Floats, covariance: Floats, bound: float) -> float:
    reach = _TAIL * float(np.sqrt(np.linalg.eigvalsh(covariance)[-1]))
    length = float(np.hypot(*step))
    low, high = max(0.0, length - reach), length + reach
    if not low < bound < high:
        return float(bound >= high)
    # The spread, seen from where the step began, fills this angle either side of its direction.
    half = np.pi if reach >= length else float(np.arcsin(reach / length))
    turns = np.arctan2(step[1], step[0]) + half * np.linspace(-1, 1, _TURNS, endpoint=False)
    across = np.stack([np.cos(turns), np.sin(turns)], axis=1)
    inverse = np.linalg.inv(covariance)
    parts = []
    for start, stop in ((low, bound), (bound, high)):
        lengths = start + (_NODES + 1) * (stop - start) / 2
        off = lengths[:, None, None] * across - step
        density = np.exp(-np.einsum("lti,ij,ltj->lt", off, inverse, off, optimize=True) / 2)
        parts.append(float(_WEIGHTS @ density.sum(axis=1)) * (stop - start))
    return parts[0] / (parts[0] + parts[1])


def measured(rule: Rule, fit: CourtFit, pixels: ArrayLike, *, end: End) -> tuple[float, float]:
    """What the clicks measure, in the rule's own sense, and how well.

    Parameters
    ----------
    rule, fit, pixels, end
        As for `chance_met`.

    Returns
    -------
    value, sd : float
        Metres. From the net (of two players the one who decides); from the central line (of two the nearer one); or
        between the spots, along, across, any way, or towards the net (negative: away). NaN where no floor shows.

    Raises
    ------
    ValueError
        When there are more or fewer clicks than the rule needs.
    """
    value, sd = all_measured(rule, fit, np.asarray(pixels, dtype=np.float64)[None], end=end)[0]
    return float(value), float(sd)


def all_measured(rule: Rule, fit: CourtFit, pixels: ArrayLike, *, end: End) -> Floats:
    """`measured` for many at once.

    Parameters
    ----------
    rule, fit, end
        As there.
    pixels : array_like of float, shape (n, spots, 2)

    Returns
    -------
    ndarray of float64, shape (n, 2)
        Value and standard deviation.

    Raises
    ------
    ValueError
        When the array has another shape.
    """
    clicks = np.asarray(pixels, dtype=np.float64)
    if clicks.ndim != 3 or clicks.shape[1:] != (rule.spots, 2) or rule.measure is None:
        raise ValueError(
            f"{rule.code} takes {rule.spots} clicks, not {' x '.join(map(str, clicks.shape[1:]))}"
        )
    if rule.measure not in ("net", "centre"):
        return _between(rule, *fit.apart(clicks[:, 0], clicks[:, 1]), end)
    places, spreads = fit.to_court(clicks.reshape(-1, 2))
    axis = 1 if rule.measure == "net" else 0
    along = places[:, axis].reshape(clicks.shape[:2])
    values = sign_of(place_end(rule, end)) * along if axis else np.abs(along)
    sds = np.sqrt(spreads[:, axis, axis]).reshape(values.shape)
    which = (values.argmax if rule.kind == "both nearer" else values.argmin)(axis=1)[:, None]
    return np.concatenate([np.take_along_axis(part, which, axis=1) for part in (values, sds)], axis=1)


def _between(rule: Rule, steps: Floats, covariances: Floats, end: End) -> Floats:
    if rule.measure == "step":
        lengths = np.hypot(*steps.T)
        ways = np.divide(
            steps, lengths[:, None], out=np.tile([0.0, 1.0], (len(steps), 1)), where=lengths[:, None] > 0
        )
        sds = np.sqrt(np.einsum("ni,nij,nj->n", ways, covariances, ways))
        return np.stack([lengths, sds], axis=1)
    axis = 0 if rule.measure == "across" else 1
    values = (
        -sign_of(place_end(rule, end)) * steps[:, 1] if rule.measure == "forward" else np.abs(steps[:, axis])
    )
    return np.stack([values, np.sqrt(covariances[:, axis, axis])], axis=1)
