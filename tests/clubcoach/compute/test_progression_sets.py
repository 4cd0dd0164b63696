"""Connected sets of units and analysts, against joining them one look at a time."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clubcoach.compute.progression_sets import connected_sets

LOOKS = st.lists(st.tuples(st.integers(-4, 9), st.integers(-3, 5)), max_size=25)


def joined(looks: list[tuple[int, int]]) -> dict[tuple[str, int], int]:
    """Plain union-find: a set is named by the place of its smallest unit among such units."""
    parent: dict[tuple[str, int], tuple[str, int]] = {}

    def root(one: tuple[str, int]) -> tuple[str, int]:
        while parent.setdefault(one, one) != one:
            one = parent[one]
        return one

    for unit, analyst in looks:
        parent[root(("unit", unit))] = root(("analyst", analyst))
    number: dict[tuple[str, int], int] = {}
    for unit in sorted({unit for unit, _ in looks}):
        number.setdefault(root(("unit", unit)), len(number))
    return {one: number[root(one)] for one in parent}


@settings(max_examples=150, deadline=None)
@given(looks=LOOKS)
def test_sets_are_those_of_union_find(looks: list[tuple[int, int]]) -> None:
    units, analysts = ([look[i] for look in looks] for i in (0, 1))
    sets, due = connected_sets(units, analysts), joined(looks)
    assert sets.players.tolist() == sorted(set(units))
    assert sets.analysts.tolist() == sorted(set(analysts))
    told = {("unit", u): s for u, s in zip(sets.players.tolist(), sets.set_of_player.tolist(), strict=True)}
    told |= {
        ("analyst", a): s for a, s in zip(sets.analysts.tolist(), sets.set_of_analyst.tolist(), strict=True)
    }
    assert told == due
    assert sets.n == len(set(due.values()))
    assert sets.one_eye == (len(set(analysts)) == 1)
    for one in range(-5, 11):
        for other in (-4, 0, 3, 20):
            both = ("unit", one) in due and ("unit", other) in due
            assert sets.together(one, other) == (both and due["unit", one] == due["unit", other])


def test_two_clubs_of_analysts_until_one_look_joins_them() -> None:
    units, analysts = [5, 5, 8, 2, 3], [1, 2, 2, 9, 9]
    apart = connected_sets(units, analysts)
    assert apart.n == 2
    assert apart.set_of_player.tolist() == [0, 0, 1, 1]
    assert apart.set_of_analyst.tolist() == [1, 1, 0]
    assert not apart.together(2, 5)
    assert connected_sets([*units, 8], [*analysts, 9]).n == 1


def test_refuses_what_is_no_list_of_looks() -> None:
    with pytest.raises(ValueError, match="lengths differ: player 2, analyst 1"):
        connected_sets([1, 2], [1])
    with pytest.raises(ValueError, match="analyst must hold whole numbers"):
        connected_sets([1], [1.5])
    assert connected_sets([], []).n == 0
    assert not connected_sets([], []).one_eye
