"""Two people plan, or change who is expected, at the same moment from two connections."""

from datetime import UTC, datetime

import pytest
from django.core.exceptions import ValidationError

from players.models import Squad
from players.services import retire_squad, save_squad
from sessions import services
from sessions.models import Attendance, Lesson
from tests.sessions.test_publishing_race import at_once

pytestmark = pytest.mark.django_db(transaction=True)

NOW = datetime(2026, 10, 1, 12, 0, tzinfo=UTC)
FIRST = datetime(2026, 10, 12, 16, 30, tzinfo=UTC)


@pytest.fixture
def squads(cast):
    rows = [Squad.objects.create(club=cast.club, name=name) for name in ("Monday", "Juniors")]
    rows[0].players.add(cast.ana)
    return rows


def planning(cast, squad, by, **other):
    usual = {"coach": cast.assistant, "first": FIRST, "weeks": 4, "court": "Court 1", "now": NOW}
    return lambda: services.plan_lessons(by=by, club=cast.club, squad=squad, **(usual | other))


def test_two_plan_the_same_squad_and_two_want_one_court(cast, squads):
    for pair in ((squads[0], squads[0]), (squads[0], squads[1])):
        Lesson.objects.all().delete()
        told = at_once(
            planning(cast, pair[0], cast.manager),
            planning(cast, pair[1], cast.head_coach, coach=cast.two_clubs),
        )
        assert sum(isinstance(answer, ValidationError) for answer in told) == 1, told
        assert Lesson.objects.count() == 4


def test_who_joins_while_a_term_is_planned_is_expected_at_all_of_it(cast, squads):
    squad = squads[0]
    told = at_once(
        planning(cast, squad, cast.manager),
        lambda: save_squad(
            by=cast.head_coach,
            club=cast.club,
            squad=squad,
            name="Monday",
            players=[cast.ana, cast.dan],
            now=NOW,
        ),
    )
    assert not [answer for answer in told if isinstance(answer, Exception)], told
    assert Attendance.objects.filter(player=cast.dan).count() == 4
    assert Attendance.objects.count() == 8


def test_planned_and_retired_at_once(cast, squads):
    squad = squads[0]
    told = at_once(
        planning(cast, squad, cast.manager),
        lambda: retire_squad(by=cast.head_coach, squad=squad, now=NOW),
    )
    assert sum(isinstance(answer, ValidationError) for answer in told) == 1, told
    squad.refresh_from_db()
    assert (squad.retired_on is None) is Lesson.objects.exists()


def test_one_name_for_two_squads(cast):
    def save():
        return save_squad(by=cast.manager, club=cast.club, name="Late")

    told = at_once(save, save)
    errors = [answer for answer in told if isinstance(answer, Exception)]
    assert [type(error) for error in errors] == [ValidationError], told
    assert Squad.objects.filter(name="Late").count() == 1
