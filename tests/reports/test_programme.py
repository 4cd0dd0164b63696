"""The manager's first page: sentences and small tables, in a flat number of queries."""

from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from players.models import LevelStandard, Unit
from reports.models import Score, SharedFit
from reports.programme import attendance_by_squad, hours_by_week
from reports.roster import everybody, overview, standings
from sessions.models import Analysis, Attendance, Cover, Lesson, Tally
from tests import factories as make
from tests.reports.pages import text
from tests.reports.test_today import lesson_on, squad_of

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
    found = overview(standings(cast.club, everybody(cast.club)), today=today)
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


def test_the_gap_table_counts_below_by_level_and_area(cast, fit):
    feet, lob = standard(cast, "feet", 60), standard(cast, "lob", 60)
    higher = make.make_level(cast.club, 2)
    for player, score in ((cast.ana, 40), (cast.ben, 58), (cast.dan, 80)):
        scored(fit, player, feet, score)
    scored(fit, cast.ana, lob, 90)
    cast.cleo.level = higher
    cast.cleo.save(update_fields=["level"])
    make.make_player(cast.club, "New")
    answer = cast.client(cast.manager).get(PAGE)
    gaps = {row.area.code: row.cells for row in answer.context["gaps"]}
    assert [(cell.known, cell.below, cell.clearly) for cell in gaps["feet"]] == [(3, 2, 1), (0, 0, 0)]
    assert [(cell.known, cell.below) for cell in gaps["lob"]] == [(1, 0), (0, 0)]
    assert "net" not in gaps
    words = text(answer)
    assert "2 of 3 below, 1 clearly" in words
    assert "0 of 1 below" in words
    assert "Level 1: 4 players; Level 2: 1 player; no level yet: 1 player." in words


class TestLessons:
    TODAY = date(2026, 11, 18)  # a Wednesday

    def test_came_of_expected_by_squad_in_four_weeks(self, cast):
        one = squad_of(cast, cast.ana, cast.dan, name="One")
        two = squad_of(cast, cast.cleo, name="Two")
        for days, state in ((1, "held"), (27, "held"), (28, "held"), (2, "planned"), (3, "cancelled")):
            lesson_on(one, self.TODAY - timedelta(days=days), state=state)
        lesson_on(two, self.TODAY, state="held")
        for row in Attendance.objects.filter(player=cast.ana):
            row.state = "came"
            row.save(update_fields=["state"])
        Attendance.objects.filter(player=cast.dan).update(state="excused")
        found = attendance_by_squad(cast.club, self.TODAY)
        assert [(row.name, row.lessons, row.came, row.expected) for row in found] == [
            ("One", 2, 2, 4),
            ("Two", 1, 0, 1),
        ]

    def test_hours_held_and_planned_by_the_club_s_week(self, cast):
        cast.club.time_zone = "America/Los_Angeles"
        squad = squad_of(cast, cast.ana)
        monday = date(2026, 11, 16)
        # Late on Sunday there is Monday already in UTC.
        lesson_on(squad, monday - timedelta(days=1), hour=23, state="held")
        lesson_on(squad, monday, hour=7, state="held")
        lesson_on(squad, monday + timedelta(days=3))
        lesson_on(squad, monday + timedelta(days=4), state="cancelled")
        lesson_on(squad, monday + timedelta(days=27))
        lesson_on(squad, monday + timedelta(days=28))
        Lesson.objects.update(minutes=90)
        found = hours_by_week(cast.club, self.TODAY)
        assert [week.monday for week in found.weeks] == [monday + timedelta(days=7 * n) for n in range(-4, 4)]
        assert [(week.held, week.planned) for week in found.weeks[3:5]] == [(1.5, 0), (1.5, 1.5)]
        assert (found.held, found.planned) == (3, 3)
        assert [week.monday for week in found.weeks if week.now] == [monday]

    def test_on_the_page(self, cast):
        squad = squad_of(cast, cast.ana, name="Tuesday")
        lesson_on(squad, cast.club.today() - timedelta(days=1), state="held")
        words = text(cast.client(cast.manager).get(PAGE))
        assert "Tuesday 1 0 of 1" in words
        assert "Together 1 0" in words


def test_papers_are_counts(cast):
    make.make_player(cast.club, "Kim", born_on=date(2015, 1, 1))
    make.consent(cast.ana)
    words = text(cast.client(cast.manager).get(PAGE))
    assert "1 minor has no guardian." in words
    assert "Of 5 players the consent to be filmed is missing or not complete." in words
    assert "Kim" not in words


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
        player = make.make_player(cast.club, f"P{n}", level=cast.ana.level)
        scored(fit, player, feet, 40)
        lesson_on(squad_of(cast, player, name=f"P{n}"), cast.club.today(), state="held")
    few = queries()
    for n in range(490):
        player = make.make_player(cast.club, f"Q{n}", level=cast.ana.level)
        if n % 10 == 0:
            scored(fit, player, feet, 40)
            lesson_on(squad_of(cast, player, name=f"Squad {n}"), cast.club.today(), state="held")
    assert queries() == few
    assert few < 30
