"""A list of players alone: who is new, who may be there twice, and through the same page and batch as all else."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from openpyxl import Workbook

from clubcoach.access import Can, viewer_for
from clubcoach.jobs import run_due
from clubcoach.models import Club
from players.models import Level, Player, Squad
from reports.exchange import load, shelf
from reports.exchange.plan import Plan
from reports.exchange.problems import Problems
from reports.exchange.roster_in import make_roster_plan, read_roster
from reports.models import Batch
from tests import factories as make

pytestmark = pytest.mark.django_db
LIST = "given_name,family_name,level,birth_year,hand,squads,email\n"


@pytest.fixture(autouse=True)
def own_shelf(settings: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    settings.MEDIA_ROOT = tmp_path / "media"
    monkeypatch.setattr(load, "_PAUSES", {})


def as_csv(text: str, path: Path) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def as_book(text: str, path: Path) -> Path:
    book = Workbook()
    book.active.title = "Members"
    for line in text.splitlines():
        book.active.append([int(cell) if cell.isdigit() else cell or None for cell in line.split(",")])
    book.save(path)
    return path


def planned(club: Club, by: Any, path: Path) -> tuple[Plan, Problems]:
    problems = Problems()
    table = read_roster(path, problems)
    return make_roster_plan(club=club, by=by, table=table, problems=problems), problems


def given_names(plan: Plan) -> list[str]:
    return [row["given_name"] for row in plan.players]


@pytest.mark.parametrize(("form", "ending"), [(as_csv, "csv"), (as_book, "xlsx")])
def test_people_without_a_reference_are_new_and_get_one(cast, tmp_path, form, ending):
    text = LIST + "Rosa,Marsh,Level 1,1999,left,Dawn;Dusk,rosa@example.org\nIvo,,,,,,\n"
    plan, problems = planned(cast.club, cast.manager, form(text, tmp_path / f"list.{ending}"))
    assert not problems, list(problems)
    assert given_names(plan) == ["Rosa", "Ivo"]
    assert plan.players[0]["squads"] == ("Dawn", "Dusk")
    assert plan.players[0]["birth_year"] == 1999
    refs = [row["player_ref"] for row in plan.players]
    assert len(set(refs)) == 2
    assert all(ref.startswith("p-") and len(ref) == 8 for ref in refs)
    assert not plan.remarks
    assert plan.counts["players"] == {"new": 2, "there": 0}


def test_a_list_without_anybody(cast, tmp_path):
    plan, problems = planned(cast.club, cast.manager, as_csv(LIST, tmp_path / "list.csv"))
    assert not problems
    assert plan.empty


def test_what_was_shown_is_what_is_written(cast, tmp_path):
    path = as_csv(LIST + "Rosa,Marsh,,1999,,,\nRosa,Marsh,,1999,,,\nIvo,,,,,,\n", tmp_path / "list.csv")
    first, _ = planned(cast.club, cast.manager, path)
    again, _ = planned(cast.club, cast.manager, path)
    assert [row["player_ref"] for row in first.players] == [row["player_ref"] for row in again.players]
    assert len({row["player_ref"] for row in first.players}) == 3


def test_a_reference_that_somebody_has_is_not_given_again(cast, tmp_path):
    path = as_csv(LIST + "Rosa,Marsh,,1999,,,\n", tmp_path / "list.csv")
    ref = planned(cast.club, cast.manager, path)[0].players[0]["player_ref"]
    make.make_player(cast.club, "Somebody", ref=ref)
    plan, problems = planned(cast.club, cast.manager, path)
    assert not problems
    assert plan.players[0]["player_ref"] not in ("", ref)
    # Nor one that the list itself gives to somebody else.
    other = plan.players[0]["player_ref"]
    text = f"player_ref,given_name,family_name,birth_year\n,Rosa,Marsh,1999\n{other},Ida,,\n"
    plan, problems = planned(cast.club, cast.manager, as_csv(text, tmp_path / "list.csv"))
    assert not problems
    assert len({row["player_ref"] for row in plan.players} | {ref}) == 3


def test_twins_are_told_and_stay_two(cast, tmp_path):
    Player.objects.filter(pk=cast.ana.pk).update(family_name="Ríos", ref="ana-1")
    text = LIST + "ana,Rios,,1990,,,\nAna,Rios,,1991,,,\nKim,Lee,,,,,\nKim,Lee,,,,,\n"
    plan, problems = planned(cast.club, cast.manager, as_csv(text, tmp_path / "list.csv"))
    assert not problems
    assert plan.new["players"] == 4
    assert len(plan.remarks) == 2
    told = " ".join(plan.remarks)
    assert "ana-1" in told
    assert told.count("is there 2 times") == 2
    assert "1991" not in told


def test_a_reference_known_to_the_club_is_that_player(cast, tmp_path):
    Player.objects.filter(pk=cast.dan.pk).update(ref="dan", family_name="Hill")
    text = "player_ref,given_name,family_name\ndan,Dan,Hill\n"
    plan, problems = planned(cast.club, cast.manager, as_csv(text, tmp_path / "list.csv"))
    assert not problems
    assert plan.empty
    assert plan.there["players"] == 1
    text = "player_ref,given_name,family_name\ndan,Dan,Dale\n"
    _plan, problems = planned(cast.club, cast.manager, as_csv(text, tmp_path / "list.csv"))
    assert problems.count == 1
    assert problems.first[0][:3] == ("players.csv", 2, "family_name")
    assert "Hill" in problems.first[0].reason


def test_an_empty_reference_is_no_reference_that_two_share(cast, tmp_path):
    text = "player_ref,given_name\n,Ida\n,Ida\n,Jo\n"
    plan, problems = planned(cast.club, cast.manager, as_csv(text, tmp_path / "list.csv"))
    assert not problems, list(problems)
    assert given_names(plan) == ["Ida", "Ida", "Jo"]


def test_two_people_cannot_have_one_reference(cast, tmp_path):
    text = "player_ref,given_name\nx,Ida\n,Jo\nx,Kim\n"
    _plan, problems = planned(cast.club, cast.manager, as_book(text, tmp_path / "list.xlsx"))
    assert problems.count == 1
    assert problems.first[0][:3] == ("Members", 4, "player_ref")


def test_rows_are_told_by_the_name_of_the_list(cast, tmp_path):
    year = cast.club.today().year + 1
    text = f"given_name,birth_year\nIda,{year}\n"
    _plan, problems = planned(cast.club, cast.manager, as_book(text, tmp_path / "list.xlsx"))
    assert [problem[:3] for problem in problems] == [("Members", 2, "birth_year")]
    assert problems.count == 1


@pytest.mark.parametrize(
    ("text", "column"),
    [
        ("given_name\n=1+1\n", "given_name"),
        ("given_name,hand\nIda,both\n", "hand"),
        ("given_name,email\nIda,nobody\n", "email"),
        ("family_name\nMarsh\n", "given_name"),
        ("given_name,nickname\nIda,I\n", "nickname"),
    ],
)
def test_cells_are_held_to_the_rules_of_players_csv(cast, tmp_path, text, column):
    problems = Problems()
    read_roster(as_csv(text, tmp_path / "list.csv"), problems)
    assert column in {problem.column for problem in problems}


def test_levels_that_are_new_come_last_and_are_told(cast, tmp_path):
    make.make_level(cast.club, 7, "Seven")
    text = LIST + "Ida,,Nine,,,,\nJo,,Seven,,,,\nKim,,Ten,,,,\nLou,,Nine,,,,\n"
    plan, problems = planned(cast.club, cast.manager, as_csv(text, tmp_path / "list.csv"))
    assert not problems
    assert [(row["level"], row["position"]) for row in plan.levels] == [("Nine", 8), ("Ten", 9)]
    assert ["Nine" in plan.remarks[0], "Ten" in plan.remarks[1]] == [True, True]


def test_people_need_no_check_list(tmp_path):
    club = make.make_club()
    person = make.make_user()
    plan, problems = planned(club, person, as_csv("given_name\nIda\n", tmp_path / "list.csv"))
    assert not problems
    assert list(plan.counts) == ["players"]


def upload(text: str, name: str = "members.csv") -> SimpleUploadedFile:
    if name.endswith(".xlsx"):
        body = BytesIO()
        book = Workbook()
        for line in text.splitlines():
            book.active.append(line.split(","))
        book.save(body)
        return SimpleUploadedFile(name, body.getvalue())
    return SimpleUploadedFile(name, text.encode())


def address(club: Club) -> str:
    return reverse("roster_in", args=[club.slug])


@pytest.mark.parametrize("name", ["Members (1).csv", "members.xlsx"])
def test_a_list_goes_through_the_same_page_as_every_import(cast, name, django_capture_on_commit_callbacks):
    client = cast.client(cast.manager)
    text = "given_name,family_name,level,squads\nRosa,Marsh,Level 1,Dawn\nDan,Other,New level,\n"
    with django_capture_on_commit_callbacks(execute=True):
        answer = client.post(address(cast.club), {"files": upload(text, name)})
    batch = Batch.objects.get()
    assert answer["Location"] == reverse("batch", args=[cast.club.slug, batch.uuid])
    assert (batch.kind, batch.name) == ("roster", name)
    run_due()
    batch.refresh_from_db()
    assert batch.state == Batch.State.READ, (batch.problems, batch.job.note)
    page = client.get(answer["Location"]).content.decode()
    assert "New level" in page
    assert not Player.objects.filter(given_name="Rosa").exists()
    client.post(reverse("batch_write", args=[cast.club.slug, batch.uuid]))
    with django_capture_on_commit_callbacks(execute=True):
        run_due()
    batch.refresh_from_db()
    assert batch.state == Batch.State.DONE, (batch.problems, batch.remarks)
    rosa = Player.objects.get(club=cast.club, given_name="Rosa")
    assert rosa.ref.startswith("p-")
    assert rosa.level.name == "Level 1"
    assert Squad.objects.get(club=cast.club, name="Dawn").players.get() == rosa
    assert Level.objects.filter(club=cast.club, name="New level").exists()
    assert not shelf.place(batch.uuid).exists()


@pytest.mark.parametrize(
    ("files", "said"),
    [
        ({}, "This field is required"),
        ({"files": SimpleUploadedFile("list.txt", b"given_name\nIda\n")}, "Save the list as CSV"),
        ({"files": SimpleUploadedFile("list.zip", b"PK\x03\x04")}, "Save the list as CSV"),
        ({"files": SimpleUploadedFile("list.xlsx", b"given_name\nIda\n")}, "XLSX and is none"),
    ],
)
def test_what_is_no_list_is_said_on_the_page(cast, files, said):
    answer = cast.client(cast.head_coach).post(address(cast.club), files)
    assert answer.status_code == 422
    assert said in answer.content.decode()
    assert not Batch.objects.exists()


def test_a_list_that_is_too_large_is_let_past(cast, settings):
    settings.EXCHANGE_MAX_MB = 0
    answer = cast.client(cast.head_coach).post(address(cast.club), {"files": upload("x" * 100_000)})
    assert answer.status_code == 422
    assert "more than 0 MB" in answer.content.decode()


def test_a_post_needs_its_token(cast):
    client = Client(enforce_csrf_checks=True)
    client.force_login(cast.manager, backend="allauth.account.auth_backends.AuthenticationBackend")
    assert client.post(address(cast.club), {"files": upload("given_name\nIda\n")}).status_code == 403
    page = client.get(address(cast.club))
    token = page.context["csrf_token"]
    answer = client.post(
        address(cast.club), {"files": upload("given_name\nIda\n"), "csrfmiddlewaretoken": str(token)}
    )
    assert answer.status_code == 302


def test_only_who_moves_data_brings_a_list_and_sees_the_way_there(cast):
    roster = reverse("roster", args=[cast.club.slug])
    for kind, person in cast.visitors().items():
        client = cast.client(person)
        answer = client.get(address(cast.club))
        if kind == "anonymous":
            assert answer.status_code == 302
        elif kind == "stranger":
            assert answer.status_code == 404
        else:
            may = bool(viewer_for(person, cast.club.slug).can(Can.MOVE_DATA))
            assert may == (kind in ("manager", "head_coach"))
            assert answer.status_code == (200 if may else 403)
            page = client.get(roster)
            assert (address(cast.club) in page.content.decode()) == may


def test_a_long_list_takes_as_few_queries_as_a_short_one(cast, tmp_path):
    counts = []
    for n in (1, 300):
        path = as_csv(LIST + "".join(f"Given{i},,,,,,\n" for i in range(n)), tmp_path / "list.csv")
        with CaptureQueriesContext(connection) as seen:
            planned(cast.club, cast.manager, path)
        counts.append(len(seen))
    assert counts[0] == counts[1]
