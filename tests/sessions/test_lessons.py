"""Lessons: what other pages ask about them, a planned term, who came, and what is called off."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import connection
from django.test.utils import CaptureQueriesContext

from clubcoach.models import AuditEvent
from players.models import Player, Squad
from players.services import edit_player, restore_squad, retire_squad, save_squad
from sessions import services
from sessions.models import Attendance, Lesson
from sessions.services.lessons import Turnout, attendance_of, lessons_of_day, next_lessons_of

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 10, 14, 12, 0, tzinfo=UTC)


@pytest.fixture
def squad(cast):
    squad = Squad.objects.create(club=cast.club, name="Monday", coach=cast.assistant, level=cast.ana.level)
    squad.players.add(cast.ana, cast.ben)
    return squad


@pytest.fixture
def plan(cast, squad):
    """Plan with what is usual, but for what the test is about."""

    def call(**other):
        usual = {"by": cast.head_coach, "club": cast.club, "squad": squad, "coach": cast.assistant}
        usual |= {
            "first": datetime(2026, 10, 12, 16, 30, tzinfo=UTC),
            "weeks": 3,
            "court": "Court 1",
            "now": NOW,
        }
        return services.plan_lessons(**(usual | other))

    return call


def refused(call, *args, **words):
    with pytest.raises(ValidationError) as error:
        call(*args, **words)
    return error.value.message_dict if hasattr(error.value, "error_dict") else error.value.messages


def make_lesson(squad, starts_at, *players, state="planned", noted="expected", **fields):
    fields.setdefault("coach", squad.coach)
    lesson = Lesson.objects.create(club=squad.club, squad=squad, starts_at=starts_at, state=state, **fields)
    for player in players or squad.players.all():
        Attendance.objects.create(lesson=lesson, player=player, state=noted)
    return lesson


def counted(call, *args):
    with CaptureQueriesContext(connection) as found:
        answer = call(*args)
        answer = answer if isinstance(answer, dict) else list(answer)
    return len(found), answer


class TestWhatOtherPagesAsk:
    def test_the_next_lesson_is_the_first_that_is_planned_and_has_not_begun(self, cast, squad):
        make_lesson(squad, NOW - timedelta(hours=1), cast.ana)
        make_lesson(squad, NOW + timedelta(days=1), cast.ana, state="cancelled")
        later = make_lesson(squad, NOW + timedelta(days=3), cast.ana, cast.ben)
        sooner = make_lesson(squad, NOW + timedelta(days=2), cast.ana)
        asked = [cast.ana, cast.ben, cast.dan]
        found = next_lessons_of(asked, NOW)
        assert found == {cast.ana.pk: sooner, cast.ben.pk: later}
        assert found[cast.ana.pk].squad.name == "Monday"
        assert next_lessons_of([], NOW) == {}

    def test_attendance_is_counted_by_the_club_s_days(self, cast, squad):
        cast.club.time_zone = "America/Santiago"
        cast.club.save()
        late = datetime(2026, 10, 15, 1, 0, tzinfo=UTC)  # 22:00 of the 14th there
        make_lesson(squad, late, cast.ana, state="held", noted="came")
        make_lesson(squad, late - timedelta(days=1), cast.ana, state="held", noted="excused")
        make_lesson(squad, late - timedelta(days=2), cast.ana, state="held", noted="missed")
        make_lesson(squad, late - timedelta(days=2, hours=3), cast.ana, state="cancelled")
        make_lesson(squad, late + timedelta(days=1), cast.ana)
        players = Player.objects.filter(pk__in=[cast.ana.pk, cast.dan.pk])
        assert attendance_of(players, date(2026, 10, 12), date(2026, 10, 15)) == {
            cast.ana.pk: Turnout(came=1, excused=1, missed=1, expected=1),
            cast.dan.pk: Turnout(),
        }
        assert attendance_of(players, date(2026, 10, 14), date(2026, 10, 14))[cast.ana.pk] == Turnout(came=1)
        assert attendance_of(players, date(2026, 10, 13), date(2026, 10, 14))[cast.ana.pk].noted == 2
        assert attendance_of([], date(2026, 10, 14), date(2026, 10, 14)) == {}

    def test_the_lessons_of_a_day_that_has_25_hours(self, cast, squad):
        last = datetime(2026, 10, 25, 22, 30, tzinfo=UTC)  # 23:30 in Madrid, after the change
        first = datetime(2026, 10, 24, 22, 0, tzinfo=UTC)  # 0:00 there, before it
        rows = [
            make_lesson(squad, last, cast.ana, noted="came"),
            make_lesson(squad, first, cast.ana, cast.ben, state="cancelled"),
        ]
        make_lesson(squad, first - timedelta(minutes=1), cast.ana)
        make_lesson(squad, last + timedelta(minutes=30), cast.ana)
        found = list(lessons_of_day(cast.club, date(2026, 10, 25)))
        assert found == rows[::-1]
        assert [(row.listed, row.came) for row in found] == [(2, 0), (1, 1)]
        assert list(lessons_of_day(cast.club, date(2026, 10, 25), cast.assistant)) == rows[::-1]
        assert not lessons_of_day(cast.club, date(2026, 10, 25), cast.head_coach)
        assert not lessons_of_day(cast.other_club, date(2026, 10, 25))

    def test_as_many_queries_for_500_players_as_for_one(self, cast, squad):
        def ask():
            players = Player.objects.filter(club=cast.club).select_related("club")
            return [
                counted(next_lessons_of, players, NOW),
                counted(attendance_of, players, date(2026, 10, 1), date(2026, 12, 1)),
                counted(lessons_of_day, cast.club, date(2026, 10, 15)),
            ]

        make_lesson(squad, NOW + timedelta(days=1), cast.ana)
        few = ask()
        Player.objects.bulk_create(Player(club=cast.club, given_name=f"P{k}") for k in range(500))
        everybody = list(Player.objects.filter(club=cast.club))
        for k in range(30):
            lesson = Lesson.objects.create(
                club=cast.club,
                squad=squad,
                coach=cast.assistant,
                starts_at=NOW + timedelta(days=1, minutes=k + 1),
            )
            Attendance.objects.bulk_create(Attendance(lesson=lesson, player=one) for one in everybody)
        many = ask()
        assert [n for n, _answer in few] == [n for n, _answer in many] == [3, 1, 1]
        assert len(many[0][1]) == len(everybody)
        assert len(many[2][1]) == 31


class TestPlanning:
    def test_a_term_keeps_its_time_on_the_club_s_clock_when_the_clock_is_changed(self, cast, squad, plan):
        lessons = plan(weeks=8, minutes=90, plan="  Lobs first.  ")
        local = [row.starts_at.astimezone(cast.club.zone) for row in Lesson.objects.all()]
        assert [(at.day, at.month, at.hour, at.minute) for at in local] == [
            (12, 10, 18, 30),
            (19, 10, 18, 30),
            (26, 10, 18, 30),
            (2, 11, 18, 30),
            (9, 11, 18, 30),
            (16, 11, 18, 30),
            (23, 11, 18, 30),
            (30, 11, 18, 30),
        ]
        assert {row.starts_at.hour for row in lessons} == {16, 17}
        assert {(row.minutes, row.plan, row.court) for row in lessons} == {(90, "Lobs first.", "Court 1")}
        assert Attendance.objects.filter(state="expected").count() == 16
        assert AuditEvent.objects.filter(action="lesson.planned").count() == 8

    def test_west_of_utc_an_evening_is_still_that_day(self, cast, plan):
        cast.club.time_zone = "America/New_York"
        cast.club.save()
        first = datetime(
            2026, 10, 26, 21, 0, tzinfo=cast.club.zone
        )  # the 27th in UTC; summer time ends on the 1st
        local = [row.starts_at.astimezone(cast.club.zone) for row in plan(first=first, weeks=2)]
        assert [(at.month, at.day, at.hour) for at in local] == [(10, 26, 21), (11, 2, 21)]

    def test_a_time_that_the_clock_skips(self, cast, plan):
        first = datetime(2027, 3, 21, 2, 30, tzinfo=cast.club.zone)
        told = refused(plan, first=first, weeks=2)
        assert told == {
            "first": ["On 28 Mar 2027 the clock is changed and this time does not exist. Choose another."]
        }
        assert not Lesson.objects.exists()

    def test_what_is_no_plan(self, cast, plan):
        theirs = Squad.objects.create(club=cast.other_club, name="Theirs")
        assert refused(plan, squad=theirs) == {"squad": ["This is no squad of the club."]}
        assert "is no coach of the club" in refused(plan, coach=cast.stranger)["coach"][0]
        assert "is no coach of the club" in refused(plan, coach=cast.student)["coach"][0]
        assert "is no coach of the club" in refused(plan, coach=cast.manager)["coach"][0]
        for weeks in (0, 31):
            assert refused(plan, weeks=weeks) == {"weeks": ["Plan between 1 and 30 weeks at a time."]}
        for minutes in (14, 241):
            assert refused(plan, minutes=minutes) == {
                "minutes": ["A lesson lasts between 15 and 240 minutes."]
            }
        assert "first" in refused(plan, first=NOW.replace(year=2126))
        assert "court" in refused(plan, court="x" * 41)
        assert "plan" in refused(plan, plan="x" * 2001)
        for person in (cast.assistant, cast.student, cast.guardian, cast.stranger):
            with pytest.raises(PermissionDenied):
                plan(by=person)
        assert not Lesson.objects.exists()
        assert not AuditEvent.objects.exists()

    def test_one_week_in_the_way_and_nothing_is_planned(self, cast, squad, plan):
        make_lesson(squad, datetime(2026, 10, 19, 17, 15, tzinfo=UTC), coach=None)
        told = refused(plan)
        assert told == {
            "first": ["Monday has a lesson at that time already: 19 Oct 2026, 19:15. Nothing was planned."]
        }
        assert Lesson.objects.count() == 1

    def test_lessons_may_touch_but_not_overlap(self, cast, squad, plan):
        there = datetime(2026, 10, 19, 17, 30, tzinfo=UTC)
        make_lesson(squad, there)
        make_lesson(squad, there - timedelta(minutes=90), minutes=30)
        plan(minutes=60)
        assert Lesson.objects.count() == 5
        other = Squad.objects.create(club=cast.club, name="Night")
        long = Lesson.objects.create(
            club=cast.club, squad=other, starts_at=there + timedelta(hours=1), minutes=240, court="Court 9"
        )
        assert "court" in refused(
            plan, first=long.starts_at + timedelta(minutes=239), weeks=1, court="court 9", coach=None
        )
        plan(first=long.ends_at, weeks=1, court="Court 9")

    def test_the_coach_or_the_court_is_taken(self, cast, squad, plan):
        other = Squad.objects.create(club=cast.club, name="Juniors", coach=cast.assistant)
        plan(squad=other)
        told = refused(plan, court="Court 2")
        assert told == {
            "coach": [
                f"{cast.assistant.name} has a lesson with Juniors at that time: 12 Oct 2026, 18:30."
                " 2 more weeks too. Nothing was planned."
            ]
        }
        told = refused(plan, coach=cast.head_coach, court=" court  1 ")
        assert told == {
            "court": [
                "Court 1 is taken by Juniors at that time: 12 Oct 2026, 18:30. 2 more weeks too."
                " Nothing was planned."
            ]
        }
        plan(coach=cast.head_coach, court="")
        far = make_lesson(Squad.objects.create(club=cast.other_club, name="Far"), NOW, cast.other_player)
        Lesson.objects.filter(pk=far.pk).update(court="Court 5", coach=cast.two_clubs)
        plan(first=NOW, coach=cast.two_clubs, court="Court 5", weeks=1)

    def test_the_time_of_a_called_off_lesson_is_free_again(self, cast, squad, plan):
        first = plan(weeks=1)[0]
        services.cancel_lesson(by=cast.head_coach, lesson=first, reason="rain")
        plan(weeks=1)
        assert sorted(Lesson.objects.values_list("state", flat=True)) == ["cancelled", "planned"]

    def test_a_squad_of_none_and_who_left_are_not_expected(self, cast, squad, plan):
        edit_player(by=cast.head_coach, player=cast.ben, active=False)
        plan(weeks=1)
        assert [row.player for row in Attendance.objects.all()] == [cast.ana]
        empty = Squad.objects.create(club=cast.club, name="New")
        lesson = plan(squad=empty, coach=None, court="", weeks=1)[0]
        assert not lesson.attendances.exists()
        services.note_attendance(by=cast.assistant, lesson=lesson, states={}, now=NOW)
        assert Lesson.objects.get(pk=lesson.pk).state == "held"

    def test_thirty_weeks_cost_few_queries(self, cast, squad, plan):
        squad.players.add(*[Player.objects.create(club=cast.club, given_name=f"P{k}") for k in range(20)])
        with CaptureQueriesContext(connection) as one:
            plan(weeks=1)
        with CaptureQueriesContext(connection) as many:
            plan(weeks=30, first=NOW)
        # One more each for its line in the audit trail; 660 rows of who is expected go in by few batches.
        assert 29 <= len(many) - len(one) <= 33


class TestTheSquadChanges:
    def test_coming_lessons_follow_and_past_ones_do_not(self, cast, squad, plan):
        begun, tomorrow, called_off = (
            make_lesson(squad, NOW + timedelta(hours=hours), state=state)
            for hours, state in ((-1, "planned"), (24, "planned"), (48, "cancelled"))
        )
        told = {"by": cast.manager, "club": cast.club, "squad": squad, "name": "Monday", "now": NOW}
        save_squad(**told, players=[cast.ben, cast.dan])

        def expected(lesson):
            return set(lesson.attendances.values_list("player", flat=True))

        assert expected(tomorrow) == {cast.ben.pk, cast.dan.pk}
        assert expected(begun) == expected(called_off) == {cast.ana.pk, cast.ben.pk}
        edit_player(by=cast.manager, player=cast.dan, active=False, now=NOW)
        assert expected(tomorrow) == {cast.ben.pk}
        edit_player(by=cast.manager, player=cast.dan, active=True, now=NOW)
        assert expected(tomorrow) == {cast.ben.pk, cast.dan.pk}
        save_squad(**told, players=[])
        assert expected(tomorrow) == set()

    def test_retiring_waits_for_the_lessons_or_calls_them_off(self, cast, squad):
        past = make_lesson(squad, NOW - timedelta(days=1))
        ahead = [make_lesson(squad, NOW + timedelta(days=days)) for days in (5, 12)]
        words = {"by": cast.head_coach, "squad": squad, "now": NOW}
        assert refused(retire_squad, **words) == {
            "call_off": [
                "2 lessons of this squad are still planned, the last on 26 Oct 2026."
                " Call them off too, or keep the squad until they are over."
            ]
        }
        squad.refresh_from_db()
        assert squad.retired_on is None
        retire_squad(**words, call_off=True)
        squad.refresh_from_db()
        assert squad.retired_on == date(2026, 10, 14)
        assert {row.state for row in Lesson.objects.filter(pk__in=[row.pk for row in ahead])} == {"cancelled"}
        past.refresh_from_db()
        assert past.state == "planned"
        assert AuditEvent.objects.filter(action="lesson.called_off").count() == 2
        restore_squad(by=cast.head_coach, squad=squad)
        squad.refresh_from_db()
        assert squad.retired_on is None

    def test_a_retired_squad_gets_no_lessons(self, cast, squad, plan):
        retire_squad(by=cast.head_coach, squad=squad, now=NOW)
        assert "is retired" in refused(plan)["squad"][0]
        words = {"by": cast.head_coach, "club": cast.club, "squad": squad, "name": "Monday"}
        assert "is retired" in refused(save_squad, **words)["name"][0]


class TestAttendance:
    def test_noted_once_then_put_right(self, cast, squad):
        lesson = make_lesson(squad, NOW)
        early = NOW - timedelta(minutes=15)
        states = {cast.ana.pk: "came"}
        services.note_attendance(by=cast.assistant, lesson=lesson, states=states, now=early)
        lesson.refresh_from_db()
        assert lesson.state == "held"
        row = lesson.attendances.get(player=cast.ana)
        assert (row.state, row.noted_by, row.noted_at) == ("came", cast.assistant, early)
        assert lesson.attendances.get(player=cast.ben).state == "expected"
        later = NOW + timedelta(days=3)
        states = {cast.ana.pk: "missed", cast.ben.pk: "excused"}
        for _again in (1, 2):
            services.note_attendance(by=cast.head_coach, lesson=lesson, states=states, now=later)
        row.refresh_from_db()
        assert (row.state, row.noted_by, row.noted_at) == ("missed", cast.head_coach, later)
        assert list(AuditEvent.objects.order_by("pk").values_list("action", "actor")) == [
            ("lesson.attendance_noted", cast.assistant.pk),
            ("lesson.attendance_corrected", cast.head_coach.pk),
        ]

    def test_what_cannot_be_noted(self, cast, squad):
        lesson = make_lesson(squad, NOW)

        def note(states, now=NOW, by=cast.assistant):
            return refused(services.note_attendance, by=by, lesson=lesson, states=states, now=now)

        assert note({cast.ana.pk: "came"}, now=NOW - timedelta(minutes=16)) == [
            "This lesson is still to come: who comes can be noted from 14 Oct 2026, 13:45 on."
        ]
        assert "was not expected" in note({cast.ana.pk: "came", cast.dan.pk: "came"})["states"][0]
        assert "A mark is one of" in note({cast.ana.pk: "expected"})["states"][0]
        assert "Mark at least one player" in note({})["states"][0]
        for person in (cast.manager, cast.student, cast.guardian, cast.stranger):
            with pytest.raises(PermissionDenied):
                services.note_attendance(by=person, lesson=lesson, states={cast.ana.pk: "came"}, now=NOW)
        services.cancel_lesson(by=cast.manager, lesson=lesson, reason="frost")
        assert note({cast.ana.pk: "came"}) == ["This lesson was called off: there is nobody to note."]
        assert set(lesson.attendances.values_list("state", flat=True)) == {"expected"}

    def test_calling_off_needs_a_reason_and_a_lesson_that_was_not_held(self, cast, squad):
        lesson = make_lesson(squad, NOW)
        call = {"by": cast.head_coach, "lesson": lesson}
        assert refused(services.cancel_lesson, **call, reason="  ") == {
            "reason": ["Say why: whoever was expected may ask."]
        }
        assert "reason" in refused(services.cancel_lesson, **call, reason="x" * 201)
        with pytest.raises(PermissionDenied):
            services.cancel_lesson(by=cast.assistant, lesson=lesson, reason="rain")
        services.cancel_lesson(**call, reason="  rain  all day ")
        lesson.refresh_from_db()
        assert (lesson.state, lesson.reason) == ("cancelled", "rain all day")
        assert "already" in refused(services.cancel_lesson, **call, reason="again")[0]
        held = make_lesson(squad, NOW - timedelta(days=1), state="held")
        told = refused(services.cancel_lesson, by=cast.head_coach, lesson=held, reason="rain")
        assert "was held" in told[0]
