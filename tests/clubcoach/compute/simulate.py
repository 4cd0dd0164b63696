"""Clubs of which the truth is known. The numbers here are not the model's priors."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit


@dataclass
class Club:
    """Columns of tallies in the order of `fit_progression`, and the true score of each unit-day-area."""

    columns: np.ndarray
    truth: dict[tuple[int, int, int], float]
    strong: np.ndarray
    severity: np.ndarray

    def true(self, scores: dict[str, np.ndarray]) -> np.ndarray:
        keys = zip(*(scores[name].tolist() for name in ("player", "day", "area")), strict=True)
        return np.array([self.truth[key] for key in keys])


def simulate(
    seed: int,
    *,
    units: int = 24,
    days: int = 12,
    areas: int = 4,
    per_area: int = 4,
    severity: tuple[float, ...] = (0.6, 0.0, -0.6),
    looks: float = 6.0,
    drift: float = 0.0,
    gap: float = 0.0,
    own_player: float = 0.0,
    walk: float = 0.001,
) -> Club:
    """A club whose stronger half is `gap` logits ahead and is coded by analyst 0 with chance `own_player`."""
    rng = np.random.default_rng(seed)
    checks = areas * per_area
    area_of = np.repeat(np.arange(areas), per_area)
    delta = rng.normal(0, 0.9, checks)
    strong = np.arange(units) < units // 2
    base = rng.normal(0, 0.4, areas)
    hard = np.array([-0.5, 0.0, 0.7])
    rows, truth = [], {}
    for unit in range(units):
        on = np.sort(rng.choice(180, days, replace=False))
        theta = base + rng.normal(0, 0.5) + rng.normal(0, 0.5, areas) + gap * (strong[unit] - 0.5)
        own = rng.normal(0, 0.3, checks)
        own -= (np.bincount(area_of, own) / per_area)[area_of]
        for i, day in enumerate(on):
            if i:
                step = day - on[i - 1]
                theta = theta + drift * step + rng.normal(0, np.sqrt(walk * step), areas)
            form = rng.normal(0, 0.25, areas)
            favourite = 0 if strong[unit] else len(severity) - 1
            analyst = favourite if rng.random() < own_player else int(rng.integers(len(severity)))
            for area in range(areas):
                mine = area_of == area
                truth[unit, int(day), area] = 100 * float(expit(theta[area] + (own - delta)[mine]).mean())
            seen = rng.poisson(looks * np.array([0.2, 0.6, 0.2]), (checks, 3))
            logit = (theta + form)[area_of] + own - delta - severity[analyst]
            met = rng.binomial(seen, expit(logit[:, None] - hard))
            for check, ball in zip(*np.nonzero(seen), strict=True):
                rows.append(
                    (unit, day, area_of[check], check, analyst, ball, seen[check, ball], met[check, ball])
                )
    return Club(np.array(rows).T, truth, strong, np.array(severity))


def counted(
    seed: int,
    *,
    units: int = 60,
    days: int = 6,
    span: int = 600,
    areas: int = 2,
    per_area: int = 3,
    looks: tuple[int, ...] = (3, 40),
    start: float = 0.7,
    walk: float = 0.0015,
    own: float = 0.4,
    day: float = 0.25,
    luck: float = 0.5,
    severity: float = 0.5,
    drift: float = 0.0,
    who: str = "crossed",
) -> Club:
    """A club drawn from the model itself. `looks` are the situations that a unit's day in an area may have.

    Analysts are six, or with `who` "own" each with players of their own.
    """
    rng = np.random.default_rng(seed)
    checks = areas * per_area
    area_of = np.repeat(np.arange(areas), per_area)
    delta, strict = rng.normal(0, 0.8, checks), rng.normal(0, severity, 6)
    strict -= strict.mean()
    on = np.sort(rng.permuted(np.tile(np.arange(span), (units, 1)), axis=1)[:, :days], axis=1)
    gap = np.diff(on, axis=1, prepend=on[:, :1])[:, :, None]
    steps = drift * gap + rng.normal(0, 1, (units, days, areas)) * np.sqrt(walk * gap)
    theta = 0.2 + rng.normal(0, start, (units, 1, areas)) + np.cumsum(steps, axis=1)
    asked = rng.choice(looks, (units, days, areas))
    form = rng.normal(0, 1, theta.shape) * np.sqrt(day**2 + luck**2 / asked)
    mine = rng.normal(0, own, (units, areas, per_area))
    mine = (mine - mine.mean(axis=2, keepdims=True)).reshape(units, 1, checks)
    analyst = rng.integers(6, size=(units, days))
    if who == "own":
        analyst[:] = np.arange(units)[:, None] % 6
    clean = theta[:, :, area_of] + mine - delta
    seen = asked[:, :, area_of]
    met = rng.binomial(seen, expit(clean + form[:, :, area_of] - strict[analyst][:, :, None]))
    unit, step, check = (part.ravel() for part in np.indices(seen.shape))
    ball = np.ones(unit.size, dtype=int)
    columns = [
        unit,
        on[unit, step],
        area_of[check],
        check,
        analyst[unit, step],
        ball,
        seen.ravel(),
        met.ravel(),
    ]
    share = 100 * expit(clean).reshape(units, days, areas, per_area).mean(axis=3)
    truth = {
        (u, int(on[u, s]), a): float(share[u, s, a])
        for u in range(units)
        for s in range(days)
        for a in range(areas)
    }
    return Club(np.array(columns), truth, np.zeros(units, dtype=bool), strict)
