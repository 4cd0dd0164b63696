"""A coach's first page: what each coach finds on it, in whose names, and in how many queries."""

from datetime import date, datetime, time, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from players.models import Drill, FilmConsent, Squad
from reports.models import FocusPoint, Homework, HomeworkLog
from reports.roster import consents_ending, unguarded, unseen, years_before
from reports.today import Today
from sessions.models import Attendance, Lesson
from tests import factories as make
from tests.reports.pages import text
from tests.reports.published import publish_rows, unit_of

pytestmark = pytest.mark.django_db
PAGE = "/c/seaside/today/"


@pytest.fixture
def look(cast):
    def get(person=None):
        answer = cast.client(person or cast.head_coach).get(PAGE)
        assert answer.status_code == 200
        return answer

    return get


def squad_of(cast, *players, coach=None, name="Tuesday"):
    squad = Squad.objects.create(club=cast.club, name=name, coach=coach or cast.assistant)
    squad.players.set(players)
    return squad


def lesson_on(squad, day, *, hour=18, coach=None, state="planned", expect=True):
    starts = datetime.combine(day, time(hour), tzinfo=squad.club.zone)
    lesson = Lesson.objects.create(
        club=squad.club,
        squad=squad,
        coach=coach or squad.coach,
        starts_at=starts,
        state=state,
        court="Court 2",
    )
    if expect:
        for player in squad.players.all():
            Attendance.objects.create(lesson=lesson, player=player)
    return lesson


def drill_of(cast, **fields):
    fields = {"name": "Wall lobs", "stage": "fed", "place": "wall", "minutes": 5} | fields
    return Drill.objects.create(club=cast.club, code=fields["name"].lower().replace(" ", "-"), **fields)


def logged(player, drill, day, good=8, *, times=1):
    given = Homework.objects.create(player=player, drill=drill, week_of=day - timedelta(days=day.weekday()))
    for _ in range(times):
        HomeworkLog.objects.create(homework=given, done_on=day, good=good, tried=10)
    return given


def working_on(player, code, started):
    check = player.club.checks.get(code=code)
    return FocusPoint.objects.create(
        unit=unit_of(player),
        check_identity=check,
        seen=20,
        met=5,
        low=0.1,
        high=0.4,
        standard=0.6,
        started_on=started,
    )


@pytest.mark.parametrize(
    ("person", "status"),
    [
        ("head_coach", 200),
        ("assistant", 200),
        ("all_in_one", 200),
        ("manager", 403),
        ("student", 403),
        ("guardian", 403),
        ("stranger", 404),
    ],
)
def test_it_is_for_coaches(cast, person, status):
    assert cast.client(getattr(cast, person)).get(PAGE).status_code == status


@pytest.mark.parametrize("person", ["head_coach", "assistant", "all_in_one"])
def test_it_is_where_coaches_begin(cast, person):
    assert cast.client(getattr(cast, person)).get("/c/seaside/")["Location"] == PAGE


def test_a_day_with_nothing_on_it_says_what_would_stand_there(cast, look):
    words = text(look(cast.assistant))
    for sentence in (
        "No lesson today.",
        "Nothing is to do.",
        "Nothing was logged.",
        "None has run for four weeks",
    ):
        assert sentence in words
    assert "Guardians and consent" not in words
    assert "On the desk" not in words
    head = text(look())
    assert "Nothing is late, to review or to give out." in head
    assert "No consent ends within 30 days." in head


class TestLessons:
    def test_the_day_s_lessons_with_who_is_expected(self, cast, look):
        today = cast.club.today()
        squad = squad_of(cast, cast.ana, cast.ben)
        lesson_on(squad, today)
        lesson_on(squad, today + timedelta(days=1))
        words = text(look(cast.assistant))
        block = words.split("Lessons today")[1].split("For you to analyse")[0]
        assert "18:00 Tuesday , Court 2" in block
        assert "18:30" not in block
        assert "18:00" in block
        assert cast.ana.name in block
        # Beside a lesson a child is called by the given name alone.
        assert "Ben" in block
        assert cast.ben.family_name not in block
        assert block.count("Tuesday") == 1

    def test_the_day_is_the_club_s_also_west_of_utc(self, cast):
        cast.club.time_zone = "America/Los_Angeles"
        cast.club.save(update_fields=["time_zone"])
        squad = squad_of(cast, cast.ana)
        late = lesson_on(squad, date(2026, 3, 9), hour=21)
        assert late.starts_at.astimezone(datetime.now().astimezone().tzinfo)
        viewer = viewer_of_club(cast, cast.assistant)
        at_noon = datetime(2026, 3, 9, 12, tzinfo=cast.club.zone)
        assert Today(viewer, now=at_noon).context()["lessons"] == [late]
        assert Today(viewer, now=at_noon + timedelta(days=1)).context()["lessons"] == []

    def test_an_assistant_sees_their_own_and_how_many_there_are_else(self, cast, look):
        today = cast.club.today()
        lesson_on(squad_of(cast, cast.ana, coach=cast.two_clubs), today)
        mine = lesson_on(squad_of(cast, cast.dan, name="Mine"), today)
        answer = look(cast.assistant)
        assert answer.context["lessons"] == [mine]
        assert "1 lesson of a colleague today" in text(answer)
        assert len(look().context["lessons"]) == 2
        assert "No lesson of yours today." in text(look(cast.all_in_one))

    def test_who_came_is_still_to_be_noted(self, cast, look):
        today = cast.club.today()
        squad = squad_of(cast, cast.ana)
        forgotten = lesson_on(squad, today - timedelta(days=1))
        lesson_on(squad, today - timedelta(days=2), state="held")
        lesson_on(squad, today - timedelta(days=3), state="cancelled")
        lesson_on(squad, today - timedelta(days=9))
        lesson_on(squad, today)
        assert look(cast.assistant).context["unnoted"].rows == [forgotten]
        assert look().context["unnoted"].rows == [forgotten]
        assert look(cast.two_clubs).context["unnoted"].rows == []


