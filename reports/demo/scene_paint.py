"""Anti-aliased shapes on an array of pixels, with NumPy alone.

Each shape's coverage comes from its distance to the middle of a pixel: a pixel that the edge runs through takes
part of the colour. Only the shape's own rectangle is touched, so that small shapes cost little. What is made of many
shapes is painted on a `Patch`, which is rounded to whole numbers once and not for every shape.
"""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Pixels = NDArray[np.uint8]
Floats = NDArray[np.float32]
Colour = tuple[int, int, int]
Spot = NDArray[np.float64] | tuple[float, float]
NOUGHT, ONE, HALF = np.float32(0.0), np.float32(1.0), np.float32(0.5)
# Radius of the thinnest thing drawn; pixels worked out at once, so that they stay close at hand.
LEAST, AT_ONCE = 0.5, 30_000


class Patch:
    """A rectangle of a picture, its colours apart from each other; corners in pixels of the whole picture."""

    def __init__(self, picture: Pixels, left: float, top: float, right: float, bottom: float) -> None:
        height, width = picture.shape[:2]
        self.left, self.top = _within(left - 2, width), _within(top - 2, height)
        part = picture[self.top : _within(bottom + 3, height), self.left : _within(right + 3, width)]
        self.part, self.planes = part, np.ascontiguousarray(part.transpose(2, 0, 1), dtype=np.float32)

    def finish(self) -> None:
        """Lay it back into the picture."""
        self.part[:] = (self.planes + HALF).transpose(1, 2, 0)


def _within(edge: float, size: int) -> int:
    return int(min(size, max(0, edge)))


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
    _blend(picture, rows, columns, np.clip(inside + 0.5, 0.0, 1.0) * np.float32(alpha), colour)


def capsule(
    picture: Pixels | Patch,
    start: Spot,
    end: Spot,
    start_radius: float,
    end_radius: float,
    colour: Colour,
    *,
    alpha: float = 1.0,
    shade: float = 0.0,
) -> None:
    """A thick line with round ends, thinner at one of them; `shade` darkens it towards its edge."""
    (x0, y0), (x1, y1) = ((float(x), float(y)) for x, y in (start, end))
    # What is thinner than a pixel gets fainter, not thinner, so that far limbs do not flicker.
    faint = min(1.0, max(start_radius, end_radius) / LEAST)
    start_radius, end_radius = max(start_radius, LEAST), max(end_radius, LEAST)
    wide = max(start_radius, end_radius)
    box = _box(picture, min(x0, x1) - wide, min(y0, y1) - wide, max(x0, x1) + wide, max(y0, y1) + wide)
    if box is None:
        return
    rows, columns, u, v = box
    du, dv = (u - np.float32(x0))[None, :], (v - np.float32(y0))[:, None]
    dx, dy = x1 - x0, y1 - y0
    square = dx * dx + dy * dy
    radius: Floats | np.float32 = np.float32(start_radius)
    if square >= 1e-9:
        along = du * np.float32(dx / square) + dv * np.float32(dy / square)
        np.minimum(np.maximum(along, NOUGHT, out=along), ONE, out=along)
        du, dv = du - along * np.float32(dx), dv - along * np.float32(dy)
        if end_radius != start_radius:
            along *= np.float32(end_radius - start_radius)
            along += radius
            radius = along
    distance = du * du + dv * dv
    np.sqrt(distance, out=distance)
    cover = radius - distance
    cover += HALF
    np.minimum(np.maximum(cover, NOUGHT, out=cover), ONE, out=cover)
    if alpha * faint < 1.0:
        cover *= np.float32(alpha * faint)
    lit = None
    if shade:
        # Beyond the radius there is at most the half pixel of the soft edge.
        lit = np.divide(distance, radius, out=distance)
        lit *= lit
        lit *= np.float32(-shade)
        lit += ONE
        lit *= cover
    _blend(picture, rows, columns, cover, colour, lit)


