"""What may be written on a student's page: the head coach's choices, and a drill that was done."""

import re
import uuid
from datetime import timedelta

import pytest
from django.urls import reverse

from players.models import Check, Drill, Unit
from reports.models import FocusPoint, Homework, HomeworkLog
from tests.reports.pages import page_of, publish, text
from tests.reports.published import publish_rows, unit_of

pytestmark = pytest.mark.django_db


class TestCoach:
    def test_counts_and_intervals(self, cast):
        publish(cast, cast.ana)
        words = text(cast.client(cast.assistant).get(page_of(cast.ana)))
        assert re.search(r"20 of 80 \(\d+ to \d+ %\)", words)
        assert "Proposed by the rule" in words
        assert re.search(r"standard \d+ %", words)
        assert "in 10; we have seen" not in words
        assert "Wilson" in words

    def test_only_the_head_coach_has_the_forms(self, cast, drills):
        publish(cast, cast.ana)
        head = cast.client(cast.head_coach).get(page_of(cast.ana)).content.decode()
        assert page_of(cast.ana, "focus_set") in head
        for person in (cast.assistant, cast.student):
            body = cast.client(person).get(page_of(cast.ana)).content.decode()
            assert "/focus/" not in body
        assert "/log/" not in head

    def test_sets_one_for_the_player_and_for_a_pair(self, cast):
        pair = Unit.objects.pair_of(cast.ana, cast.dan)
        publish_rows(cast, {pair: {"N1": (20, 10)}, unit_of(cast.ana): {"L2": (20, 15)}})
        client = cast.client(cast.head_coach)
        for unit, code in ((unit_of(cast.ana), "L2"), (pair, "N1")):
            check = Check.objects.get(club=cast.club, code=code)
            answer = client.post(
                page_of(cast.ana, "focus_set"), {"check": f"{unit.pk}-{check.pk}", "words": "Mine", "cue": ""}
            )
            assert answer.status_code == 302
            assert answer["Location"] == page_of(cast.ana) + "#focus"
        assert set(FocusPoint.objects.values_list("unit", "check_identity__code")) == {
            (unit_of(cast.ana).pk, "L2"),
            (pair.pk, "N1"),
        }
        assert "Mine" in text(cast.client(cast.student).get(page_of(cast.ana)))

    @pytest.mark.parametrize("value", ["", "x", "1-1", "999-999"])
    def test_what_is_not_on_the_list_is_refused_at_the_field(self, cast, value):
        answer = cast.client(cast.head_coach).post(page_of(cast.ana, "focus_set"), {"check": value})
        assert answer.status_code == 422
        assert answer.context["focus_form"].errors["check"]
        assert not FocusPoint.objects.exists()

    def test_a_fourth_is_refused_at_the_field(self, cast):
        publish(cast, cast.ana)
        unit, check = unit_of(cast.ana), Check.objects.get(club=cast.club, code="S2")
        answer = cast.client(cast.head_coach).post(
            page_of(cast.ana, "focus_set"), {"check": f"{unit.pk}-{check.pk}"}
        )
        assert answer.status_code == 422
        assert "There are 3 focus points already" in text(answer)
        assert FocusPoint.objects.count() == 3

    def test_rewords_and_drops(self, cast):
        publish(cast, cast.ana)
        one, two, three = FocusPoint.objects.order_by("rank")
        client = cast.client(cast.head_coach)
        address = page_of(cast.ana, "focus_reword", point=one.pk)
        assert client.post(address, {"words": "Slowly up", "cue": ""}).status_code == 302
        assert client.post(address, {"words": "w" * 301, "cue": ""}).status_code == 422
        client.post(page_of(cast.ana, "focus_drop", point=two.pk), {"how": "dropped"})
        client.post(page_of(cast.ana, "focus_drop", point=three.pk), {"how": "done"})
        states = dict(FocusPoint.objects.values_list("rank", "state"))
        assert states == {1: "active", 2: "dropped", 3: "ended"}
        words = text(cast.client(cast.student).get(page_of(cast.ana)))
        assert "Slowly up" in words
        # Once more says that it is over, and changes nothing.
        answer = client.post(page_of(cast.ana, "focus_drop", point=two.pk), {"how": "done"}, follow=True)
        assert "over already" in text(answer)
        two.refresh_from_db()
        assert two.state == "dropped"

    @pytest.mark.parametrize("person", ["assistant", "manager", "student", "guardian", "two_clubs"])
    def test_nobody_else_may(self, cast, person):
        publish(cast, cast.ana)
        point = FocusPoint.objects.first()
        client = cast.client(getattr(cast, person))
        for address in (
            page_of(cast.ana, "focus_set"),
            page_of(cast.ana, "focus_drop", point=point.pk),
            page_of(cast.ana, "focus_reword", point=point.pk),
            page_of(cast.ana, "homework_give"),
        ):
            assert client.post(address).status_code == 403
        assert FocusPoint.objects.filter(state="active").count() == 3

    def test_a_point_of_another_player_is_not_there(self, cast):
        publish(cast, cast.ana)
        point = FocusPoint.objects.first()
        client = cast.client(cast.head_coach)
        for name in ("focus_drop", "focus_reword"):
            assert client.post(page_of(cast.dan, name, point=point.pk)).status_code == 404

    def test_gives_a_drill_and_takes_it_back(self, cast, drills):
        drill = Drill.objects.get(club=cast.club, code="lob-two-feet")
        client = cast.client(cast.head_coach)
        address = page_of(cast.ana, "homework_give")
        assert client.post(address, {"drill": drill.pk, "times": 2}).status_code == 302
        assert client.post(address, {"drill": drill.pk, "times": 2}).status_code == 422
        row = Homework.objects.get()
        assert (row.times, row.given_by) == (2, cast.head_coach)
        answer = client.post(reverse("homework_withdraw", args=["seaside", row.uuid]), follow=True)
        assert "taken back" in text(answer)
        row.refresh_from_db()
        assert row.withdrawn_at


