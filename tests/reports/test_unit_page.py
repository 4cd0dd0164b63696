"""A player's or a pair's page for coaches: what each may see and do, its figures, and in how many queries."""

from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from players.models import Goal, Note, Unit
from players.services import write_note
from reports.focus import drop_focus
from reports.models import FocusPoint
from reports.scoring import full_fit
from sessions.models import Situation
from tests import factories as make
from tests.reports.pages import SHARES, publish, see, text
from tests.reports.published import FIRST, expect, publish_rows, unit_of

pytestmark = pytest.mark.django_db


def address(unit, query=""):
    return reverse("unit", args=[unit.club.slug, unit.pk]) + query


@pytest.fixture
def unit(cast):
    return unit_of(cast.ana)


@pytest.fixture
def look(cast, unit):
    def get(person=None, query="", of=None):
        return cast.client(person or cast.head_coach).get(address(of or unit, query))

    return get


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
def test_it_is_for_coaches(cast, look, person, status):
    assert look(getattr(cast, person)).status_code == status


def test_a_unit_of_another_club_is_not_there(cast):
    theirs = Unit.objects.get(first=cast.other_player)
    assert cast.client(cast.head_coach).get(f"/c/seaside/units/{theirs.pk}/").status_code == 404


def test_a_unit_that_was_never_analysed_says_what_comes_and_who_asks(cast, look):
    words = text(look())
    assert "Never analysed" in words
    assert "Nothing was worked on yet" in words
    assert "No sheet yet" in words
    assert "No note yet" in words
    ask = reverse("request_analysis", args=["seaside"])
    assert f'href="{ask}"' in look().content.decode()
    assert f'href="{ask}"' not in look(cast.assistant).content.decode()


def test_counts_scores_and_standards_by_area(cast, look):
    publish(cast, cast.ana)
    answer = look()
    words = text(answer)
    row = next(row for row in answer.context["areas"] if row.area.code == "lob")
    # L2 and L3, 40 seen on each of two days.
    assert (row.counted.seen, row.counted.met) == (160, 2 * (SHARES["L2"][1] + SHARES["L3"][1]))
    assert f"{row.counted.met} of 160 (" in words
    assert row.said
    assert f"{row.standing.score.score:.0f} ({row.standing.score.low:.0f} to" in words
    assert row.standard == 60
    assert not any(area.area.for_pair for area in answer.context["areas"])
    assert answer.content.count(b'class="trend-drawing"') == 0


def test_too_little_is_said_in_place_of_a_score(cast, look):
    publish_rows(cast, {unit_of(cast.ana): {"L2": (9, 5)}})
    full_fit(club=cast.club)
    words = text(look())
    assert "5 of 9 (" in words
    assert "seen 9 times; about" in words


def test_one_area_opens_with_its_trend_checks_and_situations(cast, look, unit):
    made = publish(cast, cast.ana)
    theirs = publish_rows(cast, {unit_of(cast.dan): SHARES}, day=date(2026, 10, 1))
    see(theirs, unit_of(cast.dan), "L2", "missed", number=77)
    answer = look(query="?area=lob")
    assert answer.content.count(b'class="trend-drawing"') == 1
    opened = answer.context["opened"]
    assert [row.seen.check for row in opened.checks] == list(
        cast.club.checks.filter(code__in=["L2", "L3"]).values_list("pk", flat=True)
    )
    shown = [picture.situation for row in opened.checks for picture in (*row.missed, *row.met)]
    assert shown
    assert {row.analysis_id for row in shown} <= {row.pk for row in made}
    assert look(query="?area=nothing").context["opened"] is None


@pytest.mark.parametrize("timed", [True, False])
def test_its_moments_have_a_time_where_the_sheet_has_one(cast, look, timed):
    publish(cast, cast.ana)
    Situation.objects.update(timed=timed)
    words = text(look(query="?area=lob"))
    assert ", rally 1" in words
    assert (", rally 1, at 0:23" in words) is timed


def test_focus_points_now_and_past_with_what_was_seen_then_and_now(cast, look, unit):
    publish(cast, cast.ana)
    first, second, third = FocusPoint.objects.filter(unit=unit).order_by("rank")
    drop_focus(by=cast.head_coach, point=third, done=True)
    FocusPoint.objects.filter(pk=first.pk).update(seen=30, met=3, low=0.05, high=0.2)
    answer = look()
    assert [row.point for row in answer.context["points"]] == [first, second]
    assert [row.point for row in answer.context["over"]] == [third]
    words = text(answer)
    assert "3 of 30 (5 to 20 %)" in words
    assert f"{answer.context['points'][0].now.met} of 80" in words
    assert "ended" in words


def test_an_assistant_opens_only_sheets_of_their_own(cast, look, unit):
    publish_rows(cast, {unit: SHARES})
    mine = publish_rows(cast, {unit: SHARES}, day=FIRST + timedelta(days=7), analyst=cast.two_clubs)
    asked = make.make_analysis(
        make.make_match(cast.club, [cast.ana, None, None, None]), analyst=cast.two_clubs, units=[unit]
    )
    found = look(cast.two_clubs).context["sheets"]
    assert [(row.analysis == mine or row.analysis == asked) for row in found] == [
        row.may_open for row in found
    ]
    assert len(found) == 3
    # What a colleague is still working on is nobody else's.
    found = look(cast.assistant).context["sheets"]
    assert asked not in [row.analysis for row in found]
    assert all(row.may_open for row in look().context["sheets"])


