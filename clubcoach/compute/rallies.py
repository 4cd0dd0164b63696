"""Rallies and hits of a match by ear: from onsets to what a coach confirms.

A rally runs from the serve's hit to the last hit, however it ends; a serve that was out is one of its own.

References
----------
`docs/methods.md`, "Rallies and hits by ear".
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clubcoach.compute.onsets import Bands, Onsets, find_onsets
from clubcoach.compute.rallies_apart import Told, tell_apart
from clubcoach.compute.rallies_classes import OWN, by_shape, columns
from clubcoach.compute.rallies_court import CourtSound, taught
from clubcoach.compute.rallies_verdict import confidences, judge

__all__ = ["CourtSound", "Heard", "HeardRally", "Hits", "learn", "listen"]

Floats = NDArray[np.float64]
KINDS = ("racket", "floor", "glass")


@dataclass(frozen=True, slots=True, eq=False)
class Hits:
    """What was struck, in the order of time.

    Attributes
    ----------
    t : (n,) array
        Seconds.
    kind : tuple of str
        racket, floor or glass; rackets are those of rallies of this court.
    confidence : (n,) array
        Chance that it is one, between 0 and 1.
    """

    t: Floats
    kind: tuple[str, ...]
    confidence: Floats

    def __len__(self) -> int:
        return len(self.t)


@dataclass(frozen=True, slots=True)
class HeardRally:
    """One rally: seconds of its first and last hit, number of its hits, chance that both ends are right within 1 s."""

    start_s: float
    end_s: float
    hits: int
    confidence: float


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """What was heard in a film.

    Attributes
    ----------
    hits : Hits
    rallies : tuple of HeardRally
        None where the verdict is useless.
    verdict : str
        good, poor or useless.
    reasons : tuple of str
        no_sound, silent, noise, too_short, clipped, dead_channel, low_rate, few_hits, begins_inside, neighbour,
        by_motion.
    court : CourtSound
        What this court sounded like, to begin with next time.
    onsets : Onsets
        Every blow, also those that were no hit; what `learn` looks back into.
    """

    hits: Hits
    rallies: tuple[HeardRally, ...]
    verdict: str
    reasons: tuple[str, ...]
    court: CourtSound
    onsets: Onsets


def listen(bands: Bands, *, court: CourtSound | None = None) -> Heard:
    """Hits and rallies of this court.

    Parameters
    ----------
    bands : Bands
        What an `Ear` heard.
    court : CourtSound, optional
        What the court sounded like before.

    Returns
    -------
    Heard
    """
    onsets = find_onsets(bands)
    told = tell_apart(onsets, court)
    verdict, reasons = judge(bands, onsets, told)
    if verdict == "useless":
        return Heard(_no_hits(), (), verdict, reasons, court or CourtSound.usual(), onsets)
    rallies = tuple(
        HeardRally(float(onsets.t[hits[0]]), float(onsets.t[hits[-1]]), len(hits), sure)
        for hits, sure in zip(told.rallies, confidences(bands, onsets, told), strict=True)
    )
    return Heard(_hits(onsets, told), rallies, verdict, reasons, told.court, onsets)


def _no_hits() -> Hits:
    return Hits(np.zeros(0), (), np.zeros(0))


def _hits(onsets: Onsets, told: Told) -> Hits:
    own = np.zeros(len(onsets.t), bool)
    for hits in told.rallies:
        own[hits] = True
    touched = told.chance[:, 1:3]
    kind = np.where(own, 0, 1 + touched.argmax(axis=1))
    sure = np.where(own, told.chance[:, 0], touched.max(axis=1))
    kept = own | (sure > 0.5)
    names = tuple(KINDS[k] for k in kind[kept])
    return Hits(onsets.t[kept], names, np.clip(sure[kept], 0.0, 1.0))


def learn(
    court: CourtSound,
    heard: Heard,
    kept: Iterable[tuple[float, float]],
    dropped: Iterable[tuple[float, float]],
) -> CourtSound:
    """What corrections teach about a court.

    Parameters
    ----------
    court : CourtSound
        What is known so far.
    heard : Heard
        What was heard in the film that was corrected.
    kept, dropped : pairs of float
        Start and end, seconds as heard, of rallies that are some (accepted, corrected or entered by hand) and of
        proposals that are none.

    Returns
    -------
    CourtSound
        `court` itself where nothing is to be learnt.
    """
    onsets = heard.onsets
    x = columns(onsets.shape, onsets.level_db)
    racket = by_shape(x, heard.court.shape)[:, OWN] > 0.5 if len(x) else np.zeros(0, bool)
    yes, no = _within(onsets.t, kept), _within(onsets.t, dropped)
    return taught(court, onsets, x[:, :6], racket & yes & ~no, racket & no & ~yes)


def _within(t: Floats, spans: Iterable[tuple[float, float]]) -> NDArray[np.bool_]:
    inside = np.zeros(len(t), bool)
    for start, end in spans:
        inside |= (t >= start - 0.06) & (t <= end + 0.06)
    return inside
