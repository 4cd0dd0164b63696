"""The pictures of the drawn film: a court in a hall, seen from behind the near glass, four figures and a ball.

The camera looks through clean glass and an opening in the mesh above it, so nothing of the near wall is drawn. All
that stands still is painted once; a frame paints the figures, the net in front of the far ones, and the ball.
"""

import math
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clubcoach.compute.camera import (
    FENCE_TOP,
    GLASS_TOP,
    HALF_LENGTH,
    HALF_WIDTH,
    LINE_WIDTH,
    POST_TOP,
    SIDE_FIRST,
    SIDE_LOW,
    SIDE_SECOND,
    Camera,
    court_lines,
    net_top,
)
from reports.demo.scene_figure import HEAD_RADIUS, Figure
from reports.demo.scene_paint import Colour, Layer, Overlay, Pixels, capsule, disc, glow, polygon
from reports.demo.scene_play import Play

Floats = NDArray[np.float64]

# Shirts after Okabe & Ito, told apart by any eye; pair A in dark shorts, pair B in white, the left-hand players capped.
SHIRTS: dict[int, Colour] = {1: (230, 159, 0), 2: (0, 158, 115), 3: (86, 180, 233), 4: (204, 121, 167)}
SHORTS: dict[int, Colour] = {1: (38, 38, 44), 2: (38, 38, 44), 3: (236, 236, 232), 4: (236, 236, 232)}
SKIN: dict[int, Colour] = {1: (222, 178, 146), 2: (160, 110, 80), 3: (236, 196, 168), 4: (196, 146, 112)}
HAIR: dict[int, Colour] = {1: (70, 46, 30), 2: (245, 245, 240), 3: (190, 150, 80), 4: (30, 30, 36)}
CAPPED = (2, 4)
SHOES, RACKET, RIM, BALL, LINE = (
    (240, 240, 240),
    (32, 32, 36),
    (238, 238, 238),
    (226, 244, 70),
    (232, 236, 238),
)
FLOOR, APRON, HALL, GLASS_TINT, STEEL = (
    (33, 74, 124),
    (74, 78, 84),
    (30, 34, 40),
    (150, 178, 188),
    (24, 26, 30),
)
BALL_RADIUS = 0.033
EXPOSURE_S = 0.012


