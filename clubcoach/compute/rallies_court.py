"""What a court sounds like, and which blow is which: classes that adapt to the film, by EM around the chain of hits.

References
----------
EM: Dempster, Laird and Rubin (1977). Where the classes start: common practice, `docs/methods.md`, "Rallies and hits by
ear".
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clubcoach.compute.onsets import Onsets
from clubcoach.compute.rallies_chain import follow

Floats = NDArray[np.float64]

# Racket, floor, glass, anything else, racket next door; columns as in `Onsets.shape`.
MEANS = np.array(
    [
        [12.0, -5.0, -16.0, -18.0, 27.0, -22.0],
        [-8.0, -12.0, -16.0, -18.0, 26.0, -20.0],
        [-10.0, 6.0, -16.0, -8.0, 24.0, -20.0],
        [3.0, -4.0, -3.0, -3.0, 10.0, -3.0],
        [12.0, -5.0, -11.0, -13.0, 25.0, -16.0],
    ]
)
SPREADS = np.array(
    [
        [7.0, 6.0, 5.0, 7.0, 5.0, 5.5],
        [5.0, 7.0, 6.0, 9.0, 6.0, 7.0],
        [9.0, 8.0, 9.0, 6.0, 7.0, 8.0],
        [10.0, 9.0, 9.0, 10.0, 8.0, 10.0],
        [7.0, 6.0, 5.0, 7.0, 5.0, 5.5],
    ]
)
HEAVY = 5.0
ROUNDS = 8


@dataclass(frozen=True, slots=True)
class CourtSound:
    """What a court sounds like from where the camera stands.

    Attributes
    ----------
    level_db : float or None
        Mean level of own rackets, dB of full scale; None where nothing is known.
    next_db : float or None
        The same of the neighbour's; None where there is none.
    shape : tuple of float
        Mean shape of own rackets, as in `Onsets.shape`.
    weight : float
        Hits that this rests on, at most `MOST`.
    """

    level_db: float | None
    next_db: float | None
    shape: tuple[float, ...]
    weight: float

    @classmethod
    def usual(cls) -> CourtSound:
        """A court of which nothing is known."""
        return cls(None, None, tuple(float(x) for x in MEANS[0]), 0.0)

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "level_db": self.level_db,
            "next_db": self.next_db,
            "shape": list(self.shape),
            "weight": self.weight,
        }

    @classmethod
    def from_dict(cls, given: Mapping[str, Any]) -> CourtSound:
        """Back from `as_dict`; what is missing or makes no sense counts as not known."""
        try:
            level, beside = given.get("level_db"), given.get("next_db")
            shape = tuple(float(x) for x in given["shape"])
            weight = float(given["weight"])
            known = cls(
                None if level is None else float(level),
                None if beside is None else float(beside),
                shape,
                weight,
            )
        except (KeyError, TypeError, ValueError):
            return cls.usual()
        fine = len(shape) == MEANS.shape[1] and all(math.isfinite(x) for x in (*shape, weight))
        return known if fine else cls.usual()

    def taught(self, onsets: Onsets, kept: NDArray[np.bool_], dropped: NDArray[np.bool_]) -> CourtSound:
        """With the rackets of what was kept and of what was dropped."""
        ll = _student(onsets.shape[:, None, :], MEANS[:4], SPREADS[:4]).sum(axis=2)
        racket = ll.argmax(axis=1) == 0
        own, other = onsets.level_db[kept & racket], onsets.level_db[dropped & racket]
        if len(own) < 3:
            return self
        level = float(np.median(own))
        beside = float(np.median(other)) if len(other) >= 3 else self.next_db
        shape = tuple(float(x) for x in np.median(onsets.shape[kept & racket], axis=0))
        return CourtSound(level, beside, shape, float(min(200.0, len(own))))


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """Which onset is what: chances for racket, floor, glass, other, next door; and the rallies."""

    share: Floats
    rallies: tuple[NDArray[np.int64], ...]
    sure: tuple[float, ...]
    court: CourtSound
    evidence: float
    next_door: float


def _student(x: Floats, mean: Floats, spread: Floats) -> Floats:
    """Log density of Student's t up to a constant: an odd blow stays possible."""
    z = (x - mean) / spread
    density: Floats = -(HEAVY + 1) / 2 * np.log1p(z * z / HEAVY) - np.log(spread)
    return density


