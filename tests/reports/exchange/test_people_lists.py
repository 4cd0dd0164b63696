"""Lists for people with a spreadsheet: what stands in them, who fetches them, and that no cell is worked out."""

from __future__ import annotations

import csv
import datetime as dt
import io
from typing import Any

import pytest
from django.core.cache import cache
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone, translation
from openpyxl import load_workbook

from clubcoach.access import Can, viewer_for
from clubcoach.models import AuditEvent
from players.models import Drill, Player, Squad, Unit
from reports.exchange.people_lists import LISTS, as_csv, as_xlsx, neutral
from reports.models import FocusPoint, Homework, HomeworkLog, Score, SharedFit
from sessions.models import Attendance, Lesson
from tests import factories as make
from tests.factories import PASSWORD

pytestmark = pytest.mark.django_db
DAY = dt.date(2026, 9, 1)


def rows_of(what: str, club: Any) -> list[dict[str, Any]]:
    columns = LISTS[what].columns()
    return [dict(zip(columns, row, strict=True)) for row in LISTS[what].rows(club)]


def read_csv(content: bytes) -> list[list[str]]:
    return list(csv.reader(io.StringIO(content.decode("utf-8-sig"), newline="")))


def read_xlsx(content: bytes) -> Any:
    return load_workbook(io.BytesIO(content)).active


def at(cast: Any, what: str, form: str = "csv") -> str:
    return reverse("data_list", kwargs={"slug": cast.club.slug, "what": what, "form": form})


@pytest.fixture
def lately(cast):
    """A client of somebody who said a moment ago who they are."""
    # Tests say it more often than a person may.
    cache.clear()

    def of(person):
        client = cast.client(person)
        client.post(reverse("account_reauthenticate"), {"password": PASSWORD})
        return client

    return of


def score(
    club: Any, unit: Unit, area: str, day: dt.date = DAY, value: float = 54.321, **fields: Any
) -> Score:
    fit = SharedFit.objects.filter(club=club).first() or SharedFit.objects.create(club=club, shared={})
    return Score.objects.create(
        **{
            "club": club,
            "unit": unit,
            "area": club.areas.get(code=area),
            "series": "now",
            "day": day,
            "score": value,
            "low": value - 9,
            "high": value + 9,
            "n": 30,
            "fit": fit,
        }
        | fields
    )


def fill(club: Any, coach: Any, player: Player, n: int = 0) -> None:
    """One row for each list."""
    unit = Unit.objects.get(first=player, kind="player")
    score(club, unit, "lob")
    drill = Drill.objects.get_or_create(
        club=club,
        code="wall",
        defaults={"name": "Wall", "stage": "shadow", "place": "home", "minutes": 5},
    )[0]
    given = Homework.objects.create(
        player=player, drill=drill, week_of=dt.date(2026, 8, 31), given_by=coach, times=3
    )
    HomeworkLog.objects.create(homework=given, done_on=dt.date(2026, 9, 2), good=8, tried=10)
    HomeworkLog.objects.create(homework=given, done_on=dt.date(2026, 9, 3), good=1, tried=5)
    squad = Squad.objects.get_or_create(club=club, name="Dawn", defaults={"coach": coach})[0]
    squad.players.add(player)
    lesson = Lesson.objects.create(
        club=club,
        squad=squad,
        coach=coach,
        starts_at=dt.datetime(2026, 9, 1, 16, 30, tzinfo=dt.UTC) - dt.timedelta(days=n),
        state=Lesson.State.HELD,
    )
    Attendance.objects.create(lesson=lesson, player=player, state="came")


@pytest.mark.parametrize("what", LISTS)
def test_a_list_of_nothing_is_its_headings(what):
    club = make.make_club()
    columns = LISTS[what].columns()
    assert read_csv(as_csv(columns, LISTS[what].rows(club))) == [columns]
    sheet = read_xlsx(as_xlsx(what, columns, LISTS[what].rows(club)))
    assert [cell.value for cell in sheet[1]] == columns
    assert sheet.max_row == 1


@pytest.mark.parametrize("what", LISTS)
def test_many_rows_take_as_few_queries_as_one(cast, what):
    fill(cast.club, cast.head_coach, cast.ana)
    counts = []
    for more in (0, 12):
        for n in range(more):
            player = make.make_player(cast.club, f"More {n}", level=cast.ana.level)
            fill(cast.club, cast.head_coach, player, n + 1)
            pair = Unit.objects.pair_of(cast.ana, player)
            score(cast.club, pair, "net")
        with CaptureQueriesContext(connection) as seen:
            rows = rows_of(what, cast.club)
        assert len(rows) > more
        counts.append(len(seen))
    assert counts[0] == counts[1]


