"""Own hits, the neighbour's and everything else, told apart together: each from the others in turn."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clubcoach.compute.onsets import Onsets
from clubcoach.compute.rallies_chain import CUT, PLAYED, Chain, Tempo, follow
from clubcoach.compute.rallies_classes import FLOOR, NEXT, OWN, Classes, columns
from clubcoach.compute.rallies_court import CourtSound

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

ROUNDS, MORE_ROUNDS = 8, 7
# Which start fits best is tried on so much of a long film.
EXCERPT_S = 600.0
# Onsets so much likelier to be none are left out of the chain.
LEAST_GAIN = -7.0
# A second court is believed in when it plays on in our pauses, so many hits a second, and fits not much worse: a chain
# of softer own hits does not play there. (Two chains weigh each other only roughly, so the fit alone would not do.)
NEXT_RATE, NEXT_WORSE = 0.12, 40.0
CUT_EVIDENCE = 6.0
STARTS = ((False, 0.7), (True, None), (True, 0.7), (True, 0.85), (True, 0.95))
# A ball is bounced before a serve: so long before it, seconds, in so many of all serves to begin with.
BOUNCE_S, BOUNCED = (0.65, 0.18), 0.6
LEAST_OPEN, MOST_OPEN = -0.7, 1.5
NEAR_S = 2.5
FEWEST = 4

__all__ = ["Told", "tell_apart"]


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """What each onset is, and the rallies.

    Attributes
    ----------
    chance : (n, 6) array
        Own hit, floor, glass, other, knock (steps, claps), hit next door.
    rallies : tuple of int arrays
        Indices of the hits of each.
    sure : tuple of float
        How likely both ends of each are within a second.
    court : CourtSound
    evidence : float
        Log of how much likelier the sound is with rallies than without.
    next_door : float
        Hits next door.
    """

    chance: Floats
    rallies: tuple[Indices, ...]
    sure: tuple[float, ...]
    court: CourtSound
    evidence: float
    next_door: float


def tell_apart(onsets: Onsets, court: CourtSound | None = None) -> Told:
    """Classes, levels and rallies of a film.

    Parameters
    ----------
    onsets : Onsets
    court : CourtSound, optional
        What is known of the court.

    Returns
    -------
    Told
    """
    n = len(onsets.t)
    if n < FEWEST:
        return Told(np.zeros((n, NEXT + 1)), (), (), court or CourtSound.usual(), 0.0, 0.0)
    x = columns(onsets.shape, onsets.level_db)
    part = _excerpt(onsets.t)
    court = court if court is not None and court.taught else None
    starts = ((False, 0.7), (True, 0.7)) if court is not None else STARTS
    tries = []
    taught = court is not None and court.next_db is not None
    for second, quantile in starts:
        film = _Film(onsets.t[part], x[part], Classes.start(x[part], court, quantile), beside=second)
        film.turn(ROUNDS)
        tries.append(film)
    best = max(tries, key=_Film.worth)
    two = [film for film in tries if film.rate_in_pauses() > NEXT_RATE]
    if two:
        beside = max(two, key=_Film.worth)
        best = beside if taught or beside.worth() > best.worth() - NEXT_WORSE else best
    best.beside = best in two
    best.classes.loosen()
    best = _Film(onsets.t, x, best.classes, beside=best.beside, tempo=best.faster())
    best.turn(MORE_ROUNDS)
    return best.told()


def _excerpt(t: Floats) -> slice:
    """The busiest ten minutes."""
    last = np.searchsorted(t, t + EXCERPT_S)
    first = int((last - np.arange(len(t))).argmax())
    return slice(first, int(last[first]))


class _Film:
    """One try: the classes and chains after so many rounds."""

    def __init__(
        self, t: Floats, x: Floats, classes: Classes, *, beside: bool, tempo: Tempo = PLAYED
    ) -> None:
        n = len(t)
        self.t, self.x, self.classes, self.beside = t, x, classes, beside
        self.length = max(1.0, float(t[-1] - t[0]))
        self.rate = 0.8 * n / self.length
        self.tempo = tempo
        self.own, self.next = np.zeros(n), np.zeros(n)
        self.opening = np.zeros(n)
        self.chance = np.zeros((n, NEXT + 1))
        self.chain: Chain
        self.kept: Indices
        self.evidence, self.next_evidence = 0.0, 0.0
        self.noise, self.gain = np.zeros(n), np.zeros(n)

    def turn(self, rounds: int) -> None:
        for k in range(rounds):
            logs, counts = self.classes.logs(self.x)
            parts = self.classes.other(self.x, logs)
            self.noise = np.logaddexp.reduce(parts, axis=1) + math.log(self.rate)
            self._chains(logs, first=k == 0, last=k == rounds - 1)
            rest = np.exp(parts[:, : NEXT - 1] - np.logaddexp.reduce(parts, axis=1)[:, None])
            left = np.maximum(0.0, 1 - self.own - self.next)[:, None]
            self.chance = np.column_stack([self.own, rest * left, self.next * (1 - self.own)])
            self._bounces()
            self.classes.adapt(self.x, self.chance, counts)
            self.rate = max(0.05, float((1 - self.own).sum()) / self.length)

    def _chains(self, logs: Floats, *, first: bool, last: bool) -> None:
        """Each chain hears the other as noise that comes as often as the other plays just there."""
        other = self.noise
        if self.beside and not first:
            noise = np.logaddexp(self.noise, logs[:, OWN] + np.log(self._often(self.own)))
            chain, kept = self._follow(logs[:, NEXT] - noise, np.zeros(len(self.t)), last=False)
            self.next = np.zeros(len(self.t))
            self.next[kept], self.next_evidence = chain.member, chain.evidence
            other = np.logaddexp(self.noise, logs[:, NEXT] + np.log(self._often(self.next)))
        self.gain = logs[:, OWN] - other
        self.chain, self.kept = self._follow(self.gain, self.opening, self.tempo, last=last)
        self.own = np.zeros(len(self.t))
        self.own[self.kept] = self.chain.member

    def _follow(
        self, gain: Floats, opening: Floats, tempo: Tempo = PLAYED, *, last: bool
    ) -> tuple[Chain, Indices]:
        kept = np.flatnonzero(gain > LEAST_GAIN)
        return follow(self.t[kept], gain[kept], opening[kept], tempo, settle=last), kept

    def _often(self, member: Floats) -> Floats:
        """Hits a second around each onset, itself left out."""
        upto = np.r_[0.0, np.cumsum(member)]
        low, high = np.searchsorted(self.t, [self.t - NEAR_S, self.t + NEAR_S])
        often: Floats = np.maximum(0.0, upto[high] - upto[low] - member) / (2 * NEAR_S) + 0.01
        return often

    def _bounces(self) -> None:
        """How much a bounce just before speaks for a serve, as this film has it."""
        upto = np.r_[0.0, np.cumsum(self.chance[:, FLOOR])]
        low, high = (np.searchsorted(self.t, self.t - ago) for ago in BOUNCE_S)
        bounced = np.minimum(1.0, upto[high] - upto[low])
        opens = np.zeros(len(self.t))
        opens[self.kept] = self.chain.opens
        blows = self.chance[:, FLOOR:].sum(axis=1)
        usual = float(np.clip((bounced * blows).sum() / max(1.0, blows.sum()), 0.05, 0.9))
        served = float(np.clip((10 * BOUNCED + opens @ bounced) / (10 + opens.sum()), 0.05, 0.95))
        speaks = bounced * math.log(served / usual) + (1 - bounced) * math.log((1 - served) / (1 - usual))
        self.opening = np.clip(speaks, LEAST_OPEN, MOST_OPEN)

    def faster(self) -> Tempo:
        """Whether the pauses were cut out: then the rhythm of a cut film makes the hits likelier."""
        cut, _ = self._follow(self.gain, self.opening, CUT, last=False)
        return CUT if cut.evidence > self.chain.evidence + CUT_EVIDENCE else PLAYED

    def worth(self) -> float:
        """Log likelihood, up to a constant."""
        total = float(self.noise.sum()) - self.rate * self.length + self.chain.evidence
        return total + self.next_evidence

    def rate_in_pauses(self) -> float:
        """Hits next door a second while we pause: a court of its own plays on, our own soft hits do not."""
        inside, played = np.zeros(len(self.t), bool), 0.0
        for hits in self.chain.rallies:
            start, end = self.t[self.kept[hits[[0, -1]]]] + (-0.8, 0.8)
            inside |= (self.t >= start) & (self.t <= end)
            played += float(end - start)
        return float(self.next[~inside].sum()) / max(20.0, self.length - played)

    def told(self) -> Told:
        return Told(
            self.chance,
            tuple(self.kept[hits] for hits in self.chain.rallies),
            self.chain.sure,
            self.classes.court(float(self.own.sum()), self.beside),
            self.chain.evidence,
            float(self.next.sum()),
        )
