"""The draw of a match: order, weights, margins."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import samplesize_confint_proportion

from clubcoach.compute.draw import draw_order, margin, sample_size


@given(sizes=st.lists(st.integers(1, 40), min_size=1, max_size=4), seed=st.integers(0, 2**32 - 1))
def test_strata_stay_balanced_along_the_whole_order(sizes: list[int], seed: int) -> None:
    stratum = np.repeat(np.arange(len(sizes)), sizes)
    ids = np.arange(stratum.size) + 100
    drawn = draw_order(ids, stratum, rng=np.random.default_rng(seed))
    assert sorted(drawn.order) == list(ids)
    assert np.array_equal(drawn.stratum, stratum[drawn.order - 100])
    share = np.array(sizes) / stratum.size
    so_far = np.cumsum(drawn.stratum[:, None] == np.arange(len(sizes)), axis=0)
    due = np.arange(1, stratum.size + 1)[:, None] * share
    # Each stratum is within one of its due at equal places; counting along the order adds at most
    # the others' roundings times its own share.
    assert np.all(np.abs(so_far - due) <= 1 + len(sizes) * share)


def test_every_situation_has_the_same_chance_also_in_a_small_stratum() -> None:
    stratum = np.array([0] * 20 + [1] * 3 + [2] * 17)
    rng = np.random.default_rng(5)
    runs, taken = 6000, 10
    seen = np.zeros(40)
    for _ in range(runs):
        seen[draw_order(np.arange(40), stratum, rng=rng).order[:taken]] += 1
    rate = seen / runs
    # Four standard errors of a rate of 1/4, and the small bias of cutting at a count.
    assert np.abs(rate - 0.25).max() < 4 * np.sqrt(0.25 * 0.75 / runs) + 0.02


def test_seed_gives_the_order_whatever_the_order_of_the_input() -> None:
    ids, stratum = np.arange(30), np.arange(30) % 3
    first = draw_order(ids, stratum, rng=np.random.default_rng(11))
    back = draw_order(ids[::-1], stratum[::-1], rng=np.random.default_rng(11))
    other = draw_order(ids, stratum, rng=np.random.default_rng(12))
    assert np.array_equal(first.order, back.order)
    assert not np.array_equal(first.order, other.order)


@given(
    sizes=st.lists(st.integers(1, 40), min_size=1, max_size=4), part=st.floats(0, 1), seed=st.integers(0, 999)
)
def test_weights_undo_the_rounding_of_the_strata(sizes: list[int], part: float, seed: int) -> None:
    stratum = np.repeat(np.arange(len(sizes)), sizes)
    drawn = draw_order(np.arange(stratum.size), stratum, rng=np.random.default_rng(seed))
    taken = round(part * stratum.size)
    weight = drawn.weights(taken)
    assert weight.sum() == pytest.approx(taken)
    reached = np.setdiff1d(np.arange(len(sizes)), drawn.unreached(taken))
    frame = np.array(sizes)[reached]
    weighed = [weight[drawn.stratum[:taken] == h].sum() for h in reached]
    assert weighed == pytest.approx(list(taken * frame / max(frame.sum(), 1)))


def test_the_whole_frame_needs_no_weights() -> None:
    drawn = draw_order(np.arange(7), np.array([0, 0, 0, 1, 1, 2, 2]), rng=np.random.default_rng(1))
    assert drawn.weights(7) == pytest.approx(np.ones(7))
    assert drawn.weights(0).size == 0
    assert list(drawn.unreached(0)) == [0, 1, 2]
    with pytest.raises(ValueError, match="taken"):
        drawn.weights(8)


def test_empty_frame() -> None:
    drawn = draw_order([], [], rng=np.random.default_rng(1))
    assert (drawn.n, drawn.weights(0).size) == (0, 0)


def test_cochran_1977_section_4_4() -> None:
    # From memory: p .5, d .05, t 2, N 3200 ask for 400, then 356.
    found = sample_size(0.05, 3200, deviations=2)
    assert (found.endless, found.n, found.population) == (400, 356, 3200)


@given(half=st.floats(0.02, 0.4), level=st.floats(0.5, 0.99))
def test_endless_frame_equals_statsmodels(half: float, level: float) -> None:
    found = sample_size(half, None, level=level)
    exact = samplesize_confint_proportion(0.5, half, alpha=1 - level)
    assert found.n == found.endless == max(1, int(np.ceil(exact - 1e-9)))


@given(population=st.integers(2, 500), half=st.floats(0.03, 0.4), level=st.floats(0.5, 0.99))
def test_size_and_margin_agree(population: int, half: float, level: float) -> None:
    found = sample_size(half, population, level=level)
    assert 1 <= found.n <= population
    assert margin(found.n, population, level=level).half_width <= half + 1e-9
    if found.n > 1:
        assert margin(found.n - 1, population, level=level).half_width > half - 1e-9


def test_margin_by_simulation_of_a_finite_frame() -> None:
    frame = np.array([0, 1] * 30)
    rng = np.random.default_rng(3)
    means = [rng.choice(frame, 24, replace=False).mean() for _ in range(20000)]
    told = margin(24, 60).half_width
    assert told == pytest.approx(1.2815515655446004 * np.std(means), rel=0.02)


def test_rally_as_cluster() -> None:
    alone = margin(24, 200).half_width
    assert margin(24, 200, clusters=24).half_width == alone
    assert margin(24, 200, clusters=12, correlation=0.0).half_width == alone
    assert margin(24, 200, clusters=12).half_width == pytest.approx(alone * np.sqrt(2))
    assert margin(24, 24, clusters=12).half_width == 0.0
    assert margin(1, None).half_width == 0.5
    found = margin(24, 200, clusters=12)
    assert (found.n, found.population, found.clusters, found.level) == (24, 200, 12, 0.8)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: margin(0, 10), "n must be"),
        (lambda: margin(11, 10), "population"),
        (lambda: margin(5, 10, clusters=6), "clusters"),
        (lambda: margin(5, 10, clusters=2, correlation=2.0), "correlation"),
        (lambda: sample_size(0.0, 10), "half_width"),
        (lambda: sample_size(0.1, 10, share=1.0), "share"),
        (lambda: sample_size(0.1, 0), "population"),
        (lambda: draw_order([1, 1], [0, 0], rng=np.random.default_rng(1)), "twice"),
        (lambda: draw_order([1, 2], [0], rng=np.random.default_rng(1)), "rows"),
        (lambda: draw_order([1.5], [0], rng=np.random.default_rng(1)), "whole numbers"),
        (lambda: draw_order([[1]], [0], rng=np.random.default_rng(1)), "flat"),
    ],
)
def test_refuses_wrong_input(call, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=words):
        call()
