"""Lessons: what other pages ask about them, a planned term, who came, and what is called off."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from players.models import Player, Squad
from sessions.models import Attendance, Lesson
from sessions.services.lessons import Turnout, attendance_of, lessons_of_day, next_lessons_of

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 10, 14, 12, 0, tzinfo=UTC)


@pytest.fixture
def squad(cast):
    squad = Squad.objects.create(club=cast.club, name="Monday", coach=cast.assistant, level=cast.ana.level)
    squad.players.add(cast.ana, cast.ben)
    return squad


def make_lesson(squad, starts_at, *players, state="planned", noted="expected", **fields):
    lesson = Lesson.objects.create(
        club=squad.club, squad=squad, starts_at=starts_at, state=state, coach=squad.coach, **fields
    )
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
