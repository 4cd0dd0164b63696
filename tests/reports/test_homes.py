"""The homes of students and guardians: the next lesson, what is new, notes, consent in words and what to do."""

from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from clubcoach.access import Role
from players.models import Goal, Note, Unit
from players.services import write_note
from reports.focus import drop_focus
from reports.models import FocusPoint
from reports.news import attendance_words
from sessions.models import Attendance
from sessions.services.lessons import Turnout
from tests import factories as make
from tests.reports.pages import page_of, publish, text
from tests.reports.published import publish_rows, unit_of
from tests.reports.test_today import lesson_on, squad_of

pytestmark = pytest.mark.django_db
HOME = "/c/seaside/padel/"


def read(cast, person, url):
    answer = cast.client(person).get(url)
    assert answer.status_code == 200
    return text(answer)


class TestStudent:
    def test_the_next_lesson_on_the_club_s_clock(self, cast):
        cast.club.time_zone = "America/Los_Angeles"
        cast.club.save(update_fields=["time_zone"])
        squad = squad_of(cast, cast.ana)
        day = cast.club.today() + timedelta(days=3)
        lesson_on(squad, day + timedelta(days=7))
        lesson_on(squad, day, hour=19)
        lesson_on(squad, day - timedelta(days=1), state="cancelled")
        words = read(cast, cast.student, page_of(cast.ana))
        assert f"{day:%a} {day.day} {day:%b %Y}, 19:00 , Court 2, with {cast.assistant.name}" in words

    def test_nothing_planned_and_nothing_noted_is_said(self, cast):
        words = read(cast, cast.student, page_of(cast.ana))
        assert "Next lesson None is planned." in words
        assert "No lesson was noted since" in words
        assert "New since" not in words
        assert "Notes from your coaches" not in words

    @pytest.mark.parametrize(
        ("turnout", "said"),
        [
            (Turnout(), "No lesson was noted since 1 Sep 2026."),
            (Turnout(expected=3), "No lesson was noted since 1 Sep 2026."),
            (Turnout(came=1), "Came to 1 of 1 lesson since 1 Sep 2026."),
            (Turnout(came=7, missed=2), "Came to 7 of 9 lessons since 1 Sep 2026."),
            (
                Turnout(came=7, excused=1, missed=1),
                "Came to 7 of 9 lessons since 1 Sep 2026; said no in time to 1.",
            ),
        ],
    )
    def test_attendance_is_a_sentence(self, cast, turnout, said):
        assert attendance_words(cast.club, turnout, date(2026, 9, 1)) == said

    def test_attendance_of_the_last_term_only(self, cast):
        today = cast.club.today()
        squad = squad_of(cast, cast.ana)
        for days in (7, 14, 121):
            lesson_on(squad, today - timedelta(days=days), state="held")
        Attendance.objects.update(state="came")
        assert "Came to 2 of 2 lessons since" in read(cast, cast.student, page_of(cast.ana))

    def test_what_is_new_since_the_match_before(self, cast):
        first, last = publish(cast, cast.ana)
        before = timezone.now() - timedelta(days=20)
        type(first).objects.filter(pk=first.pk).update(published_at=before)
        unit = unit_of(cast.ana)
        points = list(FocusPoint.objects.filter(unit=unit).order_by("rank"))
        FocusPoint.objects.filter(pk=points[1].pk).update(started_on=cast.club.day_of(before))
        drop_focus(by=cast.head_coach, point=points[2], done=True)
        Goal.objects.create(unit=unit, area=cast.club.areas.first(), target=70, due_on=date(2027, 1, 1))
        write_note(by=cast.assistant, unit=unit, text="New.", for_players=True)
        write_note(by=cast.assistant, unit=unit, text="Old.", for_players=True, now=before)
        write_note(by=cast.assistant, unit=unit, text="Ours.")
        answer = cast.client(cast.student).get(page_of(cast.ana))
        wording = {p.point.pk: p.wording.name for p in answer.context["alone"].points}
        news = answer.context["news"]
        assert news.since == cast.club.day_of(before)
        done = points[2].check_identity.wordings.get().name
        assert news.said == [
            f"the match of {last.match.played_on.day} Sep 2026 was looked at",
            f"done with: {done}",
            f"new to work on: {wording[points[0].pk]}",
            "1 goal was set",
            "1 note from a coach",
        ]
        assert "New since" in text(answer)

    def test_a_minor_reads_of_no_goal_among_the_news(self, cast):
        first, _last = publish(cast, cast.ben)
        type(first).objects.filter(pk=first.pk).update(published_at=timezone.now() - timedelta(days=20))
        unit = unit_of(cast.ben)
        Goal.objects.create(unit=unit, area=cast.club.areas.first(), target=70, due_on=date(2027, 1, 1))
        words = read(cast, cast.guardian, page_of(cast.ben))
        assert "New since" in words
        assert "goal" not in words
        assert words.count("new to work on") == 1

    def test_notes_for_the_players_alone_and_as_a_pair_and_no_others(self, cast):
        pair = Unit.objects.pair_of(cast.ana, cast.ben)
        write_note(by=cast.assistant, unit=unit_of(cast.ana), text="Well moved.", for_players=True)
        write_note(by=cast.assistant, unit=pair, text="Talk more.", for_players=True)
        write_note(by=cast.assistant, unit=unit_of(cast.ana), text="Between coaches.")
        write_note(by=cast.assistant, unit=unit_of(cast.dan), text="To somebody else.", for_players=True)
        gone = write_note(by=cast.assistant, unit=pair, text="Taken back.", for_players=True)
        Note.objects.filter(pk=gone.pk).update(withdrawn_at=timezone.now())
        words = read(cast, cast.student, page_of(cast.ana))
        for said in ("Well moved.", "Talk more.", f"to Ben and {cast.ana.name} as a pair", "Aldo"):
            assert said in words
        for said in ("Between coaches.", "To somebody else.", "Taken back.", cast.ben.family_name):
            assert said not in words


