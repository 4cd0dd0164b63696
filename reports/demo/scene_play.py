"""The play that follows from the script: every hit and touch in time, the ball's way, and where each player is.

World places: metres, origin at the middle of the net on the floor, x across to the camera's right, y along the
court (the camera's end is negative), z up. Between two touches the ball flies as a stone does, without drag.
"""

import math
from bisect import bisect_right
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from reports.demo.scene_rallies import rallies
from reports.demo.scene_script import OTHER, OVERHEADS, PAIR_OF, PAIRS, Rally, Shot, Spot, Touch

Floats = NDArray[np.float64]
Place = tuple[float, float, float]

GRAVITY = 9.81
LEAD_S, TAIL_S = 1.0, 1.2
BREAK_S, CHANGE_S, FAULT_S = 1.6, 5.6, 1.8
# Who has far to go back is waited for; nobody runs between points.
WALK = 4.1
# The server lets the ball fall from the hand, and strikes it as it comes up again.
DROP_S, DROP_FROM = 0.70, 0.95
READY_S = 0.75
SETTLE_S = 0.25
# Where a pair stands when it has the net and when it has not, and how far it shifts with the ball.
NET_SPOT, BACK_SPOT, SHIFT = (2.0, 3.0), (2.3, 7.3), 0.30


@dataclass(frozen=True, slots=True)
class Hit:
    t: float
    rally: int
    player: int
    kind: str
    place: Place
    fault: bool = False
    hand_early: bool = True
    side_on: bool = True


@dataclass(frozen=True, slots=True)
class Meet:
    """The ball meets something that is no racket."""

    t: float
    rally: int
    what: str
    place: Place
    in_play: bool


@dataclass(frozen=True, slots=True)
class Flight:
    start: float
    end: float
    source: Place
    target: Place

    def at(self, t: float) -> Place:
        span = self.end - self.start
        share = (t - self.start) / span
        x, y, z = (a + (b - a) * share for a, b in zip(self.source, self.target, strict=True))
        return x, y, z + 0.5 * GRAVITY * (t - self.start) * (self.end - t)

    def climb(self, t: float) -> float:
        """Speed upwards, metres a second."""
        middle = 0.5 * (self.start + self.end)
        return (self.target[2] - self.source[2]) / (self.end - self.start) + GRAVITY * (middle - t)


@dataclass(frozen=True, slots=True)
class Played:
    number: int
    start: float
    end: float
    script: Rally


@dataclass(slots=True)
class Track:
    """Where one player is: places and speeds at certain times, joined smoothly."""

    times: list[float] = field(default_factory=list)
    places: list[Spot] = field(default_factory=list)
    speeds: list[Spot] = field(default_factory=list)

    def add(self, t: float, place: Spot, speed: Spot = (0.0, 0.0)) -> None:
        if self.times and t <= self.times[-1]:
            raise ValueError(f"a player cannot be in two places: {t} after {self.times[-1]}")
        self.times.append(t)
        self.places.append(place)
        self.speeds.append(speed)

    def at(self, t: Floats) -> Floats:
        times = np.asarray(self.times)
        places, speeds = np.asarray(self.places), np.asarray(self.speeds)
        t = np.clip(t, times[0], times[-1])
        i = np.clip(np.searchsorted(times, t, side="right") - 1, 0, len(times) - 2)
        span = times[i + 1] - times[i]
        u = (t - times[i]) / span
        h00, h10, h01, h11 = 2 * u**3 - 3 * u**2 + 1, u**3 - 2 * u**2 + u, 3 * u**2 - 2 * u**3, u**3 - u**2
        return (
            h00[:, None] * places[i]
            + (h10 * span)[:, None] * speeds[i]
            + h01[:, None] * places[i + 1]
            + (h11 * span)[:, None] * speeds[i + 1]
        )


@dataclass(slots=True)
class Play:
    seed: int
    duration: float = 0.0
    rallies: list[Played] = field(default_factory=list)
    hits: list[Hit] = field(default_factory=list)
    meets: list[Meet] = field(default_factory=list)
    flights: list[Flight] = field(default_factory=list)
    tracks: dict[int, Track] = field(default_factory=lambda: {player: Track() for player in PAIR_OF})

    def ball(self, t: float) -> Place | None:
        """Where the ball is; None while somebody has it in the hand or it lies in a corner."""
        i = bisect_right([flight.start for flight in self.flights], t) - 1
        return self.flights[i].at(t) if i >= 0 and t <= self.flights[i].end else None

    def spot(self, player: int, t: float) -> Spot:
        x, y = self.tracks[player].at(np.array([t]))[0]
        return float(x), float(y)

    def near_pair(self, t: float) -> str:
        """The pair at the camera's end; while ends change, the one that will be there next."""
        for played in self.rallies:
            if t <= played.end:
                return played.script.near
        return self.rallies[-1].script.near


