"""Own hits, the neighbour's and everything else, told apart together: each from the others in turn."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clubcoach.compute.onsets import Onsets
from clubcoach.compute.rallies_chain import CUT, PLAYED, Chain, Tempo, evidence_of, follow
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
NEXT_RATE, NEXT_WORSE = 0.12, 0.5
CUT_EVIDENCE = 6.0
# Bounces and knocks are taken for hollow or hard rackets where nothing else is: such a try has to fit so much better.
ODD_RACKETS = 0.6
Start = tuple[bool, float | None, str]
STARTS: tuple[Start, ...] = (
    *((False, 0.7, sound) for sound in ("usual", "hollow", "hard")),
    *((True, at, "usual") for at in (None, 0.7, 0.85, 0.95)),
    (False, 0.95, "hollow"),
)
TAUGHT: tuple[Start, ...] = ((False, 0.7, "usual"), (True, 0.7, "usual"))
# How much of the evidence lies in which blow it is that comes when: that of shuffled blows is taken off, so many times,
# so many seconds at a time.
SHUFFLES, SHUFFLED_S = 3, 300.0
# Other rallies that fit nearly as well, with hardly a hit in common.
RIVAL_FITS, RIVAL_SHARED = 0.6, 0.3
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
    carried : float
        How much of the evidence lies in which blow it is that comes when.
    rival : bool
        Whether other blows make rallies nearly as well: a court next door that is as loud.
    """

    chance: Floats
    rallies: tuple[Indices, ...]
    sure: tuple[float, ...]
    court: CourtSound
    evidence: float
    next_door: float
    carried: float
    rival: bool


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
        return Told(np.zeros((n, NEXT + 1)), (), (), court or CourtSound.usual(), 0.0, 0.0, 0.0, False)
    x = columns(onsets.shape, onsets.level_db)
    part = _excerpt(onsets.t)
    court = court if court is not None and court.taught else None
    tries = []
    for second, quantile, sound in STARTS if court is None else TAUGHT:
        film = _Film(onsets.t[part], x[part], Classes.start(x[part], court, quantile, sound), beside=second)
        film.turn(ROUNDS)
        tries.append((film.fits() * (1.0 if sound == "usual" else ODD_RACKETS), film))
    fits, best = max(tries, key=lambda pair: pair[0])
    two = [pair for pair in tries if pair[1].rate_in_pauses() > NEXT_RATE]
    if two:
        beside_fits, beside = max(two, key=lambda pair: pair[0])
        taught = court is not None and court.next_db is not None
        best = beside if taught or beside_fits > NEXT_WORSE * fits else best
    best.beside = any(best is film for _, film in two)
    rival = any(fit > RIVAL_FITS * fits and _is_another(film.own, best.own) for fit, film in tries)
    best.classes.loosen()
    best = _Film(onsets.t, x, best.classes, beside=best.beside, tempo=best.faster())
    best.guess()
    best.turn(MORE_ROUNDS)
    return best.told(rival)


def _excerpt(t: Floats) -> slice:
    """The busiest ten minutes."""
    last = np.searchsorted(t, t + EXCERPT_S)
    first = int((last - np.arange(len(t))).argmax())
    return slice(first, int(last[first]))


def _is_another(own: Floats, best: Floats) -> bool:
    return float(np.minimum(own, best).sum()) < RIVAL_SHARED * float(own.sum())


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
        self.guessed = False
        self.opening = np.zeros(n)
        self.chance = np.zeros((n, NEXT + 1))
        self.chain: Chain
        self.kept: Indices
        self.noise, self.gain = np.zeros(n), np.zeros(n)

    def guess(self) -> None:
        """Whose each blow is by its looks alone, so that the first chain does not take the other court's for ours."""
        logs, _ = self.classes.logs(self.x)
        alike = np.column_stack([logs[:, OWN], self.classes.other(self.x, logs), logs[:, NEXT]])
        chance = np.exp(alike - np.logaddexp.reduce(alike, axis=1)[:, None])
        self.own, self.guessed = chance[:, 0], True
        self.next = chance[:, -1] if self.beside else self.next

    def turn(self, rounds: int) -> None:
        for k in range(rounds):
            logs, counts = self.classes.logs(self.x)
            parts = self.classes.other(self.x, logs)
            self.noise = np.logaddexp.reduce(parts, axis=1) + math.log(self.rate)
            self._chains(logs, first=k == 0 and not self.guessed, last=k == rounds - 1)
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
            self.next[kept] = chain.member
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

    def carried(self) -> float:
        """Evidence that goes when it is shuffled which blow came when.

        Claps, rain and steps have a rhythm, or enough of them to find one in, whichever blow is which; in a match the
        blows that sound alike come in the rhythm of play, and those between do not.
        """
        rng = np.random.default_rng(0)
        block = np.floor((self.t - self.t[0]) / SHUFFLED_S)
        mixed = [self.gain[np.lexsort((rng.random(len(block)), block))] for _ in range(SHUFFLES)]
        return self._evidence(self.gain) - float(np.mean([self._evidence(gain) for gain in mixed]))

    def _evidence(self, gain: Floats) -> float:
        kept = gain > LEAST_GAIN
        return evidence_of(self.t[kept], gain[kept], self.tempo)

    def fits(self) -> float:
        """How well a try tells hits from the rest: the evidence carried, the more a hit the better."""
        carried = max(0.0, self.carried())
        return carried * carried / (sum(len(hits) for hits in self.chain.rallies) + 5.0)

    def rate_in_pauses(self) -> float:
        """Hits next door a second while we pause: a court of its own plays on, our own soft hits do not."""
        inside, played = np.zeros(len(self.t), bool), 0.0
        for hits in self.chain.rallies:
            start, end = self.t[self.kept[hits[[0, -1]]]] + (-0.8, 0.8)
            inside |= (self.t >= start) & (self.t <= end)
            played += float(end - start)
        return float(self.next[~inside].sum()) / max(20.0, self.length - played)

    def told(self, rival: bool) -> Told:
        return Told(
            self.chance,
            tuple(self.kept[hits] for hits in self.chain.rallies),
            self.chain.sure,
            self.classes.court(float(self.own.sum()), self.beside),
            self.chain.evidence,
            float(self.next.sum()),
            self.carried(),
            rival,
        )
