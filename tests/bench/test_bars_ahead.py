"""Bars of the forecasts: 30, 60 and 90 days beyond a unit's last match, from what was known at it."""

from __future__ import annotations

import numpy as np
import pytest

from clubcoach.compute.intervals import wilson_bounds
from clubcoach.compute.progression import Progression, fit_progression
from tests.bench.board import Board
from tests.bench.clubs import NAMES, Club, Design, play, tallied

pytestmark = pytest.mark.bench

SEEDS = range(101, 106)
AHEAD = (30, 60, 90)
DRAWS = 1000


def forecast(club: Club, fitted: Progression, rng: np.random.Generator) -> dict[int, list[tuple[float, ...]]]:
    """By horizon: low, high, middle of the forecast and the truth, a row per unit and area."""
    last = {
        unit: max(day for one, day, _ in club.truth if one == unit) - max(AHEAD)
        for unit in fitted.players.tolist()
    }
    out: dict[int, list[tuple[float, ...]]] = {ahead: [] for ahead in AHEAD}
    for unit, day in last.items():
        drawn = fitted.draws(unit, [day + ahead for ahead in AHEAD], rng=rng, n=DRAWS)
        low, middle, high = np.quantile(drawn, [0.1, 0.5, 0.9], axis=0)
        for i, ahead in enumerate(AHEAD):
            for j, area in enumerate(fitted.areas.tolist()):
                row = (low[i, j], high[i, j], middle[i, j], club.truth[unit, day + ahead, area])
                out[ahead].append(tuple(float(x) for x in row))
    return out


def off_the_line(chance: np.ndarray, met: np.ndarray) -> float:
    """Largest distance between predicted and met share over ten bins of equal width with 200 looks or more."""
    at = np.minimum((10 * chance).astype(int), 9)
    looks = np.bincount(at, minlength=10)
    told, kept = np.bincount(at, chance, 10), np.bincount(at, met, 10)
    full = looks >= 200
    return float(np.abs(told[full] / looks[full] - kept[full] / looks[full]).max())


def naive_ahead(club: Club) -> float:
    """Coverage of the truth in 90 days by Wilson's interval of the raw share so far."""
    player, _day, area, *_, seen, met = tallied(club.columns[:, ~club.late])
    key = player * 100 + area
    seen, met = (np.bincount(key, part).astype(int) for part in (seen, met))
    there = np.flatnonzero(seen)
    low, high = wilson_bounds(met[there], seen[there])
    latest = np.zeros(int(player.max()) + 1, dtype=int)
    np.maximum.at(latest, club.columns[0], club.columns[1])
    true = np.array([club.truth[k // 100, int(latest[k // 100]), k % 100] for k in there.tolist()])
    return float(np.mean((100 * low <= true) & (true <= 100 * high)))


def test_forecasts(board: Board) -> None:
    covered: dict[int, list[float]] = {ahead: [] for ahead in AHEAD}
    off: dict[int, list[float]] = {ahead: [] for ahead in AHEAD}
    bias: dict[int, list[float]] = {ahead: [] for ahead in AHEAD}
    raw = []
    what = "200 units, 6 analysts, about 12 match days known; seeds 101 to 105."
    with board.section("Forecasts", what) as section:
        for seed in SEEDS:
            club = play(seed, Design(ahead=AHEAD))
            fitted = fit_progression(*tallied(club.columns[:, ~club.late]))
            last = {
                unit: int(club.columns[1, (club.columns[0] == unit) & ~club.late].max())
                for unit in fitted.players
            }
            for ahead, rows in forecast(club, fitted, np.random.default_rng(seed)).items():
                low, high, middle, true = np.array(rows).T
                covered[ahead].append(float(np.mean((low <= true) & (true <= high))))
                bias[ahead].append(float(np.mean(middle - true)))
                then = club.columns[1] == np.array([last[u] for u in club.columns[0].tolist()]) + ahead
                asked = club.columns[:, then & club.late]
                off[ahead].append(
                    off_the_line(fitted.predict(**dict(zip(NAMES[:6], asked[:6], strict=True))), asked[7])
                )
            raw.append(naive_ahead(club))
            print(f"    seed {seed}: " + " ".join(f"{covered[ahead][-1]:.3f}" for ahead in AHEAD), flush=True)
        for ahead in AHEAD:
            bar = ".75-.85 in the mean"
            section.tell(
                f"coverage of the 80 % interval, {ahead} days", covered[ahead], bar=bar, worst="off 0.8"
            )
            what = f"predicted against met, ten bins, largest gap, {ahead} days"
            section.tell(what, off[ahead], bar="none > .10")
            section.tell(
                f"middle of the forecast less truth, points, {ahead} days",
                bias[ahead],
                show="{:.2f}",
                worst="off 0",
            )
        what = "decoy: Wilson's interval of the raw share, 90 days"
        section.tell(what, raw, bar="fails", worst="off 0.8")
    for ahead in AHEAD:
        assert 0.75 <= np.mean(covered[ahead]) <= 0.85, ahead
        assert max(off[ahead]) <= 0.10, ahead
    assert not 0.75 <= np.mean(raw) <= 0.85


def test_drift_is_zero_where_nobody_improves(board: Board) -> None:
    still, moving, truly, lifted = [], [], [], []
    what = "Common drift of the areas, logits in 90 days (.1 is about 2 points); 200 units, seeds 101 to 105."
    with board.section("Drift", what) as section:
        for seed in SEEDS:
            found = fit_progression(*tallied(play(seed, Design(drift=0, drift_sd=0)).columns)).shared
            still.append(float(90 * np.abs(found.effect("drift")).max()))
            club = play(seed, Design())
            found = fit_progression(*tallied(club.columns)).shared
            moving.append(float(90 * np.abs(found.effect("drift") - club.drift).max()))
            truly.append(float(90 * club.drift.mean()))
            lifted.append(float(90 * found.effect("drift").mean()))
            print(
                f"    seed {seed}: still {still[-1]:.3f}, moving {lifted[-1]:.3f} of {truly[-1]:.3f}",
                flush=True,
            )
        section.tell("nobody improves: largest drift of an area", still, bar="mean <= .05, none > .10")
        section.tell("a club that improves: its drift in truth", truly, worst="low")
        section.tell("the same as found", lifted, bar="within .10", worst="low")
        section.tell("largest error of an area's drift", moving)
    assert np.mean(still) <= 0.05
    assert max(still) <= 0.10
    # Else a drift of nought for all would pass.
    assert np.abs(np.array(lifted) - truly).max() <= 0.10