def test_the_roster(cast):
    fill(cast.club, cast.head_coach, cast.ana)
    Player.objects.filter(pk=cast.dan.pk).update(active=False)
    Player.objects.filter(pk=cast.ana.pk).update(ref="ana-1", side="left")
    rows = {row["Reference"]: row for row in rows_of("roster", cast.club)}
    assert str(cast.dan.uuid) not in rows
    assert str(cast.other_player.uuid) not in rows
    ana = rows["ana-1"]
    assert ana["Player"] == Player.objects.get(pk=cast.ana.pk).name
    assert (ana["Level"], ana["Squads"], ana["Side"]) == ("Level 1", "Dawn", "left side")
    assert (ana["Account"], ana["Age of a minor"], ana["May be filmed"]) == ("yes", None, "not given")
    ben = rows[str(cast.ben.uuid)]
    assert ben["Player"] == cast.ben.initials
    assert ben["Age of a minor"] == cast.ben.age_on(cast.club.today())


def test_the_latest_score_of_players_and_pairs(cast):
    unit = Unit.objects.get(first=cast.ana, kind="player")
    score(cast.club, unit, "lob", DAY - dt.timedelta(days=20), 20)
    score(cast.club, unit, "lob")
    score(cast.club, unit, "feet", value=70)
    score(cast.club, unit, "lob", DAY + dt.timedelta(days=1), 99, series="then", low=90, high=100)
    pair = Unit.objects.pair_of(cast.ana, cast.ben)
    score(cast.club, pair, "net", value=40)
    gone = Unit.objects.get(first=cast.dan, kind="player")
    score(cast.club, gone, "lob")
    score(cast.club, Unit.objects.pair_of(cast.cleo, cast.dan), "net")
    Player.objects.filter(pk=cast.dan.pk).update(active=False)
    rows = rows_of("scores", cast.club)
    assert [(row["Area"], row["Score"]) for row in rows] == [
        (cast.club.areas.get(code="net").name, 40.0),
        (cast.club.areas.get(code="feet").name, 70.0),
        (cast.club.areas.get(code="lob").name, 54.3),
    ]
    lob = rows[2]
    assert (lob["At least"], lob["At most"], lob["Checks seen"]) == (45.3, 63.3, 30)
    assert (lob["Level"], lob["Last looked at"]) == ("Level 1", DAY)
    # The minor of a pair is initials, the other a name.
    assert cast.ben.initials in rows[0]["Player or pair"]
    assert cast.ben.family_name not in rows[0]["Player or pair"]
    assert cast.ana.name in rows[0]["Player or pair"]


def test_homework_with_what_was_done_of_it(cast):
    fill(cast.club, cast.head_coach, cast.ben)
    point = FocusPoint.objects.create(
        unit=Unit.objects.get(first=cast.ben, kind="player"),
        check_identity=cast.club.checks.first(),
        cue="Land as they hit",
        seen=10,
        met=2,
        low=0.1,
        high=0.4,
        standard=0.6,
        started_on=DAY,
    )
    Homework.objects.update(focus=point, withdrawn_at=timezone.now())
    (row,) = rows_of("homework", cast.club)
    assert (row["Week of"], row["Player"], row["Drill"]) == (dt.date(2026, 8, 31), cast.ben.initials, "Wall")
    assert (row["Times done"], row["Went well"], row["Tried"]) == (2, 9, 15)
    assert (row["Last done on"], row["Taken back"]) == (dt.date(2026, 9, 3), "yes")
    assert row["For the focus point"] == "Land as they hit"
    HomeworkLog.objects.all().delete()
    Homework.objects.update(focus=None, withdrawn_at=None)
    (row,) = rows_of("homework", cast.club)
    assert (row["Times done"], row["Tried"], row["For the focus point"]) == (0, None, None)


def test_attendance_by_the_clock_of_the_club(cast):
    fill(cast.club, cast.head_coach, cast.ben)
    squad = Squad.objects.get(club=cast.club)
    for state, starts in (("cancelled", -1), ("planned", 24)):
        lesson = Lesson.objects.create(
            club=cast.club, squad=squad, state=state, starts_at=timezone.now() + dt.timedelta(hours=starts)
        )
        Attendance.objects.create(lesson=lesson, player=cast.ana)
    Lesson.objects.filter(state="held").update(starts_at=dt.datetime(2026, 8, 31, 22, 30, tzinfo=dt.UTC))
    (row,) = rows_of("attendance", cast.club)
    assert (row["Day"], row["Begins"]) == (DAY, dt.time(0, 30))
    assert (row["Squad"], row["Coach"]) == ("Dawn", cast.head_coach.name)
    assert (row["Player"], row["Came"]) == (cast.ben.initials, "came")


FORMULAS = ["=1+1", "+1", "-1", "@x", "\tx", "\rx", "\n=1"]


def test_a_text_that_looks_like_an_error_stays_a_text():
    assert read_xlsx(as_xlsx("x", ["a"], [("#N/A",)]))["A2"].data_type == "s"


@pytest.mark.parametrize("text", FORMULAS)
def test_no_text_is_a_formula(text):
    (head, cells) = read_csv(as_csv([text], [(text,)]))
    assert head == cells == ["'" + text]
    sheet = read_xlsx(as_xlsx("x", [text], [(text,)]))
    for cell in (sheet["A1"], sheet["A2"]):
        assert cell.data_type == "s"
        assert cell.value.strip() == text.strip()


