"""The exact chance of being better, against the joint draws of which it is the limit."""

import numpy as np
import pytest

from clubcoach.compute.betterment import above_first
from clubcoach.compute.progression import fit_progression, p_better
from tests.clubcoach.compute.simulate import simulate


@pytest.fixture(scope="module")
def fitted():
    columns = simulate(31, units=14, days=5, areas=3).columns
    # One area begins later for some units: the first day is that of the area.
    late = (columns[2] == 2) & (columns[1] < 90) & (columns[0] < 7)
    return columns[:, ~late], fit_progression(*columns[:, ~late])


def test_a_row_for_each_day_after_an_area_s_first(fitted):
    _columns, result = fitted
    found = above_first(result)
    keys = set(zip(*(found[name].tolist() for name in ("player", "day", "area")), strict=True))
    scores = result.scores()
    seen = {}
    rows = zip(*(scores[name].tolist() for name in ("player", "day", "area", "n")), strict=True)
    for player, day, area, n in sorted(rows, key=lambda row: row[1]):
        if n:
            seen.setdefault((player, area), []).append(day)
    assert keys == {(player, day, area) for (player, area), days in seen.items() for day in days[1:]}
    assert np.all((found["p"] >= 0) & (found["p"] <= 1))


def test_it_is_the_limit_of_joint_draws(fitted):
    _columns, result = fitted
    found, scores = above_first(result), result.scores()
    rng = np.random.default_rng(9)
    for at in rng.choice(found["p"].size, 12, replace=False):
        player, day, area = (int(found[name][at]) for name in ("player", "day", "area"))
        mine = (scores["player"] == player) & (scores["area"] == area) & (scores["n"] > 0)
        first = int(scores["day"][mine].min())
        drawn = p_better(result, player, area, day, first, rng=rng, n=20_000)
        # Four standard deviations of a share of 20 000 draws.
        assert found["p"][at] == pytest.approx(drawn.p, abs=0.015)


def test_held_shared_effects_give_the_same(fitted):
    columns, result = fitted
    again = above_first(fit_progression(*columns[:, columns[0] == 4], shared=result.shared))
    before = above_first(result)
    mine = before["player"] == 4
    np.testing.assert_allclose(np.sort(again["p"]), np.sort(before["p"][mine]), atol=1e-5)


def test_nothing_gives_no_rows():
    empty = np.zeros(0, dtype=np.int64)
    assert above_first(fit_progression(*[empty] * 8))["p"].size == 0
    one = fit_progression([1], [5], [2], [3], [4], [1], [6], [2])
    assert above_first(one)["p"].size == 0
