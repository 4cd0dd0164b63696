"""Progression scores where the truth is known, hyper-parameters learned: seeds 901 to 905 were never tuned on.

A small selection of the bars in tests/bench, which are larger and take minutes.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import spearmanr

from clubcoach.compute.intervals import wilson_bounds
from clubcoach.compute.progression import fit_progression
from tests.bench import peers
from tests.bench.clubs import NAMES, Design, log_loss, marginal, play, tallied
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
    errors, sure = [], []
    for seed in SEEDS:
        club = simulate(seed)
        shared = fit_progression(*club.columns).shared
        told = np.array([shared.severity(analyst) for analyst in range(3)])
        errors.append(float(np.abs(told[:, 0] - club.severity).max()))
        sure.append(float((np.abs(told[:, 0] - club.severity) / told[:, 1]).max()))
    said("largest error of a severity, logits", errors, worst=max(errors))
    said("the same in its standard deviations", sure, worst=max(sure))
    assert max(errors) < 0.2
    assert max(sure) < 3.0


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
    # A still club shows none; a small one that gains .45 logits in 90 days shows the half of it that its data bear out.
    assert np.mean(still) < 0.03
    assert max(still) < 0.08
    assert max(sure) < 2.0
    assert np.mean(moving) > 0.0025
    assert min(moving) > 0.0015


def test_forecasts_cover_and_widen() -> None:
    covered = []
    for seed in SEEDS:
        club = simulate(seed, units=40)
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
    assert 0.75 <= np.mean(covered) <= 0.85


def naive(columns: np.ndarray, true: dict[tuple[int, int, int], float]) -> float:
    """Coverage of Wilson's interval of the share of unit, day and area."""
    nodes, at = np.unique(columns[[0, 1, 2]], axis=1, return_inverse=True)
    seen, met = (np.bincount(np.ravel(at), weights=columns[i]).astype(int) for i in (6, 7))
    low, high = wilson_bounds(met, seen)
    held = np.array([true[key] for key in zip(*nodes.tolist(), strict=True)])
    return float(np.mean((100 * low <= held) & (held <= 100 * high)))


def test_raw_shares_do_not_cover() -> None:
    # The decoy of the coverage above: if this passed too, that would test nothing.
    covered = [
        naive(club.columns, club.truth) for club in (simulate(seed, units=24, days=12) for seed in SEEDS)
    ]
    said("coverage of raw shares", covered, worst=max(covered))
    assert max(covered) < 0.65


def test_the_next_match_is_guessed_better_than_by_any_plain_share() -> None:
    contest = {
        "raw share": (peers.raw_share, [None]),
        "last share": (peers.last_share, [None]),
        "fading share": (peers.fading_share, [(45, 8), (90, 8)]),
        "static ridge": (peers.static_ridge, [1.0]),
    }
    ours, theirs = [], {name: [] for name in contest}
    for seed in SEEDS[:3]:
        club = play(seed, Design(units=40))
        known, asked = tallied(club.columns[:, ~club.last]), club.columns[:, club.last]
        oracle = log_loss(marginal(club.logit[club.last], club.design), asked[7])
        chance = fit_progression(*known).predict(**dict(zip(NAMES[:6], asked[:6], strict=True)))
        ours.append(100 * (log_loss(chance, asked[7]) / oracle - 1))
        for name, (guess, settings) in contest.items():
            loss, _ = peers.loss_of(guess, settings, known, asked)
            theirs[name].append(100 * (loss / oracle - 1))
    said("log loss over the oracle's, %", ours, worst=max(ours))
    for name, values in theirs.items():
        said(name, values, worst=min(values))
        assert np.all(np.array(ours) < values), name
    assert max(ours) < 4.0


@pytest.mark.parametrize("who", ["own5", "in_time", "newcomer"])
def test_intervals_cover_however_analysts_are_dealt(who: str) -> None:
    covered, bias = [], []
    for seed in SEEDS[:3]:
        club = play(seed, Design(units=48, days=8, who=who))
        scores = fit_progression(*tallied(club.columns)).scores()
        true, by = club.true(scores), club.coder(scores)
        covered.append(inside(scores, true))
        bias.append(float(np.abs(np.bincount(by, scores["score"] - true) / np.bincount(by)).max()))
    said(f"coverage, {who}", covered, worst=min(covered))
    said("largest bias of an analyst's days, points", bias, worst=max(bias))
    assert 0.75 <= np.mean(covered) <= 0.86
    assert max(bias) < 4.0


@pytest.mark.parametrize("change", [{"form_sd": 0.5}, {"luck_sd": 1.0}, {"severity_walk": 0.1}], ids=str)
def test_intervals_cover_on_other_clubs(change: dict[str, float]) -> None:
    covered = []
    for seed in SEEDS[:3]:
        club = play(seed, Design(units=48, days=8, **change))
        scores = fit_progression(*tallied(club.columns)).scores()
        covered.append(inside(scores, club.true(scores)))
    said(f"coverage, {change}", covered, worst=min(covered))
    assert 0.75 <= np.mean(covered) <= 0.85
