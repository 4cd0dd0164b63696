"""A match as a chain of hits: rallies in the rhythm of play, pauses between them, everything else left out.

References
----------
Forward-backward and best path over a semi-Markov chain: L. R. Rabiner, Proc. IEEE 77 (1989). Times of play: common
practice, `docs/methods.md`, "Rallies and hits by ear".
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LONGEST_GAP_S = 5.0
SHORTEST_GAP_S = 0.3
SHORTEST_PAUSE_S = 3.5
MEAN_PAUSE_S = 14.0
HITS_A_RALLY = 6.0
FIRST_S = 60.0

__all__ = ["Chain", "follow"]


@dataclass(frozen=True, slots=True, eq=False)
class Chain:
    """Which of the onsets are hits of rallies.

    Attributes
    ----------
    member : (n,) array
        How likely each is one.
    rallies : tuple of int arrays
        The likeliest rallies, indices of their hits.
    surest : tuple of float
        How likely each of them is one with both ends within a second.
    evidence : float
        Log of how much likelier the onsets are with these rallies than without any.
    """

    member: Floats
    rallies: tuple[NDArray[np.int64], ...]
    sure: tuple[float, ...]
    evidence: float


def log_gap(gap: Floats) -> Floats:
    """Log density of the seconds from one hit of a rally to the next: volleys to lobs, now and then one not heard."""
    parts = ((0.72, 1.15, 0.32), (0.18, 2.2, 0.25), (0.10, 2.4, 0.38))
    logs = [math.log(share) + _log_normal(gap, middle, width) for share, middle, width in parts]
    density: Floats = np.logaddexp.reduce(logs, axis=0)
    return density


def _log_normal(x: Floats, middle: float, width: float) -> Floats:
    density: Floats = (
        -0.5 * ((np.log(x) - math.log(middle)) / width) ** 2 - np.log(x * width) - 0.5 * math.log(2 * math.pi)
    )
    return density


@dataclass(slots=True)
class _Run:
    """Forward and backward sums in logs, and the best path."""

    t: Floats
    gain: Floats
    first: NDArray[np.int64]
    steps: list[Floats]
    opens: Floats
    inside: Floats
    after: Floats
    best_from: NDArray[np.int64]
    total: float
    best_last: int


def follow(t: Floats, gain: Floats) -> Chain:
    """The rallies among onsets.

    Parameters
    ----------
    t : (n,) array
        Seconds, in order.
    gain : (n,) array
        Log of how much likelier each is as a hit than as anything else, less the log of how many come a second.

    Returns
    -------
    Chain
    """
    n = len(t)
    if n == 0:
        return Chain(np.zeros(0), (), (), 0.0)
    run = _forward(t, gain)
    _backward(run)
    member = np.exp(np.minimum(0.0, run.inside + run.after - run.total))
    rallies = _best(run)
    sure = tuple(_sure(run, int(hits[0]), int(hits[-1])) for hits in rallies)
    return Chain(member, rallies, sure, run.total)


STAY = math.log(1 - 1 / HITS_A_RALLY)
LEAVE = -math.log(HITS_A_RALLY)


def _forward(t: Floats, gain: Floats) -> _Run:
    """Pauses are at least `SHORTEST_PAUSE_S` long and then without memory, so one running sum holds them all."""
    n = len(t)
    first = np.searchsorted(t, t - LONGEST_GAP_S)
    settled = np.searchsorted(t, t - SHORTEST_PAUSE_S, side="right")
    inside, opens = np.full(n, -np.inf), np.full(n, -np.inf)
    best, best_from = np.full(n, -np.inf), np.full(n, -1)
    steps: list[Floats] = []
    tempo, begin = -math.log(MEAN_PAUSE_S), -math.log(FIRST_S)
    rest, rest_at, rest_best, rest_who, done = -math.inf, 0.0, -math.inf, -1, 0
    for b in range(n):
        fade = (t[b] - rest_at) / MEAN_PAUSE_S
        rest, rest_best, rest_at = rest - fade, rest_best - fade, t[b]
        while done < settled[b]:
            late = (t[b] - t[done] - SHORTEST_PAUSE_S) / MEAN_PAUSE_S
            rest = float(np.logaddexp(rest, inside[done] + LEAVE - late))
            if best[done] + LEAVE - late > rest_best:
                rest_best, rest_who = float(best[done]) + LEAVE - late, done
            done += 1
        opens[b] = np.logaddexp(begin, rest + tempo)
        span = slice(first[b], b)
        gap = t[b] - t[span]
        step = np.where(gap >= SHORTEST_GAP_S, STAY + log_gap(np.maximum(gap, 1e-3)), -np.inf)
        steps.append(step)
        inside[b] = gain[b] + np.logaddexp.reduce(np.append(inside[span] + step, opens[b]))
        choice = begin if begin >= rest_best + tempo else rest_best + tempo
        who = -1 if begin >= rest_best + tempo else -2 - rest_who
        if len(step):
            k = int((best[span] + step).argmax())
            if best[first[b] + k] + step[k] > choice:
                choice, who = float(best[first[b] + k] + step[k]), int(first[b]) + k
        best[b], best_from[b] = gain[b] + choice, who
    total = float(np.logaddexp.reduce(np.append(inside + LEAVE, 0.0)))
    last = int((best + LEAVE).argmax())
    last = last if best[last] + LEAVE > 0 else -1
    return _Run(t, gain, first, steps, opens, inside, np.full(n, LEAVE), best_from, total, last)


def _backward(run: _Run) -> None:
    t, n = run.t, len(run.t)
    tempo = -math.log(MEAN_PAUSE_S)
    opening = np.searchsorted(t, t + SHORTEST_PAUSE_S)
    # `open_` at b: log sum over all rallies that open at b or later, seen from the time of b.
    open_, later = np.full(n + 1, -np.inf), np.full(n, -np.inf)
    for b in range(n - 1, -1, -1):
        k = opening[b]
        rest = -np.inf
        if k < n:
            rest = open_[k] - (t[k] - t[b] - SHORTEST_PAUSE_S) / MEAN_PAUSE_S
        run.after[b] = np.logaddexp(LEAVE + np.logaddexp(0.0, rest), later[b])
        worth = run.gain[b] + run.after[b]
        span = slice(run.first[b], b)
        later[span] = np.logaddexp(later[span], run.steps[b] + worth)
        carried = open_[b + 1] - (t[b + 1] - t[b]) / MEAN_PAUSE_S if b + 1 < n else -np.inf
        open_[b] = np.logaddexp(tempo + worth, carried)


def _best(run: _Run) -> tuple[NDArray[np.int64], ...]:
    rallies: list[list[int]] = []
    b = run.best_last
    if b >= 0:
        rallies.append([])
    while b >= 0:
        rallies[-1].append(b)
        who = int(run.best_from[b])
        if who == -1:
            break
        if who <= -2:
            rallies.append([])
            who = -2 - who
        b = who
    return tuple(np.array(hits[::-1]) for hits in rallies[::-1])


def _sure(run: _Run, start: int, end: int, window: float = 1.0) -> float:
    """Chance of a rally that begins and ends within a second of these hits, over all ways to play it."""
    t = run.t
    low, high = np.searchsorted(t, [t[start] - window, t[end] + window])
    inside = np.full(high - low, -np.inf)
    found = -np.inf
    for b in range(low, high):
        first = max(int(run.first[b]), int(low))
        step = run.steps[b][first - run.first[b] :]
        sums = inside[first - low : b - low] + step
        if abs(t[b] - t[start]) <= window:
            sums = np.append(sums, run.opens[b])
        if len(sums):
            inside[b - low] = run.gain[b] + np.logaddexp.reduce(sums)
        if abs(t[b] - t[end]) <= window:
            k = int(np.searchsorted(t, t[b] + SHORTEST_PAUSE_S))
            found = np.logaddexp(found, inside[b - low] + _leaving(run, b, k))
    return float(np.exp(min(0.0, found - run.total)))


def _leaving(run: _Run, b: int, k: int) -> float:
    """Log sum of all that may follow when the rally ends with b."""
    n, t = len(run.t), run.t
    if k >= n:
        return LEAVE
    worth = run.gain[k:] + run.after[k:] - (t[k:] - t[b] - SHORTEST_PAUSE_S) / MEAN_PAUSE_S
    near = worth[: np.searchsorted(t[k:], t[b] + 12 * MEAN_PAUSE_S)]
    rest = np.logaddexp.reduce(near) - math.log(MEAN_PAUSE_S) if len(near) else -np.inf
    return LEAVE + float(np.logaddexp(0.0, rest))
