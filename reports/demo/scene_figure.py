"""The four figures: how each one moves, turns, steps, hops and swings, down to the joints that are drawn and judged."""

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from reports.demo.scene_play import Hit, Play
from reports.demo.scene_script import OTHER, OVERHEADS, PAIR_OF

Floats = NDArray[np.float64]
At = Callable[[float, float, float], Floats]

STEP_HZ = 100
STRIDE = 1.35
CROUCH = 0.07
HIP, CHEST, SHOULDER, HEAD = 0.92, 1.30, 1.43, 1.63
HEAD_RADIUS, SHOE = 0.115, 0.30
TOP_OF_HEAD = HEAD + HEAD_RADIUS
LIMB = 0.47
GRIP = 0.33  # from the hand to the middle of the racket's face
HOP_S, HOP_M = 0.26, 0.09
# How long the feet of somebody who stopped stay where they are, on either side of the hit, and until they are let go.
HOLD_S, LET_GO_S, STOPPED = 0.11, 0.12, 0.5
# Late feet come down when the ball has long left the opponents' racket.
LATE_S = 0.38

# Hand and middle of the racket: to the right, forwards, up; metres, seen from the figure itself.
READY = ((0.12, 0.36, 1.05), (0.0, 0.62, 1.27))
BACK = {
    "forehand": ((0.55, -0.18, 1.05), (0.74, -0.44, 1.22)),
    "backhand": ((-0.35, 0.08, 1.10), (-0.58, -0.18, 1.28)),
    "overhead": ((0.34, -0.12, 1.70), (0.30, -0.36, 1.94)),
}
FOLLOW = {
    "forehand": ((-0.22, 0.45, 1.25), (-0.48, 0.50, 1.42)),
    "backhand": ((0.50, 0.40, 1.20), (0.76, 0.42, 1.36)),
    "overhead": ((-0.05, 0.50, 1.00), (-0.30, 0.58, 0.86)),
}
TURN = {"forehand": math.radians(50), "backhand": math.radians(-55), "overhead": math.radians(80)}


@dataclass(frozen=True, slots=True)
class Swing:
    hit: Hit
    style: str
    # When the hand leaves the ready place, and when it is back and up.
    leaves: float
    drawn_back: float


@dataclass(slots=True)
class Body:
    """Joints in world places, metres, at one instant."""

    points: dict[str, Floats]
    forward: Floats


