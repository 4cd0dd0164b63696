"""Anti-aliased shapes on an array of pixels, with NumPy alone.

Each shape's coverage comes from its distance to the middle of a pixel: a pixel that the edge runs through takes
part of the colour. Only the shape's own rectangle is touched, so that small shapes cost little.
"""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Pixels = NDArray[np.uint8]
Floats = NDArray[np.float32]
Colour = tuple[int, int, int]


def polygon(picture: Pixels, corners: ArrayLike, colour: Colour, alpha: float = 1.0) -> None:
    """Fill a convex polygon; corners in pixels, either way round."""
    points = np.asarray(corners, dtype=np.float64)
    box = _box(picture, points[:, 0].min(), points[:, 1].min(), points[:, 0].max(), points[:, 1].max())
    if box is None:
        return
    rows, columns, u, v = box
    following = np.roll(points, -1, axis=0)
    area = float(np.sum(points[:, 0] * following[:, 1] - following[:, 0] * points[:, 1]))
    inside = np.full((len(v), len(u)), np.inf, dtype=np.float32)
    for (x0, y0), (x1, y1) in zip(points, following, strict=True):
        length = math.hypot(x1 - x0, y1 - y0)
        if length < 1e-9:
            continue
        a, b = (x1 - x0) / length * math.copysign(1.0, area), (y1 - y0) / length * math.copysign(1.0, area)
        np.minimum(inside, (a * (v - y0))[:, None] - (b * (u - x0))[None, :], out=inside)
    _blend(picture[rows, columns], np.clip(inside + 0.5, 0.0, 1.0) * np.float32(alpha), colour)


def capsule(
    picture: Pixels,
    start: ArrayLike,
    end: ArrayLike,
    start_radius: float,
    end_radius: float,
    colour: Colour,
    *,
    alpha: float = 1.0,
    shade: float = 0.0,
) -> None:
    """A thick line with round ends, thinner at one of them; `shade` darkens it towards its edge."""
    (x0, y0), (x1, y1) = np.asarray(start, dtype=np.float64), np.asarray(end, dtype=np.float64)
    # What is thinner than a pixel gets fainter, not thinner, so that far limbs do not flicker.
    least = 0.5
    faint = min(1.0, max(start_radius, end_radius) / least)
    start_radius, end_radius = max(start_radius, least), max(end_radius, least)
    wide = max(start_radius, end_radius)
    box = _box(picture, min(x0, x1) - wide, min(y0, y1) - wide, max(x0, x1) + wide, max(y0, y1) + wide)
    if box is None:
        return
    rows, columns, u, v = box
    du, dv = (u - x0).astype(np.float32)[None, :], (v - y0).astype(np.float32)[:, None]
    dx, dy = x1 - x0, y1 - y0
    square = dx * dx + dy * dy
    if square < 1e-9:
        along: Floats | float = 0.0
        distance = np.hypot(du, dv)
    else:
        along = np.clip(du * np.float32(dx / square) + dv * np.float32(dy / square), 0.0, 1.0)
        distance = np.hypot(du - along * np.float32(dx), dv - along * np.float32(dy))
    radius = np.float32(start_radius) + along * np.float32(end_radius - start_radius)
    cover = np.clip(radius - distance + np.float32(0.5), 0.0, 1.0) * np.float32(alpha * faint)
    if shade:
        light = 1.0 - np.float32(shade) * np.clip(distance / radius, 0.0, 1.0) ** 2
        _blend(picture[rows, columns], cover, colour, light)
    else:
        _blend(picture[rows, columns], cover, colour)


def disc(picture: Pixels, middle: ArrayLike, radius: float, colour: Colour, **look: float) -> None:
    capsule(picture, middle, middle, radius, radius, colour, **look)


def glow(picture: Pixels, middle: ArrayLike, wide: float, high: float, colour: Colour, alpha: float) -> None:
    """A soft ellipse: a lamp's light on the floor."""
    x, y = np.asarray(middle, dtype=np.float64)
    box = _box(picture, x - wide, y - high, x + wide, y + high)
    if box is None:
        return
    rows, columns, u, v = box
    square = (((u - x) / wide) ** 2)[None, :] + (((v - y) / high) ** 2)[:, None]
    cover = np.clip(1.0 - square, 0.0, 1.0).astype(np.float32) ** 2 * np.float32(alpha)
    _blend(picture[rows, columns], cover, colour)


class Layer:
    """Something that stands in front, drawn once: its colours and how much of what is behind they hide."""

    def __init__(self, height: int, width: int) -> None:
        self.on_black = np.zeros((height, width, 3), dtype=np.uint8)
        self.on_white = np.full((height, width, 3), 255, dtype=np.uint8)

    def polygon(self, corners: ArrayLike, colour: Colour, alpha: float = 1.0) -> None:
        for picture in (self.on_black, self.on_white):
            polygon(picture, corners, colour, alpha)

    def capsule(self, start: ArrayLike, end: ArrayLike, radius: float, colour: Colour, alpha: float) -> None:
        for picture in (self.on_black, self.on_white):
            capsule(picture, start, end, radius, radius, colour, alpha=alpha)

    def finish(self) -> "Overlay":
        # What shows through is the difference between the same drawing on white and on black.
        through = (self.on_white.astype(np.int16) - self.on_black).mean(axis=2).astype(np.float32) / 255.0
        touched = through < 0.999
        rows, columns = np.flatnonzero(touched.any(axis=1)), np.flatnonzero(touched.any(axis=0))
        box = (slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1))
        return Overlay(box, through[box][..., None], self.on_black[box].astype(np.float32))


class Overlay:
    def __init__(self, box: tuple[slice, slice], through: Floats, add: Floats) -> None:
        self.box, self.through, self.add = box, through, add

    def put(self, picture: Pixels) -> None:
        part = picture[self.box]
        part[:] = part * self.through + self.add + np.float32(0.5)


def _box(
    picture: Pixels, left: float, top: float, right: float, bottom: float
) -> tuple[slice, slice, NDArray[np.float64], NDArray[np.float64]] | None:
    height, width = picture.shape[:2]
    if not all(math.isfinite(edge) for edge in (left, top, right, bottom)):
        return None
    x0, y0 = max(0, math.floor(left - 1)), max(0, math.floor(top - 1))
    x1, y1 = min(width, math.ceil(right + 2)), min(height, math.ceil(bottom + 2))
    if x0 >= x1 or y0 >= y1:
        return None
    # A pixel's middle lies half a pixel in from its corner.
    return slice(y0, y1), slice(x0, x1), np.arange(x0, x1) + 0.5, np.arange(y0, y1) + 0.5


def _blend(part: Pixels, cover: Floats, colour: Colour, light: Floats | None = None) -> None:
    keep = (1.0 - cover)[..., None]
    paint = np.asarray(colour, dtype=np.float32)
    add = (cover if light is None else cover * light)[..., None] * paint
    part[:] = part * keep + add + np.float32(0.5)
