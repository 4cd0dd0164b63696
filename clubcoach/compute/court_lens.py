"""From the floor to the picture and back: a homography, then a radial bend about a centre near the picture's."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Steps of Newton's method to undo the bend; from a near start each squares the error.
UNBEND_STEPS = 12


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """How the floor appears in a picture.

    Attributes
    ----------
    plane : ndarray of float64, shape (3, 3)
        Homography from `frame`'s court units to picture units without the bend; positive third component in
        front of the camera.
    bend : ndarray of float64, shape (2,)
        Radial terms k1, k2 of Brown's model, radius in picture units.
    centre : ndarray of float64, shape (2,)
        Where the bend is centred, picture units off the middle of the picture.
    middle, unit : ndarray of float64, shape (2,), and float
        Middle of the picture and half its long side, pixels: picture units are (pixels - middle) / unit.
    origin, metre : ndarray of float64, shape (2,), and float
        Court units are (metres - origin) / metre.
    """

    plane: Floats
    bend: Floats
    centre: Floats
    middle: Floats
    unit: float
    origin: Floats
    metre: float

    def project(self, court: Floats) -> Floats:
        """Pixels of places on the floor, shape (n, 2) both; NaN behind the camera."""
        flat, front = self.flat(court)
        bent, _ = bent_from(flat - self.centre, self.bend)
        pixels = (bent + self.centre) * self.unit + self.middle
        return np.where(front[:, None], pixels, np.nan)

    def flat(self, court: Floats) -> tuple[Floats, NDArray[np.bool_]]:
        """Picture units before the bend, and whether the place is in front of the camera."""
        spots = (court - self.origin) / self.metre
        three = np.column_stack([spots, np.ones(len(spots))]) @ self.plane.T
        front = three[:, 2] > 1e-9
        with np.errstate(divide="ignore", invalid="ignore"):
            return three[:, :2] / three[:, 2:], front

    def floor(self, pixels: Floats, spread: Floats, click_sd: float) -> tuple[Floats, Floats]:
        """Places on the floor and their covariances, shapes (n, 2) and (n, 2, 2); NaN where no floor shows."""
        bent = (pixels - self.middle) / self.unit - self.centre
        flat, found = flat_from(bent, self.bend)
        three = np.column_stack([flat + self.centre, np.ones(len(flat))]) @ np.linalg.inv(self.plane).T
        # The third component is one over the depth.
        found &= three[:, 2] > 1e-9
        with np.errstate(divide="ignore", invalid="ignore"):
            spots = three[:, :2] / three[:, 2:]
        places = np.where(found[:, None], spots * self.metre + self.origin, np.nan)
        by_place, by_part = self.slopes(places)
        seen = (click_sd / self.unit) ** 2 * np.eye(2) + by_part @ spread @ by_part.transpose(0, 2, 1)
        back = np.full_like(by_place, np.nan)
        back[found] = np.linalg.inv(by_place[found]) * self.metre
        covariances = back @ seen @ back.transpose(0, 2, 1)
        return places, (covariances + covariances.transpose(0, 2, 1)) / 2

    def slopes(self, court: Floats) -> tuple[Floats, Floats]:
        """Derivatives of picture units: by court units, (n, 2, 2), and by the twelve parts of the view, (n, 2, 12).

        The parts: the first eight of `plane` by rows with its ninth held, k1, k2, the two of `centre`.
        """
        spots = (court - self.origin) / self.metre
        ones = np.column_stack([spots, np.ones(len(spots))])
        three = ones @ self.plane.T
        with np.errstate(divide="ignore", invalid="ignore"):
            flat, depth = three[:, :2] / three[:, 2:], three[:, 2]
            by_plane = np.zeros((len(spots), 2, 9))
            by_plane[:, 0, 0:3] = by_plane[:, 1, 3:6] = ones / depth[:, None]
            by_plane[:, :, 6:9] = -flat[:, :, None] * (ones / depth[:, None])[:, None, :]
            by_spot = (self.plane[None, :2, :2] - flat[:, :, None] * self.plane[None, 2:, :2]) / depth[
                :, None, None
            ]
        ray = flat - self.centre
        _, turn = bent_from(ray, self.bend)
        square = np.sum(ray**2, axis=1)
        by_bend = ray[:, :, None] * np.stack([square, square**2], axis=1)[:, None, :]
        by_centre = np.eye(2) - turn
        return turn @ by_spot, np.concatenate([turn @ by_plane[:, :, :8], by_bend, by_centre], axis=2)


def bent_from(ray: Floats, bend: Floats) -> tuple[Floats, Floats]:
    """The radial bend of places about its centre, shape (n, 2), and its derivative, shape (n, 2, 2)."""
    square = np.sum(ray**2, axis=1)
    grow = 1 + bend[0] * square + bend[1] * square**2
    slope = 2 * (bend[0] + 2 * bend[1] * square)
    turn = grow[:, None, None] * np.eye(2) + slope[:, None, None] * ray[:, :, None] * ray[:, None, :]
    return ray * grow[:, None], turn


def flat_from(bent: Floats, bend: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Undo the radial bend: places before it, and whether there is such a place (a strong bend folds back)."""
    reach = np.linalg.norm(bent, axis=1)
    radius = reach.copy()
    for _ in range(UNBEND_STEPS):
        square = radius**2
        slope = 1 + 3 * bend[0] * square + 5 * bend[1] * square**2
        value = radius * (1 + bend[0] * square + bend[1] * square**2)
        with np.errstate(divide="ignore", invalid="ignore"):
            radius = np.where(slope > 1e-6, radius - (value - reach) / slope, np.nan)
    square = radius**2
    value = radius * (1 + bend[0] * square + bend[1] * square**2)
    found = np.isfinite(radius) & (np.abs(value - reach) < 1e-9 * (1 + reach))
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(reach > 0, radius / np.where(reach > 0, reach, 1.0), 1.0)
    return bent * np.where(found, share, np.nan)[:, None], found
