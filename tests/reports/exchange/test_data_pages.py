"""The pages for bringing data in and taking them out, without a browser."""

from __future__ import annotations

import csv
import time
from datetime import timedelta
from io import BytesIO, StringIO
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from allauth.mfa.models import Authenticator
from allauth.mfa.totp.internal import auth as totp
from django.core import mail
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from clubcoach.jobs import enqueue, perform
from clubcoach.models import AuditEvent, Job, User
from reports.exchange import services, shelf
from reports.models import Batch, Parcel
from tests.factories import PASSWORD

pytestmark = pytest.mark.django_db
State = Batch.State


@pytest.fixture(autouse=True)
def own_shelf(settings: Any, tmp_path: Path) -> Path:
    settings.MEDIA_ROOT = tmp_path / "media"
    return tmp_path / "media" / "exchange"


def at(name: str, *args: Any) -> str:
    return reverse(name, args=["seaside", *args])


def batch_of(cast: Any, **fields: Any) -> Batch:
    return Batch.objects.create(**{"club": cast.club, "by": cast.head_coach, "name": "sheets.zip"} | fields)


def signed_in_again(client: Client) -> Client:
    answer = client.post(reverse("account_reauthenticate"), {"password": PASSWORD})
    assert answer.status_code == 302
    return client


def parcel_of(cast: Any, body: str = "player_ref\n", **fields: Any) -> Parcel:
    parcel = Parcel.objects.create(
        **{
            "club": cast.club,
            "by": cast.manager,
            "kind": "scores",
            "expires_at": timezone.now() + timedelta(days=7),
        }
        | fields
    )
    parcel.file = f"{parcel.uuid}/1/seaside-2026-11-26-scores.csv"
    parcel.save(update_fields=["file"])
    shelf.place(parcel.file).parent.mkdir(parents=True)
    shelf.place(parcel.file).write_text(body)
    return parcel


@pytest.mark.parametrize("who", ["head_coach", "manager"])
def test_the_way_there_is_in_the_navigation(cast: Any, who: str) -> None:
    page = cast.client(getattr(cast, who)).get(reverse("club_home", args=["seaside"]), follow=True)
    assert f'href="{at("data")}"' in page.content.decode()


@pytest.mark.parametrize("who", ["assistant", "student", "guardian"])
def test_nobody_else_sees_it(cast: Any, who: str) -> None:
    client = cast.client(getattr(cast, who))
    page = client.get(reverse("club_home", args=["seaside"]), follow=True)
    assert at("data") not in page.content.decode()
    assert client.get(at("data")).status_code == 403


def test_an_empty_list_says_what_will_stand_there(cast: Any) -> None:
    page = cast.client(cast.head_coach).get(at("data")).content.decode()
    assert "Nothing came in or went out yet" in page
    for name in ("matches.csv", "situations.csv", "checks.csv", "player_4", "winner"):
        assert name in page
    assert "goals, homework, notes" in page


def test_the_list_has_both_ways_in_one_order_on_pages(cast: Any) -> None:
    now = timezone.now()
    for n in range(15):
        batch_of(cast, name=f"in-{n}", created_at=now - timedelta(hours=2 * n))
        Parcel.objects.create(
            club=cast.club, kind="club", created_at=now - timedelta(hours=2 * n + 1), expires_at=now
        )
    batch_of(cast, name="of-others", club=cast.other_club)
    client = cast.client(cast.manager)
    first, second = (client.get(at("data"), {"page": n}) for n in (1, 2))
    told = [passage.inward for page in (first, second) for passage in page.context["page"].object_list]
    assert told == [True, False] * 15
    assert len(first.context["page"].object_list) == 20
    assert "of-others" not in first.content.decode() + second.content.decode()


def test_the_list_says_what_became_of_each(cast: Any) -> None:
    batch_of(cast, state=State.REFUSED, problem_count=41)
    batch_of(
        cast, state=State.DONE, counts={"players": {"new": 3, "there": 9}, "matches": {"new": 4, "there": 0}}
    )
    parcel_of(cast, counts={"scores": 77})
    page = cast.client(cast.manager).get(at("data")).content.decode()
    for words in ("41 problems", "7 new", "77", "can be fetched", "refused"):
        assert words in page


