"""A goal's chance: above one half a little above now where a club improves, below one half where it stands still."""

from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from reports.forecast import chance_words, chances
from tests.clubcoach.compute.simulate import simulate
from tests.reports.simulated import reading_of

AHEAD, ABOVE = 60, 3


def goals_of(reading, above=ABOVE, ahead=AHEAD):
    """For each unit and area a goal some points above its score of now."""
    scores = reading.result.scores()
    latest = {}
    for unit, area, day, score in zip(
        *(scores[name].tolist() for name in ("player", "area", "day", "score")), strict=True
    ):
        latest[unit, area] = (day, score)
    return [
        SimpleNamespace(
            pk=at,
            unit_id=unit,
            area_id=area,
            target=score + above,
            due_on=date.fromordinal(day) + timedelta(days=ahead),
        )
        for at, ((unit, area), (day, score)) in enumerate(latest.items())
        if 20 < score < 80
    ]


@pytest.fixture(scope="module")
def better():
    return reading_of(simulate(61, units=30, areas=3, days=5, walk=0.0005, drift=0.008).columns)


@pytest.fixture(scope="module")
def still():
    return reading_of(simulate(62, units=30, areas=3, days=5, walk=0.0005, drift=0.0).columns)


def test_where_the_club_improves_a_goal_a_little_above_now_is_likelier_than_not(better):
    found = np.array(list(chances(better, goals_of(better)).values()))
    print(f"\nthe club improves: {found.mean():.2f}, above one half {100 * np.mean(found > 0.5):.0f} %")
    assert found.size > 40
    assert found.mean() > 0.5
    # A small club's common progress is believed by half, so some of its forecasts lag.
    assert np.mean(found > 0.5) > 0.7


def test_where_it_stands_still_it_is_not(still):
    found = np.array(list(chances(still, goals_of(still)).values()))
    print(f"\nit stands still: {found.mean():.2f}, below one half {100 * np.mean(found < 0.5):.0f} %")
    assert found.size > 40
    assert np.mean(found < 0.5) > 0.9


def test_further_up_is_less_likely_and_a_goal_reached_already_likely(still):
    low, now, high = (
        np.mean(list(chances(still, goals_of(still, above)).values())) for above in (-15, 0, 15)
    )
    assert low > 0.85
    assert now == pytest.approx(0.5, abs=0.12)
    assert high < 0.15


def test_no_chance_of_a_day_that_was_played_already_or_of_what_is_not_known(still):
    goal = goals_of(still)[0]
    goal.due_on -= timedelta(days=AHEAD)
    unknown = SimpleNamespace(pk=9, unit_id=9999, area_id=0, target=50, due_on=goal.due_on)
    other = SimpleNamespace(
        pk=10, unit_id=goal.unit_id, area_id=77, target=50, due_on=goal.due_on + timedelta(9)
    )
    assert chances(still, [goal, unknown, other]) == {}


def test_the_same_each_time(still):
    goals = goals_of(still)[:2]
    assert chances(still, goals) == chances(still, goals)


@pytest.mark.parametrize(
    ("p", "words"),
    [
        (0.0, "less than 1 in 10"),
        (0.06, "about 1 in 10"),
        (0.62, "about 6 in 10"),
        (0.949, "about 9 in 10"),
        (1.0, "more than 9 in 10"),
    ],
)
def test_in_words(p, words):
    assert chance_words(p) == words