@dataclass(slots=True)
class Figure:
    """One player over the whole film."""

    player: int
    times: Floats
    places: Floats
    speeds: Floats
    walked: Floats
    angles: Floats
    swings: list[Swing]
    lands: list[float] = field(default_factory=list)
    # When this player hits without running.
    stops: list[float] = field(default_factory=list)

    def place(self, t: float) -> Floats:
        return np.array([np.interp(t, self.times, self.places[:, i]) for i in (0, 1)])

    def forward(self, t: float) -> Floats:
        angle = float(np.interp(t, self.times, self.angles))
        return np.array([math.sin(angle), math.cos(angle)])

    def lift(self, t: float) -> float:
        """How far the figure is off the floor: a small hop that lands as the opponents hit."""
        for land in self.lands:
            if land - HOP_S < t < land:
                share = (t - land + HOP_S) / HOP_S
                return 4 * HOP_M * share * (1 - share)
        return 0.0

    def body(self, t: float) -> Body:
        forward = self.forward(t)
        right = np.array([forward[1], -forward[0]])
        root = np.array([*self.place(t), self.lift(t)])

        def at(sideways: float, ahead: float, up: float) -> Floats:
            return root + np.array([*(sideways * right + ahead * forward), up])

        low = CROUCH
        points = {
            "hip": at(0, 0, HIP - low),
            "chest": at(0, 0.04, CHEST - low),
            "neck": at(0, 0.05, SHOULDER + 0.05 - low),
            "head": at(0, 0.07, HEAD - low),
            "left shoulder": at(-0.2, 0.03, SHOULDER - low),
            "right shoulder": at(0.2, 0.03, SHOULDER - low),
            "left hip": at(-0.11, 0, HIP - low),
            "right hip": at(0.11, 0, HIP - low),
        }
        for side, foot in self._feet(t).items():
            points[f"{side} foot"] = foot
            points[f"{side} toe"] = foot + np.array([*(0.2 * forward), 0.0])
            points[f"{side} knee"] = _joint(points[f"{side} hip"], foot, LIMB, np.array([*forward, 0.2]))
        hand, racket, raised = self._arm(t, at)
        points["hand"], points["racket"] = hand, racket
        points["elbow"] = _joint(points["right shoulder"], hand, 0.32, np.array([*(right * 0.6), -0.8]))
        other = at(-0.26, 0.34, 1.80) if raised else at(-0.10, 0.36, 1.08)
        points["other hand"] = other
        points["other elbow"] = _joint(
            points["left shoulder"], other, 0.30, np.array([*(-right * 0.6), -0.8])
        )
        return Body(points, forward)

    def _feet(self, t: float) -> dict[str, Floats]:
        """Where the strides put them; who has stopped to hit keeps both where they are until the ball has gone."""
        feet = self._strides(t)
        for still in self.stops:
            away = abs(t - still)
            if away < HOLD_S + LET_GO_S:
                held, share = self._strides(still), 1.0 - _smooth((away - HOLD_S) / LET_GO_S)
                return {side: foot + (held[side] - foot) * share for side, foot in feet.items()}
        return feet

    def _strides(self, t: float) -> dict[str, Floats]:
        forward = self.forward(t)
        right, root = np.array([forward[1], -forward[0]]), np.array([*self.place(t), self.lift(t)])
        speed = np.array([np.interp(t, self.times, self.speeds[:, i]) for i in (0, 1)])
        pace = float(np.linalg.norm(speed))
        along = speed / pace if pace > 1e-6 else np.zeros(2)
        share = min(1.0, pace / 1.0)
        phase = float(np.interp(t, self.times, self.walked)) / STRIDE
        feet = {}
        for side, sign, half in (("left", -1.0, 0.0), ("right", 1.0, 0.5)):
            u = (phase + half) % 1.0
            if u < 0.5:  # on the floor: the body passes over it
                step, up = STRIDE / 4 - STRIDE * u, 0.0
            else:
                swing = (u - 0.5) * 2
                step, up = -STRIDE / 4 + STRIDE / 2 * _smooth(swing), 0.14 * math.sin(math.pi * swing)
            wide = 0.22 - 0.08 * share
            spot = root[:2] + sign * wide * right + share * step * along
            feet[side] = np.array([*spot, root[2] + share * up + 0.05])
        return feet

    def _arm(self, t: float, at: At) -> tuple[Floats, Floats, bool]:
        swing = next((s for s in self.swings if s.leaves < t < s.hit.t + 0.6), None)
        ready = (at(*READY[0]), at(*READY[1]))
        if swing is None:
            return *ready, False
        back = tuple(at(*place) for place in BACK[swing.style])
        follow = tuple(at(*place) for place in FOLLOW[swing.style])
        ball = np.array(swing.hit.place)
        shoulder = at(0.2, 0.03, SHOULDER - CROUCH)
        reach = shoulder - ball
        touch = (ball + reach * min(1.0, GRIP / float(np.linalg.norm(reach))), ball)
        keys = [
            (swing.leaves, ready),
            (swing.drawn_back, back),
            (swing.hit.t - 0.14, back),
            (swing.hit.t, touch),
            (swing.hit.t + 0.18, follow),
            (swing.hit.t + 0.6, ready),
        ]
        for (t0, start), (t1, end) in pairwise(keys):
            if t <= t1:
                share = _smooth((t - t0) / (t1 - t0))
                raised = swing.style == "overhead" and swing.drawn_back - 0.1 < t < swing.hit.t - 0.1
                hand, racket = (a + (b - a) * share for a, b in zip(start, end, strict=True))
                return hand, racket, raised
        return *ready, False


def figures(play: Play) -> dict[int, Figure]:
    times = np.arange(0, round(play.duration * STEP_HZ) + 1) / STEP_HZ
    return {player: _figure(play, player, times) for player in PAIR_OF}


