"""What there is to see in the drawn film: rallies, hits, touches, and every situation with its checks.

The rules and bounds are those of the default check list. Each check is worked out from the places and joints that
are drawn, never from the script, and kept with what was measured. Codes that are not here cannot be told from
figures as simple as these, or ask for a sharper picture (L5, S6).
"""

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from clubcoach.compute.camera import HALF_WIDTH, SERVICE_LINE
from reports.demo.scene_figure import HOP_S, TOP_OF_HEAD, Figure
from reports.demo.scene_play import Hit, Meet, Play, Played, opponents
from reports.demo.scene_script import OTHER, OVERHEADS, PAIR_OF, PAIRS

FEET_LOB_BANDEJA = ("F1", "F4", "F5", "L1", "L2", "L3", "L4", "L6", "B1", "B2", "B3", "B4", "B5")
SERVE_NET = ("S1", "S2", "S3", "S4", "S5", "N1", "N2", "N3", "N6")
CODES = (*FEET_LOB_BANDEJA, *SERVE_NET)
NEAR_ONLY = ("F1", "F4", "L2", "B3", "S3", "N1", "N3", "N6")
NET_M, HIP_M = 4.5, 0.95


@dataclass(slots=True)
class Seen:
    """One situation: measures are what decided, in metres, seconds or degrees; checks say met or missed."""

    rally: int
    hit: int
    unit: str
    area: str
    trigger: str
    end: str
    checks: dict[str, str] = field(default_factory=dict)
    measures: dict[str, float] = field(default_factory=dict)

    def judge(self, code: str, met: bool, measure: float) -> None:
        if code in NEAR_ONLY and self.end != "near":
            return
        self.checks[code] = "met" if met else "missed"
        self.measures[code] = round(float(measure), 3)