def strokes(
    patch: Patch,
    ends: NDArray[np.float64],
    radii: NDArray[np.float64],
    colours: Floats,
    shades: Floats,
) -> None:
    """Many capsules at once, each over the ones before: ends n x 2 x 2, radii n x 2, colours n x 3, shades n.

    All are worked out on rectangles of one size, because a small array costs as much as a larger one.
    """
    faint = np.minimum(1.0, radii.max(axis=1) / LEAST)
    radii = np.maximum(radii, LEAST)
    wide = radii.max(axis=1)[:, None]
    full, corner = np.array(patch.planes.shape[:0:-1]), np.array([patch.left, patch.top])
    low = np.clip(np.floor(ends.min(axis=1) - wide - 1).astype(int) - corner, 0, full)
    high = np.clip(np.ceil(ends.max(axis=1) + wide + 2).astype(int) - corner, 0, full)
    width, height = (high - low).max(axis=0).tolist()
    at_once = max(1, AT_ONCE // max(1, width * height))
    for begin in range(0, len(ends), at_once):
        some = slice(begin, begin + at_once)
        size = (high[some] - low[some]).max(axis=0)
        if not size.all():
            continue
        boxes = np.minimum(low[some], full - size)
        keep, lit = _covers(
            ends[some] - corner, radii[some], faint[some], shades[some], boxes, int(size[0]), int(size[1])
        )
        corners = zip(boxes.tolist(), high[some].tolist(), strict=True)
        for number, ((left, top), (right, bottom)) in enumerate(corners):
            if left >= right or top >= bottom:
                continue
            part = patch.planes[:, top:bottom, left:right]
            own = number, slice(bottom - top), slice(right - left)
            part *= keep[own]
            part += lit[own] * colours[begin + number][:, None, None]


def _covers(
    ends: NDArray[np.float64],
    radii: NDArray[np.float64],
    faint: NDArray[np.float64],
    shades: Floats,
    boxes: NDArray[np.intp],
    width: int,
    height: int,
) -> tuple[Floats, Floats]:
    """What is left of the picture under each capsule, and how much of its colour comes on top: n x height x width."""
    start, step = ends[:, 0], ends[:, 1] - ends[:, 0]
    offset = (boxes + 0.5 - start).astype(np.float32)
    du = offset[:, :1, None] + np.arange(width, dtype=np.float32)[None, None, :]
    dv = offset[:, 1:, None] + np.arange(height, dtype=np.float32)[None, :, None]
    square = (step * step).sum(axis=1, keepdims=True)
    unit = np.divide(step, square, out=np.zeros_like(step), where=square >= 1e-9)
    across, down, ax, ay, first, more, darker, weight = (
        values.astype(np.float32)[:, None, None]
        for values in (*step.T, *unit.T, radii[:, 0], radii[:, 1] - radii[:, 0], -shades, faint)
    )
    along = du * ax + dv * ay
    np.minimum(np.maximum(along, NOUGHT, out=along), ONE, out=along)
    aside = du - along * across
    aside *= aside
    below = dv - along * down
    below *= below
    aside += below
    distance = np.sqrt(aside, out=aside)
    radius = np.multiply(along, more, out=along)
    radius += first
    cover = np.subtract(radius, distance, out=below)
    cover += HALF
    np.minimum(np.maximum(cover, NOUGHT, out=cover), ONE, out=cover)
    cover *= weight
    # Beyond the radius there is at most the half pixel of the soft edge.
    lit = np.divide(distance, radius, out=distance)
    lit *= lit
    lit *= darker
    lit += ONE
    lit *= cover
    return np.subtract(ONE, cover, out=cover), lit


def glow(picture: Pixels, middle: ArrayLike, wide: float, high: float, colour: Colour, alpha: float) -> None:
    """A soft ellipse: a lamp's light on the floor."""
    x, y = np.asarray(middle, dtype=np.float64)
    box = _box(picture, x - wide, y - high, x + wide, y + high)
    if box is None:
        return
    rows, columns, u, v = box
    square = (((u - x) / wide) ** 2)[None, :] + (((v - y) / high) ** 2)[:, None]
    cover = np.clip(1.0 - square, 0.0, 1.0).astype(np.float32) ** 2 * np.float32(alpha)
    _blend(picture, rows, columns, cover, colour)


def shadow(picture: Pixels, middle: Spot, first: Spot, second: Spot, alpha: float) -> None:
    """A soft dark ellipse, given by its middle and where two of its half axes end."""
    (x, y), (ax, ay), (bx, by) = ((float(u), float(v)) for u, v in (middle, first, second))
    ax, ay, bx, by = ax - x, ay - y, bx - x, by - y
    wide, high, area = math.hypot(ax, bx), math.hypot(ay, by), ax * by - ay * bx
    box = _box(picture, x - wide, y - high, x + wide, y + high)
    if box is None or abs(area) < 1e-9:
        return
    rows, columns, u, v = box
    du, dv = (u - np.float32(x))[None, :], (v - np.float32(y))[:, None]
    one = du * np.float32(by / area) - dv * np.float32(bx / area)
    two = dv * np.float32(ax / area) - du * np.float32(ay / area)
    cover = ONE - (one * one + two * two)
    cover *= np.float32(1.6)
    np.minimum(np.maximum(cover, NOUGHT, out=cover), ONE, out=cover)
    cover *= np.float32(alpha)
    _blend(picture, rows, columns, cover, (8, 12, 20))


class Layer:
    """Something that stands in front, drawn once: its colours and how much of what is behind they hide."""

    def __init__(self, height: int, width: int) -> None:
        self.on_black = np.zeros((height, width, 3), dtype=np.uint8)
        self.on_white = np.full((height, width, 3), 255, dtype=np.uint8)

    def polygon(self, corners: ArrayLike, colour: Colour, alpha: float = 1.0) -> None:
        for picture in (self.on_black, self.on_white):
            polygon(picture, corners, colour, alpha)

    def capsule(self, start: Spot, end: Spot, radius: float, colour: Colour, alpha: float) -> None:
        for picture in (self.on_black, self.on_white):
            capsule(picture, start, end, radius, radius, colour, alpha=alpha)

    def finish(self) -> "Overlay":
        # What shows through is the difference between the same drawing on white and on black.
        through = (self.on_white.astype(np.int16) - self.on_black).mean(axis=2).astype(np.float32) / 255.0
        touched = through < 0.999
        rows, columns = np.flatnonzero(touched.any(axis=1)), np.flatnonzero(touched.any(axis=0))
        box = (slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1))
        return Overlay(box, through[box], self.on_black[box])