class TestAnalyses:
    def test_own_ones_by_their_day_and_only_what_one_can_write(self, cast, look):
        today = cast.club.today()
        unit = unit_of(cast.ana)

        def given(analyst, days, **fields):
            match = make.make_match(cast.club, [cast.ana, None, None, None])
            due = None if days is None else today + timedelta(days=days)
            return make.make_analysis(match, analyst=analyst, units=[unit], due_on=due, **fields)

        whenever = given(cast.assistant, None)
        later, late = given(cast.assistant, 3), given(cast.assistant, -1, state="returned")
        given(cast.assistant, 0, state="submitted")
        given(cast.two_clubs, 0)
        assert look(cast.assistant).context["own"].rows == [(late, True), (later, False), (whenever, False)]
        assert "late" in text(look(cast.assistant)).split("For you to analyse")[1]

    def test_the_head_coach_reads_what_waits_and_the_three_most_urgent(self, cast, look):
        today = cast.club.today()
        unit = unit_of(cast.ana)
        states = [("assigned", -1), ("submitted", 5), ("submitted", 9), ("requested", 7), ("in_progress", 7)]
        made = []
        for state, days in states:
            match = make.make_match(cast.club, [cast.ana, None, None, None])
            row = make.make_analysis(
                match,
                analyst=cast.assistant,
                units=[unit],
                state=state,
                due_on=today + timedelta(days=days),
            )
            made.append(row)
        answer = look()
        assert answer.context["desk"].urgent == made[:3]
        assert "1 late, 2 waiting for your review, 1 not given to anybody" in text(answer)
        assert "desk" not in look(cast.assistant).context
        made[0].delete()
        assert "late" not in text(look()).split("On the desk")[1].split("For you")[0]


class TestForgotten:
    def test_whom_nobody_has_looked_at(self, cast):
        today = date(2026, 11, 20)
        publish_rows(cast, {unit_of(cast.ana): {"L2": (9, 5)}}, day=today - timedelta(days=60))
        publish_rows(cast, {unit_of(cast.dan): {"L2": (9, 5)}}, day=today - timedelta(days=61))
        cast.cleo.active = False
        cast.cleo.save(update_fields=["active"])
        found = [(player.given_name, player.last_seen) for player in unseen(cast.club, today)]
        assert found[-1] == ("Dan", today - timedelta(days=61))
        assert {name for name, day in found if day is None} == {"Ben", "Cleo junior"}
        assert len(found) == 3

    def test_focus_points_by_the_last_look_at_their_check(self, cast, look):
        today = cast.club.today()
        fresh = working_on(cast.ana, "L2", today - timedelta(days=27))
        old = working_on(cast.ana, "B1", today - timedelta(days=28))
        seen_since = working_on(cast.dan, "L2", today - timedelta(days=90))
        older = working_on(cast.dan, "F1", today - timedelta(days=50))
        publish_rows(cast, {unit_of(cast.dan): {"L2": (9, 5)}}, day=today - timedelta(days=10))
        publish_rows(cast, {unit_of(cast.ana): {"B1": (9, 5)}}, day=today - timedelta(days=80))
        rows = look(cast.assistant).context["running"]
        assert [row.point for row in rows] == [older, old]
        assert [row.since for row in rows] == [older.started_on, old.started_on]
        assert {fresh, seen_since}.isdisjoint(row.point for row in rows)

    def test_a_minor_is_initials_in_every_list(self, cast, look):
        today = cast.club.today()
        working_on(cast.ben, "L2", today - timedelta(days=40))
        logged(cast.ben, drill_of(cast), today)
        words = text(look())
        assert words.count(cast.ben.initials) == 3
        assert cast.ben.family_name not in words
        assert "Cleo junior" not in words