def _figure(play: Play, player: int, times: Floats) -> Figure:
    places = play.tracks[player].at(times)
    speeds = np.gradient(places, 1 / STEP_HZ, axis=0)
    pace = np.linalg.norm(speeds, axis=1)
    walked = np.concatenate([[0.0], np.cumsum(0.5 * (pace[1:] + pace[:-1])) / STEP_HZ])
    swings = [_swing(play, hit) for hit in play.hits if hit.player == player]
    angles = _angles(play, player, times, speeds, pace, swings)
    own = [swing.hit.t for swing in swings]
    stops = [t for t in own if float(np.interp(t, times, pace)) < STOPPED]
    return Figure(player, times, places, speeds, walked, angles, swings, _lands(play, player), stops)


def _lands(play: Play, player: int) -> list[float]:
    """When the player comes down from a hop: as the opponents hit, or late."""
    own = [hit.t for hit in play.hits if hit.player == player]
    late = {played.number for played in play.rallies if player in played.script.late_feet}
    opponents = [hit for hit in play.hits if PAIR_OF[hit.player] == OTHER[PAIR_OF[player]]]
    lands = [hit.t + (LATE_S if hit.rally in late else 0.0) for hit in opponents]
    return [land for land in lands if all(abs(land - t) > 0.5 for t in own)]


def _swing(play: Play, hit: Hit) -> Swing:
    x, y = play.spot(hit.player, hit.t)
    if hit.kind in OVERHEADS:
        leaves = hit.t - (1.15 if hit.hand_early else 0.42)
        return Swing(hit, "overhead", leaves, hit.t - (0.80 if hit.hand_early else 0.22))
    own_right = (hit.place[0] - x) * (1.0 if y < 0 else -1.0)
    return Swing(hit, "forehand" if own_right > 0 else "backhand", hit.t - 0.65, hit.t - 0.3)


def _angles(
    play: Play, player: int, times: Floats, speeds: Floats, pace: Floats, swings: list[Swing]
) -> Floats:
    """Which way the chest faces: the net in play, the way walked between points, aside for a swing."""
    far = np.array([PAIR_OF[player] != play.near_pair(t) for t in times])
    wish = np.stack([np.zeros(len(times)), np.where(far, -1.0, 1.0)], axis=1)
    free = np.ones(len(times), dtype=bool)
    for rally in play.rallies:
        free &= (times < rally.start - 0.2) | (times > rally.end + 0.3)
    walking = free & (pace > 0.9)
    wish[walking] = speeds[walking] / pace[walking, None]
    for swing in swings:
        turn = TURN[swing.style] if swing.hit.side_on else 0.0
        during = (times > swing.leaves) & (times < swing.hit.t - 0.10)
        if swing.style == "overhead":
            # Whether somebody is side-on early does not hang on when the hand goes up.
            during = (times > swing.hit.t - 1.0) & (times < swing.hit.t - 0.10)
        ahead = np.where(far[during], -1.0, 1.0)
        wish[during] = np.stack([np.sin(turn) * ahead, np.cos(turn) * ahead], axis=1)
    kernel = np.hanning(33)
    kernel /= kernel.sum()
    padded = np.pad(wish, ((16, 16), (0, 0)), mode="edge")
    smooth = np.stack([np.convolve(padded[:, i], kernel, mode="valid") for i in (0, 1)], axis=1)
    return np.unwrap(np.arctan2(smooth[:, 0], smooth[:, 1]))


def _joint(start: Floats, end: Floats, length: float, outwards: Floats) -> Floats:
    """A knee or an elbow: between the ends, pushed out as far as two bones of that length leave room."""
    half = 0.5 * float(np.linalg.norm(end - start))
    room = math.sqrt(max(0.0, length**2 - half**2))
    return 0.5 * (start + end) + outwards / float(np.linalg.norm(outwards)) * min(room, 0.25)


def _smooth(share: float) -> float:
    share = min(1.0, max(0.0, share))
    return share * share * (3 - 2 * share)
