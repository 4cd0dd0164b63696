"""Which blow is which: classes that adapt to the film, by EM around the chain of hits.

References
----------
EM: Dempster, Laird and Rubin (1977); classes as multivariate t: Peel and McLachlan, "Robust mixture modelling using the
t distribution", Statistics and Computing 10 (2000). Where they start: common practice, `docs/methods.md`, "Rallies and
hits by ear".
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import solve_triangular

from clubcoach.compute.rallies_court import RACKET, CourtSound

Floats = NDArray[np.float64]

OWN, FLOOR, GLASS, OTHER, KNOCK, NEXT = range(6)
# dB: shape as in `Onsets.shape` with the strength against the film's strongest tenth, then level against a full hit.
MEANS = np.array(
    [
        [*RACKET, 0.0],
        [-9.0, -10.0, -18.0, -24.0, -8.0, -20.0, -6.0],
        [-10.0, 4.0, -15.0, -12.0, -6.0, -17.0, -8.0],
        [3.0, -4.0, -4.0, -5.0, -22.0, -4.0, -12.0],
        [3.0, 1.0, -17.0, -20.0, -8.0, -20.0, -7.0],
        [12.0, -5.0, -13.0, -17.0, -6.0, -17.0, -12.0],
    ]
)
SPREADS = np.array(
    [
        [6.0, 6.0, 5.0, 6.0, 5.0, 5.0, 4.0],
        [5.0, 7.0, 5.0, 7.0, 6.0, 5.5, 6.0],
        [8.0, 8.0, 7.0, 6.0, 7.0, 7.0, 6.0],
        [9.0, 9.0, 8.0, 9.0, 8.0, 8.0, 8.0],
        [5.0, 6.0, 6.0, 7.0, 7.0, 6.0, 5.0],
        [6.0, 6.0, 5.0, 6.0, 6.0, 5.0, 5.0],
    ]
)
# Middle over low and high over middle of other rackets: hollow ones with a thump below, and hard ones that crack.
SOUNDS = {"usual": RACKET[:2], "hollow": (-2.0, -8.0), "hard": (14.0, 5.0)}
# What is assumed counts for so many blows, in the means and in the spreads.
MEAN_COUNTS = (10.0, 20.0, 20.0, 20.0, 20.0, 8.0)
SPREAD_COUNT, LOOSE_COUNT = 40.0, 20.0
HEAVY = 4.0
LEVEL = 6
# A ball patted back, a racket knocked on a shoe: so much softer than a hit, so many of all blows.
SOFTER_DB, SOFT_SPREAD, SOFT_SHARE = 13.0, 5.0, 0.06
# And blows like nothing at all, which keep an odd one from being taken for a hit.
ODD_SHARE, ODD_WIDER = 0.03, 2.5
NEXT_UNDER_DB = 10.0


@dataclass(slots=True, eq=False)
class Classes:
    """Means and covariances of the classes, and where they lean to."""

    base: Floats
    counts: Floats
    mean: Floats
    cov: Floats
    share: Floats  # of all that is no hit
    next_known: bool
    spread_count: float = SPREAD_COUNT

    @classmethod
    def start(
        cls, x: Floats, court: CourtSound | None, quantile: float | None, sound: str = "usual"
    ) -> Classes:
        """Own rackets at this quantile of the levels of what has a racket's shape, or where the court had them.

        Without a quantile, those levels are cut in two: ours above, the neighbour's below.
        """
        base = MEANS.copy()
        base[[OWN, NEXT], :2] = SOUNDS[sound]
        counts = np.array(MEAN_COUNTS)
        known = court is not None and court.level_db is not None
        chance = by_shape(x, court.shape if court is not None and known else base[OWN, :LEVEL])
        top, cut = _top(x[:, LEVEL], chance[:, OWN], quantile)
        if court is not None and court.level_db is not None:
            top = court.level_db
            base[OWN, :LEVEL] = court.shape
            counts[OWN] = max(counts[OWN], min(100.0, court.weight))
        base[:, LEVEL] += top
        base[OTHER, LEVEL] = np.median(x[:, LEVEL])
        beside = known and court is not None and court.next_db is not None
        if court is not None and beside and court.next_db is not None:
            base[NEXT, LEVEL] = court.next_db
            base[NEXT, :LEVEL] = court.next_shape or base[NEXT, :LEVEL]
            counts[NEXT] = counts[OWN]
        cov = np.stack([np.diag(spread**2) for spread in SPREADS])
        classes = cls(base, counts, base.copy(), cov, np.full(NEXT - 1, 1 / (NEXT - 1)), beside)
        cut = top - NEXT_UNDER_DB + 2 if known else cut
        own = chance[:, OWN] * (x[:, LEVEL] > cut)
        parts = np.column_stack([own, chance[:, FLOOR:], chance[:, OWN] - own])
        classes.adapt(x, parts, np.ones((len(x), NEXT + 1)))
        return classes

    def logs(self, x: Floats) -> tuple[Floats, Floats]:
        """Log density of each blow in each class, and how much each counts for the class's mean."""
        parts = [student(x, self.mean[k], self.cov[k]) for k in range(NEXT + 1)]
        return np.stack([part[0] for part in parts], axis=1), np.stack([part[1] for part in parts], axis=1)

    def other(self, x: Floats, logs: Floats) -> Floats:
        """Log density, weighted, of all that is no hit: floor, glass, other, patted balls, oddities."""
        own = _narrow(x[:, LEVEL], self.mean[OWN, LEVEL], math.sqrt(self.cov[OWN, LEVEL, LEVEL]))
        soft = _narrow(x[:, LEVEL], self.mean[OWN, LEVEL] - SOFTER_DB, SOFT_SPREAD)
        n = len(x)
        wide = (
            (n * np.cov(x.T) + SPREAD_COUNT * np.diag(SPREADS[OTHER] ** 2)) * ODD_WIDER / (n + SPREAD_COUNT)
        )
        odd = student(x, x.mean(axis=0), wide)[0]
        rest = np.log(self.share) + logs[:, FLOOR:NEXT]
        parts = [rest, (math.log(SOFT_SHARE) + logs[:, OWN] - own + soft)[:, None]]
        weighted: Floats = np.concatenate([*parts, (math.log(ODD_SHARE) + odd)[:, None]], axis=1)
        return weighted

    def adapt(self, x: Floats, chance: Floats, counts: Floats) -> None:
        """Move to the blows as they are now thought to be told apart; chance and counts are (n, classes)."""
        for k in range(NEXT + 1):
            lean = self.base[k].copy()
            if k == NEXT and not self.next_known:
                lean[LEVEL] = self.mean[OWN, LEVEL] - NEXT_UNDER_DB
            each = chance[:, k] * counts[:, k]
            self.mean[k] = (lean * self.counts[k] + each @ x) / (self.counts[k] + each.sum())
            off = x - self.mean[k]
            spread = self.spread_count * np.diag(SPREADS[k] ** 2) + (each[:, None] * off).T @ off
            self.cov[k] = spread / (self.spread_count + chance[:, k].sum())
        if not self.next_known:
            self.mean[NEXT, LEVEL] = min(self.mean[NEXT, LEVEL], self.mean[OWN, LEVEL] - 4.0)
        some = chance[:, FLOOR:NEXT].sum(axis=0) + 5.0
        self.share = some / some.sum()

    def loosen(self) -> None:
        """Let spreads follow the film more closely, now that the classes are where they belong."""
        self.spread_count = LOOSE_COUNT

    def court(self, hits: float, beside: bool) -> CourtSound:
        """What the court sounded like."""
        rows = [tuple(float(v) for v in self.mean[k, :LEVEL]) for k in (OWN, NEXT)]
        level, next_level = float(self.mean[OWN, LEVEL]), float(self.mean[NEXT, LEVEL])
        if not beside:
            return CourtSound(level, None, rows[0], None, min(200.0, hits))
        return CourtSound(level, next_level, rows[0], rows[1], min(200.0, hits))