def world(near: bool, x: float, depth: float, z: float) -> Place:
    return (x, -depth, z) if near else (-x, depth, z)


def build(seed: int = 7) -> Play:
    """Play the script; the seed moves every place and time a little."""
    return _Builder(seed).build()


class _Builder:
    def __init__(self, seed: int) -> None:
        self.play = Play(seed)
        self.rng = np.random.default_rng(seed)

    def build(self) -> Play:
        t = LEAD_S
        script = rallies()
        for number, rally in enumerate(script):
            if number and rally.near != script[number - 1].near:
                self._change_ends(self.play.rallies[-1], t - CHANGE_S, t)
            end = self._rally(number + 1, rally, t)
            following = script[number + 1] if number + 1 < len(script) else None
            if following is not None:
                t = end + (CHANGE_S if following.near != rally.near else self._break(following))
        self.play.meets.sort(key=lambda meet: meet.t)
        self.play.duration = round(self.play.rallies[-1].end + TAIL_S, 2)
        return self.play

    def _break(self, following: Rally) -> float:
        """As long as the longest way to where the next rally begins takes."""
        first = following.fault or following.shots[0]
        ways = [
            math.dist(track.places[-1], self._place(player, first, following)[:2])
            for player, track in self.play.tracks.items()
        ]
        return max(BREAK_S, SETTLE_S + max(ways) / WALK)

    def _near_by(self, spread: float) -> float:
        return float(np.clip(self.rng.normal(0, spread / 2), -spread, spread))

    def _rally(self, number: int, rally: Rally, start: float) -> float:
        shot_at = start + READY_S
        if rally.fault is not None:
            self._everybody(start, rally.fault, rally)
            end = self._shot(number, rally, rally.fault, shot_at, None)
            shot_at = end + FAULT_S
            self._everybody(shot_at - READY_S, rally.shots[0], rally)
        else:
            self._everybody(start, rally.shots[0], rally)
        end = shot_at
        for shot, following in zip(rally.shots, (*rally.shots[1:], None), strict=True):
            self._everybody(shot_at, shot, rally)
            end = shot_at = self._shot(number, rally, shot, shot_at, following)
        self.play.rallies.append(Played(number, start, end, rally))
        for player, track in self.play.tracks.items():
            near = PAIR_OF[player] == rally.near
            place = world(near, *rally.after[player], 0)[:2] if player in rally.after else track.places[-1]
            track.add(end + SETTLE_S, place)
        return end

    def _shot(self, number: int, rally: Rally, shot: Shot, t: float, following: Shot | None) -> float:
        """Let the ball fly until the next hit, or until the point is over; returns when that is."""
        near = PAIR_OF[shot.player] == rally.near
        source = world(near, shot.x, shot.depth, shot.z)
        fault = shot is rally.fault or rally.double_fault
        if shot.kind == "serve":
            self._drop(number, t, source)
        self.play.hits.append(
            Hit(t, number, shot.player, shot.kind, source, fault, shot.hand_early, shot.side_on)
        )
        here, now = source, t
        for touch in shot.then:
            there = world(not near, touch.x + self._near_by(0.06), touch.depth, touch.z)
            here, now = self._fly(here, there, now, now + touch.after)
            self.play.meets.append(Meet(now, number, touch.what, here, True))
        if following is None:
            self._roll_out(number, shot.then[-1], here, now)
            return now
        then = world(not near, following.x, following.depth, following.z)
        return self._fly(here, then, now, now + shot.air + self._near_by(0.02))[1]

    def _fly(self, source: Place, target: Place, start: float, end: float) -> tuple[Place, float]:
        self.play.flights.append(Flight(start, end, source, target))
        return target, end

    def _drop(self, number: int, t: float, contact: Place) -> None:
        x, y, _ = contact
        fall = float(np.sqrt(2 * DROP_FROM / GRAVITY))
        self._fly((x, y, DROP_FROM), (x, y, 0.0), t - DROP_S, t - DROP_S + fall)
        self.play.meets.append(Meet(t - DROP_S + fall, number, "floor", (x, y, 0.0), True))
        self._fly((x, y, 0.0), contact, t - DROP_S + fall, t)

    def _roll_out(self, number: int, last: Touch, here: Place, now: float) -> None:
        """The ball hops out after the point; the hops are heard, and count for nothing."""
        before = self.play.flights[-1]
        span = before.end - before.start
        x_speed, y_speed = ((b - a) / span for a, b in zip(before.source[:2], before.target[:2], strict=True))
        slow, turn = (0.35, -1.0) if last.what == "glass" else (0.45, 1.0)
        hops = (0.5, 0.32, 0.2) if here[2] == 0 else (float(np.sqrt(2 * here[2] / GRAVITY)), 0.4, 0.25)
        for hop in hops:
            x = float(np.clip(here[0] + slow * x_speed * hop, -4.9, 4.9))
            y = float(np.clip(here[1] + turn * slow * y_speed * hop, -9.9, 9.9))
            if y * here[1] < 0:
                y = 0.3 if here[1] > 0 else -0.3  # a dying ball does not go through the net
            here, now = self._fly(here, (x, y, 0.0), now, now + hop)
            self.play.meets.append(Meet(now, number, "floor", here, False))
            slow *= 0.7

    def _everybody(self, t: float, shot: Shot, rally: Rally) -> None:
        """Put all four where they are as this ball is hit."""
        for player, track in self.play.tracks.items():
            if player != shot.player and t == track_end(track):
                continue
            x, y = self._place(player, shot, rally)
            across, forward = shot.runs.get(player, (0.0, 0.0))
            speed = world(PAIR_OF[player] == rally.near, across, -forward, 0)[:2]
            jitter = 0.0 if player == shot.player else self._near_by(0.05)
            track.add(t, (x + jitter, y), speed)

    def _place(self, player: int, shot: Shot, rally: Rally) -> Spot:
        """Where a player is as this ball is hit, in the world's places."""
        near = PAIR_OF[player] == rally.near
        ball_x = shot.x if PAIR_OF[player] == PAIR_OF[shot.player] else -shot.x
        x, depth = shot.stands.get(player, self._usual(player, shot, rally, ball_x))
        if player == shot.player:
            x, depth = self._to_the_ball(shot, x)
        return world(near, x, depth, 0)[:2]

    def _usual(self, player: int, shot: Shot, rally: Rally, ball_x: float) -> Spot:
        pair = PAIR_OF[player]
        right = player == PAIRS[pair][0]
        if pair == PAIR_OF[rally.server]:
            # The server plays the point on the side she serves from.
            right = (rally.side == "right") == (player == rally.server)
        x, depth = NET_SPOT if shot.net == pair else BACK_SPOT
        # Before the ball is in play there is nothing to shift with.
        shift = 0.0 if shot.kind == "serve" else SHIFT * ball_x
        return (x if right else -x) + shift, depth

    def _to_the_ball(self, shot: Shot, from_x: float) -> Spot:
        if shot.kind in OVERHEADS:
            # Who is late with the hand meets the ball behind the head.
            return shot.x - 0.25, shot.depth + (0.2 if shot.hand_early else -0.05)
        reach = 0.6 if shot.kind == "serve" or shot.x >= from_x - 0.3 else -0.6
        return shot.x - reach, shot.depth + 0.25

    def _change_ends(self, over: Played, start: float, end: float) -> None:
        """Walk round the posts: one pair by the right-hand door, the other by the left-hand one."""
        for player, track in self.play.tracks.items():
            pair = PAIR_OF[player]
            side = 1.0 if pair == over.script.near else -1.0
            away = -1.0 if pair == over.script.near else 1.0
            second = 0.35 if player == PAIRS[pair][1] else 0.0
            half = 0.5 * (start + end) - 0.2 + second
            for step, x, y, across, along in (
                (-0.55, 4.5, 0.85, 1.9, -1.6),
                (0.0, 5.75, 0.0, 0.0, -2.6),
                (0.55, 4.5, -0.85, -1.9, -1.6),
            ):
                track.add(half + step, (side * x, away * y), (side * across, away * along))


def track_end(track: Track) -> float:
    return track.times[-1] if track.times else -1.0


def opponents(player: int) -> tuple[int, int]:
    return PAIRS[OTHER[PAIR_OF[player]]]
