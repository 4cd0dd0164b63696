"""The same codes, order and sums as by sorting, whatever the values are."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from clubcoach.compute.progression_input import _rising, add_up, codes, first_of

NUMBERS = st.lists(st.one_of(st.integers(-3, 3), st.integers(-(2**61), 2**61)), max_size=60)


@given(values=NUMBERS)
def test_codes_are_those_of_sorting(values: list[int]) -> None:
    array = np.array(values, dtype=np.int64)
    names, index = codes(array)
    expected, back = np.unique(array, return_inverse=True)
    np.testing.assert_array_equal(names, expected)
    np.testing.assert_array_equal(index, back)


@given(values=st.lists(st.integers(10, 90), max_size=200))
def test_codes_of_values_that_lie_close(values: list[int]) -> None:
    array = np.array(values, dtype=np.int64)
    names, index = codes(array)
    assert names.tolist() == sorted(set(values))
    assert names[index].tolist() == values


@given(values=st.lists(st.integers(0, 3), min_size=1, max_size=30))
def test_the_first_that_comes(values: list[int]) -> None:
    names, index = codes(np.array(values, dtype=np.int64))
    found = first_of(names.size, index, np.arange(len(values)))
    assert found.tolist() == [values.index(name) for name in names]


@given(values=st.lists(st.one_of(st.integers(0, 9), st.integers(0, 2**62)), max_size=60))
def test_rising_keys_keep_the_order_of_equal_ones(values: list[int]) -> None:
    array = np.array(values, dtype=np.int64)
    np.testing.assert_array_equal(_rising(array), np.argsort(array, kind="stable"))


@given(
    rows=st.lists(
        st.tuples(
            st.integers(0, 3), st.integers(0, 2), st.integers(0, 70_000), st.integers(0, 2), st.integers(1, 9)
        ),
        max_size=40,
    )
)
def test_cells_are_the_sums_of_their_rows(rows: list[tuple[int, ...]]) -> None:
    columns = np.array(rows, dtype=np.int64).reshape(-1, 5).T
    cells = add_up(*columns[:4], columns[4], columns[4] - 1)
    total: dict[tuple[int, ...], list[int]] = {}
    for *key, seen in rows:
        sums = total.setdefault(tuple(key), [0, 0])
        sums[0], sums[1] = sums[0] + seen, sums[1] + seen - 1
    found = zip(cells.slot, cells.check, cells.analyst, cells.ball, cells.seen, cells.met, strict=True)
    assert [tuple(map(int, row)) for row in found] == [(*key, *sums) for key, sums in sorted(total.items())]
