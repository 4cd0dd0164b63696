"""Landmarks that do not say where the court is, and why."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clubcoach.compute.court_fit import Solved, solve
from clubcoach.compute.court_lens import View

Floats = NDArray[np.float64]

FEWEST = 4
MOST_RMS_M = 0.25
# One landmark this far from where the others put it is a slip, not a click: standard deviations, and metres.
SLIP_SD = 7.0
SLIP_M = 0.25
ODD_SD = 4.0
# A triangle lower than this says nothing about a second direction (common practice): metres, and clicks' sd.
LOW_TRIANGLE_M = 0.5
LOW_TRIANGLE_SD = 1.5
# Landmarks may be guessed a little outside the picture, no farther than this share of its long side.
OUTSIDE = 0.5
SAME_M, SAME_PX, APART_M = 0.001, 0.5, 1.0
# Fours of more landmarks than this are too many to go through; the most scattered ones are taken.
MOST_IN_FOURS = 13


class CourtError(Exception):
    """Landmarks that give no court view.

    Parameters
    ----------
    code : str
        ``too_few``, ``in_a_line``, ``mirrored``, ``too_far_off``, ``outside``, ``not_numbers`` or ``twice``.
    facts : mapping
        What a sentence needs. ``too_few``: ``n``, ``need``. ``not_numbers``, ``outside``: ``indices``.
        ``twice``: ``indices`` (two) and ``where``, ``court`` or ``picture``. ``in_a_line``: ``n``.
        ``mirrored``: ``how``, ``left_right`` (as in a mirror), ``turned`` (named from the other end, or the
        picture is upside down) or ``crossed`` (named in no possible order). ``too_far_off``: ``rms_m``, by how much
        they contradict each other, and ``most_m``. With ``crossed`` and ``too_far_off``, where one slip explains it:
        ``index``, with ``off_m`` how far it lies from where the others put it (absent where they say nothing), or
        ``swapped``, two indices.
    """

    def __init__(self, code: str, facts: Mapping[str, Any] | None = None) -> None:
        super().__init__(code)
        self.code = code
        self.facts = dict(facts or {})


@dataclass(frozen=True, slots=True)
class Misfit:
    """How far clicked and drawn landmarks lie apart.

    Attributes
    ----------
    rms_px : float
        Root mean square distance, pixels.
    rms_m : float
        The same on the floor, metres, each landmark weighted by how finely the picture shows the floor there.
    slip_sd, slip_m : ndarray of float64, shape (n,)
        How far each lies from where all the others put it: standard deviations, and metres.
    """

    rms_px: float
    rms_m: float
    slip_sd: Floats
    slip_m: Floats

    @property
    def odd(self) -> int | None:
        """The landmark that lies farthest off, if farther than clicks do."""
        worst = int(self.slip_sd.argmax())
        return worst if self.slip_sd[worst] > ODD_SD else None

    @property
    def off_m(self) -> float:
        """By how much the landmarks contradict each other, metres: all of them, or one that is off beyond clicks."""
        slipped = self.slip_m[(self.slip_sd > SLIP_SD) & (self.slip_m > SLIP_M)]
        return max(self.rms_m, float(slipped.max(initial=0.0)))


def misfit(solved: Solved, image: Floats, court: Floats, click_sd: float) -> Misfit:
    """Compare clicked and drawn landmarks.

    Parameters
    ----------
    solved : Solved
    image, court : ndarray of float64, shape (n, 2)
        Pixels and metres.
    click_sd : float
        Pixels.

    Returns
    -------
    Misfit

    Notes
    -----
    Metres are pixels through the inverse derivative at the landmark. The weights are the inverse of the mean square
    metres per pixel: without them the far corners of a low camera, 40 cm a pixel, would be the whole figure. The
    slip is the score test for one displaced observation (mean-shift outlier): residual and its own covariance,
    click less what the fit has followed.
    """
    view = solved.view
    gap = view.pixels(court) - image
    by_place, by_part = view.slopes(court)
    per_pixel = np.linalg.pinv(by_place) * view.metre / view.unit
    off = (per_pixel @ gap[:, :, None])[:, :, 0]
    weight = 1 / np.maximum(np.sum(per_pixel**2, axis=(1, 2)), 1e-12)
    followed = by_part @ solved.spread @ by_part.transpose(0, 2, 1) * view.unit**2
    left, axes = np.linalg.eigh(np.eye(2) - followed / click_sd**2)
    # A landmark that the fit follows wholly (four landmarks: all) cannot be told to be off.
    open_ = left > 0.02
    along = np.einsum("nji,nj->ni", axes, gap) / click_sd
    score = np.sqrt(np.sum(np.where(open_, along**2 / np.where(open_, left, 1.0), 0.0), axis=1))
    shift = np.einsum("nij,nj->ni", axes, np.where(open_, along / np.where(open_, left, 1.0), 0.0)) * click_sd
    return Misfit(
        rms_px=float(np.sqrt(np.mean(np.sum(gap**2, axis=1)))),
        rms_m=float(np.sqrt(np.sum(weight * np.sum(off**2, axis=1)) / np.sum(weight))),
        slip_sd=score,
        slip_m=np.linalg.norm((per_pixel @ shift[:, :, None])[:, :, 0], axis=1),
    )


def check_points(image: Floats, court: Floats, size: tuple[int, int], click_sd: float) -> None:
    """Refuse what can be seen without a fit.

    Raises
    ------
    CourtError
        ``not_numbers``, ``too_few``, ``twice``, ``outside``, ``in_a_line``.
    """
    bad = ~(np.isfinite(image).all(axis=1) & np.isfinite(court).all(axis=1))
    if bad.any():
        raise CourtError("not_numbers", {"indices": np.flatnonzero(bad).tolist()})
    if len(image) < FEWEST:
        raise CourtError("too_few", {"n": len(image), "need": FEWEST})
    for where, pair in _same_two(image, court):
        raise CourtError("twice", {"indices": pair, "where": where})
    room = OUTSIDE * max(size)
    away = ((image < -room) | (image > np.array(size) + room)).any(axis=1)
    if away.any():
        raise CourtError("outside", {"indices": np.flatnonzero(away).tolist()})
    if _best_four(court / LOW_TRIANGLE_M, image / (LOW_TRIANGLE_SD * click_sd)) < 1:
        raise CourtError("in_a_line", {"n": len(image)})


def _same_two(image: Floats, court: Floats) -> Iterator[tuple[str, list[int]]]:
    """Landmarks that are one place on the court, or one click in the picture although they are far apart."""
    in_picture, on_court = (np.linalg.norm(part[:, None] - part[None], axis=2) for part in (image, court))
    same = {"court": on_court < SAME_M, "picture": (in_picture < SAME_PX) & (on_court > APART_M)}
    for where, pairs in same.items():
        for pair in np.argwhere(np.triu(pairs, 1)).tolist():
            yield where, pair


def _best_four(*planes: Floats) -> float:
    """Of all fours the one whose lowest triangle, in any of the planes, is highest: that height."""
    pick = _scattered(planes[0])
    fours = pick[np.array(list(combinations(range(len(pick)), 4)))]
    heights = [
        _height(points[fours[:, list(three)]]) for points in planes for three in combinations(range(4), 3)
    ]
    return float(np.min(heights, axis=0).max())


def _scattered(points: Floats) -> NDArray[np.intp]:
    """Indices of landmarks that lie far from one another, at most `MOST_IN_FOURS`."""
    if len(points) <= MOST_IN_FOURS:
        return np.arange(len(points))
    pick = [int(np.argmax(np.linalg.norm(points - points.mean(axis=0), axis=1)))]
    apart = np.full(len(points), np.inf)
    while len(pick) < MOST_IN_FOURS:
        apart = np.minimum(apart, np.linalg.norm(points - points[pick[-1]], axis=1))
        pick.append(int(apart.argmax()))
    return np.array(pick)


def _height(triangles: Floats) -> Floats:
    """Least height of triangles, shape (m, 3, 2)."""
    sides = triangles - np.roll(triangles, 1, axis=1)
    double = np.abs(sides[:, 0, 0] * sides[:, 1, 1] - sides[:, 0, 1] * sides[:, 1, 0])
    height: Floats = double / np.maximum(np.linalg.norm(sides, axis=2).max(axis=1), 1e-12)
    return height


def check_order(view: View, court: Floats) -> None:
    """Refuse a court seen from below, upside down or from its other end.

    Raises
    ------
    CourtError
        ``mirrored``.
    """
    _, front = view.flat(court)
    if not front.all():
        raise CourtError("mirrored", {"how": "crossed", "indices": np.flatnonzero(~front).tolist()})
    if np.linalg.det(view.plane) > 0:
        raise CourtError("mirrored", {"how": "left_right"})
    # v grows along the court where the landmarks' middle is (there the third component is one). A camera that looks
    # askance and is rolled may do that too: then depth still grows along the court, and what is lower is nearer.
    grows = view.plane[1, 1] - view.plane[1, 2] * view.plane[2, 1] > 0
    if grows and (view.plane[2, 1] < 0 or np.linalg.inv(view.plane)[2, 1] < 0):
        raise CourtError("mirrored", {"how": "turned"})


def slip(
    image: Floats, court: Floats, size: tuple[int, int], click_sd: float, rms_px: float
) -> dict[str, Any]:
    """The one landmark, or the two that were named for each other, without which the rest fits."""
    if len(image) < FEWEST + 2:
        return {}
    good = min(3 * click_sd, rms_px / 2)
    without = [_rms_without(image, court, size, click_sd, index) for index in range(len(image))]
    index = int(np.argmin(without))
    if without[index] < good:
        keep = np.arange(len(image)) != index
        rest = solve(image[keep], court[keep], size, click_sd)
        places, _, _ = rest.view.spread_out(image[[index]], click_sd)
        off = float(np.linalg.norm(places[0] - court[index]))
        return {"index": index, **({"off_m": off} if np.isfinite(off) else {})}
    for first, second in combinations(range(len(image)), 2):
        order = np.arange(len(image))
        order[[first, second]] = second, first
        if _rms(solve(image[order], court, size, click_sd, steps=8).view, image[order], court) < good:
            return {"swapped": [first, second]}
    return {}


def _rms_without(image: Floats, court: Floats, size: tuple[int, int], click_sd: float, index: int) -> float:
    keep = np.arange(len(image)) != index
    if _best_four(court[keep] / LOW_TRIANGLE_M) < 1:
        return float("inf")
    return _rms(solve(image[keep], court[keep], size, click_sd).view, image[keep], court[keep])


def _rms(view: View, image: Floats, court: Floats) -> float:
    _, front = view.flat(court)
    rms = float(np.sqrt(np.mean(np.sum((view.pixels(court) - image) ** 2, axis=1))))
    return rms if front.all() and np.isfinite(rms) else float("inf")
