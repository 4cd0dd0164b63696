"""What moves in the drawn film: the four figures, the ball, and the shadows of both."""

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clubcoach.compute.camera import Camera
from reports.demo.scene_figure import HEAD_RADIUS
from reports.demo.scene_paint import Colour, Patch, Pixels, capsule, shadow, strokes

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

# From joint to joint: radii in metres at both, what colour, how much darker at the edge, and the joint whose distance
# says when it is drawn (the middle of both where none is named).
Part = tuple[str, str, float, float, str, float, str]
TRUNK: tuple[Part, ...] = (
    ("hip", "chest", 0.145, 0.165, "shirt", 0.38, ""),
    ("left shoulder", "right shoulder", 0.085, 0.085, "shirt", 0.38, ""),
    ("neck", "head", 0.055, 0.055, "skin", 0.38, ""),
    ("left hip", "right hip", 0.125, 0.125, "shorts", 0.38, ""),
)
LEGS: tuple[Part, ...] = tuple(
    part
    for side in ("left", "right")
    for part in (
        (f"{side} hip", f"{side} knee", 0.105, 0.08, "shorts", 0.38, ""),
        (f"{side} knee", f"{side} foot", 0.065, 0.045, "skin", 0.38, ""),
        (f"{side} foot", f"{side} toe", 0.055, 0.05, "shoes", 0.38, ""),
    )
)
ARMS: tuple[Part, ...] = tuple(
    part
    for shoulder, elbow, hand in (
        ("left shoulder", "other elbow", "other hand"),
        ("right shoulder", "elbow", "hand"),
    )
    for part in (
        (shoulder, elbow, 0.07, 0.052, "shirt", 0.38, ""),
        (elbow, hand, 0.047, 0.042, "skin", 0.38, ""),
    )
)
SKULL: Part = ("head", "head", HEAD_RADIUS, HEAD_RADIUS, "skin", 0.3, "head")
HEAD_FROM_BEHIND: tuple[Part, ...] = (
    SKULL,
    ("crown", "crown", 0.98 * HEAD_RADIUS, 0.98 * HEAD_RADIUS, "hair", 0.3, "head"),
)
HEAD_FROM_THE_FRONT: tuple[Part, ...] = (
    SKULL,
    ("crown", "crown", 0.86 * HEAD_RADIUS, 0.86 * HEAD_RADIUS, "hair", 0.3, "head"),
    ("face", "face", 0.78 * HEAD_RADIUS, 0.78 * HEAD_RADIUS, "skin", 0.2, "head"),
)
CAP: Part = ("crown", "brim", 0.45 * HEAD_RADIUS, 0.3 * HEAD_RADIUS, "hair", 0.0, "head")
RACKET_PARTS: tuple[Part, ...] = (
    ("hand", "throat", 0.02, 0.025, "racket", 0.0, "racket"),
    ("racket", "racket", 0.125, 0.125, "rim", 0.0, "racket"),
    ("racket", "racket", 0.1075, 0.1075, "racket", 0.0, "racket"),
)
EXTRA = ("crown", "face", "brim", "throat")
JOINTS = (*dict.fromkeys(name for part in (*TRUNK, *LEGS, *ARMS) for name in part[:2]), "racket")
PLACE_OF = {name: number for number, name in enumerate((*JOINTS, *EXTRA))}


@dataclass(frozen=True, slots=True)
class Looks:
    """The parts of one player as arrays: joints, joints that say when, radii, colours, shades."""

    ends: NDArray[np.intp]
    when: NDArray[np.intp]
    radii: Floats
    colours: NDArray[np.float32]
    shades: NDArray[np.float32]


@cache
def _looks(player: int, from_behind: bool) -> Looks:
    parts = (*TRUNK, *LEGS, *ARMS, *(HEAD_FROM_BEHIND if from_behind else HEAD_FROM_THE_FRONT))
    parts += ((CAP,) if player in CAPPED else ()) + RACKET_PARTS
    colour = {"shirt": SHIRTS[player], "shorts": SHORTS[player], "skin": SKIN[player], "hair": HAIR[player]}
    colour |= {"shoes": SHOES, "racket": RACKET, "rim": RIM}
    return Looks(
        ends=np.array([[PLACE_OF[part[0]], PLACE_OF[part[1]]] for part in parts]),
        when=np.array([[PLACE_OF[part[6] or part[0]], PLACE_OF[part[6] or part[1]]] for part in parts]),
        radii=np.array([part[2:4] for part in parts]),
        colours=np.array([colour[part[4]] for part in parts], dtype=np.float32),
        shades=np.array([part[5] for part in parts], dtype=np.float32),
    )


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
    """Limbs, trunk, head and racket as thick lines, the far ones first."""
    looks = _looks(player, bool(forward[1] > 0.2))
    ahead, up = np.array([*forward, 0.0]), np.array([0.0, 0.0, 1.0])
    head, hand = points["head"], points["hand"]
    crown = head - 0.05 * ahead + 0.045 * up
    throat = hand + (points["racket"] - hand) * 0.55
    extra = (crown, head + 0.04 * ahead - 0.035 * up, crown + 0.19 * ahead, throat)
    seen, away = lens.see([*(points[name] for name in JOINTS), *extra])
    order = np.argsort(-away[looks.when].sum(axis=1), kind="stable")
    ends = looks.ends[order]
    radii = looks.radii[order] * lens.focal / away[ends]
    margin = REACH * lens.focal / float(away.min())
    patch = Patch(picture, *(seen.min(axis=0) - margin), *(seen.max(axis=0) + margin))
    strokes(patch, seen[ends], radii, looks.colours[order], looks.shades[order])
    patch.finish()