class Truth:
    """The play and its figures, asked in the words of the check list."""

    def __init__(self, play: Play, figures: dict[int, Figure]) -> None:
        self.play, self.figures = play, figures

    def situations(self) -> list[Seen]:
        found: list[Seen] = []
        for played in self.play.rallies:
            hits = self.hits_of(played)
            found += self._serve(played, hits)
            for player in PAIR_OF:
                found += self._feet(played, hits, player)
            for i in range(len(hits)):
                found += self._lob(played, hits, i) + self._bandeja(played, hits, i)
                found += self._net(played, hits, i)
        return sorted(found, key=lambda seen: (self.play.hits[seen.hit].t, seen.area, seen.unit))

    def hits_of(self, played: Played) -> list[Hit]:
        return [hit for hit in self.play.hits if hit.rally == played.number and not hit.fault]

    def depth(self, player: int, t: float) -> float:
        return abs(float(self.figures[player].place(t)[1]))

    def end(self, player: int, t: float) -> str:
        return "near" if self.figures[player].place(t)[1] < 0 else "far"

    def _seen(self, played: Played, hit: Hit, unit: int | str, area: str, trigger: str = "") -> Seen:
        player = unit if isinstance(unit, int) else PAIRS[unit][0]
        number = self.play.hits.index(hit)
        return Seen(played.number, number, str(unit), area, trigger, self.end(player, hit.t))

    def _answer(self, hits: list[Hit], i: int) -> Hit | None:
        """H2: the opponents' next hit."""
        later = (hit for hit in hits[i + 1 :] if PAIR_OF[hit.player] != PAIR_OF[hits[i].player])
        return next(later, None)

    def _next_touch(self, hit: Hit) -> float:
        times = [other.t for other in self.play.hits] + [meet.t for meet in self.play.meets]
        return min(t for t in times if t > hit.t + 1e-6)

    def _first_meet(self, hit: Hit) -> Meet | None:
        """What the ball touches after a hit, if it does so before the next one."""
        following = min((other.t for other in self.play.hits if other.t > hit.t), default=math.inf)
        return next((meet for meet in self.play.meets if hit.t < meet.t < following), None)

    def kept_in(self, hit: Hit) -> bool:
        """Over the net and onto the opponents' floor, or met by them in the air."""
        meet = self._first_meet(hit)
        return meet is None or (meet.what == "floor" and meet.place[1] * hit.place[1] < 0)

    def _moved(self, player: int, start: float, end: float) -> float:
        steps = np.array([self.figures[player].place(t) for t in np.linspace(start, end, 9)])
        return float(np.linalg.norm(np.diff(steps, axis=0), axis=1).sum())

    # Feet and ready

    def _feet(self, played: Played, hits: list[Hit], player: int) -> list[Seen]:
        own = [i for i, hit in enumerate(hits) if hit.player == player and hit.kind != "serve"]
        if not own:
            return []
        i = own[min(1, len(own) - 1)]
        hit, answer = hits[i], self._answer(hits, i)
        seen = self._seen(played, hit, player, "feet")
        before = [other for other in hits[:i] if PAIR_OF[other.player] != PAIR_OF[player]]
        if before:
            lands = [abs(land - before[-1].t) for land in self.figures[player].lands]
            late = min(lands, default=math.inf)
            # A figure that never leaves the floor has no landing: as late as can be.
            seen.judge("F1", late <= 0.2, late if late < 2 * HOP_S else 9.0)
        feet = [self.figures[player].body(hit.t + dt).points for dt in (-0.1, 0.1)]
        slid = max(
            float(np.linalg.norm(feet[1][f"{side} foot"][:2] - feet[0][f"{side} foot"][:2]))
            for side in ("left", "right")
        )
        if hit.kind not in OVERHEADS:
            seen.judge("F4", slid <= 0.30, slid)
        if answer is not None:
            depth = self.depth(player, answer.t)
            seen.judge("F5", depth < NET_M or depth > SERVICE_LINE, depth)
        return [seen] if seen.checks else []

    # Lob

    def _lob(self, played: Played, hits: list[Hit], i: int) -> list[Seen]:
        hit, answer = hits[i], self._answer(hits, i)
        if hit.kind == "serve":
            return []
        behind = self.depth(hit.player, hit.t) > SERVICE_LINE
        under = behind and all(self.depth(other, hit.t) < NET_M for other in opponents(hit.player))
        lob = hit.kind == "lob"
        if not (under or lob):
            return []
        seen = self._seen(played, hit, hit.player, "lob", "b" if lob else "a")
        if under:
            height = answer.place[2] if answer is not None else 0.0
            seen.judge("L1", answer is None or not HIP_M <= height <= TOP_OF_HEAD, height)
        if not lob:
            return [seen]
        points = self.figures[hit.player].body(hit.t).points
        lifted = max(float(points[f"{side} foot"][2]) for side in ("left", "right")) - 0.05
        seen.judge("L2", lifted < 0.03, lifted)
        flown = self._next_touch(hit) - hit.t
        seen.judge("L3", flown >= 1.3, flown)
        from_m = self.depth(answer.player, answer.t) if answer is not None else 10.0
        seen.judge("L4", from_m > 5.0, from_m)
        if from_m > 5.0 and answer is not None:
            depth = self.depth(hit.player, answer.t)
            seen.judge("L6", depth < SERVICE_LINE, depth)
        return [seen]

    # Bandeja

    def _bandeja(self, played: Played, hits: list[Hit], i: int) -> list[Seen]:
        hit, answer = hits[i], self._answer(hits, i)
        if hit.place[2] <= TOP_OF_HEAD or self.depth(hit.player, hit.t) < 3.0:
            return []
        seen = self._seen(played, hit, hit.player, "bandeja")
        figure = self.figures[hit.player]
        early = figure.body(hit.t - 0.5)
        above = float(early.points["hand"][2] - early.points["right shoulder"][2])
        seen.judge("B1", above >= 0, above)
        aside = math.degrees(math.asin(min(1.0, abs(float(early.forward[0])))))
        seen.judge("B2", aside >= 45, aside)
        step = figure.place(hit.t + 0.6) - figure.place(hit.t)
        forward = -float(step[1]) * (1 if hit.place[1] > 0 else -1)
        seen.judge("B3", forward > 0.15 and forward > abs(float(step[0])), forward)
        if answer is not None:
            depth = self.depth(hit.player, answer.t)
            seen.judge("B4", depth < NET_M, depth)
        kept = self.kept_in(hit)
        seen.judge("B5", kept, float(kept))
        return [seen]

    # Serve and first volley

    def _serve(self, played: Played, hits: list[Hit]) -> list[Seen]:
        first = next(hit for hit in self.play.hits if hit.rally == played.number)
        server = first.player
        seen = self._seen(played, first, server, "serve")
        good = self.in_the_box(first)
        seen.judge("S1", good, float(good))
        if len(hits) > 1:
            back = hits[1]
            depth = self.depth(server, back.t)
            seen.judge("S2", depth <= 5.0, depth)
            moved = self._moved(server, back.t - 0.1, back.t + 0.1)
            seen.judge("S3", moved < 0.4, moved)
        volley = next((hit for hit in hits[1:] if hit.player == server), None)
        if volley is not None and volley.kind == "volley":
            seen.judge("S4", self.depth(server, volley.t) < NET_M, self.depth(server, volley.t))
            kept = self.kept_in(volley)
            seen.judge("S5", kept, float(kept))
        return [seen]

    def in_the_box(self, serve: Hit) -> bool:
        """The diagonal box: across the net, on the other side of the central line, no deeper than the service line."""
        meet = self._first_meet(serve)
        if meet is None or meet.what != "floor":
            return False
        x, y, _ = meet.place
        across = x * serve.place[0] <= 0 and y * serve.place[1] < 0
        return across and abs(x) <= HALF_WIDTH and abs(y) <= SERVICE_LINE

    # Net as a pair

    def _net(self, played: Played, hits: list[Hit], i: int) -> list[Seen]:
        hit = hits[i]
        pair = OTHER[PAIR_OF[hit.player]]
        depths = [self.depth(player, hit.t) for player in PAIRS[pair]]
        # Not after an overhead of theirs, and not in the first two hits after their serve.
        if max(depths) >= SERVICE_LINE or hit.kind == "serve" or hits[i - 1].kind in OVERHEADS:
            return []
        if PAIR_OF[hits[0].player] == pair and i <= 2:
            return []
        seen = self._seen(played, hit, pair, "net")
        seen.judge("N1", abs(depths[0] - depths[1]) <= 1.5, abs(depths[0] - depths[1]))
        x = [float(self.figures[player].place(hit.t)[0]) for player in PAIRS[pair]]
        seen.judge("N2", abs(x[0] - x[1]) <= 4.5, abs(x[0] - x[1]))
        if min(self.depth(player, hit.t) for player in PAIRS[PAIR_OF[hit.player]]) > SERVICE_LINE:
            seen.judge("N3", min(depths) >= 1.5, min(depths))
        if HALF_WIDTH - abs(hit.place[0]) <= 2.5 and max(depths) < NET_M:
            shifted = 0.5 * (x[0] + x[1]) * math.copysign(1.0, hit.place[0])
            seen.judge("N6", shifted >= 0.5, shifted)
        return [seen]


