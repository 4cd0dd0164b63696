"""Clubs of which everything is known, for the bars of the progression scores.

No figure here is one of the model's priors.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

NAMES = ("player", "day", "area", "check", "analyst", "ball", "seen", "met")
HARD = np.array([-0.45, 0.0, 0.65])
BALLS = np.array([0.2, 0.58, 0.22])


@dataclass(frozen=True)
class Design:
    """How a club looks. Logits, days; see `play`."""

    units: int = 200
    analysts: int = 6
    days: float = 12.0
    span: int = 270
    areas: int = 5
    per_area: int = 5
    situations: float = 11.0
    asked: float = 0.75
    start_sd: float = 0.7
    alike: float = 0.4
    walk: float = 0.002
    drift: float = 0.002
    drift_sd: float = 0.001
    check_sd: float = 0.8
    tau: float = 0.35
    severity_sd: float = 0.5
    severity_walk: float = 0.0
    form_sd: float = 0.25
    luck_sd: float = 0.4
    opponents_sd: float = 0.0
    # Days after a unit's last match day on which it plays again: what forecasts are held against. See `Club.late`.
    ahead: tuple[int, ...] = ()
    # crossed; own: each analyst own players; own5: the same with 5 % crossed; in_time: analysts follow each other;
    # newcomer: the last analyst codes six players alone, late.
    who: str = "crossed"


@dataclass(frozen=True, eq=False)
class Club:
    design: Design
    columns: np.ndarray
    # True score of each unit, day and area; logit of each row without the day's form and luck.
    truth: dict[tuple[int, int, int], float]
    logit: np.ndarray
    severity: np.ndarray
    analyst_of: dict[tuple[int, int], int]
    # True drift of each area, logits a day; rows of the days in `Design.ahead`.
    drift: np.ndarray
    late: np.ndarray

    @property
    def last(self) -> np.ndarray:
        """Rows of each unit's last match day."""
        latest = np.zeros(int(self.columns[0].max()) + 1, dtype=np.int64)
        np.maximum.at(latest, self.columns[0], self.columns[1])
        return self.columns[1] == latest[self.columns[0]]

    def true(self, scores: dict[str, np.ndarray]) -> np.ndarray:
        keys = zip(*(scores[name].tolist() for name in ("player", "day", "area")), strict=True)
        return np.array([self.truth[key] for key in keys])

    def coder(self, scores: dict[str, np.ndarray]) -> np.ndarray:
        keys = zip(scores["player"].tolist(), scores["day"].tolist(), strict=True)
        return np.array([self.analyst_of[key] for key in keys])