def test_the_list_asks_the_database_the_same_for_one_and_for_many(
    cast: Any, django_assert_num_queries: Any
) -> None:
    from django.db import connection

    client = cast.client(cast.manager)
    batch_of(cast, problems=[["a", 1, "b", "c", "d"]] * 1000)
    parcel_of(cast, job=enqueue("import.sweep"))
    with CaptureQueriesContext(
        connection,
    ) as few:
        client.get(at("data"))
    for _n in range(9):
        batch_of(cast, job=enqueue("import.sweep"))
        parcel_of(cast)
    with CaptureQueriesContext(connection) as many:
        client.get(at("data"))
    assert len(many) == len(few)
    assert not any('"problems"' in query["sql"] for query in many)


def test_files_arrive_and_are_read(cast: Any, own_shelf: Path) -> None:
    client = cast.client(cast.head_coach)
    files = [SimpleUploadedFile(name, b"match_ref\n") for name in ("matches.csv", "rallies.csv")]
    answer = client.post(at("data_in"), {"files": files})
    batch = Batch.objects.get()
    assert answer.status_code == 302
    assert answer["Location"] == at("batch", batch.uuid)
    assert sorted(path.name for path in own_shelf.rglob("*.csv")) == ["matches.csv", "rallies.csv"]
    assert (batch.name, batch.job.kind) == ("matches.csv, rallies.csv", "import.read")


def test_none_and_a_wrong_file_are_said_at_the_field(cast: Any) -> None:
    client = cast.client(cast.head_coach)
    for data, words in (
        ({}, "Choose the files"),
        ({"files": [SimpleUploadedFile("notes.txt", b"x")]}, "is no file of an import"),
    ):
        answer = client.post(at("data_in"), data)
        assert answer.status_code == 422
        assert words in answer.content.decode()
    assert not Batch.objects.exists()


