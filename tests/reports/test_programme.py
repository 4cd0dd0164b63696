"""The manager's first page: three sentences and a list, in a flat number of queries."""

from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from players.models import LevelStandard, Unit
from reports.models import Score, SharedFit
from reports.roster import overview, standings
from sessions.models import Analysis, Cover, Tally
from tests import factories as make

pytestmark = pytest.mark.django_db
PAGE = "/c/seaside/programme/"


@pytest.fixture
def fit(cast):
    return SharedFit.objects.create(club=cast.club, shared={})


def standard(cast, code, score):
    area = cast.club.areas.get(code=code)
    LevelStandard.objects.create(level=cast.ana.level, area=area, score=score)
    return area


def scored(fit, player, area, score, *, half=5.0, n=40, days=2, last=None):
    unit = Unit.objects.get(first=player, kind="player")
    last = last or date(2026, 11, 1)
    for back in range(days):
        Score.objects.create(
            club=fit.club,
            unit=unit,
            area=area,
            series="now",
            day=last - timedelta(days=7 * back),
            score=score if back == 0 else 1,
            low=max(0, score - half),
            high=min(100, score + half),
            n=n - 5 * back,
            fit=fit,
        )


def seen(cast, player, day):
    unit = Unit.objects.get(first=player, kind="player")
    match = make.make_match(cast.club, [player, None, None, None], played_on=day)
    analysis = make.make_analysis(
        match, analyst=cast.assistant, units=[unit], areas=[], state=Analysis.State.IN_PROGRESS
    )
    Cover.objects.filter(analysis=analysis).update(current=True)
    Tally.objects.create(
        analysis=analysis,
        unit=unit,
        day=day,
        check_identity=cast.club.checks.get(code="F1"),
        analyst=analysis.analyst,
        ball="normal",
        seen=5,
        met=2,
    )


def of(cast, player):
    return standings(cast.club, [player])[0]


def test_below_clearly_a_little_and_reached(cast, fit):
    feet, lob, serve = (standard(cast, code, 60) for code in ("feet", "lob", "serve"))
    scored(fit, cast.ana, feet, 40)
    scored(fit, cast.ana, lob, 58)
    scored(fit, cast.ana, serve, 75)
    row = of(cast, cast.ana)
    assert (row.clearly_below, row.a_little_below, row.reached) == ([feet], [lob], [serve])


@pytest.mark.parametrize("thin", [{"n": 14}, {"days": 1}, {"half": 12.5}])
def test_nothing_is_said_before_enough_was_seen(cast, fit, thin):
    feet = standard(cast, "feet", 60)
    scored(fit, cast.ana, feet, 40, **thin)
    assert not of(cast, cast.ana).known


def test_areas_that_are_off_and_levels_without_a_standard_are_left_out(cast, fit):
    feet = standard(cast, "feet", 60)
    scored(fit, cast.ana, feet, 40)
    scored(fit, cast.ana, cast.club.areas.get(code="lob"), 10)
    assert of(cast, cast.ana).clearly_below == [feet]
    cast.club.areas.filter(code="feet").update(on=False)
    assert not of(cast, cast.ana).known


def test_the_overview_counts_who_was_seen_and_finds_the_weakest_area(cast, fit):
    today = date(2026, 11, 20)
    feet, lob = standard(cast, "feet", 60), standard(cast, "lob", 60)
    scored(fit, cast.ana, feet, 40)
    scored(fit, cast.dan, feet, 70)
    scored(fit, cast.ana, lob, 30)
    seen(cast, cast.ana, today - timedelta(days=60))
    seen(cast, cast.dan, today - timedelta(days=61))
    found = overview(cast.club, today=today)
    assert (found.players, found.seen_lately, found.never_seen) == (5, 1, 3)
    assert (found.weakest, found.weakest_below, found.weakest_known) == (lob, 1, 1)
    assert [row.player for row in found.longest_unseen] == [cast.dan]


def test_the_page_says_it_in_sentences_and_a_minor_is_initials(cast, fit):
    feet = standard(cast, "feet", 60)
    scored(fit, cast.ana, feet, 40)
    seen(cast, cast.ben, date(2025, 1, 1))
    text = cast.client(cast.manager).get(PAGE).content.decode()
    assert "0 of 5 players were analysed in the last 60 days." in text
    assert "“Feet and ready”: 1 of 1 player with enough seen is below." in text
    assert f"{cast.ben.initials} (1 Jan 2025)" in text
    assert cast.ben.family_name not in text
    assert cast.ana.name in text


def test_a_new_club_is_told_what_comes_here(cast):
    text = cast.client(cast.stranger).get("/c/hilltop/programme/").content.decode()
    assert "0 of 1 player was analysed" in text
    cast.other_player.delete()
    text = cast.client(cast.stranger).get("/c/hilltop/programme/").content.decode()
    assert "Nobody is in the programme yet" in text


@pytest.mark.parametrize("role", ["manager", "head_coach"])
def test_who_sees_it(cast, role):
    assert cast.client(getattr(cast, role)).get(PAGE).status_code == 200


@pytest.mark.parametrize("role", ["assistant", "student", "guardian", "all_in_one", "two_clubs"])
def test_who_does_not(cast, role):
    assert cast.client(getattr(cast, role)).get(PAGE).status_code == 403


def test_queries_do_not_grow_with_the_roster(cast, fit):
    feet = standard(cast, "feet", 60)
    client = cast.client(cast.manager)

    def queries():
        with CaptureQueriesContext(connection) as caught:
            assert client.get(PAGE).status_code == 200
        return len(caught)

    for n in range(10):
        scored(fit, make.make_player(cast.club, f"P{n}", level=cast.ana.level), feet, 40)
    few = queries()
    for n in range(490):
        player = make.make_player(cast.club, f"Q{n}", level=cast.ana.level)
        if n % 10 == 0:
            scored(fit, player, feet, 40)
    assert queries() == few
    assert few < 20
