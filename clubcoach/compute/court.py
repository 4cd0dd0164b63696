"""Where the court lies in a picture: landmarks clicked on a still give metres for every other click.

Metres; origin at the middle of the net on the floor; x across (to the right as the camera sees it), y along the
court (the camera's end is negative). Pixels; origin at the top left corner; u to the right, v down.

References
----------
Court measures: International Padel Federation, Rules of Padel. Model and its priors: `docs/methods.md`, "Court
geometry".
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clubcoach.compute.camera import HALF_LENGTH, HALF_WIDTH, SERVICE_LINE
from clubcoach.compute.court_fit import solve
from clubcoach.compute.court_lens import View
from clubcoach.compute.court_refuse import MOST_RMS_M, CourtError, check_order, check_points, misfit, slip

__all__ = ["LANDMARKS", "MOST_RMS_M", "CourtError", "CourtFit", "calibrate"]

Floats = NDArray[np.float64]

# In the order of the printed plan. The ends of the central line are none: how far it runs on beyond the service
# line differs from court to court.
LANDMARKS: dict[str, tuple[float, float]] = {
    "near left corner": (-HALF_WIDTH, -HALF_LENGTH),
    "near right corner": (HALF_WIDTH, -HALF_LENGTH),
    "far left corner": (-HALF_WIDTH, HALF_LENGTH),
    "far right corner": (HALF_WIDTH, HALF_LENGTH),
    "near left service": (-HALF_WIDTH, -SERVICE_LINE),
    "near right service": (HALF_WIDTH, -SERVICE_LINE),
    "far left service": (-HALF_WIDTH, SERVICE_LINE),
    "far right service": (HALF_WIDTH, SERVICE_LINE),
    "near centre": (0.0, -SERVICE_LINE),
    "far centre": (0.0, SERVICE_LINE),
    "left post": (-HALF_WIDTH, 0.0),
    "right post": (HALF_WIDTH, 0.0),
    "net centre": (0.0, 0.0),
}


@dataclass(frozen=True, slots=True, eq=False)
class CourtFit:
    """What a picture's landmarks say about every other place in it.

    Attributes
    ----------
    rms_px : float
        Root mean square distance between clicked and drawn landmarks, pixels.
    rms_m : float
        The same on the floor, metres, each landmark weighted by how finely the picture shows the floor there; at
        most `MOST_RMS_M`.
    n : int
        Landmarks used.
    odd : int or None
        Index of the landmark that lies farther from where the others put it than clicks do (four standard
        deviations), worth another look; None when there is none.
    distortion : float
        First radial term: by what share a place half a picture's long side from the middle is moved outwards
        (negative: inwards). 0 without distortion.
    click_sd : float
        Standard deviation of a click, pixels, as told.
    image_size : (int, int)
        Width and height, pixels.
    """

    rms_px: float
    rms_m: float
    n: int
    odd: int | None
    distortion: float
    click_sd: float
    image_size: tuple[int, int]
    _view: View = field(repr=False)
    _spread: Floats = field(repr=False)

    def to_court(self, points: ArrayLike) -> tuple[Floats, Floats]:
        """Places on the floor that were clicked.

        Parameters
        ----------
        points : array_like of float, shape (n, 2)
            Pixels.

        Returns
        -------
        places : ndarray of float64, shape (n, 2)
            Metres. NaN for what shows no floor: at and above the horizon, beyond what the lens bends back.
        covariances : ndarray of float64, shape (n, 2, 2)
            Square metres: the click itself, and what the fit does not know. NaN where the place is.

        Raises
        ------
        ValueError
            When the array has another shape.
        """
        places, clicks, parts = self._view.spread_out(_pairs(points), self.click_sd)
        return places, clicks + parts @ self._spread @ parts.transpose(0, 2, 1)

    def apart(self, first: ArrayLike, second: ArrayLike) -> tuple[Floats, Floats]:
        """From one click to another on the floor: what the fit does not know mostly moves both alike.

        Parameters
        ----------
        first, second : array_like of float, shape (n, 2)
            Pixels.

        Returns
        -------
        steps : ndarray of float64, shape (n, 2)
            Metres from the first to the second; NaN where one of them shows no floor.
        covariances : ndarray of float64, shape (n, 2, 2)
            Square metres.

        Raises
        ------
        ValueError
            When an array has another shape, or they are not of one length.
        """
        start, end = _pairs(first), _pairs(second)
        if start.shape != end.shape:
            raise ValueError(f"{len(start)} first clicks, but {len(end)} second ones")
        places, clicks, parts = self._view.spread_out(np.concatenate([start, end]), self.click_sd)
        n = len(start)
        part = parts[n:] - parts[:n]
        covariances = clicks[:n] + clicks[n:] + part @ self._spread @ part.transpose(0, 2, 1)
        return places[n:] - places[:n], covariances

    def to_image(self, points: ArrayLike) -> Floats:
        """Where places on the floor appear in the picture.

        Parameters
        ----------
        points : array_like of float, shape (n, 2)
            Metres.

        Returns
        -------
        ndarray of float64, shape (n, 2)
            Pixels; they may lie outside the picture. NaN for what is behind the camera.

        Raises
        ------
        ValueError
            When the array has another shape.
        """
        return self._view.project(_pairs(points))


def calibrate(
    image_points: ArrayLike,
    court_points: ArrayLike,
    *,
    image_size: tuple[int, int],
    click_sd: float = 2.0,
) -> CourtFit:
    """Find how the court lies in a picture.

    Parameters
    ----------
    image_points : array_like of float, shape (n, 2)
        Clicked landmarks, pixels; n of 4 or more.
    court_points : array_like of float, shape (n, 2)
        The same landmarks on the floor, metres: values of `LANDMARKS`, or other places that were measured.
    image_size : (int, int)
        Width and height of the picture, pixels.
    click_sd : float
        Standard deviation of a click in each direction, pixels.

    Returns
    -------
    CourtFit

    Raises
    ------
    CourtError
        When the landmarks do not say where the court is; its code says why.
    ValueError
        When the arrays have other shapes, or a size or `click_sd` is not above zero.

    Notes
    -----
    How wide the lines are, and which of their edges a measure is taken to, is not in the covariances: it moves
    all places of one court together by some centimetres.
    """
    size = _size(image_size)
    if not (np.isfinite(click_sd) and click_sd > 0):
        raise ValueError(f"click_sd must be above zero, not {click_sd!r}")
    image, court = _pairs(image_points), _pairs(court_points)
    if image.shape != court.shape:
        raise ValueError(f"{len(image)} points in the picture, but {len(court)} on the court")
    check_points(image, court, size, click_sd)
    solved = solve(image, court, size, click_sd)
    try:
        check_order(solved.view, court)
    except CourtError as error:
        # A court that is mirrored as a whole fits; one that does not is a right one with a slip in it.
        if error.facts["how"] == "crossed" or not misfit(solved, image, court, click_sd).off_m <= MOST_RMS_M:
            error.facts |= {"how": "crossed", **slip(image, court, size, click_sd, float("inf"))}
        raise
    found = misfit(solved, image, court, click_sd)
    if not found.off_m <= MOST_RMS_M:
        facts = slip(image, court, size, click_sd, found.rms_px)
        raise CourtError("too_far_off", {"rms_m": found.off_m, "most_m": MOST_RMS_M, **facts})
    return CourtFit(
        rms_px=found.rms_px,
        rms_m=found.rms_m,
        n=len(image),
        odd=found.odd,
        distortion=float(solved.view.bend[0]),
        click_sd=float(click_sd),
        image_size=size,
        _view=solved.view,
        _spread=solved.spread,
    )


def _pairs(points: ArrayLike) -> Floats:
    pairs = np.asarray(points, dtype=np.float64)
    if pairs.size == 0:
        return np.empty((0, 2))
    if pairs.ndim != 2 or pairs.shape[1] != 2:
        raise ValueError(
            f"points must be an array of n x 2, not of {' x '.join(map(str, pairs.shape)) or '1'}"
        )
    return pairs


def _size(image_size: Sequence[int]) -> tuple[int, int]:
    if len(image_size) != 2 or not all(np.isfinite(side) and side >= 1 for side in image_size):
        raise ValueError(f"image_size must be a width and a height in pixels, not {image_size!r}")
    return int(image_size[0]), int(image_size[1])