class Stage:
    """A camera's view of the court: what stands still, ready to be drawn on."""

    def __init__(self, camera: Camera, seed: int = 7) -> None:
        self.camera = camera
        self.floor_picture: Pixels = np.zeros((camera.height_px, camera.width, 3), dtype=np.uint8)
        self._hall()
        self._floor(seed)
        self._walls()
        self.net: Overlay = self._net()

    def frame(self, play: Play, figures: dict[int, Figure], t: float) -> Pixels:
        """The picture at one time, height x width x 3."""
        picture = self.floor_picture.copy()
        bodies = {player: figure.body(t) for player, figure in figures.items()}
        ball = play.ball(t)
        for figure in figures.values():
            self._shadow(picture, figure.place(t), 0.33 - 0.5 * figure.lift(t))
        if ball is not None:
            self._ball_shadow(picture, ball)
        order = sorted(bodies, key=lambda player: -float(self.camera.depth(bodies[player].points["hip"])))
        behind = [player for player in order if bodies[player].points["hip"][1] > 0]
        ball_y = ball[1] if ball is not None else -99.0
        self._group(picture, play, t, behind, bodies, ball_y if ball_y > 0 else None)
        self.net.put(picture)
        front = [player for player in order if player not in behind]
        self._group(picture, play, t, front, bodies, ball_y if -50 < ball_y <= 0 else None)
        return picture

    def _group(
        self,
        picture: Pixels,
        play: Play,
        t: float,
        players: list[int],
        bodies: dict[int, Any],
        ball_y: float | None,
    ) -> None:
        """Far to near, the ball in its turn."""
        for player in players:
            if ball_y is not None and bodies[player].points["hip"][1] < ball_y:
                self._ball(picture, play, t)
                ball_y = None
            self._figure(picture, player, bodies[player].points, bodies[player].forward)
        if ball_y is not None:
            self._ball(picture, play, t)

    # What stands still

    def _flat(self, *corners: tuple[float, float, float]) -> Floats:
        return self.camera.project(np.array(corners))

    def _size(self, metres: float, place: Floats) -> float:
        return metres * self.camera.focal / float(self.camera.depth(place))

    def _hall(self) -> None:
        height = self.camera.height_px
        fall = np.linspace(1.25, 0.8, height)[:, None, None]
        self.floor_picture[:] = np.clip(np.array(HALL) * fall, 0, 255).astype(np.uint8)
        for y in (13.0, 18.0):
            for x in (-9.0, -3.0, 3.0, 9.0):
                lamp = self._flat(
                    (x - 1.2, y, 6.2), (x + 1.2, y, 6.2), (x + 1.2, y + 0.5, 6.2), (x - 1.2, y + 0.5, 6.2)
                )
                polygon(self.floor_picture, lamp, (214, 222, 226), 0.55)
        ground = self._flat((-30, -8.6, 0), (30, -8.6, 0), (30, 40, 0), (-30, 40, 0))
        polygon(self.floor_picture, ground, APRON)

    def _floor(self, seed: int) -> None:
        edge, back = HALF_WIDTH, HALF_LENGTH
        court = self._flat((-edge, -back, 0), (edge, -back, 0), (edge, back, 0), (-edge, back, 0))
        polygon(self.floor_picture, court, FLOOR)
        for x in (-2.6, 2.6):
            for y in (-6.0, 0.0, 6.0):
                middle = self._flat((x, y, 0))[0]
                wide = self._size(3.4, np.array([x, y, 0.0]))
                glow(self.floor_picture, middle, wide, wide * 0.42, (96, 140, 190), 0.30)
        # Sand lies in the turf; without it the floor is smoother than any film is.
        grain = np.random.default_rng(seed).normal(0, 2.0, self.floor_picture.shape[:2])
        inside = np.zeros(self.floor_picture.shape, dtype=np.uint8)
        polygon(inside, court, (255, 255, 255))
        sanded = self.floor_picture + grain[..., None] * (inside > 127)
        self.floor_picture[:] = np.clip(sanded, 0, 255).astype(np.uint8)
        for name, (start, end) in court_lines().items():
            if name.endswith(("service", "central")):
                self._line(start, end)

    def _line(self, start: Floats, end: Floats) -> None:
        along = (end - start) / np.linalg.norm(end - start)
        aside = np.array([along[1], -along[0], 0.0]) * (LINE_WIDTH / 2)
        polygon(
            self.floor_picture,
            self.camera.project(np.array([start - aside, end - aside, end + aside, start + aside])),
            LINE,
            0.92,
        )

    def _walls(self) -> None:
        edge, back = HALF_WIDTH, HALF_LENGTH
        for side in (-edge, edge):
            for end in (-back, back):
                inner, outer = math.copysign(back - SIDE_FIRST, end), math.copysign(back - SIDE_SECOND, end)
                self._pane((side, end), (side, inner), GLASS_TOP)
                self._pane((side, inner), (side, outer), SIDE_LOW)
                self._mesh((side, end), (side, inner), GLASS_TOP, FENCE_TOP)
                self._mesh((side, inner), (side, outer), SIDE_LOW, GLASS_TOP)
            middle = back - SIDE_SECOND
            # The door by the net is left open.
            self._mesh((side, -middle), (side, -0.9), 0.0, GLASS_TOP)
            self._mesh((side, 0.9), (side, middle), 0.0, GLASS_TOP)
            for y in np.arange(-8.0, 10.1, 2.0):
                self._post((side, float(y)), FENCE_TOP if abs(y) >= 8 else GLASS_TOP)
        for x in np.arange(-edge, edge, 2.0):
            self._pane((float(x), back), (float(x) + 2.0, back), GLASS_TOP)
        self._mesh((-edge, back), (edge, back), GLASS_TOP, FENCE_TOP)
        for x in np.arange(-edge, edge + 0.1, 2.0):
            self._post((float(x), back), FENCE_TOP)

    def _pane(self, start: tuple[float, float], end: tuple[float, float], top: float) -> None:
        pane = self._flat((*start, 0), (*end, 0), (*end, top), (*start, top))
        polygon(self.floor_picture, pane, GLASS_TINT, 0.20)
        self._edge((*start, top), (*end, top), 0.03, STEEL, 0.8)
        self._edge((*start, 0.0), (*end, 0.0), 0.03, STEEL, 0.8)
        self._edge((*start, 0.0), (*start, top), 0.012, (196, 214, 220), 0.5)
        # A streak of light tells glass from air.
        (x0, y0), (x1, y1) = start, end
        for share in (0.25, 0.38):
            foot = (x0 + (x1 - x0) * share, y0 + (y1 - y0) * share, top * 0.35)
            head = (x0 + (x1 - x0) * (share + 0.3), y0 + (y1 - y0) * (share + 0.3), top * 0.9)
            self._edge(foot, head, 0.03, (226, 238, 242), 0.10)

    def _mesh(self, start: tuple[float, float], end: tuple[float, float], low: float, top: float) -> None:
        polygon(
            self.floor_picture,
            self._flat((*start, low), (*end, low), (*end, top), (*start, top)),
            STEEL,
            0.22,
        )
        length = math.dist(start, end)
        for share in np.linspace(0, 1, max(2, round(length / 0.2) + 1)):
            x, y = (a + (b - a) * float(share) for a, b in zip(start, end, strict=True))
            self._edge((x, y, low), (x, y, top), 0.006, (120, 128, 134), 0.55)
        for z in np.linspace(low, top, max(2, round((top - low) / 0.2) + 1)):
            self._edge((*start, float(z)), (*end, float(z)), 0.006, (120, 128, 134), 0.55)

    def _post(self, place: tuple[float, float], top: float) -> None:
        self._edge((*place, 0.0), (*place, top), 0.04, STEEL, 0.95)

    def _edge(
        self, start: tuple[float, ...], end: tuple[float, ...], radius: float, colour: Colour, alpha: float
    ) -> None:
        ends = np.array([start, end], dtype=np.float64)
        a, b = self.camera.project(ends)
        sizes = [self._size(radius, place) for place in ends]
        capsule(self.floor_picture, a, b, sizes[0], sizes[1], colour, alpha=alpha)

    def _net(self) -> Overlay:
        layer = Layer(self.camera.height_px, self.camera.width)
        steps = np.linspace(-HALF_WIDTH, HALF_WIDTH, 11)
        for x0, x1 in pairwise(steps):
            z0, z1 = float(net_top(x0)), float(net_top(x1))
            layer.polygon(
                self._flat((x0, 0, 0.02), (x1, 0, 0.02), (x1, 0, z1), (x0, 0, z0)), (20, 22, 26), 0.42
            )
            layer.polygon(
                self._flat((x0, 0, z0 - 0.06), (x1, 0, z1 - 0.06), (x1, 0, z1), (x0, 0, z0)),
                (244, 244, 242),
                0.95,
            )
        middle = self._flat((0, 0, 0.02), (0, 0, 0.88))
        layer.capsule(middle[0], middle[1], self._size(0.025, np.zeros(3)), (236, 236, 236), 0.9)
        for side in (-HALF_WIDTH, HALF_WIDTH):
            post = self._flat((side, 0, 0), (side, 0, POST_TOP))
            layer.capsule(post[0], post[1], self._size(0.05, np.array([side, 0.0, 0.5])), STEEL, 1.0)
        return layer.finish()

    # What moves

    def _shadow(self, picture: Pixels, place: Floats, wide: float) -> None:
        turn = np.linspace(0, 2 * math.pi, 14, endpoint=False)
        for size, alpha in ((1.0, 0.22), (0.7, 0.25)):
            ring = np.stack(
                [place[0] + size * wide * np.cos(turn), place[1] + size * wide * np.sin(turn), np.zeros(14)],
                axis=1,
            )
            polygon(picture, self.camera.project(ring), (8, 12, 20), alpha)

    def _ball_shadow(self, picture: Pixels, ball: tuple[float, float, float]) -> None:
        turn = np.linspace(0, 2 * math.pi, 10, endpoint=False)
        wide = 0.05 + 0.015 * ball[2]
        ring = np.stack([ball[0] + wide * np.cos(turn), ball[1] + wide * np.sin(turn), np.zeros(10)], axis=1)
        polygon(picture, self.camera.project(ring), (8, 12, 20), max(0.15, 0.55 - 0.1 * ball[2]))

    def _ball(self, picture: Pixels, play: Play, t: float) -> None:
        here = np.array(play.ball(t))
        before = play.ball(t - EXPOSURE_S)
        there = here if before is None else np.array(before)
        # The ball lies on the floor when its middle is a radius above it.
        lift = np.array([0.0, 0.0, BALL_RADIUS])
        a, b = self.camera.project(np.stack([here + lift, there + lift]))
        size = max(1.3, self._size(BALL_RADIUS, here))
        capsule(picture, a, b, size, size, BALL, shade=0.25)

    def _figure(self, picture: Pixels, player: int, points: dict[str, Floats], forward: Floats) -> None:
        """Limbs, trunk and head as thick lines, the far ones first."""
        shirt, shorts, skin = SHIRTS[player], SHORTS[player], SKIN[player]
        limbs = [
            ("hip", "chest", 0.145, 0.165, shirt),
            ("left shoulder", "right shoulder", 0.085, 0.085, shirt),
            ("neck", "head", 0.055, 0.055, skin),
            ("left hip", "right hip", 0.125, 0.125, shorts),
        ]
        for side in ("left", "right"):
            limbs += [
                (f"{side} hip", f"{side} knee", 0.105, 0.08, shorts),
                (f"{side} knee", f"{side} foot", 0.065, 0.045, skin),
                (f"{side} foot", f"{side} toe", 0.055, 0.05, SHOES),
            ]
        for shoulder, elbow, hand in (
            ("left shoulder", "other elbow", "other hand"),
            ("right shoulder", "elbow", "hand"),
        ):
            limbs += [(shoulder, elbow, 0.07, 0.052, shirt), (elbow, hand, 0.047, 0.042, skin)]
        names = list(points)
        places = np.stack([points[name] for name in names])
        pixels = dict(zip(names, self.camera.project(places), strict=True))
        depths = dict(zip(names, self.camera.depth(places), strict=True))
        scale = self.camera.focal
        parts: list[tuple[float, Any]] = [
            (0.5 * float(depths[a] + depths[b]), (a, b, ra, rb, colour)) for a, b, ra, rb, colour in limbs
        ]
        parts.append((float(depths["head"]), None))
        parts.append((float(depths["racket"]), "racket"))
        for _depth, part in sorted(parts, key=lambda entry: -entry[0]):
            if part is None:
                self._head(picture, player, points, forward)
            elif part == "racket":
                self._racket(picture, points)
            else:
                a, b, ra, rb, colour = part
                start, end = ra * scale / float(depths[a]), rb * scale / float(depths[b])
                capsule(picture, pixels[a], pixels[b], start, end, colour, shade=0.38)

    def _head(self, picture: Pixels, player: int, points: dict[str, Floats], forward: Floats) -> None:
        head = points["head"]
        size = self._size(HEAD_RADIUS, head)
        crown = head - np.array([*(0.05 * forward), -0.045])
        middle, top = self.camera.project(np.stack([head, crown]))
        facing_away = forward[1] > 0.2
        first, second = ((middle, SKIN[player]), (top, HAIR[player]))
        disc(picture, first[0], size, first[1], shade=0.3)
        disc(picture, second[0], size * (0.98 if facing_away else 0.86), second[1], shade=0.3)
        if not facing_away:
            face = self.camera.project(head + np.array([*(0.04 * forward), -0.035]))
            disc(picture, face, size * 0.78, SKIN[player], shade=0.2)
        if player in CAPPED:
            brim = self.camera.project(np.stack([crown, crown + np.array([*(0.19 * forward), 0.0])]))
            capsule(picture, brim[0], brim[1], size * 0.45, size * 0.3, HAIR[player])

    def _racket(self, picture: Pixels, points: dict[str, Floats]) -> None:
        hand, middle = points["hand"], points["racket"]
        throat = hand + (middle - hand) * 0.55
        a, b, c = self.camera.project(np.stack([hand, throat, middle]))
        size = self._size(0.125, middle)
        capsule(picture, a, b, self._size(0.02, hand), self._size(0.025, throat), RACKET)
        disc(picture, c, size, RIM)
        disc(picture, c, size * 0.86, RACKET)
