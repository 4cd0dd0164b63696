"""Places on court drawn around a check's bound, clicked through a hidden camera, and what was proposed for them."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from clubcoach.compute.court import CourtError, calibrate
from clubcoach.compute.court_decide import Rule, chances_met, place_end, rule_of
from tests.clubcoach.compute.court_cameras import clicked, lens

CHECKS = {
    row["code"]: row
    for row in json.loads((Path(__file__).parents[3] / "fixtures" / "check_list.json").read_text())["checks"]
}
DECIDED = {code: rule for code, row in CHECKS.items() if (rule := rule_of(row)) and rule.spots}
AROUND = 2.0


def ends_of(code: str) -> tuple[str, ...]:
    return ("near", "far") if CHECKS[code]["end"] == "both" else (CHECKS[code]["end"],)


def met(rule: Rule, spots: np.ndarray) -> np.ndarray:
    """The truth, from true places with the net at 0 and depths above it; shape (n, spots, 2). Written on its own."""
    x, y = spots[..., 0], spots[..., 1]
    b = rule.bounds
    answers: dict[str, Any] = {
        "nearer": lambda: y[:, 0] < b[0],
        "farther": lambda: y[:, 0] > b[0],
        "strip": lambda: (y[:, 0] < b[0]) | (y[:, 0] > b[1]),
        "both nearer": lambda: y.max(axis=1) < b[0],
        "both farther": lambda: y.min(axis=1) > b[0],
        "level": lambda: np.abs(y[:, 0] - y[:, 1]) < b[0],
        "gap": lambda: np.abs(x[:, 0] - x[:, 1]) < b[0],
        "middle": lambda: np.abs(x[:, 0]) < b[0],
        "halves": lambda: x[:, 0] * x[:, 1] < 0,
        "step": lambda: np.hypot(*(spots[:, 1] - spots[:, 0]).T) < b[0],
        "forward": lambda: y[:, 0] - y[:, 1] > b[0],
        "towards": lambda: y[:, 0] - y[:, 1] > np.abs(x[:, 0] - x[:, 1]),
    }
    return np.asarray(answers[rule.kind]())


def around(rng: np.random.Generator, rule: Rule, n: int) -> np.ndarray:
    """What usually happens: anywhere within 2 m of the bound, a step of any length up to twice it. Depths above 0."""
    b = rule.bounds[0] if rule.bounds else 0.0
    side = rng.uniform(-4, 4, n)
    if rule.kind in ("step", "towards"):
        length = rng.uniform(0, 2 * b, n) if b else np.full(n, 0.6)
        turn = rng.uniform(0, 2 * np.pi, n)
        start = np.stack([side, rng.uniform(3, 7, n)], axis=1)
        return np.stack([start, start + (length * [np.cos(turn), np.sin(turn)]).T], axis=1)
    if rule.kind == "forward":
        start = np.stack([side, rng.uniform(4, 8, n)], axis=1)
        step = np.stack([rng.uniform(-0.5, 0.5, n), -rng.uniform(b - 0.6, b + 0.6, n)], axis=1)
        return np.stack([start, start + step], axis=1)
    if rule.kind in ("level", "gap"):
        off = rng.uniform(max(-b, -AROUND), AROUND, n) + b
        sign = rng.choice([-1, 1], n)
        if rule.kind == "level":
            first = rng.uniform(0.5 + off, 9.5)
            both = np.stack([first, first - off], axis=1)
            both = np.where(sign[:, None] > 0, both, both[:, ::-1])
            return np.stack([rng.uniform(-4, 4, (n, 2)), both], axis=2)
        left = rng.uniform(-5, 5 - off)
        both = np.stack([left, left + off], axis=1)
        return np.stack([np.where(sign[:, None] > 0, both, both[:, ::-1]), rng.uniform(1, 7, (n, 2))], axis=2)
    if rule.kind == "halves":
        return np.stack([rng.uniform(-AROUND, AROUND, (n, 2)), rng.uniform(1, 8, (n, 2))], axis=2)
    if rule.kind == "middle":
        across = (b + rng.uniform(-b, AROUND, n)) * rng.choice([-1, 1], n)
        return np.stack([across, rng.uniform(1, 8, n)], axis=1)[:, None]
    low, high = max(0.2, b - AROUND), min(9.8, rule.bounds[-1] + AROUND)
    return np.stack([rng.uniform(-4, 4, (n, rule.spots)), rng.uniform(low, high, (n, rule.spots))], axis=2)


@dataclass
class Told:
    """Chances told and what was true, over many cameras."""

    said: np.ndarray
    true: np.ndarray
    certain: np.ndarray

    def right_when_sure(self) -> tuple[float, int]:
        """Of what is proposed with 80 % or more the share that is so, and how many that were."""
        sure = (self.said > 0.8) | (self.said < 0.2)
        return float(np.mean((self.said > 0.5)[sure] == self.true[sure])), int(sure.sum())

    def tenths(self, said: np.ndarray | None = None) -> list[tuple[float, float, int]]:
        """For every tenth: the mean that was said, the share that was true, how many."""
        said = self.said if said is None else said
        rows = []
        for low in np.arange(10) / 10:
            some = (said >= low) & ((said < low + 0.1) | (low == 0.9))
            if some.any():
                rows.append((float(said[some].mean()), float(self.true[some].mean()), int(some.sum())))
        return rows

    def off(self, said: np.ndarray | None = None) -> float:
        """Mean distance between what was said and what was true, tenth by tenth, weighted by how many."""
        rows = self.tenths(said)
        return sum(abs(s - t) * n for s, t, n in rows) / sum(n for *_, n in rows)


def hidden(rng: np.random.Generator, height: float, kind: str = "radial", n: int = 8, sd: float = 2.0) -> Any:
    """A camera nobody knows, and the view that clicks on its landmarks give."""
    while True:
        camera = lens(rng, height, kind)
        drawn = clicked(rng, camera, n, sd)
        if drawn is None:
            continue
        try:
            return camera, calibrate(*drawn, image_size=camera.size, click_sd=sd)
        except CourtError:
            continue


def told(
    seed: int, height: float, codes: list[str], *, cameras: int, spots: int, sd: float = 2.0
) -> dict[tuple[str, str], Told]:
    """By check and end of the unit."""
    rng = np.random.default_rng(seed)
    rows: dict[tuple[str, str], list[tuple[np.ndarray, np.ndarray, np.ndarray]]] = {}
    for _ in range(cameras):
        camera, fit = hidden(rng, height, sd=sd)
        for code in codes:
            for end in ends_of(code):
                rows.setdefault((code, end), []).append(
                    _told(rng, camera, fit, DECIDED[code], end, spots, sd)
                )
    return {
        key: Told(*(np.concatenate(part) for part in zip(*some, strict=True))) for key, some in rows.items()
    }


def _told(rng: Any, camera: Any, fit: Any, rule: Rule, end: Any, n: int, sd: float) -> tuple[np.ndarray, ...]:
    truth = around(rng, rule, n)
    sign = -1.0 if place_end(rule, end) == "near" else 1.0
    places = truth * [1.0, sign]
    pixels, seen = camera.project(places.reshape(-1, 2))
    there = seen.reshape(n, -1).all(axis=1) & (np.abs(places[..., 0]) < 5).all(axis=1)
    clicks = pixels.reshape(n, -1, 2)[there] + rng.normal(0, sd, (int(there.sum()), rule.spots, 2))
    said = chances_met(rule, fit, clicks, end=end)
    read = fit.to_court(clicks.reshape(-1, 2))[0].reshape(-1, rule.spots, 2) * [1.0, sign]
    shown = np.isfinite(said)
    return said[shown], met(rule, truth[there])[shown], met(rule, read[shown]).astype(float)
