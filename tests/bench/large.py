"""Tallies of clubs of any size, drawn at once: for timings, where no truth is asked for."""

from __future__ import annotations

import numpy as np
from scipy.special import expit

from tests.bench.clubs import BALLS, HARD


def large(
    seed: int, *, units: int, days: int = 12, areas: int = 5, per_area: int = 5, analysts: int = 6
) -> np.ndarray:
    """Columns as `fit_progression` takes them, some 206 checks a unit and match day, in no order."""
    rng = np.random.default_rng(seed)
    checks, slots = areas * per_area, units * days
    area_of = np.repeat(np.arange(areas), per_area)
    delta, severity = rng.normal(0, 0.8, checks), rng.normal(0, 0.5, analysts)
    day = np.sort(rng.permuted(np.tile(np.arange(270), (units, 1)), axis=1)[:, :days], axis=1)
    gap = np.diff(day, axis=1, prepend=day[:, :1])[:, :, None]
    theta = 0.1 + rng.normal(0, 0.7, (units, 1, areas))
    theta = theta + np.cumsum(
        0.002 * gap + rng.normal(0, 1, (units, days, areas)) * np.sqrt(0.002 * gap), axis=1
    )
    theta += rng.normal(0, 0.27, theta.shape)
    own = rng.normal(0, 0.35, (units, 1, checks))
    analyst = rng.integers(analysts, size=(units, days))
    logit = (theta[:, :, area_of] + own - delta - severity[analyst][:, :, None]).reshape(slots, checks)
    seen = rng.poisson(8.25 * BALLS, (slots, checks, 3))
    met = rng.binomial(seen, expit(logit[:, :, None] - HARD))
    slot, check, ball = np.nonzero(seen)
    columns = [slot // days, day.ravel()[slot], area_of[check], check, analyst.ravel()[slot], ball]
    out = np.stack([*columns, seen[slot, check, ball], met[slot, check, ball]])
    return out[:, rng.permutation(out.shape[1])]
