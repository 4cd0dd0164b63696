"""Situations: how many a unit's day in an area had, and what their shared luck does to an interval."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clubcoach.compute.progression import Priors, Progression, fit_progression
from tests.bench.clubs import Design, play, tallied


def looks(fitted: Progression) -> dict[tuple[int, int, int], int]:
    """Situations behind each unit, day and area, as the fit counted them."""
    problem = fitted.posterior.problem
    layout, areas = problem.layout, fitted.areas.tolist()
    return {
        (int(layout.players[layout.unit[slot]]), int(layout.day[slot]), area): int(problem.looks[slot, i])
        for slot in range(layout.slots)
        for i, area in enumerate(areas)
    }


@settings(max_examples=25, deadline=None)
@given(
    rows=st.lists(
        st.tuples(
            st.integers(1, 3), st.integers(1, 3), st.integers(1, 4), st.integers(0, 3), st.integers(-5, 5)
        ),
        min_size=1,
        max_size=30,
    )
)
def test_situations_are_counted_once_a_unit_day_and_area(rows: list[tuple[int, int, int, int, int]]) -> None:
    player, day, check, seen, situation = np.array(rows).T
    area, one = check // 2, np.ones(len(rows), dtype=int)
    fitted = fit_progression(player, day, area, check, one, one, seen, seen // 2, situation=situation)
    found = looks(fitted)
    for (unit, on, where), count in found.items():
        mine = (player == unit) & (day == on) & (area == where) & (seen > 0)
        assert count == len(set(situation[mine].tolist()))


def test_without_situations_they_are_as_many_as_the_check_seen_most() -> None:
    player, day, area, check = [1, 1, 1, 1, 2], [5, 5, 5, 5, 5], [1, 1, 1, 2, 1], [1, 2, 1, 3, 2]
    one = [1] * 5
    fitted = fit_progression(player, day, area, check, one, [0, 1, 2, 1, 1], [3, 4, 2, 9, 1], one)
    assert looks(fitted) == {(1, 5, 1): 5, (1, 5, 2): 9, (2, 5, 1): 1, (2, 5, 2): 0}


def width(fitted: Progression) -> float:
    scores = fitted.scores()
    return float(np.mean(scores["high"] - scores["low"]))


def test_the_same_looks_in_fewer_situations_say_less() -> None:
    rng = np.random.default_rng(921)
    size = 60
    check, one = np.arange(size) % 3, np.ones(size, dtype=int)
    columns = [one, one, one, check, one, one, one, rng.integers(0, 2, size)]
    widths = [width(fit_progression(*columns, situation=np.arange(size) // many)) for many in (3, 12, 60)]
    assert widths[0] < widths[1] < widths[2]
    # No luck in a situation, no difference.
    priors = Priors(situation_variance=0.0)
    dry = [
        width(fit_progression(*columns, priors=priors, situation=np.arange(size) // many)) for many in (3, 60)
    ]
    assert dry[0] == dry[1]


def test_the_same_club_with_and_without_the_situations_told() -> None:
    club = play(922, Design(units=24, days=6))
    columns, situation = club.columns[:8], club.columns[8]
    told, untold, summed = (
        fit_progression(*columns, situation=situation),
        fit_progression(*columns),
        fit_progression(*tallied(club.columns)),
    )
    # Rows of single looks are the tallies that they add up to.
    for name, values in untold.scores().items():
        assert np.array_equal(values, summed.scores()[name]), name
    # A check is asked in three situations of four: the one seen most often comes near their number, from below.
    with_, without = looks(told), looks(untold)
    share = np.array([without[key] / count for key, count in with_.items() if count])
    assert np.all(share <= 1)
    assert share.mean() > 0.85
    gap = np.abs(told.scores()["score"] - untold.scores()["score"])
    assert 0 < gap.max() < 1.0
    assert width(told) == pytest.approx(width(untold), rel=0.03)