class TestGuardian:
    def test_each_child_with_what_is_new_and_what_to_do(self, cast):
        squad = squad_of(cast, cast.ben)
        lesson_on(squad, cast.club.today() + timedelta(days=2))
        publish_rows(cast, {unit_of(cast.ben): {"L2": (9, 5)}})
        note = "A long note. " * 40
        write_note(by=cast.assistant, unit=unit_of(cast.ben), text=note, for_players=True)
        words = read(cast, cast.guardian, HOME)
        assert "the match of 1 Sep 2026, told on" in words
        assert f"Court 2, with {cast.assistant.name}" in words
        assert note.strip() in words
        assert "not given" in words
        assert "your yes is missing: give it here" in words
        assert "Read everything that the child reads" in words
        assert "welfare@example.org" in words
        assert cast.ben.family_name not in words

    @pytest.mark.parametrize(
        ("given", "days", "said"),
        [
            (["guardian"], 90, "The child has to agree too"),
            (["player"], 90, "your yes is missing"),
            (["player", "guardian"], 30, "renew it here"),
            (["player", "guardian"], 31, ""),
        ],
    )
    def test_consent_in_words_with_what_to_do(self, cast, given, days, said):
        for by in given:
            make.consent(cast.ben, by, expires_on=cast.club.today() + timedelta(days=days))
        child = cast.client(cast.guardian).get(HOME).context["children"][0]
        assert said in child.to_do
        assert bool(child.to_do) is bool(said)

    def test_a_minor_with_an_account_reads_that_a_guardian_has_to_agree(self, cast):
        minor = make.make_member(cast.club, Role.STUDENT, Role.GUARDIAN, name="Kim")
        kim = make.make_player(cast.club, "Kim", user=minor, born_on=date(2014, 1, 1))
        make.guard(make.make_player(cast.club, "Baby", born_on=date(2020, 1, 1)), minor)
        make.consent(kim)
        own, other = cast.client(minor).get(HOME).context["children"]
        assert (own.mine, other.mine) == (True, False)
        assert "Your guardian has to agree too" in own.to_do

    def test_several_children_and_one_who_came_of_age(self, cast):
        second = make.make_player(cast.club, "Bea", born_on=date(2016, 1, 1))
        grown = make.make_player(cast.club, "Gus", born_on=date(2000, 1, 1))
        for player in (second, grown):
            make.guard(player, cast.guardian)
        write_note(by=cast.assistant, unit=unit_of(grown), text="For Gus alone.", for_players=True)
        answer = cast.client(cast.guardian).get(HOME)
        assert {child.player for child in answer.context["children"]} == {cast.ben, second}
        words = text(answer)
        assert "Gus is of age now: the page is theirs alone" in words
        assert "For Gus alone." not in words
        assert page_of(grown) not in answer.content.decode()

    def test_only_a_grown_child_is_a_sentence(self, cast):
        cast.ben.born_on = date(2000, 1, 1)
        cast.ben.save(update_fields=["born_on"])
        words = read(cast, cast.guardian, HOME)
        assert "Ben is of age now" in words
        assert "No page of yours yet" not in words
        assert "What you can do here" not in words

    def test_children_of_others_and_of_other_clubs_are_not_there(self, cast):
        make.make_member(cast.other_club, Role.GUARDIAN, user=cast.guardian)
        theirs = make.make_player(cast.other_club, "Otis", born_on=date(2015, 1, 1))
        make.guard(theirs, cast.guardian)
        children = cast.client(cast.guardian).get(HOME).context["children"]
        assert [child.player for child in children] == [cast.ben]
        assert "Otis" not in read(cast, cast.guardian, HOME)

    def test_queries_do_not_grow_with_children_matches_and_notes(self, cast):
        def queries():
            with CaptureQueriesContext(connection) as caught:
                assert cast.client(cast.guardian).get(HOME).status_code == 200
            return len(caught)

        def more(children, notes):
            for n in range(children):
                child = make.make_player(cast.club, f"Child{n}", born_on=date(2015, 1, 1))
                make.guard(child, cast.guardian)
                lesson_on(
                    squad_of(cast, child, name=f"Squad {child.pk}"), cast.club.today() + timedelta(days=2)
                )
                for number in range(notes):
                    day = date(2026, 9, 1) + timedelta(days=number)
                    publish_rows(cast, {unit_of(child): {"L2": (9, 5)}}, day=day, seed=child.pk)
                    write_note(by=cast.assistant, unit=unit_of(child), text="Note.", for_players=True)

        more(1, 1)
        few = queries()
        more(10, 6)
        assert queries() == few
        assert reverse("my_padel", args=["seaside"]) == HOME
        notes = [len(child.notes) for child in cast.client(cast.guardian).get(HOME).context["children"]]
        assert max(notes) == 3
