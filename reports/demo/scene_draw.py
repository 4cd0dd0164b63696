"""The pictures of the drawn film: a court in a hall, seen from behind the near glass, four figures and a ball.

The camera looks through clean glass and an opening in the mesh above it, so nothing of the near wall is drawn. All
that stands still is painted once; a frame paints the figures, the net in front of the far ones, and the ball.
"""

import math
from itertools import pairwise

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
from reports.demo import scene_movers
from reports.demo.scene_figure import Body, Figure
from reports.demo.scene_paint import Colour, Layer, Overlay, Pixels, capsule, glow, polygon
from reports.demo.scene_play import Play

Floats = NDArray[np.float64]

FLOOR, APRON, HALL, GLASS_TINT, STEEL, LINE = (
    (33, 74, 124),
    (74, 78, 84),
    (30, 34, 40),
    (150, 178, 188),
    (24, 26, 30),
    (232, 236, 238),
)
EXPOSURE_S = 0.012


class Stage:
    """A camera's view of the court: what stands still, ready to be drawn on."""

    def __init__(self, camera: Camera, seed: int = 7) -> None:
        self.camera, self.lens = camera, scene_movers.Lens(camera)
        self.floor_picture: Pixels = np.zeros((camera.height_px, camera.width, 3), dtype=np.uint8)
        self._hall()
        self._floor(seed)
        self._walls()
        self.net: Overlay = self._net()

    def frame(self, play: Play, figures: dict[int, Figure], t: float) -> Pixels:
        """The picture at one time, height x width x 3."""
        picture = self.floor_picture.copy()
        bodies = {player: figure.body(t) for player, figure in figures.items()}
        for figure in figures.values():
            x, y = figure.place(t)
            scene_movers.floor_shadow(picture, self.lens, x, y, 0.35 - 0.5 * figure.lift(t), 0.42)
        ball = play.ball(t)
        if ball is not None:
            x, y, z = ball
            scene_movers.floor_shadow(picture, self.lens, x, y, 0.055 + 0.015 * z, max(0.15, 0.55 - 0.1 * z))
        _, depths = self.lens.see([body.points["hip"] for body in bodies.values()])
        away = dict(zip(bodies, depths, strict=True))
        order = sorted(bodies, key=lambda player: -away[player])
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
        bodies: dict[int, Body],
        ball_y: float | None,
    ) -> None:
        """Far to near, the ball in its turn."""
        for player in players:
            body = bodies[player]
            if ball_y is not None and body.points["hip"][1] < ball_y:
                self._ball(picture, play, t)
                ball_y = None
            scene_movers.figure(picture, self.lens, player, body.points, body.forward)
        if ball_y is not None:
            self._ball(picture, play, t)

    def _ball(self, picture: Pixels, play: Play, t: float) -> None:
        here, before = np.array(play.ball(t)), play.ball(t - EXPOSURE_S)
        scene_movers.ball(picture, self.lens, here, here if before is None else np.array(before))

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
