"""The view that fits clicked landmarks best: a normalised direct linear transform, then least squares in pixels.

References
----------
Hartley & Zisserman, *Multiple View Geometry*, chapter 4 (normalised DLT; from memory). Brown 1971 (radial terms;
from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from clubcoach.compute.court_lens import View

Floats = NDArray[np.float64]

# What lenses of phones usually do (common practice, chosen by simulation: docs/methods.md), in units of half the
# picture's long side: the two radial terms, and how far the bend's centre lies off the picture's in a cropped film.
BEND_SD = (0.3, 0.05)
CENTRE_SD = 0.1
STEPS = 60
# A step this small, in picture and court units, ends the search: under a millionth of a pixel.
SETTLED = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """A view, and the covariance of its twelve parts in picture units."""

    view: View
    spread: Floats


def solve(
    image: Floats, court: Floats, size: tuple[int, int], click_sd: float, *, steps: int = STEPS
) -> Solved:
    """The likeliest view, given the clicks and what lenses usually do.

    Parameters
    ----------
    image, court : ndarray of float64, shape (n, 2)
        Pixels and metres.
    size : (int, int)
        Width and height, pixels.
    click_sd : float
        Pixels.
    steps : int
        At most this many of the least squares' steps.

    Returns
    -------
    Solved
    """
    view = first_view(image, court, size)
    target = (image - view.middle) / view.unit
    precision = np.concatenate([np.repeat((view.unit / click_sd), 2 * len(image)), 1 / _prior_sd()])
    damp, (gap, slope) = 1e-6, _gaps(view, court, target, precision)
    for _ in range(steps):
        square, pull = slope.T @ slope, slope.T @ gap
        step = -np.linalg.solve(square + damp * np.diag(np.diag(square)), pull)
        tried = _moved(view, np.asarray(step, dtype=np.float64))
        new_gap, new_slope = _gaps(tried, court, target, precision)
        settled = float(np.abs(step).max()) < SETTLED
        if np.isfinite(new_gap).all() and new_gap @ new_gap <= gap @ gap:
            view, gap, slope, damp = tried, new_gap, new_slope, max(damp / 10, 1e-15)
        else:
            damp *= 10
        if settled or damp > 1e8:
            break
    return Solved(view, np.asarray(np.linalg.inv(slope.T @ slope), dtype=np.float64))


def first_view(image: Floats, court: Floats, size: tuple[int, int]) -> View:
    """The normalised direct linear transform, without a bend."""
    unit = max(size) / 2
    middle = np.array(size, dtype=np.float64) / 2
    origin = court.mean(axis=0)
    metre = float(np.sqrt(np.mean(np.sum((court - origin) ** 2, axis=1)) / 2)) or 1.0
    spots = (court - origin) / metre
    shift = image.mean(axis=0)
    scale = float(np.sqrt(np.mean(np.sum((image - shift) ** 2, axis=1)) / 2)) or 1.0
    plane = _dlt((image - shift) / scale, spots)
    back = np.array([[scale, 0, shift[0] - middle[0]], [0, scale, shift[1] - middle[1]], [0, 0, unit]]) / unit
    plane = back @ plane
    return View(plane / plane[2, 2], np.zeros(2), np.zeros(2), middle, unit, origin, metre)


def _dlt(target: Floats, spots: Floats) -> Floats:
    ones = np.column_stack([spots, np.ones(len(spots))])
    zeros = np.zeros_like(ones)
    rows = np.concatenate(
        [
            np.concatenate([ones, zeros, -target[:, :1] * ones], axis=1),
            np.concatenate([zeros, ones, -target[:, 1:] * ones], axis=1),
        ]
    )
    answer: Floats = np.linalg.svd(rows)[2][-1].reshape(3, 3)
    return answer


def _prior_sd() -> Floats:
    return np.array([*BEND_SD, CENTRE_SD, CENTRE_SD])


def _gaps(view: View, court: Floats, target: Floats, precision: Floats) -> tuple[Floats, Floats]:
    """What is left, in standard deviations, and its derivative by the twelve parts."""
    drawn = (view.pixels(court) - view.middle) / view.unit
    _, by_part = view.slopes(court)
    gap = np.concatenate([(drawn - target).ravel(), view.bend, view.centre]) * precision
    prior = np.concatenate([np.zeros((4, 8)), np.eye(4)], axis=1)
    return gap, np.concatenate([by_part.reshape(-1, 12), prior]) * precision[:, None]


def _moved(view: View, step: Floats) -> View:
    plane = view.plane + np.append(step[:8], 0.0).reshape(3, 3)
    return replace(view, plane=plane, bend=view.bend + step[8:10], centre=view.centre + step[10:12])
