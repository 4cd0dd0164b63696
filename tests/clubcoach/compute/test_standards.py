"""Standards of checks, and the simple rule for focus points."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import expit

from clubcoach.compute.intervals import wilson
from clubcoach.compute.standards import check_standards, simple_focus


def test_equal_checks_get_the_standard_of_the_area() -> None:
    found = check_standards(0.7, [0.4, 0.4, 0.4])
    assert found.standard == pytest.approx([0.7, 0.7, 0.7], abs=1e-12)
    assert found.theta == pytest.approx(0.4 + np.log(0.7 / 0.3), abs=1e-12)
    assert found.n == 3


@given(
    standard=st.floats(0.02, 0.98),
    delta=st.lists(st.floats(-6, 6), min_size=1, max_size=8),
    shift=st.floats(-3, 3),
)
def test_mean_is_the_standard_and_only_differences_matter(
    standard: float, delta: list[float], shift: float
) -> None:
    found = check_standards(standard, delta)
    assert np.mean(found.standard) == pytest.approx(standard, abs=1e-10)
    assert found.standard == pytest.approx(expit(found.theta - np.array(delta)), abs=1e-12)
    moved = check_standards(standard, np.array(delta) + shift)
    assert moved.standard == pytest.approx(found.standard, abs=1e-9)
    order = np.argsort(delta)
    assert np.all(np.diff(found.standard[order]) <= 1e-12)


@pytest.mark.parametrize(
    ("standard", "delta", "words"),
    [
        (0.0, [1.0], "standard"),
        (1.0, [1.0], "standard"),
        (0.5, [], "delta"),
        (0.5, [[1.0]], "delta"),
        (0.5, [np.nan], "finite"),
    ],
)
def test_standards_refuse_wrong_input(standard: float, delta: list[float], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        check_standards(standard, delta)


def focus(rows: list[tuple[int, int, int, int, float]], **more: int):  # type: ignore[no-untyped-def]
    check, area, n, met, standard = zip(*rows, strict=True)
    return simple_focus(check, area, n, met, standard, **more)


def test_widest_supported_gap_comes_first() -> None:
    found = focus(
        [
            (11, 1, 40, 30, 0.70),  # above its standard
            (12, 1, 40, 20, 0.75),  # wide and sure
            (13, 2, 5, 0, 0.80),  # never met, but seen five times only
            (14, 2, 40, 26, 0.70),  # below, but not surely
            (15, 3, 60, 30, 0.65),  # sure, less wide
        ]
    )
    assert [row.check for row in found.chosen] == [12, 15]
    assert [row.check for row in found.candidates if not row.supported] == [13, 14, 11]
    first = found.chosen[0]
    ends = wilson(20, 40)
    assert (first.low, first.high, first.n, first.met) == (ends.low, ends.high, 40, 20)
    assert first.gap == pytest.approx(0.25)
    assert first.sure_gap == pytest.approx(0.75 - ends.high)


def test_few_looks_do_not_win_by_luck() -> None:
    # 3 of 9 has the wider gap (.37), 30 of 70 (.27) the one that is sure.
    found = focus([(1, 1, 9, 3, 0.7), (2, 2, 70, 30, 0.7)])
    assert [row.check for row in found.chosen] == [2, 1]


def test_eight_looks_are_enough_and_seven_are_not() -> None:
    assert len(focus([(1, 1, 8, 0, 0.7)]).chosen) == 1
    assert len(focus([(1, 1, 7, 0, 0.7)]).chosen) == 0


def test_at_most_two_of_one_area_and_one_for_a_minor() -> None:
    rows = [(c, 1, 50, 5 + c, 0.8) for c in range(1, 5)] + [(9, 2, 50, 30, 0.8), (10, 3, 50, 31, 0.8)]
    assert [row.check for row in focus(rows).chosen] == [1, 2, 9]
    assert [row.check for row in focus(rows, most=1).chosen] == [1]


def test_never_seen_and_empty_give_no_point() -> None:
    assert focus([(1, 1, 0, 0, 0.7)]).candidates == ()
    empty = simple_focus([], [], [], [], [])
    assert (empty.chosen, empty.candidates) == ((), ())


@given(st.permutations(range(6)))
def test_order_of_rows_does_not_matter(order: list[int]) -> None:
    rows = [(c, c % 2, 20 + c, 5, 0.7) for c in range(4)] + [(4, 5, 24, 7, 0.7), (5, 6, 24, 7, 0.7)]
    assert focus([rows[i] for i in order]) == focus(rows)


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        (([1], [1], [4], [5], [0.5]), "above n"),
        (([1], [1], [4], [-1], [0.5]), "negative"),
        (([1, 1], [1, 1], [4, 4], [1, 1], [0.5, 0.5]), "twice"),
        (([1], [1], [4], [1, 2], [0.5]), "lengths differ"),
        (([1], [1], [4], [1], [1.5]), "standard"),
        (([1], [1], [4], [1], [np.nan]), "standard"),
        (([1.0], [1], [4], [1], [0.5]), "check must hold whole numbers"),
    ],
)
def test_focus_refuses_wrong_input(rows: tuple[list[float], ...], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        simple_focus(*rows)
