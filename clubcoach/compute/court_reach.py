"""What one camera place can show: how fine each zone of the court is, and which checks it can decide.

Bounds below that no source gives are common practice and say so. Where a player's foot stands is clicked no better
than a line's crossing, so these figures are the best case.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from clubcoach.compute.camera import HALF_LENGTH, HALF_WIDTH, SERVICE_LINE
from clubcoach.compute.court import CourtFit

Floats = NDArray[np.float64]
End = Literal["near", "far"]
Measure = Literal["depth", "centre"]

# Between these chances a spot is too close to the bound to decide.
SURE, DOUBT = 0.8, 0.2
# A check is asked where this share of what usually happens would be decided (common practice).
DECIDED = 0.75
# What usually happens: anywhere within this of the bound, metres (common practice); shorter bounds: from none to twice.
AROUND_M = 2.0
# A step, where a check asks only for its direction, metres (common practice).
STEP_M = 0.6
# A player of 1.7 m is then 42 pixels high, a shoe 8 long (common practice).
FEWEST_PX_PER_M = 25.0
FULL_LINES = 1080
ZONES: dict[str, tuple[float, float]] = {"near": (-10.0, -3.0), "middle": (-3.0, 3.0), "far": (3.0, 10.0)}

# Bounds that say when a check applies, not how it is decided.
_WHEN = ("side_wall_m", "opponents_near_m")
# Bounds from the back glass and from the central line; between two spots, along the court, across it, or any way. All
# others are depths.
_GLASS, _CENTRE = "glass_m", "centre_m"
_BETWEEN = {"depth_m": "along", "forward_m": "along", "gap_m": "across", "shift_m": "across"}
_STEPS = ("under_m", "shoe_m")
_MEASURED = ("spot", "line", "two spots")


@dataclass(frozen=True, slots=True)
class Zone:
    """One part of the court as the picture shows it. NaN where it shows nothing.

    Attributes
    ----------
    sd_m, across_m, along_m : float
        Standard deviation of a clicked place, metres: root mean square of both directions together, and each;
        the median over the places that are in the picture.
    px_per_m : float
        Pixels that a metre across the court takes, so also a metre of height.
    px_per_m_along : float
        Pixels that a metre of floor along the court takes.
    seen : float
        Share of the zone's floor inside the picture.
    """

    sd_m: float
    across_m: float
    along_m: float
    px_per_m: float
    px_per_m_along: float
    seen: float


@dataclass(frozen=True, slots=True)
class Reach:
    """Whether a check can be judged at an end.

    Attributes
    ----------
    code : str
        The check's.
    end : {"near", "far"}
    can : bool
    why : str
        Empty, or ``not_seen`` (that floor is outside the picture), ``too_coarse`` (a click decides too seldom),
        ``too_small`` (too few pixels to a metre), ``needs_1080``.
    sd_m : float
        Standard deviation of what decides, metres; NaN where no measure in metres does.
    """

    code: str
    end: End
    can: bool
    why: str
    sd_m: float


def zones(fit: CourtFit) -> dict[str, Zone]:
    """How fine the picture shows each part of the court.

    Parameters
    ----------
    fit : CourtFit

    Returns
    -------
    dict of str to Zone
        ``near``: up to 3 m before the net; ``middle``: 3 m either side of it; ``far``: the rest.
    """
    return {name: _zone(fit, first, last) for name, (first, last) in ZONES.items()}


def reach(fit: CourtFit, checks: Iterable[Mapping[str, Any]], *, lines: int | None = None) -> list[Reach]:
    """Which checks can be judged from here, at which end.

    Parameters
    ----------
    fit : CourtFit
    checks : iterable of mapping
        Checks of a check list, with ``code``, ``decides``, ``end``, ``needs`` and ``bounds``.
    lines : int, optional
        Lines (the short side) of the film as it is served, where the still had others; the still's otherwise.

    Returns
    -------
    list of Reach
        For every check its end, or both, in the checks' order.

    Notes
    -----
    A spot, a line or two spots decide if of what usually happens (uniform within 2 m of the bound) 75 % leaves the
    chance outside 20 to 80 %: 1 - z sd / w >= .75 with z the normal quantile of .8 and w half the range.
    """
    served = min(fit.image_size) if lines is None else lines
    zone = zones(fit)
    rows: list[Reach] = []
    for check in checks:
        ends: tuple[End, ...] = ("near", "far") if check["end"] == "both" else (check["end"],)
        for end in ends:
            rows.append(_judge(fit, check, end, zone[end], served))
    return rows


def chance(fit: CourtFit, points: ArrayLike, bound: float, *, measure: Measure = "depth") -> Floats:
    """How likely clicked spots are nearer than a bound.

    Parameters
    ----------
    fit : CourtFit
    points : array_like of float, shape (n, 2)
        Pixels.
    bound : float
        Metres.
    measure : {"depth", "centre"}
        Distance from the net, or from the central line.

    Returns
    -------
    ndarray of float64, shape (n,)
        Between 0 and 1; NaN where no floor shows. "Farther" is one less this.
    """
    places, covariances = fit.to_court(points)
    axis = _axis(measure)
    return _within(places[:, axis], np.sqrt(covariances[:, axis, axis]), bound)


def chance_between(
    fit: CourtFit, first: ArrayLike, second: ArrayLike, bound: float, *, measure: Measure = "depth"
) -> Floats:
    """How likely two clicked spots differ by less than a bound.

    Parameters
    ----------
    fit : CourtFit
    first, second : array_like of float, shape (n, 2)
        Pixels.
    bound : float
        Metres.
    measure : {"depth", "centre"}
        Along the court (both on one side of the net), or across it.

    Returns
    -------
    ndarray of float64, shape (n,)
        Between 0 and 1; NaN where one of them shows no floor.
    """
    steps, covariances = fit.apart(first, second)
    axis = _axis(measure)
    return _within(steps[:, axis], np.sqrt(covariances[:, axis, axis]), bound)


def too_close(chances: ArrayLike) -> NDArray[np.bool_]:
    """Whether a chance decides nothing: between 20 and 80 %, or unknown."""
    given = np.asarray(chances, dtype=np.float64)
    return ~((given >= SURE) | (given <= DOUBT))


def _within(value: Floats, sd: Floats, bound: float) -> Floats:
    inside: Floats = ndtr((bound - value) / sd) - ndtr((-bound - value) / sd)
    return inside


def _axis(measure: Measure) -> int:
    if measure not in ("depth", "centre"):
        raise ValueError(f'measure must be "depth" or "centre", not {measure!r}')
    return 1 if measure == "depth" else 0


def _zone(fit: CourtFit, first: float, last: float) -> Zone:
    """Figures of a zone, over places half a metre and a little more apart."""
    across, along = np.linspace(-HALF_WIDTH, HALF_WIDTH, 19), np.linspace(first, last, 13)
    spots = np.stack(np.meshgrid(across, along), axis=-1).reshape(-1, 2)
    seen, pixels = _seen(fit, spots)
    if not seen.any():
        nan = float("nan")
        return Zone(nan, nan, nan, nan, nan, 0.0)
    _, covariances = fit.to_court(pixels[seen])
    variances = np.einsum("nii->ni", covariances)
    side, ahead = (_px_per_m(fit, spots[seen], step) for step in ((0.05, 0.0), (0.0, 0.05)))
    sds = np.median(np.sqrt(variances), axis=0)
    return Zone(
        sd_m=float(np.median(np.sqrt(variances.mean(axis=1)))),
        across_m=float(sds[0]),
        along_m=float(sds[1]),
        px_per_m=float(np.median(side)),
        px_per_m_along=float(np.median(ahead)),
        seen=float(seen.mean()),
    )


def _seen(fit: CourtFit, spots: Floats) -> tuple[NDArray[np.bool_], Floats]:
    pixels = fit.to_image(spots)
    with np.errstate(invalid="ignore"):
        inside = (pixels >= 0) & (pixels <= np.array(fit.image_size))
    return np.asarray(inside.all(axis=1), dtype=np.bool_), pixels


def _px_per_m(fit: CourtFit, spots: Floats, half: tuple[float, float]) -> Floats:
    gap = fit.to_image(spots + half) - fit.to_image(spots - np.array(half))
    length: Floats = np.linalg.norm(gap, axis=1) / (2 * max(half))
    return length


def _judge(fit: CourtFit, check: Mapping[str, Any], end: End, zone: Zone, lines: int) -> Reach:
    sd, room = _deciding(fit, check, end)
    why = ""
    if zone.seen == 0 or (np.isnan(sd) and check["decides"] in _MEASURED):
        why = "not_seen"
    elif check["needs"] == "1080p" and lines < FULL_LINES:
        why = "needs_1080"
    elif zone.px_per_m * lines / min(fit.image_size) < FEWEST_PX_PER_M:
        why = "too_small"
    elif ndtri(SURE) * sd / room > 1 - DECIDED:
        why = "too_coarse"
    return Reach(check["code"], end, not why, why, sd)


def _deciding(fit: CourtFit, check: Mapping[str, Any], end: End) -> tuple[float, float]:
    """Standard deviation of what decides, and how far around the bound things usually happen; the worst bound."""
    if check["decides"] not in _MEASURED:
        return float("nan"), AROUND_M
    two = check["decides"] == "two spots"
    metres = {key: size for key, size in check["bounds"].items() if key.endswith("_m") and key not in _WHEN}
    found = [_by_bound(fit, end, key, size, two) for key, size in metres.items()]
    if not found and two:
        found = [_between(fit, end, "along", STEP_M)]
    elif not found:
        line = check["decides"] == "line"
        found = [_at_depth(fit, end, SERVICE_LINE) if line else _at_side(fit, end, 0.0)]
    return max(found, key=lambda pair: pair[0] / pair[1])


def _by_bound(fit: CourtFit, end: End, key: str, size: float, two: bool) -> tuple[float, float]:
    if two and (key in _BETWEEN or key in _STEPS):
        return _between(fit, end, _BETWEEN.get(key, "any"), size)
    if key == _CENTRE:
        return _at_side(fit, end, size)
    return _at_depth(fit, end, HALF_LENGTH - size if key == _GLASS else size)


def _at_depth(fit: CourtFit, end: End, depth: float) -> tuple[float, float]:
    return _spot_sd(fit, [(x, _sign(end) * depth) for x in (-3.0, -1.5, 0.0, 1.5, 3.0)], 1), AROUND_M


def _at_side(fit: CourtFit, end: End, off: float) -> tuple[float, float]:
    spots = [(x, _sign(end) * y) for x in (-off, off) for y in (2.0, 4.0, 6.0, 8.0)]
    return _spot_sd(fit, spots, 0), AROUND_M


def _between(fit: CourtFit, end: End, way: str, bound: float) -> tuple[float, float]:
    """Two spots the bound apart, about 3 m from the net, as far as the picture shows it; else farther back."""
    side = np.array([bound if way == "across" else 0.0, 0.0 if way == "across" else bound]) / 2
    middles = np.array([(x, _sign(end) * y) for y in (3.0, 5.0) for x in (-2.0, 0.0, 2.0)])
    first, first_px = _seen(fit, middles - side)
    second, second_px = _seen(fit, middles + side)
    both = first & second
    if not both.any():
        return float("nan"), AROUND_M
    _, covariances = fit.apart(first_px[both], second_px[both])
    axis = 0 if way == "across" else 1
    return float(np.median(np.sqrt(covariances[:, axis, axis]))), min(AROUND_M, bound)


def _spot_sd(fit: CourtFit, places: list[tuple[float, float]], axis: int) -> float:
    seen, pixels = _seen(fit, np.array(places))
    if not seen.any():
        return float("nan")
    _, covariances = fit.to_court(pixels[seen])
    return float(np.median(np.sqrt(covariances[:, axis, axis])))


def _sign(end: End) -> float:
    return -1.0 if end == "near" else 1.0