class Overlay:
    def __init__(self, box: tuple[slice, slice], through: Floats, add: Pixels) -> None:
        self.box = box
        # As wide as the picture's three colours, so that nothing is spread out for every frame.
        self.through = np.repeat(through[..., None], 3, axis=2)
        self.add = add.astype(np.float32) + HALF

    def put(self, picture: Pixels) -> None:
        part = picture[self.box]
        mixed = part * self.through
        mixed += self.add
        part[:] = mixed


def _box(
    picture: Pixels | Patch, left: float, top: float, right: float, bottom: float
) -> tuple[slice, slice, Floats, Floats] | None:
    if not all(map(math.isfinite, (left, top, right, bottom))):
        return None
    if isinstance(picture, Patch):
        (height, width), ox, oy = picture.planes.shape[1:], picture.left, picture.top
    else:
        (height, width), ox, oy = picture.shape[:2], 0, 0
    x0, y0 = max(0, math.floor(left - 1) - ox), max(0, math.floor(top - 1) - oy)
    x1, y1 = min(width, math.ceil(right + 2) - ox), min(height, math.ceil(bottom + 2) - oy)
    if x0 >= x1 or y0 >= y1:
        return None
    # A pixel's middle lies half a pixel in from its corner.
    return (
        slice(y0, y1),
        slice(x0, x1),
        np.arange(x0 + ox + 0.5, x1 + ox, dtype=np.float32),
        np.arange(y0 + oy + 0.5, y1 + oy, dtype=np.float32),
    )


def _blend(
    picture: Pixels | Patch,
    rows: slice,
    columns: slice,
    cover: Floats,
    colour: Colour,
    lit: Floats | None = None,
) -> None:
    """Mix a colour in; `lit` is the cover times how bright the colour is, where that is not the same all over."""
    keep = ONE - cover
    lit = cover if lit is None else lit
    if isinstance(picture, Patch):
        part = picture.planes[:, rows, columns]
        part *= keep
        for plane, shade in zip(part, colour, strict=True):
            plane += lit * np.float32(shade)
        return
    whole = picture[rows, columns]
    whole[:] = whole * keep[..., None] + lit[..., None] * np.array(colour, dtype=np.float32) + HALF