def tell_apart(onsets: Onsets, court: CourtSound | None = None) -> Told:
    """Classes, levels and rallies together, each from the others in turn.

    Parameters
    ----------
    onsets : Onsets
    court : CourtSound, optional
        Where to begin.

    Returns
    -------
    Told
    """
    x, level, t = onsets.shape, onsets.level_db, onsets.t
    n = len(t)
    if n < 3:
        return Told(np.zeros((n, 5)), (), (), court or CourtSound.usual(), 0.0, 0.0)
    means, base = MEANS.copy(), MEANS.copy()
    weight = np.array([0.2, 0.3, 0.1, 0.25, 0.15])

    def shape() -> Floats:
        summed: Floats = _student(x[:, None, :], means, SPREADS).sum(axis=2)
        return summed

    post = np.exp(shape() + np.log(weight))
    post /= post.sum(axis=1, keepdims=True)
    rackets = post[:, 0] + post[:, 4]
    order = np.argsort(level)
    cum = np.cumsum(rackets[order])
    top = float(level[order[min(n - 1, np.searchsorted(cum, 0.75 * cum[-1]))]])
    if court is not None and court.level_db is not None:
        top = court.level_db
    usual = float(np.median(level))
    lm = np.array([top, top - 6, top - 6, usual, top - 12])
    ls = np.array([4.0, 6.0, 6.0, 9.0, 5.0])
    tempo = math.log(n / max(1.0, t[-1] - t[0]))
    m, m2 = np.zeros(n), np.zeros(n)
    for turn in range(ROUNDS):
        ll = shape() + _student(level[:, None], lm, ls)
        noise = np.logaddexp.reduce(np.log(weight[1:4]) + ll[:, 1:4], axis=1)
        patted = ll[:, 0] - _student(level, lm[0], ls[0]) + _student(level, lm[0] - 13, np.array(5.0))
        noise = np.logaddexp(noise, math.log(0.06) + patted)
        if turn > 0:
            m2 = _members(t, ll[:, 4] - noise - tempo + np.log(np.maximum(1 - m, 1e-4)))[0]
        m, chain, keep = _members(t, ll[:, 0] - noise - tempo + np.log(np.maximum(1 - m2, 1e-4)))
        post = np.exp(np.log(weight[1:4]) + ll[:, 1:4] - ll[:, 1:4].max(axis=1, keepdims=True))
        post /= post.sum(axis=1, keepdims=True)
        post = np.column_stack([m, post * np.maximum(0, 1 - m - m2)[:, None], m2 * (1 - m)])
        for k, prior in enumerate((12, 30, 30, 30, 8)):
            w = post[:, k]
            s = float(w.sum())
            means[k] = (base[k] * prior + w @ x) / (prior + s)
            first = (top, top - 6, top - 6, usual, lm[0] - 10)[k]
            pn = 3 if k == 0 else 5
            lm[k] = (first * pn + w @ level) / (pn + s)
            spread = math.sqrt((w @ (level - lm[k]) ** 2 + 160) / (s + 10))
            ls[k] = np.clip(spread, 2.5, 5.0 if k in (0, 4) else 9.0)
        lm[4] = min(lm[4], lm[0] - 5)
        weight[1:4] = (post[:, 1:4].sum(axis=0) + 5) / (post[:, 1:4].sum() + 15)
    found = CourtSound(
        float(lm[0]), float(lm[4]), tuple(float(v) for v in means[0]), float(min(200.0, m.sum()))
    )
    return Told(
        post, tuple(keep[hits] for hits in chain.rallies), chain.sure, found, chain.evidence, float(m2.sum())
    )


def _members(t: Floats, gain: Floats) -> tuple[Floats, Any, NDArray[np.int64]]:
    keep = np.flatnonzero(gain > -6)
    chain = follow(t[keep], gain[keep])
    member = np.zeros(len(t))
    member[keep] = chain.member
    return member, chain, keep
