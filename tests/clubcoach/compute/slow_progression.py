"""The progression model a second time: dense, slow, plain. Shares no code with clubcoach.compute.

Every unknown is an entry of one long vector; Newton's method on the dense Hessian.
Own-check effects are parametrised by all but the last check of an area, the last being minus their sum.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from scipy.special import expit

ROW = tuple[int, int, int, int, int, int, int, int]


@dataclass
class SlowPriors:
    check_sd: float = 1.0
    severity_sd: float = 0.5
    ball_sd: float = 1.0
    start_sd: float = 1.5
    drift_sd: float = 0.0012
    drift_area_sd: float = 0.001
    initial_sd: float = 0.8
    initial_correlation: float = 0.5
    walk_variance: float = 0.0015
    own_sd: float = 0.3
    day_variance: float = 0.04
    situation_variance: float = 0.2
    severity_walk_sd: float = 0.1

    def month(self, day: int) -> int:
        return math.floor(day / 30.4375) if self.severity_walk_sd > 0 else 0

    def drifts(self, areas: int) -> np.ndarray:
        return self.drift_sd**2 * np.ones((areas, areas)) + self.drift_area_sd**2 * np.eye(areas)


@dataclass
class SlowFit:
    names: list[tuple]
    where: dict[tuple, int] = field(repr=False)
    mode: np.ndarray
    covariance: np.ndarray
    checks: dict[int, list[int]]
    seats: list[tuple[int, int]]
    priors: SlowPriors
    # Logarithm of the marginal likelihood by Laplace's method, without the binomial constants.
    likelihood: float = 0.0

    @property
    def analysts(self) -> list[int]:
        return sorted({analyst for analyst, _ in self.seats})

    def months(self, analyst: int) -> list[int]:
        return [month for who, month in self.seats if who == analyst]

    def row(
        self, player: int, day: int, area: int, check: int, analyst: int | None, ball: int, form: bool
    ) -> np.ndarray:
        out = np.zeros(len(self.names))
        out[self.where["theta", player, day, area]] = 1.0
        if form:
            out[self.where["form", player, day, area]] = 1.0
        out += own_row(self.where, self.checks[area], player, check)
        out[self.where["delta", check]] -= 1.0
        if analyst is None:
            for r in self.analysts:
                for month in self.months(r):
                    out[self.where["gamma", r, month]] -= 1.0 / len(self.analysts) / len(self.months(r))
        else:
            now = self.priors.month(day)
            before = [month for month in self.months(analyst) if month <= now]
            out[self.where["gamma", analyst, before[-1] if before else self.months(analyst)[0]]] -= 1.0
        if ball != 1:
            out[self.where["beta", ball]] -= 1.0
        return out

    def score(self, player: int, day: int, area: int, z: float) -> tuple[float, float, float]:
        rows = np.array([self.row(player, day, area, c, None, 1, False) for c in self.checks[area]])
        logit = rows @ self.mode
        slope = expit(logit) * (1 - expit(logit))
        direction = slope @ rows / slope.sum()
        sd = np.sqrt(direction @ self.covariance @ direction)
        # A fine trapezoid in place of quadrature nodes.
        grid = np.linspace(-8, 8, 4001)
        density = np.exp(-(grid**2) / 2)
        means = expit(logit[:, None] + sd * grid).mean(axis=0)
        mean = np.sum(means * density) / np.sum(density)
        return tuple(
            100 * float(x) for x in (mean, expit(logit - z * sd).mean(), expit(logit + z * sd).mean())
        )

    def chance(self, player: int, day: int, area: int, check: int, analyst: int, ball: int) -> float:
        row = self.row(player, day, area, check, analyst, ball, False)
        now = self.priors.month(day)
        before = [month for month in self.months(analyst) if month <= now]
        apart = abs(now - (before[-1] if before else self.months(analyst)[0]))
        loose = self.priors.day_variance + self.priors.situation_variance
        loose += self.priors.severity_walk_sd**2 * apart
        sd = np.sqrt(row @ self.covariance @ row + loose)
        grid = np.linspace(-8, 8, 4001)
        density = np.exp(-(grid**2) / 2)
        return float(np.sum(expit(row @ self.mode + sd * grid) * density) / np.sum(density))


def own_row(where: Mapping[tuple, int], checks: list[int], player: int, check: int) -> np.ndarray:
    out = np.zeros(len(where))
    free = [where[key] for c in checks[:-1] if (key := ("own", player, c)) in where]
    if not free:
        return out
    if check == checks[-1]:
        out[free] = -1.0
    else:
        out[where["own", player, check]] = 1.0
    return out


def slow_fit(
    rows: Iterable[ROW],
    priors: SlowPriors,
    blank: Iterable[tuple[int, int]] = (),
    held: Mapping[tuple, float] | None = None,
) -> SlowFit:
    """The joint mode; `blank` are further (player, day) without data, `held` effects that do not move."""
    blank = list(blank)
    rows = [tuple(int(x) for x in row) for row in rows]
    areas = sorted({row[2] for row in rows})
    checks = {a: sorted({row[3] for row in rows if row[2] == a}) for a in areas}
    players = sorted({row[0] for row in rows} | {player for player, _ in blank})
    seats = sorted({(row[4], priors.month(row[1])) for row in rows})
    pairs = {(row[0], row[1]) for row in rows} | set(blank)
    days = {p: sorted(d for q, d in pairs if q == p) for p in players}
    names: list[tuple] = []
    for p in players:
        for d in days[p]:
            names += [("theta", p, d, a) for a in areas]
            if priors.day_variance + priors.situation_variance > 0:
                names += [("form", p, d, a) for a in areas]
        if priors.own_sd > 0:
            names += [("own", p, c) for a in areas for c in checks[a][:-1]]
    names += [("delta", c) for a in areas for c in checks[a]] + [("gamma", r, m) for r, m in seats]
    names += [("beta", b) for b in (0, 2)]
    names += [(kind, a) for kind in ("start", "drift") for a in areas]
    where = {name: i for i, name in enumerate(names)}
    size = len(names)
    precision = np.zeros((size, size))

    def prior(entries: list[np.ndarray], covariance: np.ndarray) -> None:
        stacked = np.array(entries)
        precision[:] += stacked.T @ np.linalg.inv(covariance) @ stacked

    def unit(*parts: tuple[tuple, float]) -> np.ndarray:
        out = np.zeros(size)
        for name, value in parts:
            out[where[name]] += value
        return out

    fixed = dict(held or {})
    for kind, keys, sd in [
        ("delta", [c for a in areas for c in checks[a]], priors.check_sd),
        ("beta", [0, 2], priors.ball_sd),
        ("start", areas, priors.start_sd),
    ]:
        for key in keys:
            if sd > 0:
                prior([unit(((kind, key), 1.0))], np.array([[sd**2]]))
            else:
                fixed[kind, key] = 0.0
    for r in sorted({analyst for analyst, _ in seats}):
        months = [month for analyst, month in seats if analyst == r]
        if priors.severity_sd == 0:
            fixed.update({("gamma", r, month): 0.0 for month in months})
            continue
        prior([unit((("gamma", r, months[0]), 1.0))], np.array([[priors.severity_sd**2]]))
        for one, other in pairwise(months):
            step = unit((("gamma", r, other), 1.0), (("gamma", r, one), -1.0))
            prior([step], np.array([[priors.severity_walk_sd**2 * (other - one)]]))
    n = len(areas)
    if priors.drift_sd + priors.drift_area_sd > 0:
        prior([unit((("drift", a), 1.0)) for a in areas], priors.drifts(n))
    else:
        fixed.update({("drift", a): 0.0 for a in areas})
    alike = (1 - priors.initial_correlation) * np.eye(n) + priors.initial_correlation
    for p in players:
        first = [unit((("theta", p, days[p][0], a), 1.0), (("start", a), -1.0)) for a in areas]
        prior(first, priors.initial_sd**2 * alike)
        for before, now in zip(days[p], days[p][1:], strict=False):
            for a in areas:
                parts = [
                    (("theta", p, now, a), 1.0),
                    (("theta", p, before, a), -1.0),
                    (("drift", a), before - now),
                ]
                prior([unit(*parts)], np.array([[priors.walk_variance * (now - before)]]))
        for d in days[p] if priors.day_variance + priors.situation_variance > 0 else []:
            for a in areas:
                often = [sum(r[6] for r in rows if r[:2] == (p, d) and r[3] == c) for c in checks[a]]
                spread = priors.day_variance + priors.situation_variance / max(1, *often)
                prior([unit((("form", p, d, a), 1.0))], np.array([[spread]]))
        for a in areas if priors.own_sd > 0 else []:
            k = len(checks[a])
            if k > 1:
                full = priors.own_sd**2 * (np.eye(k) - np.ones((k, k)) / k)
                prior([unit((("own", p, c), 1.0)) for c in checks[a][:-1]], full[:-1, :-1])
    out = SlowFit(names, where, np.zeros(size), np.zeros((size, size)), checks, seats, priors)
    loose = priors.day_variance + priors.situation_variance > 0
    design = np.array([out.row(*row[:6], form=loose) for row in rows])
    seen, met = (np.array([row[i] for row in rows], dtype=float) for i in (6, 7))
    free = np.array([i for i, name in enumerate(names) if name not in fixed])
    for name, value in fixed.items():
        if name in where:
            out.mode[where[name]] = value
    for _ in range(100):
        chance = expit(design @ out.mode)
        gradient = design.T @ (seen * chance - met) + precision @ out.mode
        hessian = design.T @ (design * (seen * chance * (1 - chance))[:, None]) + precision
        move = np.linalg.solve(hessian[np.ix_(free, free)], gradient[free])
        out.mode[free] -= move
        if np.abs(move).max() < 1e-12:
            break
    out.covariance[np.ix_(free, free)] = np.linalg.inv(hessian[np.ix_(free, free)])
    logits = design @ out.mode
    fit = np.sum(met * logits - seen * np.logaddexp(0.0, logits)) - 0.5 * out.mode @ precision @ out.mode
    (_, before), (_, after) = (np.linalg.slogdet(part[np.ix_(free, free)]) for part in (precision, hessian))
    out.likelihood = float(fit + 0.5 * before - 0.5 * after)
    return out