def test_goals_with_where_the_score_is_and_who_sets_one(cast, look, unit):
    publish(cast, cast.ana)
    lob = cast.club.areas.get(code="lob")
    Goal.objects.create(unit=unit, area=lob, target=70, due_on=date(2027, 1, 1))
    words = text(look())
    assert f"{lob.name}: 70 of 100; now" in words
    assert "the day has passed" not in words
    unit.goals.update(due_on=cast.club.today() - timedelta(days=1))
    assert "the day has passed" in text(look())
    assert "Set a goal" in words
    assert "Set a goal" not in text(look(cast.assistant))


def test_a_pair_has_its_own_areas_and_leads_to_the_two(cast, look, unit):
    pair = Unit.objects.pair_of(cast.ana, cast.dan)
    expect(cast.ana.level)
    publish_rows(cast, {pair: {"N1": (40, 4)}})
    answer = look(of=pair)
    assert [row.area.code for row in answer.context["areas"]] == ["net"]
    assert "4 of 40" in text(answer)
    for player in (cast.ana, cast.dan):
        assert f'href="{address(unit_of(player))}"' in answer.content.decode()
    assert f'href="{address(pair)}"' in look().content.decode()


class TestNotes:
    def write(self, cast, unit, person, **data):
        data.setdefault("text", "Watch the split step.")
        return cast.client(person).post(reverse("note_write", args=["seaside", unit.pk]), data)

    def test_one_is_written_and_read_by_coaches(self, cast, unit, look):
        answer = self.write(cast, unit, cast.assistant)
        assert answer.status_code == 302
        assert answer["Location"].endswith("#notes")
        words = text(look())
        assert "Watch the split step." in words
        assert "Aldo" in words
        assert "for coaches only" in words

    @pytest.mark.parametrize("said", ["", "   ", "x" * 601])
    def test_a_bad_one_is_said_at_its_field_and_kept(self, cast, unit, said):
        answer = self.write(cast, unit, cast.assistant, text=said, for_players="on")
        assert answer.status_code == 422
        assert answer.context["note_form"].errors["text"]
        assert answer.context["note_form"]["for_players"].value()
        assert said in answer.content.decode()
        assert not Note.objects.exists()

    @pytest.mark.parametrize("person", ["manager", "student", "guardian"])
    def test_nobody_else_writes(self, cast, unit, person):
        assert self.write(cast, unit, getattr(cast, person)).status_code == 403
        assert not Note.objects.exists()

    def test_the_writer_and_the_head_coach_have_the_button_and_may(self, cast, unit, look):
        note = write_note(by=cast.assistant, unit=unit, text="Mine.")
        url = reverse("note_withdraw", args=["seaside", note.pk])
        for person, offered in ((cast.assistant, True), (cast.head_coach, True), (cast.two_clubs, False)):
            assert (url in look(person).content.decode()) is offered
        assert cast.client(cast.two_clubs).post(url).status_code == 403
        assert cast.client(cast.assistant).post(url).status_code == 302
        assert "Mine." not in text(look())
        again = cast.client(cast.assistant).post(url, follow=True)
        assert "taken back already" in text(again)

    def test_a_minor_s_form_says_that_the_guardian_reads_it(self, cast, look):
        cast.ben.given_name = "<b>Ben"
        cast.ben.save(update_fields=["given_name"])
        answer = look(of=unit_of(cast.ben))
        assert "<b>Ben : a minor's guardian reads the same words".replace(" :", ":") in text(answer)
        assert "<b>Ben" not in answer.content.decode()
        assert "guardian reads the same words" not in text(look())

    def test_many_are_on_pages(self, cast, unit, look):
        Note.objects.bulk_create(Note(unit=unit, text=f"note {n}") for n in range(45))
        assert len(look().context["notes"]) == 20
        assert len(look(query="?page=3").context["notes"]) == 5


def test_queries_do_not_grow(cast, look, unit):
    def queries():
        with CaptureQueriesContext(connection) as caught:
            assert look(query="?area=lob").status_code == 200
        return len(caught)

    publish(cast, cast.ana, days=2)
    write_note(by=cast.assistant, unit=unit, text="One.")
    Unit.objects.pair_of(cast.ana, cast.dan)
    Goal.objects.create(unit=unit, area=cast.club.areas.get(code="lob"), target=70, due_on=date(2027, 1, 1))
    few = queries()
    for n in range(40):
        Unit.objects.pair_of(cast.ana, make.make_player(cast.club, f"P{n}", level=cast.ana.level))
        Note.objects.create(unit=unit, text=f"note {n}", by=cast.head_coach)
    for number in range(12):
        day = date(2026, 10, 1) + timedelta(days=number)
        see(publish_rows(cast, {unit: SHARES}, day=day, seed=7), unit, "L2", "missed")
    full_fit(club=cast.club)
    assert queries() == few
    assert few <= 46


def test_the_roster_leads_here_whoever_may_open_it(cast, unit):
    url = reverse("player", args=["seaside", cast.ana.uuid])
    for person, led in ((cast.head_coach, True), (cast.assistant, True), (cast.manager, False)):
        assert (address(unit) in cast.client(person).get(url).content.decode()) is led
