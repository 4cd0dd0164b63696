"""Change since a day in five phrases: seldom where nothing changed, often where much did, and on which days at all."""

from datetime import date, timedelta

import numpy as np
import pytest

from clubcoach.models import Club
from reports.change import changes, phrase, since_when
from tests.clubcoach.compute.simulate import simulate
from tests.reports.simulated import BEGIN, first_to_last, reading_of

SEEDS = (41, 42, 43)
FIRST, LAST = date(2026, 9, 1), date(2026, 10, 20)


@pytest.mark.parametrize(
    ("p", "words"),
    [
        (1.0, "clearly better"),
        (0.95, "clearly better"),
        (0.949, "probably better"),
        (0.80, "probably better"),
        (0.79, "no change to see"),
        (0.21, "no change to see"),
        (0.20, "probably lower"),
        (0.05, "clearly lower"),
        (0.0, "clearly lower"),
    ],
)
def test_five_phrases(p, words):
    assert phrase(p) == words


def phrases(**how):
    """Of all units and areas of clubs over three seeds."""
    found = []
    for seed in SEEDS:
        reading = reading_of(simulate(seed, units=24, areas=4, **how).columns)
        found += [change.phrase for change in first_to_last(reading).values()]
    assert len(found) == 3 * 24 * 4
    return found


def share(found, *wanted):
    return sum(words in wanted for words in found) / len(found)


@pytest.mark.parametrize("days", [2, 5])
def test_placebo_where_nothing_changed_it_is_seldom_clear(days):
    found = phrases(walk=0.0, days=days)
    clearly = share(found, "clearly better", "clearly lower")
    print(f"\nnothing changed, {days} days: clearly {100 * clearly:.1f} % of {len(found)}")
    assert clearly <= 0.10
    assert share(found, "no change to see") > 0.6


def test_what_grew_much_is_clearly_better():
    found = phrases(walk=0.0, days=5, drift=0.01)
    print(f"\none logit in a hundred days: clearly better {100 * share(found, 'clearly better'):.0f} %")
    assert share(found, "clearly better") > 0.7
    assert share(found, "clearly better", "probably better") > 0.95
    assert share(found, "clearly lower", "probably lower") < 0.02


def test_decoy_whoever_looked_weakest_rises_by_itself_and_is_not_called_better():
    rises, words = [], []
    for seed in SEEDS:
        reading = reading_of(simulate(seed, units=24, areas=4, days=3, looks=2.0, walk=0.0).columns)
        told = first_to_last(reading)
        raw = {}
        for key, change in told.items():
            mine = (reading.tallies["unit"] == key[0]) & (reading.tallies["area"] == key[1])
            ends = []
            for day in (change.since, change.until):
                on = mine & (reading.tallies["day"] == day.toordinal())
                ends.append(reading.tallies["met"][on].sum() / reading.tallies["seen"][on].sum())
            raw[key] = ends
        for area in range(4):
            weakest = sorted((key for key in raw if key[1] == area), key=lambda key: raw[key][0])[:6]
            rises += [raw[key][1] - raw[key][0] for key in weakest]
            words += [told[key].phrase for key in weakest]
    print(f"\nthe weakest quarter's raw share rises by {100 * np.mean(rises):.0f} points by itself")
    assert np.mean(rises) > 0.08
    assert share(words, "clearly better") <= 0.10
    assert share(words, "probably better", "clearly better") <= 0.25


def test_points_and_chance_are_of_the_same_change():
    reading = reading_of(simulate(44, units=24, areas=2, days=5, drift=0.01).columns)
    for change in first_to_last(reading).values():
        assert change.low <= change.points <= change.high
        assert (change.p > 0.5) == (change.points > 0) or abs(change.points) < 1
    scores = reading.result.scores()
    mine = (scores["player"] == 3) & (scores["area"] == 1)
    told = first_to_last(reading)[3, 1].points
    assert told == pytest.approx(scores["score"][mine][-1] - scores["score"][mine][0], abs=1.0)


def test_any_day_between_and_the_same_each_time():
    reading = reading_of(simulate(45, units=24, areas=2, days=4, drift=0.01).columns)
    days = np.unique(reading.tallies["day"][reading.tallies["unit"] == 5])
    first, last = (date.fromordinal(int(day)) for day in (days[0], days[-1]))
    between = date.fromordinal(int(days[1]) + 1)
    early = changes(reading, [(5, 0, first, last)])[5, 0]
    late = changes(reading, [(5, 0, between, last)])[5, 0]
    assert 0 < late.points < early.points
    assert changes(reading, [(5, 0, between, last)])[5, 0] == late
    assert changes(reading, [(99, 0, first, last), (5, 7, first, last)]) == {}
    assert first >= date.fromordinal(BEGIN)


CLUB = Club(time_zone="America/Lima", language="en")


@pytest.mark.parametrize(
    ("asked", "day", "wrong"),
    [
        ("", FIRST, ""),
        ("2026-09-01", FIRST, ""),
        ("2026-09-17", date(2026, 9, 17), ""),
        ("2026-10-19", date(2026, 10, 19), ""),
        ("2026-10-20", FIRST, "The last match day here is 20 Oct 2026"),
        ("2999-01-01", FIRST, "nothing can have changed since 1 Jan 2999"),
        ("2026-08-31", FIRST, "Nothing was seen here before 1 Sep 2026, so not on 31 Aug 2026 either"),
        ("0001-01-01", FIRST, "Nothing was seen here before 1 Sep 2026"),
        ("last week", FIRST, "“last week” is no date"),
        ("2026-02-30", FIRST, "“2026-02-30” is no date"),
        ("\x00" * 9000, FIRST, "is no date"),
    ],
)
def test_since_when(asked, day, wrong):
    found = since_when(asked, FIRST, LAST, CLUB)
    assert found.day == day
    assert wrong in found.wrong
    assert bool(found.wrong) == bool(wrong)
    assert len(found.wrong) < 200


def test_a_day_of_one_match_day_only_is_never_since():
    assert since_when("", FIRST, FIRST, CLUB).day == FIRST
    assert since_when((FIRST + timedelta(days=1)).isoformat(), FIRST, FIRST, CLUB).wrong
