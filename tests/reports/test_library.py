"""A drill goes out of use while somebody has it: who, what becomes of it, and nothing before it is said."""

from datetime import UTC, date, datetime, timedelta

import pytest
import time_machine
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from clubcoach.models import AuditEvent
from players.models import Drill
from reports.homework import current_homework, give_homework, suggest
from reports.library import held_now, restore_drill, retire_drill
from reports.models import FocusPoint, Homework
from tests import factories as make
from tests.players.test_drill_pages import add
from tests.reports.pages import page_of, text
from tests.reports.published import unit_of
from tests.sessions.test_publishing_race import at_once

pytestmark = pytest.mark.django_db
NOW = datetime(2026, 9, 10, 12, tzinfo=UTC)
MONDAY = date(2026, 9, 7)
WEEK = timedelta(days=7)


@pytest.fixture
def drill(cast):
    return add(cast.club, "this", name="This one")


@pytest.fixture
def at_noon():
    with time_machine.travel(NOW, tick=False):
        yield


def give(cast, player, drill, **fields):
    return give_homework(by=cast.head_coach, player=player, drill=drill, **{"now": NOW} | fields)


def retire(cast, drill, take_back=None, now=NOW):
    return retire_drill(by=cast.head_coach, drill=drill, take_back=take_back, now=now)


def url(name, *args, slug="seaside"):
    return reverse(name, args=[slug, *args])


class TestRetire:
    def test_one_that_nobody_has_goes_at_once(self, cast, drill):
        give(cast, cast.ana, add(cast.club, "another"))
        assert retire(cast, drill).retired_on == date(2026, 9, 10)
        event = AuditEvent.objects.get(action="drill.retired")
        assert (event.actor, event.target_id, event.fields) == (
            cast.head_coach,
            str(drill.pk),
            ["retired_on"],
        )
        assert Homework.objects.get().withdrawn_at is None

    def test_one_that_somebody_has_waits_for_a_word(self, cast, drill):
        give(cast, cast.ana, drill)
        give(cast, cast.ben, drill, week_of=MONDAY + WEEK)
        with pytest.raises(ValidationError) as refused:
            retire(cast, drill)
        assert refused.value.message_dict == {
            "take_back": ["2 players have this drill. Choose what becomes of it; nothing is done yet."]
        }
        drill.refresh_from_db()
        assert drill.retired_on is None
        assert not Homework.objects.exclude(withdrawn_at=None).exists()
        assert not AuditEvent.objects.filter(action="drill.retired").exists()

    def test_taken_back(self, cast, drill):
        rows = [give(cast, cast.ana, drill), give(cast, cast.ben, drill, week_of=MONDAY + WEEK)]
        past = Homework.objects.create(player=cast.dan, drill=drill, week_of=MONDAY - WEEK)
        rows[0].logs.create(done_on=MONDAY, good=8, tried=10)
        retire(cast, drill, take_back=True)
        assert set(Homework.objects.filter(withdrawn_at=NOW)) == set(rows)
        past.refresh_from_db()
        assert past.withdrawn_at is None
        assert rows[0].logs.count() == 1
        assert AuditEvent.objects.filter(action="homework.withdrawn").count() == 2
        assert current_homework(cast.ana, NOW.date()) == []

    def test_left_with_them_until_their_week_ends(self, cast, drill):
        row = give(cast, cast.ana, drill)
        retire(cast, drill, take_back=False)
        row.refresh_from_db()
        assert row.withdrawn_at is None
        sunday = MONDAY + timedelta(days=6)
        assert current_homework(cast.ana, sunday) == [row]
        # A drill in use stays on the page until the next one comes; this one goes with its week.
        assert current_homework(cast.ana, MONDAY + WEEK) == []
        restore_drill(by=cast.head_coach, drill=drill)
        assert current_homework(cast.ana, MONDAY + WEEK) == [row]

    def test_what_left_the_page_with_its_focus_point_is_nobody_s(self, cast, drill):
        row = give(cast, cast.ana, drill)
        point = FocusPoint.objects.create(
            unit=unit_of(cast.ana),
            check_identity=drill.checks.get(),
            state="ended",
            seen=1,
            met=0,
            low=0,
            high=1,
            standard=0.5,
            started_on=MONDAY,
        )
        Homework.objects.filter(pk=row.pk).update(focus=point)
        assert held_now(drill, NOW) == []
        assert retire(cast, drill).retired_on

    def test_the_week_is_that_of_the_club(self, cast, drill):
        cast.club.time_zone = "America/Bogota"
        cast.club.save(update_fields=["time_zone"])
        cast.ana.refresh_from_db()
        give(cast, cast.ana, drill)
        # Monday 3 in the morning in London is still Sunday where the club is.
        moment = datetime(2026, 9, 14, 3, tzinfo=UTC)
        with pytest.raises(ValidationError):
            retire(cast, Drill.objects.get(pk=drill.pk), now=moment)
        row = retire(cast, Drill.objects.get(pk=drill.pk), take_back=False, now=moment)
        assert row.retired_on == date(2026, 9, 13)

    def test_twice_and_back_twice(self, cast, drill):
        retire(cast, drill)
        with pytest.raises(ValidationError, match="out of use already"):
            retire(cast, drill)
        assert restore_drill(by=cast.head_coach, drill=drill).retired_on is None
        with pytest.raises(ValidationError, match="is in use"):
            restore_drill(by=cast.head_coach, drill=drill)
        assert AuditEvent.objects.filter(action="drill.restored").count() == 1
        give(cast, cast.ana, drill)

    def test_a_drill_out_of_use_is_not_given_anew_whatever_one_still_holds_in_hand(self, cast, drill):
        stale = Drill.objects.get(pk=drill.pk)
        point = FocusPoint.objects.create(
            unit=unit_of(cast.ana),
            check_identity=drill.checks.get(),
            seen=1,
            met=0,
            low=0,
            high=1,
            standard=0.5,
            started_on=MONDAY,
        )
        retire(cast, drill)
        with pytest.raises(ValidationError, match="out of use"):
            give(cast, cast.ana, stale)
        assert suggest(point=point, by=cast.head_coach, now=NOW) == []
        assert not Homework.objects.exists()

    def test_only_the_head_coach(self, cast, drill):
        for person in (cast.assistant, cast.manager, cast.student, cast.guardian, cast.stranger):
            with pytest.raises(PermissionDenied):
                retire_drill(by=person, drill=drill, now=NOW)
            with pytest.raises(PermissionDenied):
                restore_drill(by=person, drill=drill)
        drill.refresh_from_db()
        assert drill.retired_on is None