def play(seed: int, design: Design) -> Club:
    rng = np.random.default_rng(seed)
    d = design
    checks = d.areas * d.per_area
    area_of = np.repeat(np.arange(d.areas), d.per_area)
    delta = rng.normal(0, d.check_sd, checks)
    base = rng.normal(0.1, 0.35, d.areas)
    severity = rng.normal(0, d.severity_sd, d.analysts)
    severity -= severity.mean()
    months = (d.span + max(d.ahead, default=0)) // 30 + 2
    walk = np.cumsum(rng.normal(0, d.severity_walk, (months, d.analysts)), axis=0)
    walk -= walk.mean(axis=0)
    if d.analysts > 1:
        walk -= walk.mean(axis=1, keepdims=True)
    drift = d.drift + rng.normal(0, d.drift_sd, d.areas) if d.drift or d.drift_sd else np.zeros(d.areas)
    initial = d.start_sd**2 * ((1 - d.alike) * np.eye(d.areas) + d.alike)
    root = np.linalg.cholesky(initial)
    parts, truth, chances, late, who_of = [], {}, [], [], {}
    number = 0
    for unit in range(d.units):
        count = max(2, int(rng.poisson(d.days))) if d.days > 3 else int(d.days)
        on = np.sort(rng.choice(d.span, min(count, d.span), replace=False))
        theta = base + root @ rng.normal(size=d.areas)
        own = rng.normal(0, d.tau, checks)
        own -= (np.bincount(area_of, own) / d.per_area)[area_of]
        known_until = int(on[-1])
        on = np.concatenate([on, known_until + np.array(d.ahead, dtype=np.int64)])
        for i, day in enumerate(on.tolist()):
            if i:
                gap = day - on[i - 1]
                theta = theta + drift * gap + rng.normal(0, np.sqrt(d.walk * gap), d.areas)
            analyst = _who(rng, d, unit, day)
            who_of[unit, day] = analyst
            strict = severity[analyst] + walk[day // 30, analyst]
            form = rng.normal(0, d.form_sd, d.areas) + rng.normal(0, d.opponents_sd)
            clean = theta[area_of] + own - delta
            for area in range(d.areas):
                spread = np.sqrt(d.form_sd**2 + d.luck_sd**2 + d.opponents_sd**2)
                truth[unit, day, area] = 100 * float(_mean(clean[area_of == area], spread).mean())
            situations = rng.poisson(d.situations, d.areas)
            area = np.repeat(np.arange(d.areas), situations)
            if not area.size:
                continue
            ball = rng.choice(3, area.size, p=BALLS)
            luck = rng.normal(0, d.luck_sd, area.size)
            asked = rng.random((area.size, d.per_area)) < d.asked
            row, place = np.nonzero(asked)
            check = area[row] * d.per_area + place
            known = clean[check] - strict - HARD[ball[row]]
            hidden = known + form[area[row]] + luck[row]
            met = rng.random(row.size) < expit(hidden)
            parts.append(
                np.stack(
                    [
                        np.full(row.size, unit),
                        np.full(row.size, day),
                        area[row],
                        check,
                        np.full(row.size, analyst),
                        ball[row],
                        np.ones(row.size, dtype=np.int64),
                        met,
                        row + number,
                    ]
                ).astype(np.int64)
            )
            number += area.size
            chances.append(known)
            late.append(np.full(row.size, day > known_until))
    columns, chance = np.concatenate(parts, axis=1), np.concatenate(chances)
    return Club(d, columns, truth, chance, severity, who_of, drift, np.concatenate(late))


def _who(rng: np.random.Generator, d: Design, unit: int, day: int) -> int:
    own = unit * d.analysts // d.units
    if d.who == "own":
        return own
    if d.who == "own5":
        return own if rng.random() > 0.05 else int(rng.integers(d.analysts))
    if d.who == "in_time":
        at = day / d.span * d.analysts + rng.normal(0, 0.35)
        return int(np.clip(at, 0, d.analysts - 1))
    if d.who == "newcomer":
        if unit < 6 and day > d.span // 2:
            return d.analysts - 1
        return int(rng.integers(d.analysts - 1))
    return int(rng.integers(d.analysts))


_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(31)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()


def _mean(logit: np.ndarray, spread: float) -> np.ndarray:
    return expit(logit[:, None] + spread * _NODES) @ _WEIGHTS


def tallied(columns: np.ndarray) -> np.ndarray:
    """Rows of single looks summed as the program stores them."""
    key = np.zeros(columns.shape[1], dtype=np.int64)
    for column in columns[:6]:
        key = key * (int(column.max(initial=0)) + 1) + column
    _, first, back = np.unique(key, return_index=True, return_inverse=True)
    seen, met = (np.bincount(back, weights=columns[i]).astype(np.int64) for i in (6, 7))
    return np.concatenate([columns[:6, first], [seen, met]])


def log_loss(chance: np.ndarray, met: np.ndarray) -> float:
    return float(-np.mean(np.where(met > 0, np.log(chance), np.log1p(-chance))))


def marginal(logit: np.ndarray, design: Design) -> np.ndarray:
    """What somebody expects who knows all but the day's form and the luck of a situation."""
    spread = np.sqrt(design.form_sd**2 + design.luck_sd**2 + design.opponents_sd**2)
    return _mean(logit, spread)
