"""Shares and intervals against published values and a second implementation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from clubcoach.compute.intervals import normal_quantile, tenths, wilson, wilson_bounds


@pytest.mark.parametrize(
    ("successes", "n", "low", "high"),
    [
        # Newcombe 1998, Statistics in Medicine 17:857, Table I, method 3.
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_newcombe_1998_table_1(successes: int, n: int, low: float, high: float) -> None:
    found = wilson(successes, n, level=0.95)
    assert (round(found.low, 4), round(found.high, 4)) == (low, high)
    assert (found.successes, found.n, found.level) == (successes, n, 0.95)


@given(n=st.integers(1, 400), part=st.floats(0, 1), level=st.floats(0.5, 0.99))
def test_equals_statsmodels(n: int, part: float, level: float) -> None:
    successes = round(part * n)
    found = wilson(successes, n, level=level)
    low, high = proportion_confint(successes, n, alpha=1 - level, method="wilson")
    assert found.low == pytest.approx(low, abs=1e-12)
    assert found.high == pytest.approx(high, abs=1e-12)
    assert found.share is not None
    assert found.low <= found.share <= found.high


def test_eighty_percent_is_the_default() -> None:
    assert normal_quantile(0.8) == pytest.approx(1.2815515655446004, abs=1e-12)
    assert wilson(9, 20).low == wilson(9, 20, level=0.8).low


def test_nothing_seen_says_nothing() -> None:
    found = wilson(0, 0)
    assert (found.share, found.low, found.high, found.n) == (None, 0.0, 1.0, 0)
    words = tenths(0, 0, 0.8)
    assert (words.about, words.low, words.high, words.n) == (None, 0, 10, 0)


def test_exact_ends_stay_exact() -> None:
    low, high = wilson_bounds(np.array([0, 7]), np.array([7, 7]))
    assert low[0] == 0.0
    assert high[1] == 1.0


def test_tenths_as_the_page_says_them() -> None:
    # 9 of 20: Wilson 80 % is .317 to .591 (statsmodels).
    words = tenths(9, 20, 0.8)
    assert (words.about, words.low, words.high, words.n) == (5, 3, 6, 20)


@given(n=st.integers(1, 400), part=st.floats(0, 1))
def test_tenths_never_claim_more_than_the_interval(n: int, part: float) -> None:
    successes = round(part * n)
    words, found = tenths(successes, n, 0.8), wilson(successes, n)
    assert words.low <= 10 * found.low
    assert words.high >= 10 * found.high
    assert words.about is not None
    assert 0 <= words.low <= words.about <= words.high <= 10
    assert abs(words.about - 10 * successes / n) <= 0.5


@pytest.mark.parametrize(
    ("successes", "n", "level", "words"),
    [
        (5, 4, 0.8, "above n"),
        (-1, 4, 0.8, "successes must not be negative"),
        (0, -4, 0.8, "n must not be negative"),
        (1, 4, 1.0, "level"),
        (1.5, 4, 0.8, "whole numbers"),
    ],
)
def test_refuses_wrong_input(successes: int, n: int, level: float, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        wilson(successes, n, level=level)


def test_refuses_unequal_shapes() -> None:
    with pytest.raises(ValueError, match="shape"):
        wilson_bounds(np.array([1, 2]), np.array([3]))