class TestHomework:
    @pytest.fixture
    def row(self, cast, drills):
        drill = Drill.objects.get(club=cast.club, code="lob-two-feet")
        week = cast.club.today() - timedelta(days=cast.club.today().weekday())
        return Homework.objects.create(player=cast.ana, drill=drill, week_of=week)

    def send(self, cast, row, person=None, **changed):
        data = {"good": "8", "tried": "10", "felt": "easy", "uuid": str(uuid.uuid4()), **changed}
        address = reverse("homework_log", args=["seaside", row.uuid])
        return cast.client(person or cast.student).post(address, data)

    def test_steps_dose_and_cautions(self, cast, row):
        words = text(cast.client(cast.student).get(page_of(cast.ana)))
        for said in (row.drill.name, row.drill.dose, *row.drill.steps, *row.drill.cautions):
            assert said in words

    def test_two_taps(self, cast, row):
        body = cast.client(cast.student).get(page_of(cast.ana)).content.decode()
        form = body.split(f'action="/c/seaside/homework/{row.uuid}/log/"')[1].split("</form>")[0]
        key = re.search(r'name="uuid" value="([^"]+)"', form)[1]
        assert form.count('type="radio"') == 11
        assert form.count('name="felt"') == 3
        answer = self.send(cast, row, uuid=key)
        assert answer["Location"] == page_of(cast.ana) + "#homework"
        entry = HomeworkLog.objects.get()
        assert (entry.good, entry.tried, entry.felt, entry.done_on) == (8, 10, "easy", cast.club.today())
        assert "8 of 10, felt easy" in text(cast.client(cast.student).get(page_of(cast.ana)))
        self.send(cast, row, uuid=key)
        assert HomeworkLog.objects.count() == 1

    @pytest.mark.parametrize(
        "changed",
        [
            {"good": "11"},
            {"good": ""},
            {"tried": "7"},
            {"felt": "great"},
            {"uuid": "x"},
            {"done_on": "2099-01-01"},
        ],
    )
    def test_refused_with_a_sentence(self, cast, row, changed):
        answer = self.send(cast, row, **changed)
        assert answer.status_code == 422
        assert not HomeworkLog.objects.exists()
        form = next(item.form for item in answer.context["homework"] if item.row.pk == row.pk)
        assert form.errors

    @pytest.mark.parametrize(
        ("person", "status"),
        [("guardian", 404), ("all_in_one", 404), ("head_coach", 403), ("manager", 403), ("stranger", 404)],
    )
    def test_somebody_else_s(self, cast, row, person, status):
        assert self.send(cast, row, getattr(cast, person)).status_code == status
        assert not HomeworkLog.objects.exists()

    def test_a_promise_asks_for_chances(self, cast, drills):
        drill = Drill.objects.get(club=cast.club, code="lob-promise")
        Homework.objects.create(player=cast.ana, drill=drill, week_of=cast.club.today())
        words = text(cast.client(cast.student).get(page_of(cast.ana)))
        assert f"Promise for your next match: {drill.name}" in words
        assert "Of 10 chances, how often did you keep it?" in words
