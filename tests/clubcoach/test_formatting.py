import datetime as dt
from types import SimpleNamespace

import pytest
from django.utils import translation

from clubcoach import formatting as say

SAO_PAULO = SimpleNamespace(time_zone="America/Sao_Paulo", language="en")
SYDNEY = SimpleNamespace(time_zone="Australia/Sydney", language="en")
MADRID = SimpleNamespace(time_zone="Europe/Madrid", language="es")
LATE = dt.datetime(2025, 11, 26, 1, 30, tzinfo=dt.UTC)


@pytest.fixture(autouse=True)
def english():
    with translation.override("en"):
        yield


@pytest.mark.parametrize(
    ("share", "expected"),
    [(0, 0), (0.04, 0), (0.05, 1), (0.25, 3), (0.35, 4), (0.949, 9), (0.95, 10), (1, 10)],
)
def test_tenths_round_halves_upwards(share, expected):
    assert say.tenths(share) == expected


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [
        (0.3, 0.6, (3, 6)),
        (0.39, 0.51, (3, 6)),
        (0, 1, (0, 10)),
        (0.0, 0.0, (0, 0)),
        (0.7, 0.7, (7, 7)),
        (0.1 + 0.2, 0.3, (3, 3)),
    ],
)
def test_ranges_of_tenths_round_outwards(low, high, expected):
    assert say.tenths_range(low, high) == expected


def test_share_words_for_none_one_and_many():
    assert say.share_words(0.0, 0.0, 0.0, 0) == "not seen yet"
    assert say.share_words(1, 0.38, 1, 1) == "about 10 in 10; we have seen only 1, so it may be 3 to 10"
    assert say.share_words(0.52, 0.31, 0.6, 23) == "about 5 in 10; we have seen 23, so it may be 3 to 6"


def test_share_words_leave_out_a_range_of_one_number():
    assert say.share_words(0.5, 0.5, 0.5, 4000) == "about 5 in 10; we have seen 4000"


@pytest.mark.parametrize("wrong", [-0.01, 1.01, 5, float("nan")])
def test_a_share_outside_zero_to_one_is_refused(wrong):
    with pytest.raises(ValueError, match="between 0 and 1"):
        say.share_words(wrong, 0.1, 0.2, 3)


def test_count_interval_for_none_one_and_many():
    assert say.count_interval(0, 0, 0, 1) == "not seen yet"
    assert say.count_interval(1, 1, 0.38, 1) == "1 of 1 (38 to 100 %)"
    assert say.count_interval(14, 20, 0.558, 0.826) == "14 of 20 (56 to 83 %)"


def test_more_met_than_seen_is_refused():
    with pytest.raises(ValueError, match="21 of 20"):
        say.count_interval(21, 20, 0.5, 0.6)


def test_score_words_for_none_one_and_many():
    assert say.score_words(50, 0, 100, 0) == "not seen yet"
    assert say.score_words(54.2, 44.6, 63.4, 1) == "54 (45 to 63), 1 check seen"
    assert say.score_words(54.2, 44.6, 63.4, 48) == "54 (45 to 63), 48 checks seen"


def test_a_score_given_as_a_share_of_more_than_a_hundred_is_refused():
    with pytest.raises(ValueError, match="between 0 and 100"):
        say.score_words(540, 44, 63, 48)


@pytest.mark.parametrize(
    ("n", "more", "expected"),
    [
        (0, 15, "not seen yet; about 15 more and we can say"),
        (1, 14, "seen once; about 14 more and we can say"),
        (5, 8, "seen 5 times; about 8 more and we can say"),
        (14, 1, "seen 14 times; about 1 more and we can say"),
        (5, None, "seen 5 times; not enough to say yet"),
    ],
)
def test_not_enough_for_none_one_and_many(n, more, expected):
    assert say.not_enough(n, more) == expected


def test_a_late_evening_belongs_to_the_day_of_the_club():
    assert say.day(LATE, SAO_PAULO) == "25 Nov 2025"
    assert say.day(LATE, SYDNEY) == "26 Nov 2025"
    assert say.local_date(LATE, SAO_PAULO) == dt.date(2025, 11, 25)
    assert say.moment(LATE, SAO_PAULO) == "25 Nov 2025, 22:30"
    assert say.moment(LATE, SYDNEY) == "26 Nov 2025, 12:30"


def test_a_plain_date_is_not_moved_by_a_zone():
    assert say.day(dt.date(2025, 11, 25), SAO_PAULO, weekday=True) == "Tue 25 Nov 2025"


def test_dates_read_in_the_language_of_the_club_and_leave_the_page_in_its_own():
    assert say.day(dt.date(2025, 1, 7), MADRID, weekday=True).lower().startswith("mar 7 ene")
    assert translation.get_language() == "en"


def test_summer_time_is_the_clubs():
    winter, summer = (dt.datetime(2025, month, 1, 12, tzinfo=dt.UTC) for month in (1, 7))
    assert say.moment(winter, MADRID).endswith("13:00")
    assert say.moment(summer, MADRID).endswith("14:00")


def test_a_moment_without_a_zone_is_refused():
    with pytest.raises(ValueError, match="time zone"):
        say.moment(dt.datetime(2025, 11, 25, 18, 30), SAO_PAULO)


@pytest.mark.parametrize(
    ("seconds", "expected"), [(0, "0:00"), (7.9, "0:07"), (754, "12:34"), (3727, "1:02:07")]
)
def test_clock(seconds, expected):
    assert say.clock(seconds) == expected


def test_the_hour_is_the_club_s():
    assert say.hour(LATE, SAO_PAULO) == "22:30"
    with pytest.raises(ValueError, match="zone"):
        say.hour(dt.datetime(2025, 11, 26, 1, 30), SAO_PAULO)


@pytest.mark.parametrize(
    ("value", "said"), [(1.5, "1.5"), (12.0, "12"), (1.996, "2"), (6.25, "6.25"), (0, "0"), (20.0, "20")]
)
def test_hours(value, said):
    assert say.hours(value) == said


@pytest.mark.parametrize(
    ("count", "expected"),
    [
        (0, "0 bytes"),
        (1, "1 byte"),
        (999, "999 bytes"),
        (1000, "1.0 kB"),
        (94_000, "94 kB"),
        (999_900, "1.0 MB"),
        (310_400_000, "310 MB"),
        (4_249_000_000, "4.2 GB"),
        (200_000_000_000, "200 GB"),
    ],
)
def test_file_size(count, expected):
    assert say.file_size(count) == expected
