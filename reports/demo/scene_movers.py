"""What moves in the drawn film: the four figures, the ball, and the shadows of both."""

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clubcoach.compute.camera import Camera
from reports.demo.scene_figure import HEAD_RADIUS
from reports.demo.scene_paint import Colour, Patch, Pixels, capsule, disc, shadow

Floats = NDArray[np.float64]

# Shirts after Okabe & Ito, told apart by any eye; pair A in dark shorts, pair B in white, the left-hand players capped.
SHIRTS: dict[int, Colour] = {1: (230, 159, 0), 2: (0, 158, 115), 3: (86, 180, 233), 4: (204, 121, 167)}
SHORTS: dict[int, Colour] = {1: (38, 38, 44), 2: (38, 38, 44), 3: (236, 236, 232), 4: (236, 236, 232)}
SKIN: dict[int, Colour] = {1: (222, 178, 146), 2: (160, 110, 80), 3: (236, 196, 168), 4: (196, 146, 112)}
HAIR: dict[int, Colour] = {1: (70, 46, 30), 2: (245, 245, 240), 3: (190, 150, 80), 4: (30, 30, 36)}
CAPPED = (2, 4)
SHOES: Colour = (240, 240, 240)
RACKET: Colour = (32, 32, 36)
RIM: Colour = (238, 238, 238)
BALL: Colour = (226, 244, 70)
BALL_RADIUS = 0.033
# How far anything of a figure reaches from a joint: the trunk's half width, the racket's face.
REACH = 0.22

TRUNK = (
    ("hip", "chest", 0.145, 0.165, "shirt"),
    ("left shoulder", "right shoulder", 0.085, 0.085, "shirt"),
    ("neck", "head", 0.055, 0.055, "skin"),
    ("left hip", "right hip", 0.125, 0.125, "shorts"),
)
LEGS = tuple(
    part
    for side in ("left", "right")
    for part in (
        (f"{side} hip", f"{side} knee", 0.105, 0.08, "shorts"),
        (f"{side} knee", f"{side} foot", 0.065, 0.045, "skin"),
        (f"{side} foot", f"{side} toe", 0.055, 0.05, "shoes"),
    )
)
ARMS = tuple(
    part
    for shoulder, elbow, hand in (
        ("left shoulder", "other elbow", "other hand"),
        ("right shoulder", "elbow", "hand"),
    )
    for part in ((shoulder, elbow, 0.07, 0.052, "shirt"), (elbow, hand, 0.047, 0.042, "skin"))
)
LIMBS = (*TRUNK, *LEGS, *ARMS)


class Lens:
    """The camera's projection with its place and tilt worked out once: a frame asks for a hundred places."""

    def __init__(self, camera: Camera) -> None:
        self.focal, self._place = camera.focal, camera.place
        sin, cos = math.sin(math.radians(camera.tilt_deg)), math.cos(math.radians(camera.tilt_deg))
        right, down, ahead = (1.0, 0.0, 0.0), (0.0, -sin, -cos), (0.0, cos, -sin)
        self._turn = np.array([right, down, ahead]).T * np.array([self.focal, self.focal, 1.0])
        self._middle = np.array([camera.width / 2.0, camera.height_px / 2.0])

    def see(self, places: ArrayLike) -> tuple[Floats, Floats]:
        """Pixels (n x 2) and depths (n) of places (n x 3) in front of the camera."""
        seen = (np.asarray(places, dtype=np.float64) - self._place) @ self._turn
        return seen[:, :2] / seen[:, 2:] + self._middle, seen[:, 2]


def floor_shadow(picture: Pixels, lens: Lens, x: float, y: float, wide: float, alpha: float) -> None:
    (middle, first, second), _ = lens.see([(x, y, 0.0), (x + wide, y, 0.0), (x, y + wide, 0.0)])
    shadow(picture, middle, first, second, alpha)


def ball(picture: Pixels, lens: Lens, here: Floats, there: Floats) -> None:
    """The ball, drawn out from where it is to where it was."""
    # The ball lies on the floor when its middle is a radius above it.
    lift = np.array([0.0, 0.0, BALL_RADIUS])
    (a, b), depths = lens.see([here + lift, there + lift])
    size = max(1.3, BALL_RADIUS * lens.focal / float(depths[0]))
    capsule(picture, a, b, size, size, BALL, shade=0.25)


def figure(picture: Pixels, lens: Lens, player: int, points: dict[str, Floats], forward: Floats) -> None:
    """Limbs, trunk and head as thick lines, the far ones first."""
    colours = {"shirt": SHIRTS[player], "shorts": SHORTS[player], "skin": SKIN[player], "shoes": SHOES}
    names = list(points)
    seen, away = lens.see([points[name] for name in names])
    margin = REACH * lens.focal / float(away.min())
    patch = Patch(picture, *(seen.min(axis=0) - margin), *(seen.max(axis=0) + margin))
    pixels, depths = dict(zip(names, seen, strict=True)), dict(zip(names, away.tolist(), strict=True))
    parts: list[tuple[float, Any]] = [(0.5 * (depths[limb[0]] + depths[limb[1]]), limb) for limb in LIMBS]
    parts += [(depths["head"], "head"), (depths["racket"], "racket")]
    for _depth, part in sorted(parts, key=lambda entry: -entry[0]):
        if part == "head":
            _head(patch, lens, player, points["head"], forward)
        elif part == "racket":
            _racket(patch, lens, points["hand"], points["racket"])
        else:
            a, b, start, end, what = part
            start, end = start * lens.focal / depths[a], end * lens.focal / depths[b]
            capsule(patch, pixels[a], pixels[b], start, end, colours[what], shade=0.38)
    patch.finish()


def _head(patch: Patch, lens: Lens, player: int, head: Floats, forward: Floats) -> None:
    ahead = np.array([*forward, 0.0])
    crown = head - 0.05 * ahead + np.array([0.0, 0.0, 0.045])
    face = head + 0.04 * ahead - np.array([0.0, 0.0, 0.035])
    (middle, top, front, brim), depths = lens.see([head, crown, face, crown + 0.19 * ahead])
    size = HEAD_RADIUS * lens.focal / float(depths[0])
    facing_away = forward[1] > 0.2
    disc(patch, middle, size, SKIN[player], shade=0.3)
    disc(patch, top, size * (0.98 if facing_away else 0.86), HAIR[player], shade=0.3)
    if not facing_away:
        disc(patch, front, size * 0.78, SKIN[player], shade=0.2)
    if player in CAPPED:
        capsule(patch, top, brim, size * 0.45, size * 0.3, HAIR[player])


def _racket(patch: Patch, lens: Lens, hand: Floats, middle: Floats) -> None:
    throat = hand + (middle - hand) * 0.55
    (a, b, c), depths = lens.see([hand, throat, middle])
    scale = lens.focal / depths
    size = 0.125 * float(scale[2])
    capsule(patch, a, b, 0.02 * float(scale[0]), 0.025 * float(scale[1]), RACKET)
    disc(patch, c, size, RIM)
    disc(patch, c, size * 0.86, RACKET)
