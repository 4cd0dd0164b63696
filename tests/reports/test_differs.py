"""Why count and score differ: in each made club exactly one cause is planted, and it is the one that is named."""

import numpy as np
import pytest
from scipy.special import expit

from clubcoach.compute.differences import Gap, take_apart
from reports.differs import CAUSES, Difference, difference, named
from tests.reports.simulated import BEGIN, reading_of

DELTA = np.array([-1.0, -0.3, 0.3, 1.0])
STRICT = np.array([1.0, 0.0, 0.0, -1.0])
BALL = np.array([-1.0, 0.0, 1.0])
DAYS = (0, 30, 60, 90)
TARGET = 99


def row(unit, day, check, analyst, ball, seen, theta):
    met = round(seen * float(expit(theta - DELTA[check] - STRICT[analyst] - BALL[ball])))
    return unit, day, 0, check, analyst, ball, seen, met


def rows_of(unit, theta, *, seen=9, days=DAYS, analysts=(0, 1, 2, 3), balls=(0, 1, 2), checks=(9, 9, 9, 9)):
    """What is expected to be met, without luck; `checks` says how often each is seen on each ball, of nine."""
    theta = np.broadcast_to(theta, len(days))
    return [
        row(unit, day, check, analysts[at % len(analysts)], ball, seen * often // 9, theta[at])
        for at, day in enumerate(days)
        for check, often in enumerate(checks)
        for ball in balls
        if seen * often // 9
    ]


def planted(**how):
    """Twenty-four units around the middle, and one with the cause."""
    theta = how.pop("theta", 0.0)
    rows = []
    for unit in range(24):
        rows += rows_of(unit, np.linspace(-0.6, 0.6, 24)[unit], analysts=np.roll((0, 1, 2, 3), unit))
    rows += how.pop("rows", None) or rows_of(TARGET, theta, **how)
    return reading_of(np.array(rows).T)


def told(reading, unit=TARGET):
    mine = reading.tallies["unit"] == unit
    share = reading.tallies["met"][mine].sum() / reading.tallies["seen"][mine].sum()
    scores = reading.result.scores()
    score = float(scores["score"][scores["player"] == unit][-1])
    found = difference(reading, unit, 0, share=share, score=score, checks=[0, 1, 2, 3])
    print(f"\ncount {100 * share:.0f}, score {score:.0f}: {found}")
    return found, 100 * share - score


@pytest.mark.parametrize(
    ("how", "cause", "lower", "words"),
    [
        ({"analysts": (0,), "seen": 27}, "severity", True, "most was seen by a stricter eye"),
        ({"analysts": (3,), "seen": 27}, "severity", False, "most was seen by a kinder eye"),
        ({"balls": (2,), "seen": 27}, "balls", True, "much of it was on hard balls"),
        ({"balls": (0,), "seen": 27}, "balls", False, "much of it was on easy balls"),
        ({"checks": (1, 1, 1, 9), "seen": 27}, "checks", True, "the harder checks came up more"),
        ({"checks": (9, 1, 1, 1), "seen": 27}, "checks", False, "the easier checks came up more"),
        ({"theta": [-1.5, -0.8, 0.3, 1.3], "seen": 45}, "moved", True, "older matches are still in it"),
        ({"theta": [1.3, 0.3, -0.8, -1.5], "seen": 45}, "moved", False, "older matches are still in it"),
    ],
)
def test_the_one_planted_cause_is_named_first(how, cause, lower, words):
    found, apart = told(planted(**how))
    assert found.causes[0] == cause
    assert found.lower is lower
    assert (apart < 0) == lower
    assert words in str(found)
    assert str(found).startswith("The count is lower" if lower else "The count is higher")


def test_little_seen_leans_on_the_club():
    rows = [(TARGET, day, 0, check, 1, 1, 2, 2) for day in (0, 30) for check in range(4)]
    found, apart = told(planted(rows=rows))
    assert apart > 10
    assert found.causes[0] == "little"
    assert "little was seen, so the score leans on what the club usually shows" in str(found)


def test_the_form_of_one_day_is_put_down_to_it():
    rows = rows_of(
        TARGET, [0.0, 0.0, 1.6, 0.0, 0.0, 0.0], seen=30, days=(0, 5, 10, 15, 20, 25), analysts=(1,)
    )
    rows = [row for row in rows if row[1] == 10] * 3 + rows
    found, _apart = told(planted(rows=rows))
    assert found.causes[0] == "form"


def test_nothing_is_said_where_nothing_is_planted():
    found, apart = told(planted())
    assert abs(apart) < 5
    assert found is None
    reading = planted()
    for unit in range(0, 24, 5):
        assert told(reading, unit)[0] is None


def test_parts_are_near_zero_where_nothing_is_planted_and_add_up_where_something_is():
    quiet = take_apart(planted().result, TARGET, 0, since=BEGIN)
    for cause in CAUSES:
        assert abs(getattr(quiet, cause)) < 0.15, cause
    for how in ({"analysts": (0,), "seen": 27}, {"balls": (2,), "seen": 27}, {"checks": (1, 1, 1, 9)}):
        gap = take_apart(planted(**how).result, TARGET, 0, since=BEGIN)
        # Means of logits are not logits of means: an even mix of hard and easy things lies nearer the middle.
        assert sum(getattr(gap, cause) for cause in CAUSES) == pytest.approx(gap.total, abs=0.25)


def test_only_what_the_count_counts():
    reading = planted(theta=[-1.5, -0.8, 0.3, 1.3], seen=45)
    all_of_it = take_apart(reading.result, TARGET, 0, since=BEGIN)
    last = take_apart(reading.result, TARGET, 0, since=BEGIN + 90)
    assert all_of_it.moved < -0.5
    assert last.moved == 0.0
    hard_only = take_apart(reading.result, TARGET, 0, since=BEGIN, checks=[3])
    assert hard_only.checks < -0.6
    assert take_apart(reading.result, TARGET, 0, since=BEGIN + 91) is None
    assert take_apart(reading.result, TARGET, 7, since=BEGIN) is None
    assert take_apart(reading.result, 12345, 0, since=BEGIN) is None


def gap(total, **parts):
    return Gap(**(dict.fromkeys(CAUSES, 0.0) | parts), total=total)


@pytest.mark.parametrize(
    ("found", "apart", "causes"),
    [
        (gap(0.6, severity=0.4, balls=0.2), 10, ("severity", "balls")),
        (gap(0.6, severity=0.5, balls=0.1), 10, ("severity",)),
        (gap(-0.6, severity=0.5, balls=-0.4, little=-0.7), -10, ("little", "balls")),
        (gap(0.6, severity=0.4, balls=0.3, checks=0.3), 10, ("severity", "checks")),
        (gap(0.6, severity=0.1), 10, ()),
        (gap(0.6, severity=-0.6), 10, ()),
    ],
)
def test_one_or_two_that_point_the_right_way(found, apart, causes):
    assert named(found, apart) == causes


def test_two_causes_are_one_sentence():
    assert str(Difference(True, ("severity", "balls"))) == (
        "The count is lower than the score: most was seen by a stricter eye, and much of it was on hard balls."
    )
