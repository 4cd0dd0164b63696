"""A match as a chain of hits: rallies in the rhythm of play, pauses between them, everything else left out.

References
----------
Forward-backward and best path over a semi-Markov chain: L. R. Rabiner, "A tutorial on hidden Markov models", Proc.
IEEE 77 (1989). Times of play: common practice, `docs/methods.md`, "Rallies and hits by ear".
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Tempo:
    """Seconds between hits, and between rallies.

    Attributes
    ----------
    gaps : tuple of (float, float, float)
        From one hit of a rally to the next, as log-normals: share, middle, width.
    longest_gap : float
        What is longer is no gap.
    shortest_pause : float
        From a last hit to the next serve, at least.
    pause : float
        Half of what it usually is beyond that.
    """

    gaps: tuple[tuple[float, float, float], ...]
    longest_gap: float
    shortest_pause: float
    pause: float


# Volleys and drives, lobs, and a hit between that was not heard.
PLAYED = Tempo(((0.75, 1.15, 0.32), (0.21, 2.2, 0.27), (0.04, 3.0, 0.42)), 5.5, 3.5, 6.0)
# A film from which somebody cut the dead time.
CUT = Tempo(((0.75, 1.2, 0.32), (0.25, 2.4, 0.22)), 3.3, 2.7, 0.6)
SHORTEST_GAP_S, LONG_PAUSE_S, LONG_SHARE = 0.3, 40.0, 0.2
FARTHEST_S = 100.0
HITS_A_RALLY = 5.0
FIRST_S = 60.0
WITHIN_S = 1.0

STAY, LEAVE, BEGIN = math.log(1 - 1 / HITS_A_RALLY), -math.log(HITS_A_RALLY), -math.log(FIRST_S)

__all__ = ["CUT", "PLAYED", "Chain", "Tempo", "evidence_of", "follow"]


@dataclass(frozen=True, slots=True, eq=False)
class Chain:
    """Which of the onsets are hits of rallies.

    Attributes
    ----------
    member : (n,) array
        How likely each is one.
    opens : (n,) array
        How likely each is the first of a rally.
    rallies : tuple of int arrays
        The likeliest rallies, indices of their hits.
    sure : tuple of float
        How likely each of them is one with both ends within a second; empty when it was not asked.
    evidence : float
        Log of how much likelier the onsets are with rallies than without any.
    """

    member: Floats
    opens: Floats
    rallies: tuple[Indices, ...]
    sure: tuple[float, ...]
    evidence: float


def log_gap(gap: Floats, tempo: Tempo) -> Floats:
    """Log density of the seconds between two hits of a rally."""
    logs = [
        math.log(share / (width * math.sqrt(2 * math.pi)))
        - 0.5 * ((np.log(gap) - math.log(middle)) / width) ** 2
        - np.log(gap)
        for share, middle, width in tempo.gaps
    ]
    density: Floats = np.logaddexp.reduce(logs, axis=0)
    return np.where(gap > SHORTEST_GAP_S, density, -np.inf)


def log_pause(pause: Floats, tempo: Tempo) -> Floats:
    """Log density of the seconds from a last hit to the next first one; now and then far longer than usual."""
    beyond = np.maximum(pause - tempo.shortest_pause, 1e-3)
    usual = math.log((1 - LONG_SHARE) / tempo.pause**2) + np.log(beyond) - beyond / tempo.pause
    density: Floats = np.logaddexp(usual, math.log(LONG_SHARE / LONG_PAUSE_S) - beyond / LONG_PAUSE_S)
    return density


class _Links:
    """For each onset, logs of how it follows earlier ones: as the next hit, and as the first of the next rally."""

    def __init__(self, t: Floats, tempo: Tempo) -> None:
        here = np.arange(len(t))
        self.near = np.searchsorted(t, t - tempo.longest_gap)
        self.settled = np.searchsorted(t, t - tempo.shortest_pause, side="right")
        self.far = np.minimum(np.searchsorted(t, t - FARTHEST_S), self.settled)
        self._next, self._next_at = self._flat(t, self.near, here)
        self._new, self._new_at = self._flat(t, self.far, self.settled)
        self._next = STAY + log_gap(np.maximum(self._next, 1e-3), tempo)
        self._new = LEAVE + log_pause(self._new, tempo)

    @staticmethod
    def _flat(t: Floats, first: Indices, last: Indices) -> tuple[Floats, Indices]:
        sizes = last - first
        ends = np.r_[0, np.cumsum(sizes)]
        target = np.repeat(np.arange(len(t)), sizes)
        source = np.arange(ends[-1]) - ends[target] + first[target]
        return t[target] - t[source], ends

    def next_(self, b: int) -> tuple[slice, Floats]:
        return slice(self.near[b], b), self._next[self._next_at[b] : self._next_at[b + 1]]

    def new(self, b: int) -> tuple[slice, Floats]:
        return slice(self.far[b], self.settled[b]), self._new[self._new_at[b] : self._new_at[b + 1]]


@dataclass(slots=True)
class _Run:
    """Forward and backward sums, in logs; where the best path comes from (-1: nowhere), and whether anew there."""

    t: Floats
    gain: Floats
    opening: Floats
    links: _Links
    opens: Floats
    upto: Floats
    after: Floats
    best: Floats
    origin: Indices
    anew: NDArray[np.bool_]
    total: float


def follow(t: Floats, gain: Floats, opening: Floats, tempo: Tempo = PLAYED, *, settle: bool = False) -> Chain:
    """The rallies among onsets.

    Parameters
    ----------
    t : (n,) array
        Seconds, in order.
    gain : (n,) array
        Log of how much likelier each is as a hit than as anything else, rates a second included.
    opening : (n,) array
        The same for being the first of a rally, from what came before it.
    tempo : Tempo
    settle : bool
        Move the ends of rallies to where they are surest, and say how sure they are.

    Returns
    -------
    Chain
    """
    n = len(t)
    if n == 0:
        return Chain(np.zeros(0), np.zeros(0), (), (), 0.0)
    run = _forward(t, gain, opening, tempo)
    _backward(run)
    member = np.exp(np.minimum(0.0, run.upto + run.after - run.total))
    opens = np.exp(np.minimum(0.0, run.opens + run.gain + run.after - run.total))
    rallies: list[Indices] = _best(run)
    sure: list[float] = []
    if settle:
        rallies, sure = _settled(run, rallies, member, opens)
    return Chain(member, opens, tuple(rallies), tuple(sure), run.total)


def evidence_of(t: Floats, gain: Floats, tempo: Tempo = PLAYED) -> float:
    """Log of how much likelier the onsets are with rallies than without; arguments as of `follow`."""
    return _forward(t, gain, np.zeros(len(t)), tempo).total if len(t) else 0.0


def _sum(logs: Floats, more: float) -> float:
    """Log of a sum of logs."""
    if not len(logs):
        return more
    top = max(float(logs.max()), more)
    if top == -math.inf:
        return top
    return top + math.log(float(np.exp(logs - top).sum()) + math.exp(more - top))


def _forward(t: Floats, gain: Floats, opening: Floats, tempo: Tempo) -> _Run:
    n, links = len(t), _Links(t, tempo)
    upto, opens, best = (np.full(n, -np.inf) for _ in range(3))
    origin, anew = np.full(n, -1), np.ones(n, bool)
    for b in range(n):
        hits, step = links.next_(b)
        ends, pause = links.new(b)
        opens[b] = opening[b] + _sum(upto[ends] + pause, BEGIN)
        upto[b] = gain[b] + _sum(upto[hits] + step, float(opens[b]))
        choice = BEGIN + opening[b]
        if len(pause):
            ways = best[ends] + pause + opening[b]
            k = int(ways.argmax())
            if ways[k] > choice:
                choice, origin[b] = ways[k], ends.start + k
        if len(step):
            ways = best[hits] + step
            k = int(ways.argmax())
            if ways[k] > choice:
                choice, origin[b], anew[b] = ways[k], hits.start + k, False
        best[b] = gain[b] + choice
    total = _sum(upto + LEAVE, 0.0)
    return _Run(t, gain, opening, links, opens, upto, np.full(n, LEAVE), best, origin, anew, total)


def _backward(run: _Run) -> None:
    for b in range(len(run.t) - 1, -1, -1):
        worth = float(run.gain[b] + run.after[b])
        hits, step = run.links.next_(b)
        ends, pause = run.links.new(b)
        run.after[hits] = np.logaddexp(run.after[hits], step + worth)
        run.after[ends] = np.logaddexp(run.after[ends], pause + (worth + float(run.opening[b])))


def _best(run: _Run) -> list[Indices]:
    b = int(run.best.argmax())
    if run.best[b] + LEAVE <= 0:
        return []
    rallies, hits = [], []
    while b >= 0:
        hits.append(b)
        if run.anew[b]:
            rallies.append(np.array(hits[::-1]))
            hits = []
        b = int(run.origin[b])
    return rallies[::-1]


def _settled(
    run: _Run, rallies: list[Indices], member: Floats, opens: Floats
) -> tuple[list[Indices], list[float]]:
    """The best path may begin a rally where it is less sure than elsewhere; the chance of being right decides."""
    leaving = np.full(len(run.t), LEAVE)
    for b in range(len(run.t)):
        ends, pause = run.links.new(b)
        worth = float(run.gain[b] + run.after[b] + run.opening[b])
        leaving[ends] = np.logaddexp(leaving[ends], pause + worth)
    closes = np.exp(np.minimum(0.0, run.upto + leaving - run.total))
    moved, sure, floor = [], [], 0
    for at, hits in enumerate(rallies):
        roof = int(rallies[at + 1][0]) if at + 1 < len(rallies) else len(run.t)
        first, last = int(hits[0]), int(hits[-1])
        starts = _near(run.t, opens, first, floor, last + 1)
        chances = {(start, last): _chance(run, leaving, start, last) for start in starts}
        first = max(chances, key=lambda pair: chances[pair])[0]
        stops = _near(run.t, closes, last, first, roof)
        chances = {(first, stop): _chance(run, leaving, first, stop) for stop in stops}
        last = max(chances, key=lambda pair: chances[pair])[1]
        between = hits[(hits > first) & (hits < last)]
        added = np.flatnonzero(member[first : last + 1] > 0.5) + first
        moved.append(np.unique(np.r_[first, between, added, last]))
        sure.append(chances[first, last])
        floor = last + 1
    return moved, sure


def _near(t: Floats, chance: Floats, here: int, floor: int, roof: int) -> list[int]:
    """Likely onsets within some seconds, the present one among them, which wins where all are alike."""
    low, high = np.searchsorted(t, [t[here] - 4.0, t[here] + 4.0])
    others = [k for k in range(max(low, floor), min(high, roof)) if chance[k] > 0.1 and k != here]
    return [here, *others]


def _chance(run: _Run, leaving: Floats, first: int, last: int) -> float:
    """Chance of a rally with both ends within a second of these hits, over all ways to play it."""
    t = run.t
    low = int(np.searchsorted(t, t[first] - WITHIN_S))
    high = int(np.searchsorted(t, t[last] + WITHIN_S, side="right"))
    inside, found = np.full(high - low, -np.inf), -math.inf
    for b in range(low, high):
        hits, step = run.links.next_(b)
        begun = max(hits.start, low)
        begins = float(run.opens[b]) if abs(t[b] - t[first]) <= WITHIN_S else -math.inf
        inside[b - low] = run.gain[b] + _sum(
            inside[begun - low : b - low] + step[begun - hits.start :], begins
        )
        if abs(t[b] - t[last]) <= WITHIN_S:
            found = float(np.logaddexp(found, inside[b - low] + leaving[b]))
    return math.exp(min(0.0, found - run.total))
