"""A pinhole camera behind a padel court: where a place on court appears in the picture, and back.

Metres; origin at the middle of the net on the floor; x across (to the right as the camera sees it), y along the
court (the camera's end is negative), z up. Pixels; origin at the top left corner of the picture; u to the right,
v down, so that the middle of a picture of 1280 x 720 is (640, 360).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

# Court measures after the Rules of Padel (FIP), metres.
HALF_WIDTH = 5.0
HALF_LENGTH = 10.0
SERVICE_LINE = 6.95
LINE_WIDTH = 0.05
CENTRAL_STUB = 0.20
NET_CENTRE = 0.88
NET_ENDS = 0.92
POST_TOP = 1.05
GLASS_TOP = 3.0
FENCE_TOP = 4.0
SIDE_FIRST = 2.0
SIDE_SECOND = 4.0
SIDE_LOW = 2.0


@dataclass(frozen=True, slots=True)
class Camera:
    """A camera on the court's long axis, looking along it and down at it.

    Parameters
    ----------
    height : float
        Metres above the floor.
    behind : float
        Metres behind the near back wall.
    hfov_deg : float
        Horizontal field of view, degrees, between 0 and 180.
    width, height_px : int
        Size of the picture in pixels.
    tilt_deg : float
        How far the camera looks down, degrees, between -89 and 89.

    Raises
    ------
    ValueError
        When a measure is outside its range.

    Notes
    -----
    No lens distortion and square pixels. At 20 degrees of tilt a camera 3.5 m high and 1 m behind the wall sees
    from 2 m in front of the near back wall to well above the far one.
    """

    height: float
    behind: float
    hfov_deg: float
    width: int
    height_px: int
    tilt_deg: float = 20.0

    def __post_init__(self) -> None:
        if not self.height > 0:
            raise ValueError(f"height must be above the floor, not {self.height!r} m")
        if not self.behind > -HALF_LENGTH:
            raise ValueError(
                f"behind must leave the camera on its own side of the net, not {self.behind!r} m"
            )
        if not 0 < self.hfov_deg < 180:
            raise ValueError(f"hfov_deg must lie between 0 and 180, not {self.hfov_deg!r}")
        if self.width < 1 or self.height_px < 1:
            raise ValueError(f"a picture of {self.width!r} x {self.height_px!r} pixels has no pixels")
        if not -89 <= self.tilt_deg <= 89:
            raise ValueError(f"tilt_deg must lie between -89 and 89, not {self.tilt_deg!r}")

    @property
    def focal(self) -> float:
        """Focal length in pixels."""
        return self.width / 2.0 / math.tan(math.radians(self.hfov_deg) / 2.0)

    @property
    def place(self) -> Floats:
        """Where the camera stands.

        Returns
        -------
        ndarray of float64, shape (3,)
            Metres.
        """
        return np.array([0.0, -(HALF_LENGTH + self.behind), self.height])

    def depth(self, xyz: ArrayLike) -> Floats:
        """Distance along the camera's axis.

        Parameters
        ----------
        xyz : array_like of float, shape (..., 3)
            Places on court, metres.

        Returns
        -------
        ndarray of float64, shape (...)
            Metres; zero or less behind the camera.
        """
        return self._axes(xyz)[2]

    def project(self, xyz: ArrayLike) -> Floats:
        """Where places on court appear in the picture.

        Parameters
        ----------
        xyz : array_like of float, shape (..., 3)
            Metres.

        Returns
        -------
        ndarray of float64, shape (..., 2)
            Pixels (u, v); they may lie outside the picture. NaN for what is behind the camera.
        """
        right, down, depth = self._axes(xyz)
        with np.errstate(divide="ignore", invalid="ignore"):
            scale = np.where(depth > 1e-9, self.focal / depth, np.nan)
        return np.stack([self.width / 2.0 + right * scale, self.height_px / 2.0 + down * scale], axis=-1)

    def floor(self, pixels: ArrayLike) -> Floats:
        """Which places on the floor appear at these pixels.

        Parameters
        ----------
        pixels : array_like of float, shape (..., 2)
            Pixels (u, v).

        Returns
        -------
        ndarray of float64, shape (..., 2)
            Metres (x, y). NaN at and above the horizon.
        """
        uv = np.asarray(pixels, dtype=np.float64)
        right = (uv[..., 0] - self.width / 2.0) / self.focal
        down = (uv[..., 1] - self.height_px / 2.0) / self.focal
        sin, cos = self._tilt()
        fall = down * cos + sin
        with np.errstate(divide="ignore", invalid="ignore"):
            reach = np.where(fall > 1e-9, self.height / fall, np.nan)
        return np.stack([right * reach, (cos - down * sin) * reach + self.place[1]], axis=-1)

    def metres_per_pixel(self, xy: ArrayLike) -> Floats:
        """What an error of one pixel costs on the floor.

        Parameters
        ----------
        xy : array_like of float, shape (..., 2)
            Places on the floor, metres.

        Returns
        -------
        ndarray of float64, shape (..., 2)
            Metres per pixel: across (a step in u), and along the court (a step in v). NaN where the floor
            cannot be seen.
        """
        spot = np.asarray(xy, dtype=np.float64)
        pixels = self.project(np.concatenate([spot, np.zeros((*spot.shape[:-1], 1))], axis=-1))
        # Central differences: the error a click makes is as likely up as down.
        half_u, half_v = np.array([0.5, 0.0]), np.array([0.0, 0.5])
        across = self.floor(pixels + half_u) - self.floor(pixels - half_u)
        along = self.floor(pixels + half_v) - self.floor(pixels - half_v)
        return np.stack([np.abs(across[..., 0]), np.abs(along[..., 1])], axis=-1)

    def _tilt(self) -> tuple[float, float]:
        return math.sin(math.radians(self.tilt_deg)), math.cos(math.radians(self.tilt_deg))

    def _axes(self, xyz: ArrayLike) -> tuple[Floats, Floats, Floats]:
        away = np.asarray(xyz, dtype=np.float64) - self.place
        sin, cos = self._tilt()
        return (
            away[..., 0],
            -away[..., 1] * sin - away[..., 2] * cos,
            away[..., 1] * cos - away[..., 2] * sin,
        )


def court_lines() -> dict[str, Floats]:
    """Every line of a padel court, as segments between two points.

    Returns
    -------
    dict of str to ndarray of float64, shape (2, 3)
        Metres. On the floor: the four limits of the court, the two service lines and the two halves of the central
        line, which runs a little beyond the service line. Above it: the net's top in two halves, as it hangs
        lower in the middle, and its posts.

    References
    ----------
    International Padel Federation, Rules of Padel: court of 10 x 20 m, service lines at 6.95 m from the net,
    net 0.88 m high in the middle and at most 0.92 m at the ends, posts at most 1.05 m.
    """
    lines: dict[str, Floats] = {}
    for end, sign in (("near", -1.0), ("far", 1.0)):
        back, service = sign * HALF_LENGTH, sign * SERVICE_LINE
        stub = sign * (SERVICE_LINE + CENTRAL_STUB)
        lines[f"{end} back"] = _segment((-HALF_WIDTH, back, 0), (HALF_WIDTH, back, 0))
        lines[f"{end} service"] = _segment((-HALF_WIDTH, service, 0), (HALF_WIDTH, service, 0))
        lines[f"{end} central"] = _segment((0, 0, 0), (0, stub, 0))
    for side, sign in (("left", -1.0), ("right", 1.0)):
        edge = sign * HALF_WIDTH
        lines[f"{side} side"] = _segment((edge, -HALF_LENGTH, 0), (edge, HALF_LENGTH, 0))
        lines[f"{side} net"] = _segment((0, 0, NET_CENTRE), (edge, 0, NET_ENDS))
        lines[f"{side} post"] = _segment((edge, 0, 0), (edge, 0, POST_TOP))
    return lines


def net_top(x: ArrayLike) -> Floats:
    """How high the net is.

    Parameters
    ----------
    x : array_like of float
        Places across, metres from the middle.

    Returns
    -------
    ndarray of float64, the shape of `x`
        Metres; straight from the middle to the ends.
    """
    share = np.minimum(np.abs(np.asarray(x, dtype=np.float64)) / HALF_WIDTH, 1.0)
    return NET_CENTRE + (NET_ENDS - NET_CENTRE) * share


def _segment(start: tuple[float, float, float], end: tuple[float, float, float]) -> Floats:
    return np.array([start, end], dtype=np.float64)