class TestHomework:
    def test_of_one_s_own_squads_in_the_last_week(self, cast, look):
        today = cast.club.today()
        drill = drill_of(cast)
        squad_of(cast, cast.ana)
        gone = squad_of(cast, cast.cleo, name="Gone")
        gone.retired_on = today
        gone.save(update_fields=["retired_on"])
        logged(cast.ana, drill, today, times=2)
        logged(cast.dan, drill, today)
        logged(cast.cleo, drill, today)
        logged(cast.ana, drill_of(cast, name="Old one"), today - timedelta(days=7))
        words = text(look(cast.assistant)).split("Done at home")[1].split("Focus points")[0]
        assert f"{cast.ana.name}, Wall lobs: 2 of 3 times, 16 of 20 went well" in words
        assert cast.dan.name not in words
        assert cast.cleo.name not in words
        assert "Old one" not in words
        assert cast.dan.name in text(look())

    def test_a_promise_has_no_times(self, cast, look):
        promise = drill_of(cast, name="Lob first", place="in_your_match")
        logged(cast.dan, promise, cast.club.today())
        assert f"{cast.dan.name}, Lob first: 8 of 10 went well" in text(look())


class TestPapers:
    def test_minors_without_a_guardian(self, cast, look):
        today = cast.club.today()
        alone = make.make_player(cast.club, "Kim", born_on=years_before(today, 17))
        make.make_player(cast.club, "Old", born_on=years_before(today, 18))
        make.make_player(cast.club, "Left", born_on=years_before(today, 17), active=False)
        assert list(unguarded(cast.club, today)) == [alone]
        assert alone.is_minor()
        words = text(look())
        assert f"Minors without a guardian: {alone.initials}" in words

    @pytest.mark.parametrize(
        ("day", "then"), [(date(2024, 2, 29), date(2006, 2, 28)), (date(2024, 3, 1), date(2006, 3, 1))]
    )
    def test_the_day_of_birth_that_is_of_age_today(self, cast, day, then):
        assert years_before(day, 18) == then
        cast.club.majority_age = 18
        for born, minor in ((then, False), (then + timedelta(days=1), True)):
            player = make.make_player(cast.club, "Kim", born_on=born)
            assert player.is_minor(day) is minor
            assert unguarded(cast.club, day).filter(pk=player.pk).exists() is minor

    def test_consents_that_end_soon(self, cast, look):
        today = cast.club.today()
        make.consent(cast.ana, expires_on=today + timedelta(days=30))
        make.consent(cast.dan, expires_on=today + timedelta(days=31))
        make.consent(cast.ben, expires_on=today + timedelta(days=9))
        make.consent(cast.ben, "guardian", expires_on=today + timedelta(days=8))
        make.consent(cast.cleo, expires_on=today + timedelta(days=3))
        FilmConsent.objects.filter(player=cast.cleo).update(withdrawn_at=cast.ana.created_at)
        assert consents_ending(cast.club, today) == [
            (cast.ben, today + timedelta(days=8)),
            (cast.ana, today + timedelta(days=30)),
        ]


def test_a_new_club_reads_its_first_steps(cast):
    words = text(cast.client(cast.stranger).get("/c/hilltop/today/"))
    assert "First steps" in words


def test_nothing_of_another_club(cast, look):
    theirs = cast.other_player
    squad = Squad.objects.create(club=cast.other_club, name="Elsewhere", coach=cast.head_coach)
    squad.players.add(theirs)
    lesson_on(squad, cast.other_club.today())
    drill = Drill.objects.create(
        club=cast.other_club, code="x", name="Elsewhere", stage="fed", place="wall", minutes=5
    )
    logged(theirs, drill, cast.other_club.today())
    working_on(theirs, "L2", date(2020, 1, 1))
    words = text(look())
    assert "Elsewhere" not in words
    assert theirs.name not in words


def viewer_of_club(cast, person):
    from clubcoach.access import viewer_of

    return viewer_of(person, cast.club)


def test_queries_do_not_grow(cast):
    today = cast.club.today()
    drill = drill_of(cast)
    clients = [cast.client(person) for person in (cast.head_coach, cast.assistant)]

    def fill(n, mark):
        for number in range(n):
            child = number % 2
            player = make.make_player(
                cast.club,
                f"{mark}{number}",
                level=cast.ana.level,
                born_on=date(2014, 1, 1) if child else None,
            )
            if number % 10 < 3:
                squad = squad_of(cast, player, name=f"{mark} {number}")
                lesson_on(squad, today)
                lesson_on(squad, today - timedelta(days=2))
                logged(player, drill, today)
                working_on(player, "L2", today - timedelta(days=60))
                make.consent(player, expires_on=today + timedelta(days=5))
                match = make.make_match(cast.club, [player, None, None, None])
                for state in ("assigned", "submitted"):
                    make.make_analysis(
                        match, analyst=cast.assistant, units=[unit_of(player)], areas=[], state=state
                    )

    def queries():
        found = []
        for client in clients:
            with CaptureQueriesContext(connection) as caught:
                assert client.get(PAGE).status_code == 200
            found.append(len(caught))
        return found

    fill(3, "few")
    few = queries()
    fill(497, "many")
    assert queries() == few
    assert max(few) <= 45
    assert reverse("today", args=["seaside"]) == PAGE