def test_numbers_days_and_plain_texts_stay_what_they_are(cast):
    values = (-4.5, -3, DAY, dt.time(18, 5), None, "a=b", "", 'ñandú, "q"')
    assert [neutral(value) for value in values[:3]] == [-4.5, -3, DAY]
    content = as_csv([*"abcdefgh"], [values])
    assert content.startswith(b"\xef\xbb\xbf")
    assert read_csv(content)[1] == ["-4.5", "-3", "2026-09-01", "18:05", "", "a=b", "", 'ñandú, "q"']
    row = read_xlsx(as_xlsx("x" * 40, [*"abcdefgh"], [values]))[2]
    assert [cell.value for cell in row[:2]] == [-4.5, -3]
    assert row[2].value.date() == DAY
    assert row[2].is_date
    assert row[3].value == dt.time(18, 5)
    # What no spreadsheet can hold does not end the list.
    assert read_xlsx(as_xlsx("x", ["a"], [("a\x0bb",)]))["A2"].value == "a b"


def test_a_hostile_name_comes_out_harmless(cast, lately):
    Squad.objects.create(club=cast.club, name="=HYPERLINK(1)").players.add(cast.ana)
    client = lately(cast.manager)
    cells = [cell for row in read_csv(client.get(at(cast, "roster")).content) for cell in row]
    assert "'=HYPERLINK(1)" in cells
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@"))]
    sheet = read_xlsx(client.get(at(cast, "roster", "xlsx")).content)
    assert {cell.data_type for row in sheet for cell in row if cell.value is not None} <= {"s", "n"}


@pytest.mark.parametrize("what", LISTS)
@pytest.mark.parametrize("form", ["csv", "xlsx"])
def test_each_list_is_fetched_and_on_record(cast, lately, what, form):
    fill(cast.club, cast.head_coach, cast.ana)
    answer = lately(cast.manager).get(at(cast, what, form))
    assert answer.status_code == 200
    assert f"seaside-{what}-" in answer["Content-Disposition"]
    assert answer["Cache-Control"] == "private, no-store"
    if form == "csv":
        assert any(cast.ana.name in row for row in read_csv(answer.content))
    else:
        sheet = read_xlsx(answer.content)
        assert sheet.freeze_panes == "A2"
        assert sheet["A1"].font.bold
        assert any(cell.value == cast.ana.name for row in sheet for cell in row)
    event = AuditEvent.objects.get(action=f"data.list_{what}")
    assert (event.actor, event.club) == (cast.manager, cast.club)


def test_nobody_fetches_a_list_who_may_not_or_did_not_sign_in_again(cast, lately):
    fill(cast.club, cast.head_coach, cast.ana)
    for kind, person in cast.visitors().items():
        client = cast.client(person)
        answer = client.get(at(cast, "roster"))
        if kind == "anonymous":
            assert answer.status_code == 302
        elif kind == "stranger":
            assert answer.status_code == 404
            assert lately(person).get(at(cast, "roster")).status_code == 404
        elif viewer_for(person, cast.club.slug).can(Can.MOVE_DATA):
            assert answer.status_code == 302
            assert answer["Location"] == reverse("data_out", args=[cast.club.slug])
            assert lately(person).get(at(cast, "roster")).status_code == 200
        else:
            assert answer.status_code == 403
            assert lately(person).get(at(cast, "roster")).status_code == 403
    assert AuditEvent.objects.filter(action="data.list_roster").count() == 2


def test_there_are_these_lists_and_forms_only(cast, lately):
    client = lately(cast.manager)
    for what, form in (("passwords", "csv"), ("roster", "pdf"), ("roster", "csv.xlsx")):
        path = at(cast, "scores").replace("scores.csv", f"{what}.{form}")
        assert client.get(path).status_code == 404
    assert client.post(at(cast, "roster")).status_code == 405
    assert not AuditEvent.objects.filter(action__startswith="data.list").exists()


def test_the_page_for_taking_out_leads_to_every_list(cast, lately):
    page = lately(cast.manager).get(reverse("data_out", args=[cast.club.slug])).content.decode()
    for what in LISTS:
        assert at(cast, what) in page
        assert at(cast, what, "xlsx") in page


def test_another_club_s_people_are_on_no_list(cast):
    make.make_check_list(make.make_club())
    fill(cast.club, cast.head_coach, cast.ana)
    for what in LISTS:
        assert rows_of(what, cast.other_club) == [] or what == "roster"
    assert [row["Player"] for row in rows_of("roster", cast.other_club)] == [cast.other_player.name]


def test_headings_are_in_the_reader_s_language():
    with translation.override("en"):
        assert LISTS["scores"].columns()[0] == "Reference"
    for found in LISTS.values():
        assert len(set(found.columns())) == len(found.columns())
