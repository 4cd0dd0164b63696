"""From the floor to the picture and back: a homography, then a radial bend about a centre near the picture's."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Steps to undo the bend, Newton's or, where those leave the bracket, halvings; three or four are usual.
UNBEND_STEPS = 60


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
        """Pixels of places on the floor, shape (n, 2) both; NaN behind the camera and where the bend folds back."""
        flat, front = self.flat(court)
        shown = front & (np.linalg.norm(flat - self.centre, axis=1) < fold(self.bend))
        return np.where(shown[:, None], self.pixels(court), np.nan)

    def pixels(self, court: Floats) -> Floats:
        """The same by the bare formula, which is smooth where nothing is shown: for a fit on its way."""
        flat, _ = self.flat(court)
        bent, _ = bent_from(flat - self.centre, self.bend)
        return (bent + self.centre) * self.unit + self.middle

    def flat(self, court: Floats) -> tuple[Floats, NDArray[np.bool_]]:
        """Picture units before the bend, and whether the place is in front of the camera."""
        spots = (court - self.origin) / self.metre
        three = np.column_stack([spots, np.ones(len(spots))]) @ self.plane.T
        front = three[:, 2] > 1e-9
        with np.errstate(divide="ignore", invalid="ignore"):
            return three[:, :2] / three[:, 2:], front

    def spread_out(self, pixels: Floats, click_sd: float) -> tuple[Floats, Floats, Floats]:
        """Places on the floor, and how they move with the click and with the view; NaN where no floor shows.

        Returns places, (n, 2) metres; the covariance of the click on the floor, (n, 2, 2) square metres; and the
        derivative of the place by the twelve parts of the view, (n, 2, 12), at a held click.
        """
        bent = (pixels - self.middle) / self.unit - self.centre
        flat, found = flat_from(bent, self.bend)
        three = np.column_stack([flat + self.centre, np.ones(len(flat))]) @ np.linalg.inv(self.plane).T
        # The third component is one over the depth.
        found &= three[:, 2] > 1e-9
        spots = np.full_like(flat, np.nan)
        spots[found] = three[found, :2] / three[found, 2:]
        places = spots * self.metre + self.origin
        by_place, by_part = self.slopes(places)
        back = np.full_like(by_place, np.nan)
        back[found] = np.linalg.inv(by_place[found]) * self.metre
        return places, (click_sd / self.unit) ** 2 * back @ back.transpose(0, 2, 1), -back @ by_part

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


def fold(bend: Floats) -> float:
    """The radius from which on the bend would bring places back towards the middle; inf where it never does."""
    roots = np.roots([5 * bend[1], 3 * bend[0], 1.0]) if bend.any() else np.empty(0)
    squares = roots.real[(np.abs(roots.imag) < 1e-12) & (roots.real > 0)]
    return float(np.sqrt(squares.min())) if squares.size else float("inf")


def flat_from(bent: Floats, bend: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Undo the radial bend: places before it, and whether there is such a place (a strong bend folds back)."""
    reach = np.linalg.norm(bent, axis=1)
    last = fold(bend)
    low = np.zeros_like(reach)
    high = np.full_like(reach, last) if np.isfinite(last) else _beyond(reach, bend)
    found = np.isfinite(reach) & (_reached(high, bend) > reach)
    radius = np.clip(reach, low, high)
    for _ in range(UNBEND_STEPS):
        square = radius**2
        over = _reached(radius, bend) - reach
        low, high = np.where(over < 0, radius, low), np.where(over < 0, high, radius)
        with np.errstate(divide="ignore", invalid="ignore"):
            tried = radius - over / (1 + 3 * bend[0] * square + 5 * bend[1] * square**2)
        inside = (tried >= low) & (tried <= high)
        stepped = np.where(inside, tried, (low + high) / 2)
        settled = np.abs(stepped - radius)[found] <= 1e-14 * (1 + reach[found])
        radius = stepped
        if settled.all():
            break
    share = np.divide(radius, reach, out=np.ones_like(reach), where=reach > 0)
    return bent * np.where(found, share, np.nan)[:, None], found


def _reached(radius: Floats, bend: Floats) -> Floats:
    square = radius**2
    reached: Floats = radius * (1 + bend[0] * square + bend[1] * square**2)
    return reached


def _beyond(reach: Floats, bend: Floats) -> Floats:
    radius = np.where(np.isfinite(reach), reach, 0.0) + 1.0
    while (short := _reached(radius, bend) <= reach).any():
        radius = np.where(short, 2 * radius, radius)
    return radius