def columns(shape: Floats, level_db: Floats) -> Floats:
    """Shapes with the strength told against the film's strongest tenth, and levels: what the classes are about."""
    x = np.column_stack([shape, level_db])
    if len(x):
        x[:, 4] -= np.quantile(x[:, 4], 0.9)
    return x


def by_shape(x: Floats, racket: ArrayLike = RACKET) -> Floats:
    """How likely each blow is of each class but the neighbour by its shape, rackets sounding like this."""
    means = [np.asarray(racket, float), *MEANS[FLOOR:NEXT, :LEVEL]]
    logs = [_narrow(x[:, :LEVEL], means[k], SPREADS[k, :LEVEL]).sum(axis=1) for k in range(NEXT)]
    weighted = np.stack(logs, axis=1) + np.log([0.2, 0.3, 0.1, 0.2, 0.1])
    chance: Floats = np.exp(weighted - np.logaddexp.reduce(weighted, axis=1)[:, None])
    return chance


def _top(level: Floats, racket: Floats, quantile: float | None) -> tuple[float, float]:
    """Where own rackets may lie, dB, and above which level a racket is taken for ours."""
    order = np.argsort(level)
    upto = np.cumsum(racket[order])
    if quantile is not None:
        top = float(level[order[min(len(level) - 1, int(np.searchsorted(upto, quantile * upto[-1])))]])
        return top, top - NEXT_UNDER_DB + 2
    cut = float(np.median(level))
    top = cut
    for _ in range(20):
        upper, lower = racket * (level > cut), racket * (level <= cut)
        top = float(upper @ level / max(1e-9, upper.sum()))
        cut = (top + float(lower @ level / max(1e-9, lower.sum()))) / 2
    return top, cut


def student(x: Floats, mean: Floats, cov: Floats, heavy: float = HEAVY) -> tuple[Floats, Floats]:
    """Log density of a multivariate t, and the weight of each row in the mean."""
    size = x.shape[1]
    low = np.linalg.cholesky(cov)
    z = solve_triangular(low, (x - mean).T, lower=True)
    square = np.einsum("ij,ij->j", z, z)
    constant = math.lgamma((heavy + size) / 2) - math.lgamma(heavy / 2) - size / 2 * math.log(heavy * math.pi)
    constant -= float(np.log(np.diag(low)).sum())
    density: Floats = constant - (heavy + size) / 2 * np.log1p(square / heavy)
    weight: Floats = (heavy + size) / (heavy + square)
    return density, weight


def _narrow(x: Floats, mean: float | Floats, spread: float | Floats) -> Floats:
    """Log density of Student's t, one column at a time."""
    z = (x - mean) / spread
    constant = math.lgamma((HEAVY + 1) / 2) - math.lgamma(HEAVY / 2) - 0.5 * math.log(HEAVY * math.pi)
    density: Floats = constant - (HEAVY + 1) / 2 * np.log1p(z * z / HEAVY) - np.log(spread)
    return density
