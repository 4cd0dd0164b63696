"""The pages of lessons: what they show, to whom, what can be done on them, and what is refused in words."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from players.models import Player, Squad
from sessions.models import Attendance, Lesson
from tests import factories as make

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 10, 14, 12, 0, tzinfo=UTC)  # 14:00 at the club
COACHES = ("head_coach", "assistant", "all_in_one", "two_clubs")


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def squad(cast):
    squad = Squad.objects.create(club=cast.club, name="Monday", coach=cast.assistant, level=cast.ana.level)
    squad.players.add(cast.ana, cast.ben)
    return squad


def url(name, *args, slug="seaside"):
    return reverse(name, args=[slug, *args])


def text(answer):
    return answer.content.decode()


def lesson_at(squad, starts_at, **fields):
    fields = {"coach": squad.coach, "court": "Court 1"} | fields
    lesson = Lesson.objects.create(club=squad.club, squad=squad, starts_at=starts_at, **fields)
    Attendance.objects.bulk_create(Attendance(lesson=lesson, player=player) for player in squad.players.all())
    return lesson


def plan(row, **other):
    return {
        "squad": row.pk,
        "day": "2026-10-19",
        "time": "18:30",
        "weeks": 8,
        "minutes": 90,
        "court": "Court 1",
    } | other


class TestPlanning:
    def test_a_term_by_the_form(self, cast, squad):
        client = cast.client(cast.manager)
        page = text(client.get(url("lesson_new"), {"squad": squad.pk}))
        assert f'<option value="{squad.pk}" selected>' in page
        assert "On the club's clock (Europe/Madrid)" in page
        answer = client.post(url("lesson_new"), plan(squad, plan="Lobs."), follow=True)
        lessons = list(Lesson.objects.all())
        assert answer.redirect_chain == [(url("lesson", lessons[0].uuid), 302)]
        assert "8 lessons of Monday are planned, Mon 19 Oct 2026 to Mon 7 Dec 2026." in text(answer)
        assert {row.coach for row in lessons} == {cast.assistant}
        assert {row.starts_at.astimezone(cast.club.zone).hour for row in lessons} == {18}
        assert Attendance.objects.count() == 16

    def test_a_taken_time_is_said_at_the_day_and_the_rest_stays_typed(self, cast, squad):
        lesson_at(squad, datetime(2026, 10, 26, 18, 0, tzinfo=UTC))
        answer = cast.client(cast.head_coach).post(url("lesson_new"), plan(squad, plan="Lobs first."))
        assert answer.status_code == 422
        assert answer.context["form"].errors == {
            "day": ["Monday has a lesson at that time already: 26 Oct 2026, 19:00. Nothing was planned."]
        }
        assert "Lobs first." in text(answer)
        assert 'value="18:30"' in text(answer)
        assert Lesson.objects.count() == 1

    @pytest.mark.parametrize(
        ("wrong", "field"),
        [
            ({"weeks": 31}, "weeks"),
            ({"weeks": ""}, "weeks"),
            ({"minutes": 10}, "minutes"),
            ({"day": "soon"}, "day"),
            ({"time": "25:00"}, "time"),
            ({"squad": 0}, "squad"),
            ({"court": "x" * 41}, "court"),
        ],
    )
    def test_what_is_no_plan(self, cast, squad, wrong, field):
        answer = cast.client(cast.head_coach).post(url("lesson_new"), plan(squad, **wrong))
        assert answer.status_code == 422
        assert list(answer.context["form"].errors) == [field]
        assert not Lesson.objects.exists()

    def test_nothing_of_another_club_can_be_chosen(self, cast, squad):
        theirs = Squad.objects.create(club=cast.other_club, name="Theirs")
        client = cast.client(cast.manager)
        for wrong, field in (({"squad": theirs.pk}, "squad"), ({"coach": cast.stranger.pk}, "coach")):
            answer = client.post(url("lesson_new"), plan(squad, **wrong))
            assert list(answer.context["form"].errors) == [field]
        assert "Theirs" not in text(client.get(url("lesson_new")))

    def test_without_a_squad_it_leads_to_making_one(self, cast):
        client = cast.client(cast.manager)
        assert "Make the first squad" in text(client.get(url("lesson_new")))
        assert "make the first squad" in text(client.get(url("lessons")))

    def test_who_plans(self, cast, squad):
        for who, status in (
            ("assistant", 403),
            ("student", 403),
            ("guardian", 403),
            ("stranger", 404),
            ("manager", 302),
        ):
            client = cast.client(getattr(cast, who))
            assert client.get(url("lesson_new")).status_code == (200 if status == 302 else status)
            assert client.post(url("lesson_new"), plan(squad)).status_code == status
        assert Lesson.objects.count() == 8


class TestList:
    def test_coming_first_then_what_is_over_the_latest_first(self, cast, squad):
        days = (-8, -1, 0, 1, 8)
        for day in days:
            lesson_at(squad, NOW + timedelta(days=day, hours=-4), court=f"Court {day}")
        page = cast.client(cast.manager).get(url("lessons"))
        assert [row.court for row in page.context["coming"]] == ["Court 0", "Court 1", "Court 8"]
        assert [row.court for row in page.context["past"]] == ["Court -1", "Court -8"]
        words = text(page)
        assert words.index("Today and coming") < words.index(">Over<")
        assert "Wed 14 Oct 2026" in words
        assert "10:00–11:00" in words
        assert "2 expected; not noted yet" in words

    def test_today_is_the_club_s_day(self, cast, squad):
        cast.club.time_zone = "America/Santiago"
        cast.club.save()
        lesson_at(squad, datetime(2026, 10, 15, 1, 0, tzinfo=UTC))
        with time_machine.travel(datetime(2026, 10, 15, 2, 30, tzinfo=UTC), tick=False):
            page = cast.client(cast.manager).get(url("lessons"))
        assert len(page.context["coming"]) == 1
        assert "Wed 14 Oct 2026" in text(page)
        assert "22:00–23:00" in text(page)

    def test_own_lessons_stand_first(self, cast, squad):
        other = Squad.objects.create(club=cast.club, name="Juniors", coach=cast.head_coach)
        lesson_at(other, NOW + timedelta(hours=1))
        lesson_at(squad, NOW + timedelta(hours=2))
        late = lesson_at(squad, NOW - timedelta(days=2))
        lesson_at(squad, NOW - timedelta(days=3), state="held")
        client = cast.client(cast.assistant)
        page = client.get(url("lessons"))
        assert [row.squad.name for row in page.context["own"]] == ["Monday", "Monday"]
        assert page.context["own"][0] == late
        assert [row.squad.name for row in page.context["coming"]] == ["Juniors", "Monday"]
        assert "own" in page.context
        assert not client.get(url("lessons"), {"squad": squad.pk}).context["own"]
        assert "Your own" not in text(cast.client(cast.manager).get(url("lessons")))

    def test_filters(self, cast, squad):
        other = Squad.objects.create(club=cast.club, name="Juniors", coach=cast.head_coach)
        lesson_at(other, NOW)
        lesson_at(squad, NOW)
        client = cast.client(cast.manager)

        def names(**query):
            return [row.squad.name for row in client.get(url("lessons"), query).context["coming"]]

        assert names(squad=squad.pk) == names(coach=cast.assistant.pk) == ["Monday"]
        assert names(coach=cast.head_coach.pk) == ["Juniors"]
        assert "No lesson like that" in text(
            client.get(url("lessons"), {"squad": squad.pk, "coach": cast.head_coach.pk})
        )
        theirs = Squad.objects.create(club=cast.other_club, name="Theirs")
        assert "Select a valid choice" in text(client.get(url("lessons"), {"squad": theirs.pk}))

    def test_what_is_called_off_says_why(self, cast, squad):
        lesson_at(squad, NOW, state="cancelled", reason="hail")
        assert "called off: hail" in text(cast.client(cast.manager).get(url("lessons")))

    def test_who_sees_the_list_and_what_it_says_when_empty(self, cast):
        for who in ("manager", *COACHES):
            page = text(cast.client(getattr(cast, who)).get(url("lessons")))
            assert "No lessons yet" in page
        assert "The head coach or the club manager plans lessons." in text(
            cast.client(cast.assistant).get(url("lessons"))
        )
        for who, status in (("student", 403), ("guardian", 403), ("stranger", 404)):
            assert cast.client(getattr(cast, who)).get(url("lessons")).status_code == status
        assert cast.client(None).get(url("lessons")).status_code == 302

    def test_fifty_a_page_and_the_same_queries_for_500(self, cast, squad):
        client = cast.client(cast.assistant)

        def queries(**query):
            with CaptureQueriesContext(connection) as found:
                answer = client.get(url("lessons"), query)
            return len(found), answer

        lesson_at(squad, NOW - timedelta(days=1))
        lesson_at(squad, NOW + timedelta(days=1))
        few, _answer = queries()
        rows = Lesson.objects.bulk_create(
            Lesson(club=cast.club, squad=squad, coach=cast.assistant, starts_at=NOW + timedelta(hours=7 * k))
            for k in range(-200, 298)
        )
        Attendance.objects.bulk_create(Attendance(lesson=row, player=cast.ana) for row in rows)
        many, answer = queries()
        assert many == few
        assert many <= 12
        assert len(answer.context["page"]) == 50
        assert "page 1 of 10" in text(answer)
        last = queries(page=10)[1]
        assert last.context["past"]
        assert not last.context["coming"]


class TestOneLesson:
    def test_before_it_is_time(self, cast, squad):
        lesson = lesson_at(squad, NOW + timedelta(minutes=16), plan="Lobs first.\n\nThen the net.")
        page = text(cast.client(cast.assistant).get(url("lesson", lesson.uuid)))
        assert "Who comes can be noted from 14 Oct 2026, 14:01 on." in page
        assert "<p>Then the net.</p>" in page
        assert "All came" not in page
        assert url("player", cast.ana.uuid) in page
        answer = cast.client(cast.assistant).post(url("lesson_attendance", lesson.uuid), {"all_came": "1"})
        assert answer.status_code == 422
        assert Lesson.objects.get().state == "planned"

    def test_the_usual_cautions_stand_once_with_whom_to_ask(self, cast, squad):
        lesson = lesson_at(squad, NOW)
        page = text(cast.client(cast.assistant).get(url("lesson", lesson.uuid)))
        main = page[page.index("<main") : page.index("</main>")]
        for words in (
            "Heat:",
            "Loose balls:",
            "Eyes:",
            "Pain:",
            "Local rules and licensed practice come first.",
        ):
            assert main.count(words) == 1, words
        assert "Ask welfare@example.org." in main

    def test_one_mark_a_player_and_put_right_later(self, cast, squad):
        lesson = lesson_at(squad, NOW - timedelta(hours=1))
        ana, ben = f"player-{cast.ana.pk}", f"player-{cast.ben.pk}"
        client = cast.client(cast.two_clubs)
        address = url("lesson_attendance", lesson.uuid)
        answer = client.post(address, {ana: "came"}, follow=True)
        assert "Noted: 1 came, 0 said no in time, 0 did not come. 1 is not marked yet." in text(answer)
        answer = client.post(address, {ana: "excused", ben: "missed"}, follow=True)
        assert "Noted: 0 came, 1 said no in time, 1 did not come." in text(answer)
        assert "Noted last by Toni" in text(answer)
        states = dict(lesson.attendances.values_list("player", "state"))
        assert states == {cast.ana.pk: "excused", cast.ben.pk: "missed"}
        assert Lesson.objects.get().state == "held"

    def test_all_came_keeps_the_marks_that_are_there(self, cast, squad):
        squad.players.add(cast.dan)
        lesson = lesson_at(squad, NOW)
        sent = {f"player-{cast.ben.pk}": "missed", "all_came": "1"}
        cast.client(cast.assistant).post(url("lesson_attendance", lesson.uuid), sent)
        states = dict(lesson.attendances.values_list("player", "state"))
        assert states == {cast.ana.pk: "came", cast.ben.pk: "missed", cast.dan.pk: "came"}

    def test_no_mark_or_none_that_there_is(self, cast, squad):
        lesson = lesson_at(squad, NOW)
        client = cast.client(cast.assistant)
        answer = client.post(url("lesson_attendance", lesson.uuid), {f"player-{cast.ana.pk}": ""})
        assert answer.status_code == 422
        assert "Mark at least one player, or press “All came”." in text(answer)
        sent = {f"player-{cast.ana.pk}": "asleep", f"player-{cast.ben.pk}": "came"}
        answer = client.post(url("lesson_attendance", lesson.uuid), sent)
        assert answer.status_code == 422
        assert "Nothing was saved." in text(answer)
        assert f'value="came" id="id_player-{cast.ben.pk}_0" checked' in text(answer)
        stray = {f"player-{cast.dan.pk}": "came", f"player-{cast.ana.pk}": "came"}
        client.post(url("lesson_attendance", lesson.uuid), stray)
        assert not Attendance.objects.filter(player=cast.dan).exists()

    def test_a_squad_of_none(self, cast):
        squad = Squad.objects.create(club=cast.club, name="New", coach=cast.assistant)
        coming, begun = (lesson_at(squad, NOW + timedelta(hours=hours)) for hours in (24, -1))
        client = cast.client(cast.assistant)
        assert "Nobody is expected yet" in text(client.get(url("lesson", coming.uuid)))
        assert "It was held" in text(client.get(url("lesson", begun.uuid)))
        answer = client.post(url("lesson_attendance", begun.uuid), follow=True)
        assert "held with nobody on the list" in text(answer)
        assert "nobody is in the squad yet" in text(client.get(url("lessons")))

    def test_called_off_with_its_reason(self, cast, squad):
        lesson = lesson_at(squad, NOW + timedelta(days=1))
        client = cast.client(cast.manager)
        answer = client.post(url("lesson_cancel", lesson.uuid), {"reason": " "})
        assert answer.status_code == 422
        assert "Say why: whoever was expected may ask." in text(answer)
        assert '<details class="drawer" open>' in text(answer)
        page = text(client.post(url("lesson_cancel", lesson.uuid), {"reason": "hail"}, follow=True))
        assert "Called off.</strong> hail" in page
        assert "Call this lesson off" not in page
        again = client.post(url("lesson_cancel", lesson.uuid), {"reason": "snow"})
        assert again.status_code == 422
        assert "This lesson is called off already." in text(again)
        answer = cast.client(cast.assistant).post(url("lesson_attendance", lesson.uuid), {"all_came": "1"})
        assert answer.status_code == 422
        assert Lesson.objects.get().reason == "hail"

    def test_a_held_lesson_is_not_called_off(self, cast, squad):
        lesson = lesson_at(squad, NOW, state="held")
        answer = cast.client(cast.head_coach).post(url("lesson_cancel", lesson.uuid), {"reason": "hail"})
        assert "This lesson was held" in text(answer)
        assert Lesson.objects.get().state == "held"

    def test_who_sees_and_does_what(self, cast, squad):
        lesson = lesson_at(squad, NOW)
        page, note, off = (
            url(name, lesson.uuid) for name in ("lesson", "lesson_attendance", "lesson_cancel")
        )
        sent = {f"player-{cast.ana.pk}": "came"}
        for who in COACHES:
            client = cast.client(getattr(cast, who))
            words = text(client.get(page))
            assert cast.ana.name in words
            assert "All came" in words
            assert ("Call this lesson off" in words) is (who == "head_coach")
        words = text(cast.client(cast.manager).get(page))
        assert "Nobody has noted yet who came." in words
        assert "All came" not in words
        assert cast.ana.name in words
        for who, reads, notes, calls in (
            ("manager", 200, 403, 302),
            ("assistant", 200, 302, 403),
            ("student", 403, 403, 403),
            ("guardian", 403, 403, 403),
            ("stranger", 404, 404, 404),
        ):
            Lesson.objects.update(state="planned")
            client = cast.client(getattr(cast, who))
            assert client.get(page).status_code == reads
            assert client.post(note, sent).status_code == notes
            Lesson.objects.update(state="planned")
            assert client.post(off, {"reason": "hail"}).status_code == calls
        at_home = cast.client(cast.stranger).get(url("lesson", lesson.uuid, slug="hilltop"))
        assert at_home.status_code == 404

    def test_minors_have_initials_on_paper(self, cast, squad):
        lesson = lesson_at(squad, NOW)
        for who in ("assistant", "manager"):
            words = text(cast.client(getattr(cast, who)).get(url("lesson", lesson.uuid)))
            assert f'data-initials="{cast.ben.initials}"><span>{cast.ben.name}</span>' in words

    def test_the_same_queries_for_60_players_as_for_3(self, cast, squad):
        client = cast.client(cast.head_coach)
        lesson = lesson_at(squad, NOW)

        def queries():
            with CaptureQueriesContext(connection) as found:
                assert client.get(url("lesson", lesson.uuid)).status_code == 200
            return len(found)

        few = queries()
        people = [make.make_player(cast.club, f"P{k}", level=cast.ana.level) for k in range(57)]
        Attendance.objects.bulk_create(
            Attendance(lesson=lesson, player=player, state="came", noted_by=cast.assistant)
            for player in people
        )
        assert queries() == few


class TestJson:
    @pytest.mark.parametrize(
        ("moment", "status"),
        [
            ("2020-05-21T13:17:01-18:39", 200),
            ("0120-05-21T13:17:01+23:59", 200),
            ("0001-01-01T00:00:00+14:00", 400),
            ("9999-12-31T23:59:59-14:00", 400),
            ("yesterday", 400),
        ],
    )
    def test_a_moment_with_any_offset_is_taken_or_refused(self, cast, moment, status):
        client = cast.client(cast.assistant)
        for name in ("since", "until"):
            answer = client.get(url("api:lesson_list"), {name: moment})
            assert answer.status_code == status
            assert status == 200 or name in answer.json()

    def test_lessons_with_who_came(self, cast, squad):
        lesson = lesson_at(squad, NOW, plan="Lobs.")
        far = Squad.objects.create(club=cast.other_club, name="Far")
        lesson_at(far, NOW)
        client = cast.client(cast.assistant)
        address = url("api:lesson_list")
        (row,) = client.get(address).json()["results"]
        assert (row["squad"], row["coach"], row["state"]) == ("Monday", cast.assistant.name, "planned")
        assert {(one["player"], one["state"]) for one in row["attendances"]} == {
            (str(cast.ana.uuid), "expected"),
            (str(cast.ben.uuid), "expected"),
        }
        assert client.get(url("api:lesson", lesson.uuid)).json()["plan"] == "Lobs."
        after = (NOW + timedelta(hours=1)).isoformat()
        for query, n in (
            ({"squad": squad.pk}, 1),
            ({"squad": squad.pk + 900}, 0),
            ({"state": "held"}, 0),
            ({"since": after}, 0),
            ({"until": after}, 1),
        ):
            assert client.get(address, query).json()["count"] == n, query
        for who, status in (("student", 403), ("guardian", 403), ("stranger", 404), ("manager", 200)):
            assert cast.client(getattr(cast, who)).get(address).status_code == status

    def test_noting_who_came(self, cast, squad):
        lesson = lesson_at(squad, NOW)
        address = url("api:lesson_attendance", lesson.uuid)

        def send(states, who="assistant"):
            client = cast.client(getattr(cast, who))
            return client.post(address, {"states": states}, content_type="application/json")

        answer = send({str(cast.ana.uuid): "came"})
        assert answer.status_code == 200
        assert answer.json()["state"] == "held"
        for wrong in ({str(cast.dan.uuid): "came"}, {str(cast.ana.uuid): "expected"}, {"x": "came"}, []):
            assert send(wrong).status_code == 400
        assert send({str(cast.ana.uuid): "missed"}, "manager").status_code == 403
        assert send({str(cast.ana.uuid): "missed"}, "stranger").status_code == 404
        assert lesson.attendances.get(player=cast.ana).state == "came"

    def test_the_same_queries_for_60_lessons_as_for_3(self, cast, squad):
        client = cast.client(cast.assistant)

        def queries():
            with CaptureQueriesContext(connection) as found:
                client.get(url("api:lesson_list"))
            return len(found)

        for day in range(3):
            lesson_at(squad, NOW + timedelta(days=day))
        few = queries()
        Player.objects.filter(club=cast.club).update(active=True)
        for day in range(3, 60):
            lesson_at(squad, NOW + timedelta(days=day))
        assert queries() == few