@pytest.mark.django_db(transaction=True)
class TestAtOnce:
    """Whoever comes first decides: a drill is never given and out of use without a word."""

    def test_retired_and_given_at_the_same_moment(self, cast, drill):
        told = at_once(
            lambda: retire(cast, Drill.objects.get(pk=drill.pk)),
            lambda: give(cast, cast.ana, Drill.objects.get(pk=drill.pk)),
        )
        assert sum(isinstance(answer, ValidationError) for answer in told) == 1, told
        drill.refresh_from_db()
        assert (drill.retired_on is None) == Homework.objects.exists()

    def test_retired_by_two_at_once(self, cast, drill):
        told = at_once(*[lambda: retire(cast, Drill.objects.get(pk=drill.pk))] * 2)
        assert sum(isinstance(answer, ValidationError) for answer in told) == 1, told
        assert AuditEvent.objects.filter(action="drill.retired").count() == 1


@pytest.mark.usefixtures("at_noon")
class TestPages:
    def test_the_head_coach_is_asked_and_minors_stand_by_initials(self, cast, drill):
        give(cast, cast.ana, drill)
        give(cast, cast.ben, drill, week_of=MONDAY + WEEK)
        client = cast.client(cast.head_coach)
        asked = client.get(url("drill_retire", "this"))
        assert asked.status_code == 200
        words = text(asked)
        assert cast.ana.name in words
        assert cast.ben.initials in words
        assert cast.ben.family_name not in words
        assert "(a coming week)" in words
        assert page_of(cast.ana) in asked.content.decode()
        unsaid = client.post(url("drill_retire", "this"), {"take_back": "perhaps"})
        assert unsaid.status_code == 422
        assert "2 players have this drill. Choose what becomes of it; nothing is done yet." in text(unsaid)
        drill.refresh_from_db()
        assert drill.retired_on is None

    @pytest.mark.parametrize(("answer", "withdrawn"), [("yes", True), ("no", False)])
    def test_what_is_chosen_is_done_and_said(self, cast, drill, answer, withdrawn):
        row = give(cast, cast.ana, drill)
        told = cast.client(cast.head_coach).post(
            url("drill_retire", "this"), {"take_back": answer}, follow=True
        )
        assert "“This one” is out of use." in text(told)
        assert ("It is taken back from everybody" in text(told)) is withdrawn
        row.refresh_from_db()
        assert (row.withdrawn_at is not None) is withdrawn
        student = cast.client(cast.student)
        page = text(student.get(page_of(cast.ana)))
        assert ("This one" in page) is not withdrawn
        assert ("This drill is out of use now" in page) is not withdrawn
        # Whoever still has it may still read all about it; to others of the club it is gone.
        assert student.get(url("drill", "this")).status_code == (404 if withdrawn else 200)
        assert cast.client(cast.guardian).get(url("drill", "this")).status_code == 404
        assert Drill.objects.get().retired_on == date(2026, 9, 10)

    def test_nobody_has_it(self, cast, drill):
        client = cast.client(cast.head_coach)
        assert "Nobody has it this week or a coming one." in text(client.get(url("drill_retire", "this")))
        client.post(url("drill_retire", "this"))
        drill.refresh_from_db()
        assert drill.retired_on
        again = client.post(url("drill_retire", "this"))
        assert (again.status_code, "out of use already" in text(again)) == (422, True)
        back = client.post(url("drill_restore", "this"), follow=True)
        assert "is in use again" in text(back)
        twice = client.post(url("drill_restore", "this"), follow=True)
        assert "This drill is in use." in text(twice)

    def test_coaches_read_how_many_have_it_and_nobody_else(self, cast, drill):
        give(cast, cast.ana, drill)
        give(cast, cast.dan, drill)
        give(cast, cast.ben, drill, week_of=MONDAY + WEEK)
        for person in (cast.head_coach, cast.assistant):
            words = text(cast.client(person).get(url("drill", "this")))
            assert "2 players have it this week. 1 has it for a coming week." in words
        for person in (cast.manager, cast.student, cast.guardian):
            assert "it this week" not in text(cast.client(person).get(url("drill", "this")))

    def test_who_may_take_it_out_of_use(self, cast, drill):
        for person in (cast.manager, cast.assistant, cast.student, cast.guardian):
            client = cast.client(person)
            for name in ("drill_retire", "drill_restore"):
                assert client.post(url(name, "this"), {"take_back": "yes"}).status_code == 403
        for name in ("drill_retire", "drill_restore"):
            theirs = url(name, "this", slug="hilltop")
            assert cast.client(cast.stranger).post(theirs).status_code == 404
        drill.refresh_from_db()
        assert drill.retired_on is None

    def test_the_student_s_page_shows_the_plan_of_a_drill(self, cast, drill):
        give(cast, cast.ana, drill)
        client = cast.client(cast.student)
        assert "plan-drawing" not in client.get(page_of(cast.ana)).content.decode()
        drill.court = {"view": "half", "players": [{"id": "P1", "at": [2, -8]}]}
        drill.save(update_fields=["court"])
        page = client.get(page_of(cast.ana)).content.decode()
        assert "plan-drawing" in page
        assert "out of use" not in page
        assert url("drill", "this") in page

    def test_flat_queries_whatever_the_number_of_players(self, cast, drill):
        client = cast.client(cast.head_coach)

        def queries():
            found = []
            for name in ("drill", "drill_retire"):
                with CaptureQueriesContext(connection) as asked:
                    client.get(url(name, "this"))
                found.append(len(asked))
            return found

        def fill(n):
            for _ in range(n):
                give(cast, make.make_player(cast.club), drill)

        fill(3)
        queries()
        few = queries()
        fill(57)
        assert queries() == few
        assert "60 players have it this week" in text(client.get(url("drill", "this")))
