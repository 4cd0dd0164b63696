"""Progression scores where the truth is known: seeds 901 to 905 were never tuned on."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import spearmanr

from clubcoach.compute.progression import fit_progression
from tests.clubcoach.compute.simulate import simulate

SEEDS = (901, 902, 903, 904, 905)


def said(what: str, values: list[float], *, worst: float) -> None:
    print(f"{what}: mean {np.mean(values):.3f}, worst {worst:.3f}")


def inside(scores: dict[str, np.ndarray], true: np.ndarray) -> float:
    return float(np.mean((scores["low"] <= true) & (true <= scores["high"])))


@pytest.mark.parametrize(
    ("kind", "size", "least"),
    [
        ("smoothed", {"units": 24, "days": 12}, 0.95),
        ("filtered", {"units": 24, "days": 12}, 0.93),
        # About 70 looks an area and unit: less can be known.
        ("smoothed", {"units": 24, "days": 3}, 0.9),
        ("smoothed", {"units": 24, "days": 12, "own_player": 0.9}, 0.95),
    ],
    ids=["smoothed", "filtered", "three-days", "own-players"],
)
def test_intervals_cover(kind: str, size: dict[str, float], least: float) -> None:
    covered, near = [], []
    for seed in SEEDS:
        club = simulate(seed, **size)
        scores = fit_progression(*club.columns).scores(kind=kind)
        true = club.true(scores)
        covered.append(inside(scores, true))
        near.append(float(np.corrcoef(scores["score"], true)[0, 1]))
    said(f"coverage {kind} {size}", covered, worst=min(covered))
    said("correlation", near, worst=min(near))
    assert 0.75 <= np.mean(covered) <= 0.85
    assert min(covered) > 0.7
    assert np.mean(near) > least


def test_a_strict_analyst_does_not_turn_the_order_round() -> None:
    # The stronger half is coded nine times of ten by the strict analyst, the weaker by the lenient one.
    right, wrong, ranks, raw_ranks = [], [], [], []
    for seed in SEEDS:
        club = simulate(seed, severity=(1.0, -1.0), gap=1.0, own_player=0.8)
        scores = fit_progression(*club.columns).scores()
        true = club.true(scores)
        unit = scores["player"]
        count = np.bincount(unit)
        told, held = np.bincount(unit, scores["score"]) / count, np.bincount(unit, true) / count
        seen, met = (np.bincount(club.columns[0], club.columns[i]) for i in (6, 7))
        raw = 100 * met / seen
        wrong.append(raw[club.strong].mean() - raw[~club.strong].mean())
        right.append(told[club.strong].mean() - told[~club.strong].mean())
        ranks.append(spearmanr(told, held).statistic)
        raw_ranks.append(spearmanr(raw, held).statistic)
        truly = held[club.strong].mean() - held[~club.strong].mean()
        assert right[-1] == pytest.approx(truly, abs=6.0)
    said("stronger half ahead by raw share", wrong, worst=max(wrong))
    said("stronger half ahead by score", right, worst=min(right))
    said("rank correlation of raw share", raw_ranks, worst=max(raw_ranks))
    said("rank correlation of score", ranks, worst=min(ranks))
    # The decoy must bite, or the test tests nothing.
    assert max(wrong) < 0
    assert min(right) > 0
    assert min(ranks) > 0.9
    assert max(raw_ranks) < 0.75


def test_severity_is_found() -> None:
    errors = []
    for seed in SEEDS:
        club = simulate(seed)
        found = fit_progression(*club.columns).shared.effect("gamma")
        errors.append(float(np.abs(found - found.mean() - club.severity).max()))
    said("largest error of a severity, logits", errors, worst=max(errors))
    assert max(errors) < 0.2


def test_no_progress_shows_no_drift_and_progress_shows() -> None:
    still, moving, sure = [], [], []
    for seed in SEEDS:
        shared = fit_progression(*simulate(seed).columns).shared
        still.append(float(90 * np.abs(shared.effect("drift")).max()))
        sure.append(float((np.abs(shared.effect("drift")) / shared.spread("drift")).max()))
        moving.append(
            float(fit_progression(*simulate(seed, drift=0.005).columns).shared.effect("drift").min())
        )
    said("largest drift of a still club, logits in 90 days", still, worst=max(still))
    said("its size in standard deviations", sure, worst=max(sure))
    said("smallest drift found of .005 a day", moving, worst=min(moving))
    assert np.mean(still) < 0.12
    assert max(sure) < 2.5
    assert min(moving) > 0.0015


def test_forecasts_cover_and_widen() -> None:
    covered = []
    for seed in SEEDS:
        club = simulate(seed)
        early = club.columns[:, club.columns[1] <= 120]
        fitted = fit_progression(*early)
        rng = np.random.default_rng(seed)
        hits = []
        for player in fitted.players.tolist():
            days = sorted({day for unit, day, _ in club.truth if unit == player and day > 120})
            if not days:
                continue
            low, high = np.quantile(fitted.draws(player, days, rng=rng, n=1000), [0.1, 0.9], axis=0)
            true = np.array(
                [[club.truth[player, day, area] for area in fitted.areas.tolist()] for day in days]
            )
            hits.append(((low <= true) & (true <= high)).ravel())
            assert np.all((high - low)[-1] >= 0.9 * (high - low)[0])
        covered.append(float(np.mean(np.concatenate(hits))))
    said("coverage of forecasts", covered, worst=min(covered))
    assert 0.74 <= np.mean(covered) <= 0.9