def as_dict(play: Play, figures: dict[int, Figure]) -> dict[str, Any]:
    """Everything in plain numbers and words, times in seconds of the film."""
    found = Truth(play, figures).situations()
    return {
        "version": 1,
        "seed": play.seed,
        "duration_s": play.duration,
        "first_server": play.rallies[0].script.server,
        "first_near": play.rallies[0].script.near,
        "codes": list(CODES),
        "rallies": [
            {
                "number": played.number,
                "start_s": _r(played.start),
                "end_s": _r(played.end),
                "server": played.script.server,
                "side": played.script.side,
                "winner": played.script.winner,
                "near_pair": played.script.near,
                "faults": int(played.script.fault is not None) + int(played.script.double_fault),
            }
            for played in play.rallies
        ],
        "hits": [
            {
                "t": _r(hit.t),
                "rally": hit.rally,
                "player": hit.player,
                "kind": hit.kind,
                "end": "near" if hit.place[1] < 0 else "far",
                "fault": hit.fault,
                "xyz": [_r(value) for value in hit.place],
                "players": {
                    str(player): [_r(value) for value in figure.place(hit.t)]
                    for player, figure in figures.items()
                },
            }
            for hit in play.hits
        ],
        "touches": [
            {
                "t": _r(meet.t),
                "rally": meet.rally,
                "what": meet.what,
                "in_play": meet.in_play,
                "xyz": [_r(value) for value in meet.place],
            }
            for meet in sorted(play.meets, key=lambda meet: meet.t)
        ],
        "situations": [
            {
                "rally": seen.rally,
                "hit": seen.hit,
                "hit_s": _r(play.hits[seen.hit].t),
                "unit": seen.unit,
                "area": seen.area,
                "trigger": seen.trigger,
                "end": seen.end,
                "checks": seen.checks,
                "measures": seen.measures,
            }
            for seen in found
        ],
        "tallies": tallies(found),
    }


def tallies(found: list[Seen]) -> dict[str, dict[str, dict[str, int]]]:
    """How often each check of each player and pair was met and missed, as `{unit: {code: {"met": n, "missed": n}}}`."""
    counts: dict[str, dict[str, dict[str, int]]] = {str(unit): {} for unit in (*PAIR_OF, *PAIRS)}
    for seen in found:
        for code, mark in seen.checks.items():
            counts[seen.unit].setdefault(code, {"met": 0, "missed": 0})[mark] += 1
    return {unit: {code: of[code] for code in CODES if code in of} for unit, of in counts.items()}


def _r(value: float) -> float:
    return round(float(value), 4)