def test_what_is_too_large_is_not_put_on_disk(
    cast: Any, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings.EXCHANGE_MAX_MB = 1
    written: list[int] = []
    monkeypatch.setattr(
        "django.core.files.uploadhandler.TemporaryFileUploadHandler.receive_data_chunk",
        lambda self, data, start: written.append(len(data)),
    )
    upload = SimpleUploadedFile("all.zip", b"PK\x03\x04" + b"0" * 3 * 1024 * 1024)
    answer = cast.client(cast.head_coach).post(at("data_in"), {"files": [upload]})
    assert answer.status_code == 422
    assert "more than 1 MB" in answer.content.decode()
    upload.seek(0)
    assert cast.client(cast.student).post(at("data_in"), {"files": [upload]}).status_code == 403
    assert written == []
    assert not Batch.objects.exists()


def test_a_batch_shows_counts_remarks_and_what_to_do(cast: Any) -> None:
    batch = batch_of(
        cast,
        state=State.READ,
        counts={"players": {"new": 3, "there": 9}, "squads": {"new": 1, "there": 0}},
        remarks=["Ana Second may be <Ana> who is here."],
    )
    client = cast.client(cast.manager)
    page = client.get(at("batch", batch.uuid))
    text = page.content.decode()
    assert page.context["counts"] == [("players", {"new": 3, "there": 9}), ("squads", {"new": 1, "there": 0})]
    assert "may be &lt;Ana&gt; who" in text
    assert at("batch_write", batch.uuid) in text
    assert at("batch_drop", batch.uuid) in text
    answer = client.post(at("batch_write", batch.uuid))
    assert answer["Location"] == at("batch", batch.uuid)
    batch.refresh_from_db()
    assert (batch.state, batch.job.kind) == (State.WRITING, "import.write")
    again = client.post(at("batch_write", batch.uuid), follow=True)
    assert "Only what was read" in again.content.decode()
    text = client.get(at("batch", batch.uuid)).content.decode()
    assert at("batch_write", batch.uuid) not in text
    assert at("batch_drop", batch.uuid) in text


@pytest.mark.parametrize("state", [State.REFUSED, State.DONE, State.GONE])
def test_what_is_over_has_no_buttons_and_keeps_its_report(cast: Any, state: str) -> None:
    batch = batch_of(cast, state=state, counts={"matches": {"new": 12, "there": 0}}, ended_at=timezone.now())
    text = cast.client(cast.manager).get(at("batch", batch.uuid)).content.decode()
    assert at("batch_write", batch.uuid) not in text
    assert at("batch_drop", batch.uuid) not in text
    assert ">12<" in text


def test_throwing_it_away(cast: Any) -> None:
    batch = batch_of(cast, state=State.READ)
    client = cast.client(cast.manager)
    answer = client.post(at("batch_drop", batch.uuid), follow=True)
    assert "is thrown away" in answer.content.decode()
    batch.refresh_from_db()
    assert batch.state == State.GONE
    assert "nothing left" in client.post(at("batch_drop", batch.uuid), follow=True).content.decode()


@pytest.mark.parametrize("n", [0, 1, 1000])
def test_problems_none_one_and_a_thousand_of_more(cast: Any, n: int) -> None:
    problems = [["matches.csv", line, "played_on", f"<{line}>", "No day."] for line in range(2, n + 2)]
    batch = batch_of(cast, state=State.REFUSED, problems=problems, problem_count=12_345 if n == 1000 else n)
    client = cast.client(cast.head_coach)
    text = client.get(at("batch", batch.uuid)).content.decode()
    assert text.count("No day.") == min(n, 100)
    assert ("The first 1000 of 12345" in text) == (n == 1000)
    if n == 1000:
        last = client.get(at("batch", batch.uuid), {"page": 10}).content.decode()
        assert "&lt;1001&gt;" in last
    file = client.get(at("batch_problems", batch.uuid))
    assert file["Content-Type"].startswith("text/csv")
    rows = list(csv.reader(StringIO(file.content.decode("utf-8-sig"))))
    assert rows[0] == ["file", "line", "column", "value", "reason"]
    assert len(rows) == n + 1


def test_no_problem_becomes_a_formula(cast: Any) -> None:
    values = ["=1+1", "+1", "-1", "@sum", "\t=1", "\r=1"]
    problems = [["players.csv", 2, "given_name", value, "Starts like a formula."] for value in values]
    batch = batch_of(cast, state=State.REFUSED, problems=problems, problem_count=len(problems))
    file = cast.client(cast.head_coach).get(at("batch_problems", batch.uuid)).content.decode("utf-8-sig")
    told = [row[3] for row in csv.reader(StringIO(file, newline=""))][1:]
    assert told == [f"'{value}" for value in values]


def test_progress_is_shown_until_the_job_is_over(cast: Any) -> None:
    batch = batch_of(cast, state=State.WRITING, job=enqueue("import.write", club=cast.club, batch=0))
    Job.objects.filter(pk=batch.job.pk).update(state="running", progress=37, note="Writing what was seen")
    client = cast.client(cast.manager)
    page = client.get(at("batch", batch.uuid)).content.decode()
    assert 'hx-trigger="every 1s"' in page
    part = client.get(at("batch", batch.uuid), headers={"HX-Request": "true"})
    assert 'value="37"' in part.content.decode()
    assert "<h1" not in part.content.decode()
    Job.objects.filter(pk=batch.job.pk).update(state="failed", note="It was tried 3 times.")
    assert client.get(at("batch", batch.uuid), headers={"HX-Request": "true"})["HX-Refresh"] == "true"
    page = client.get(at("batch", batch.uuid)).content.decode()
    assert "hx-trigger" not in page
    assert "It was tried 3 times." in page


def test_the_workbook_is_for_this_club(cast: Any) -> None:
    answer = cast.client(cast.manager).get(at("data_workbook"))
    assert answer.status_code == 200
    assert "no-store" in answer["Cache-Control"]
    book = openpyxl.load_workbook(BytesIO(answer.content))
    assert len(book.sheetnames) >= 3


def test_taking_out_asks_who_it_is_and_comes_back(cast: Any, django_capture_on_commit_callbacks: Any) -> None:
    client = cast.client(cast.head_coach)
    asked = client.get(at("data_out"))
    assert (
        asked["Location"] == f"{reverse('account_reauthenticate')}?next={at('data_out').replace('/', '%2F')}"
    )
    page = client.get(asked["Location"]).content.decode()
    assert "takes data of people out of the club" in page
    assert client.post(at("data_out"), {"kind": "club"})["Location"] == at("data_out")
    assert not Parcel.objects.exists()
    wrong = client.post(asked["Location"], {"password": "not this one", "next": at("data_out")})
    assert wrong.status_code == 200
    right = client.post(asked["Location"], {"password": PASSWORD, "next": at("data_out")})
    assert right["Location"] == at("data_out")
    assert client.get(at("data_out")).status_code == 200
    with django_capture_on_commit_callbacks(execute=True):
        assert client.post(at("data_out"), {"kind": "club"}).status_code == 302
    parcel = Parcel.objects.get()
    assert (parcel.kind, parcel.by) == ("club", cast.head_coach)
    assert [message.to for message in mail.outbox] == [[cast.manager.email]]
    assert "being made" in client.get(at("data_out")).content.decode()
    assert "being made already" in client.post(at("data_out"), {"kind": "club"}).content.decode()
    assert client.post(at("data_out"), {"kind": "films"}).status_code == 422


def test_after_five_minutes_it_asks_again(cast: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    client = signed_in_again(cast.client(cast.head_coach))
    assert client.get(at("data_out")).status_code == 200
    later = time.time() + 301
    monkeypatch.setattr("allauth.account.internal.flows.reauthentication.time.time", lambda: later)
    assert client.get(at("data_out")).status_code == 302
    assert client.get(at("data_out"), headers={"HX-Request": "true"})["HX-Refresh"] == "true"


def test_a_code_of_an_app_does_as_well(cast: Any) -> None:
    """Somebody without a password is asked for what they have."""
    secret = totp.generate_totp_secret()
    totp.TOTP.activate(cast.head_coach, secret)
    User.objects.filter(pk=cast.head_coach.pk).update(password="!")
    cast.head_coach.refresh_from_db()
    client = cast.client(cast.head_coach)
    asked = client.get(at("data_out"))
    assert asked["Location"].startswith(reverse("mfa_reauthenticate"))
    page = client.get(asked["Location"]).content.decode()
    assert "takes data of people out of the club" in page
    code = totp.format_hotp_value(totp.hotp_value(secret, next(totp.yield_hotp_counters_from_time())))
    right = client.post(asked["Location"], {"code": code, "next": at("data_out")})
    assert right["Location"] == at("data_out")
    assert client.get(at("data_out")).status_code == 200


def test_a_passkey_is_another_way(cast: Any) -> None:
    Authenticator.objects.create(
        user=cast.head_coach, type="webauthn", data={"name": "Key", "credential": {}}
    )
    client = cast.client(cast.head_coach)
    page = client.get(client.get(at("data_out"))["Location"]).content.decode()
    assert reverse("mfa_reauthenticate_webauthn") in page


def test_a_file_is_fetched_by_who_may_and_noted(cast: Any) -> None:
    parcel = parcel_of(cast, body="player_ref,area\nn1,lob\n")
    path = at("parcel", parcel.uuid)
    client = cast.client(cast.head_coach)
    assert client.get(path)["Location"] == at("data_out")
    assert not AuditEvent.objects.filter(action="data.fetched").exists()
    signed_in_again(client)
    assert path in client.get(at("data_out")).content.decode()
    answer = client.get(path)
    assert b"".join(answer.streaming_content) == b"player_ref,area\nn1,lob\n"
    assert answer["Content-Disposition"] == 'attachment; filename="seaside-2026-11-26-scores.csv"'
    assert "no-store" in answer["Cache-Control"]
    assert AuditEvent.objects.get(action="data.fetched").actor == cast.head_coach
    for person, status in ((cast.student, 403), (cast.stranger, 404), (cast.assistant, 403)):
        assert signed_in_again(cast.client(person)).get(path).status_code == status
    theirs = reverse("parcel", args=["hilltop", parcel.uuid])
    assert signed_in_again(cast.client(cast.stranger)).get(theirs).status_code == 404


@pytest.mark.parametrize("how", ["expired", "file lost", "not made"])
def test_a_file_that_is_not_there_is_not_found(cast: Any, how: str) -> None:
    parcel = parcel_of(cast)
    if how == "expired":
        Parcel.objects.filter(pk=parcel.pk).update(expires_at=timezone.now())
    elif how == "not made":
        Parcel.objects.filter(pk=parcel.pk).update(file="")
    else:
        shelf.place(parcel.file).unlink()
    client = signed_in_again(cast.client(cast.manager))
    assert client.get(at("parcel", parcel.uuid)).status_code == 404


def test_a_file_that_could_not_be_made_says_so(cast: Any) -> None:
    parcel = services.take_out(by=cast.manager, club=cast.club, kind="club")
    Job.objects.filter(pk=parcel.job.pk).update(state="failed")
    client = signed_in_again(cast.client(cast.manager))
    page = client.get(at("data_out")).content.decode()
    assert "could not be made" in page
    assert "hx-trigger" not in page
    # What failed does not stand in the way of the next one.
    assert client.post(at("data_out"), {"kind": "club"}).status_code == 302
    assert not perform(parcel.job.pk)
