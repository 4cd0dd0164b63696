"""What becomes of an import and an export: read, refused, written, thrown away, swept, fetched, gone."""

from __future__ import annotations

import os
import zipfile
from datetime import timedelta
from io import BytesIO
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from django.core import mail
from django.core.exceptions import PermissionDenied, ValidationError
from django.core.files.uploadedfile import SimpleUploadedFile
from django.utils import timezone

from clubcoach import jobs
from clubcoach.access import Role
from clubcoach.jobs import CannotWork, enqueue, perform, run_due, stop
from clubcoach.models import AuditEvent, Club, Job
from reports.exchange import jobs as exchange_jobs
from reports.exchange import load, services, shelf
from reports.exchange.workbook import blank_workbook
from reports.models import Batch, Parcel
from sessions.models import Match, Situation
from tests import factories as make
from tests.reports.exchange.sheets import Rows, sheets, write_csv

pytestmark = pytest.mark.django_db
State = Batch.State


@pytest.fixture(autouse=True)
def own_shelf(settings: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    settings.MEDIA_ROOT = tmp_path / "media"
    monkeypatch.setattr(load, "_PAUSES", {})
    return tmp_path / "media" / "exchange"


@pytest.fixture
def past(cast: Any) -> Club:
    """A club without rows of its own, of the same people."""
    club = make.make_club("past", name="Past Test Club")
    make.make_check_list(club)
    for person, role in ((cast.head_coach, Role.HEAD_COACH), (cast.manager, Role.MANAGER)):
        make.make_member(club, role, user=person)
    return club


def folder_of(rows: Rows, tmp_path: Path) -> Path:
    return write_csv(rows, tmp_path / f"sheets-{len(list(tmp_path.iterdir()))}")


def uploads_of(folder: Path) -> list[SimpleUploadedFile]:
    return [SimpleUploadedFile(file.name, file.read_bytes()) for file in sorted(folder.iterdir())]


def zipped(folder: Path, name: str = "season.zip") -> SimpleUploadedFile:
    body = BytesIO()
    with zipfile.ZipFile(body, "w") as archive:
        for file in sorted(folder.iterdir()):
            archive.write(file, f"season/{file.name}")
    return SimpleUploadedFile(name, body.getvalue())


def brought(cast: Any, club: Club, folder: Path, **fields: Any) -> Batch:
    """Brought in and read."""
    given = fields or {"folder": folder}
    batch = services.bring_in(by=cast.head_coach, club=club, **given)
    return done(batch)


def done(batch: Batch) -> Batch:
    batch.refresh_from_db()
    assert batch.job is not None
    perform(batch.job.pk)
    batch.refresh_from_db()
    return batch


def write(cast: Any, batch: Batch) -> Batch:
    return done(services.write_batch(by=cast.head_coach, batch=batch))


def files_left(shelf: Path) -> list[Path]:
    return sorted(path for path in shelf.rglob("*") if path.is_file()) if shelf.is_dir() else []


@pytest.mark.parametrize("way", ["folder", "files", "zip"])
def test_it_is_read_shown_and_written_in_two_steps(
    cast: Any, past: Club, tmp_path: Path, own_shelf: Path, way: str
) -> None:
    rows = sheets(matches=2)
    folder = folder_of(rows, tmp_path)
    given = {
        "folder": {"folder": folder},
        "files": {"uploads": uploads_of(folder)},
        "zip": {"uploads": [zipped(folder)]},
    }[way]
    batch = services.bring_in(by=cast.head_coach, club=past, **given)
    assert (batch.state, batch.by) == (State.ARRIVED, cast.head_coach)
    assert batch.job.key == str(batch.uuid)
    done(batch)
    assert batch.state == State.READ, batch.problems
    assert batch.counts["matches"] == {"new": 2, "there": 0}
    assert batch.counts["checks"]["new"] == len(rows["checks.csv"])
    assert Match.objects.filter(club=past).count() == 0
    write(cast, batch)
    assert batch.state == State.DONE
    assert Match.objects.filter(club=past).count() == 2
    assert Situation.objects.filter(analysis__match__club=past).count() == len(rows["situations.csv"])
    assert (batch.folder, batch.holding) == ("", None)
    assert not Club.objects.filter(slug__startswith="holding-").exists()
    assert Job.objects.filter(kind="score.club", club=past, state="waiting").count() == 1
    actions = AuditEvent.objects.filter(club=past, target_id=str(batch.pk)).order_by("pk")
    said = ["data.arrived", "data.write_asked", "data.brought_in"]
    assert list(actions.values_list("action", flat=True)) == said


def test_files_go_when_nobody_needs_them(
    cast: Any, past: Club, tmp_path: Path, own_shelf: Path, django_capture_on_commit_callbacks: Any
) -> None:
    folder = folder_of(sheets(matches=1), tmp_path)
    with django_capture_on_commit_callbacks(execute=True):
        batch = services.bring_in(by=cast.head_coach, club=past, uploads=[zipped(folder)])
        assert len(files_left(own_shelf)) == 1
        done(batch)
    # What was unpacked to be read is gone again.
    assert [file.name for file in files_left(own_shelf)] == [shelf.ARCHIVE]
    with django_capture_on_commit_callbacks(execute=True):
        write(cast, batch)
    assert batch.state == State.DONE
    assert files_left(own_shelf) == []
    with django_capture_on_commit_callbacks(execute=True):
        again = brought(cast, past, folder)
    assert again.state == State.DONE
    assert again.remarks[0].startswith("Everything in it was here already")
    assert again.counts["matches"] == {"new": 0, "there": 1}
    assert files_left(own_shelf) == []


def test_what_is_wrong_is_told_and_nothing_is_written(
    cast: Any, past: Club, tmp_path: Path, own_shelf: Path, django_capture_on_commit_callbacks: Any
) -> None:
    folder = folder_of(sheets(matches=1), tmp_path)
    text = (folder / "matches.csv").read_text().replace("match_ref,", "match_ref,weather,", 1)
    (folder / "matches.csv").write_text(text)
    with django_capture_on_commit_callbacks(execute=True):
        batch = brought(cast, past, folder)
    assert batch.state == State.REFUSED
    assert batch.problem_count == len(batch.problems) >= 1
    assert any(row[0] == "matches.csv" and "weather" in row[2:] for row in batch.problems)
    assert (batch.counts, batch.folder) == ({}, "")
    assert files_left(own_shelf) == []
    with pytest.raises(ValidationError, match="not written yet"):
        services.write_batch(by=cast.head_coach, batch=batch)


def test_the_club_may_change_between_reading_and_writing(cast: Any, past: Club, tmp_path: Path) -> None:
    rows = sheets(matches=1)
    batch = brought(cast, past, folder_of(rows, tmp_path))
    assert batch.state == State.READ
    make.make_player(past, "Somebody else", ref=rows["players.csv"][0]["player_ref"])
    write(cast, batch)
    assert batch.state == State.REFUSED
    assert batch.problem_count >= 1
    assert batch.problems[0][0] == "players.csv"
    assert Match.objects.filter(club=past).count() == 0
    assert not Job.objects.filter(kind="score.club").exists()


def test_a_conflict_at_the_last_moment_leaves_nothing(
    cast: Any, past: Club, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    batch = brought(cast, past, folder_of(sheets(matches=1), tmp_path))

    def twice(batch: Batch, plan: Any) -> None:
        raise CannotWork("The club changed while this was brought in.")

    monkeypatch.setattr(exchange_jobs, "switch_over", twice)
    write(cast, batch)
    assert batch.state == State.GONE
    assert batch.remarks == ["The club changed while this was brought in."]
    assert batch.job.state == Job.State.FAILED
    assert not Club.objects.filter(slug__startswith="holding-").exists()
    assert AuditEvent.objects.filter(club=past, action="data.swept").count() == 1


def test_an_attempt_sweeps_what_the_one_before_it_left(
    cast: Any, past: Club, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    batch = brought(cast, past, folder_of(sheets(matches=1), tmp_path))
    services.write_batch(by=cast.head_coach, batch=batch)
    real = exchange_jobs.switch_over

    def killed(batch: Batch, plan: Any) -> None:
        raise OSError("no more memory")

    monkeypatch.setattr(exchange_jobs, "switch_over", killed)
    done(batch)
    assert (batch.state, batch.job.state) == (State.WRITING, Job.State.WAITING)
    assert batch.holding is not None
    # A job that may still bring it to an end is left alone.
    assert perform(enqueue("import.sweep").pk)
    batch.refresh_from_db()
    assert batch.holding is not None
    monkeypatch.setattr(exchange_jobs, "switch_over", real)
    done(batch)
    assert batch.state == State.DONE
    assert Match.objects.filter(club=past).count() == 1
    assert not Club.objects.filter(slug__startswith="holding-").exists()


@pytest.mark.parametrize("gone", ["stopped", "no job"])
def test_what_nobody_is_at_work_on_is_swept(
    cast: Any, past: Club, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, gone: str
) -> None:
    batch = brought(cast, past, folder_of(sheets(matches=1), tmp_path))
    services.write_batch(by=cast.head_coach, batch=batch)
    monkeypatch.setattr(exchange_jobs, "switch_over", lambda *_: 1 / 0)
    done(batch)
    assert batch.holding is not None
    stop(batch.job) if gone == "stopped" else batch.job.delete()
    assert perform(enqueue("import.sweep").pk)
    batch.refresh_from_db()
    assert (batch.state, batch.holding, batch.folder) == (State.GONE, None, "")
    assert "swept away" in batch.remarks[0]
    assert not Club.objects.filter(slug__startswith="holding-").exists()
    assert not Match.objects.filter(club__slug="past").exists()


def test_reading_that_failed_each_time_ends_with_a_sentence(
    cast: Any, past: Club, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    batch = services.bring_in(by=cast.head_coach, club=past, folder=folder_of(sheets(matches=1), tmp_path))
    monkeypatch.setattr(exchange_jobs, "make_plan", lambda **_: 1 / 0)
    run_due()
    batch.refresh_from_db()
    assert (batch.state, batch.job.state) == (State.ARRIVED, Job.State.FAILED)
    assert perform(enqueue("import.sweep").pk)
    batch.refresh_from_db()
    assert batch.state == State.GONE
    assert "ZeroDivisionError" in batch.remarks[1]


def test_one_import_of_a_club_is_written_at_a_time(cast: Any, past: Club, tmp_path: Path) -> None:
    first, second = (brought(cast, past, folder_of(sheets(seed, matches=1), tmp_path)) for seed in (1, 2))
    services.write_batch(by=cast.head_coach, batch=first)
    with pytest.raises(ValidationError, match="Another import"):
        services.write_batch(by=cast.manager, batch=second)
    with pytest.raises(ValidationError, match="not written yet"):
        services.write_batch(by=cast.manager, batch=first)
    assert Job.objects.filter(kind="import.write").count() == 1


def test_it_can_be_thrown_away_until_it_is_in_place(
    cast: Any, past: Club, tmp_path: Path, own_shelf: Path, django_capture_on_commit_callbacks: Any
) -> None:
    folder = folder_of(sheets(matches=1), tmp_path)
    with django_capture_on_commit_callbacks(execute=True):
        unread = services.bring_in(by=cast.head_coach, club=past, folder=folder)
        services.drop_batch(by=cast.manager, batch=unread)
    unread.job.refresh_from_db()
    assert (unread.state, unread.job.state) == (State.GONE, Job.State.STOPPED)
    assert files_left(own_shelf) == []
    batch = brought(cast, past, folder)
    services.write_batch(by=cast.head_coach, batch=batch)
    services.drop_batch(by=cast.head_coach, batch=batch)
    assert batch.state == State.WRITING
    assert perform(Job.objects.get(kind="import.sweep", state="waiting").pk)
    batch.refresh_from_db()
    assert batch.state == State.GONE
    with pytest.raises(ValidationError, match="nothing left"):
        services.drop_batch(by=cast.head_coach, batch=batch)


def test_ten_wait_at_most(cast: Any, past: Club, tmp_path: Path) -> None:
    folder = folder_of(sheets(matches=1), tmp_path)
    for _n in range(services.MOST_WAITING):
        services.bring_in(by=cast.head_coach, club=past, folder=folder)
    with pytest.raises(ValidationError, match="wait here already"):
        services.bring_in(by=cast.head_coach, club=past, folder=folder)


@pytest.mark.parametrize(
    ("files", "reason"),
    [
        ([], "Choose the files"),
        ([("matches.csv", b"")], "Choose the files"),
        ([("notes.csv", b"a,b\n")], "“notes.csv” is no file of an import"),
        ([("../../matches.exe", b"MZ")], "“matches.exe” is no file"),
        ([("matches.csv", b"x"), ("Matches.csv", b"x")], "twice"),
        ([("all.zip", b"not one")], "called ZIP and is none"),
        ([("all.xlsx", b"not one")], "called XLSX and is none"),
        ([("all.zip", b"PK\x03\x04"), ("matches.csv", b"x")], "one of the three"),
        ([("all.zip", b"PK\x03\x04" + b"0" * 1_100_000)], "more than 1 MB"),
    ],
)
def test_what_is_none_of_ours_is_not_kept(
    cast: Any, settings: Any, own_shelf: Path, files: list[tuple[str, bytes]], reason: str
) -> None:
    settings.EXCHANGE_MAX_MB = 1
    uploads = [SimpleUploadedFile(name, body) for name, body in files]
    for upload, (name, _body) in zip(uploads, files, strict=True):
        upload._name = name
    with pytest.raises(ValidationError, match=reason):
        services.bring_in(by=cast.head_coach, club=cast.club, uploads=uploads)
    assert not Batch.objects.exists()
    assert not own_shelf.exists()


def test_names_of_copies_are_known_and_a_roster_may_have_any(cast: Any, own_shelf: Path) -> None:
    head = SimpleUploadedFile("Matches (2).csv", b"match_ref\n")
    batch = services.bring_in(by=cast.head_coach, club=cast.club, uploads=[head])
    assert [file.name for file in files_left(own_shelf / batch.folder)] == ["matches.csv"]
    people = SimpleUploadedFile("who plays here.csv", b"player_ref,given_name\nn1,Nina\n")
    batch = services.bring_in(by=cast.manager, club=cast.club, uploads=[people], kind=Batch.Kind.ROSTER)
    assert [file.name for file in files_left(own_shelf / batch.folder)] == ["players.csv"]
    done(batch)
    assert batch.state == State.READ, batch.problems
    assert batch.counts == {"players": {"new": 1, "there": 0}}


@pytest.mark.parametrize("who", ["assistant", "student", "guardian", "stranger"])
def test_only_head_coach_and_manager_move_data(cast: Any, past: Club, tmp_path: Path, who: str) -> None:
    person = getattr(cast, who)
    folder = folder_of(sheets(matches=1), tmp_path)
    batch = brought(cast, cast.club, folder)
    for refused in (
        lambda: services.bring_in(by=person, club=cast.club, folder=folder),
        lambda: services.write_batch(by=person, batch=batch),
        lambda: services.drop_batch(by=person, batch=batch),
        lambda: services.take_out(by=person, club=cast.club, kind="club"),
    ):
        with pytest.raises(PermissionDenied):
            refused()
    assert not Parcel.objects.exists()


def test_an_export_is_made_noted_and_told(
    cast: Any, past: Club, tmp_path: Path, own_shelf: Path, django_capture_on_commit_callbacks: Any
) -> None:
    rows = sheets(matches=2)
    write(cast, brought(cast, past, folder_of(rows, tmp_path)))
    with django_capture_on_commit_callbacks(execute=True):
        parcel = services.take_out(by=cast.head_coach, club=past, kind="club")
    assert [message.to for message in mail.outbox] == [[cast.manager.email]]
    letter = mail.outbox[0]
    assert letter.subject == "Data of Past Test Club were taken out"
    assert cast.head_coach.name in letter.body
    assert "everything, as a folder of files" in letter.body
    assert "Given1" not in letter.body
    assert AuditEvent.objects.filter(club=past, action="data.taken_out", actor=cast.head_coach).count() == 1
    with pytest.raises(ValidationError, match="being made already"):
        services.take_out(by=cast.manager, club=past, kind="club")
    assert perform(parcel.job.pk)
    parcel.refresh_from_db()
    file = shelf.place(parcel.file)
    assert file.name == f"past-{past.today().isoformat()}.zip"
    assert parcel.size == file.stat().st_size
    assert parcel.counts["checks.csv"] == len(rows["checks.csv"])
    with zipfile.ZipFile(file) as archive:
        assert "matches.csv" in archive.namelist()
        assert archive.read("matches.csv").startswith(b"match_ref,played_on")
    assert files_left(own_shelf / str(parcel.uuid)) == [file]


def test_scores_go_out_as_one_file(cast: Any, world: Any, own_shelf: Path) -> None:
    parcel = services.take_out(by=cast.manager, club=cast.club, kind="scores")
    assert perform(parcel.job.pk)
    parcel.refresh_from_db()
    lines = shelf.place(parcel.file).read_text().splitlines()
    assert lines[0] == "player_ref,area,played_on,score,low,high,n,better_than_first"
    assert parcel.counts == {"scores": len(lines) - 1}
    assert len(lines) == 2


def test_a_half_made_export_leaves_no_file(
    cast: Any, own_shelf: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    parcel = services.take_out(by=cast.manager, club=cast.club, kind="club")
    monkeypatch.setattr(exchange_jobs, "zip_folder", lambda *_: 1 / 0)
    assert not perform(parcel.job.pk)
    parcel.refresh_from_db()
    assert parcel.file == ""
    assert files_left(own_shelf) == []


def test_old_things_go(cast: Any, past: Club, tmp_path: Path, own_shelf: Path) -> None:
    folder = folder_of(sheets(matches=1), tmp_path)
    old, young = brought(cast, past, folder), brought(cast, past, folder)
    refused = Batch.objects.create(
        club=past,
        name="who",
        state=State.REFUSED,
        problems=[["players.csv", 2, "name", "x", "y"]],
        problem_count=1,
    )
    now = timezone.now()
    Batch.objects.filter(pk=old.pk).update(created_at=now - timedelta(days=31))
    Batch.objects.filter(pk=refused.pk).update(created_at=now - timedelta(days=61))
    parcels = [services.take_out(by=cast.manager, club=past, kind=kind) for kind in ("club", "scores")]
    for parcel in parcels:
        assert perform(parcel.job.pk)
    Parcel.objects.filter(pk=parcels[0].pk).update(expires_at=now)
    (own_shelf / "of-nobody").mkdir()
    assert perform(enqueue("import.sweep").pk)
    assert (own_shelf / "of-nobody").exists()
    assert [shelf.place(parcel.uuid).exists() for parcel in parcels] == [False, True]
    for path in own_shelf.iterdir():
        os.utime(path, (0, 0))
    assert perform(enqueue("import.sweep").pk)
    for row in (old, young, refused, *parcels):
        row.refresh_from_db()
    assert (old.state, young.state) == (State.GONE, State.READ)
    assert "31" not in old.remarks[0]
    assert (refused.name, refused.problems, refused.problem_count) == ("", [], 1)
    assert (parcels[0].file, bool(parcels[1].file)) == ("", True)
    left = {path.name for path in own_shelf.iterdir()}
    assert str(parcels[0].uuid) not in left
    assert "of-nobody" not in left
    assert {str(young.uuid), str(parcels[1].uuid)} <= left


def test_the_sweeper_keeps_no_rows_of_itself(cast: Any) -> None:
    old = enqueue("import.sweep")
    assert perform(old.pk)
    Job.objects.filter(pk=old.pk).update(created_at=timezone.now() - timedelta(days=3))
    assert "import.sweep" in jobs.EVERY
    assert perform(enqueue("import.sweep").pk)
    assert Job.objects.filter(kind="import.sweep").count() == 1


def workbook_of(club: Club, path: Path, *players: tuple[str, ...]) -> SimpleUploadedFile:
    blank_workbook(club, path)
    book = openpyxl.load_workbook(path)
    for line, cells in enumerate(players, 2):
        for column, value in enumerate(cells, 1):
            book["players"].cell(line, column, value)
    book.save(path)
    return SimpleUploadedFile(path.name, path.read_bytes())


def test_a_workbook_is_read_by_the_same_rules(cast: Any, past: Club, tmp_path: Path) -> None:
    def read(*players: tuple[str, ...], kind: str = "folder") -> Batch:
        upload = workbook_of(past, tmp_path / "past.xlsx", *players)
        return done(services.bring_in(by=cast.head_coach, club=past, uploads=[upload], kind=kind))

    empty = read()
    assert (empty.state, empty.kind) == (State.DONE, Batch.Kind.WORKBOOK)
    assert empty.remarks == ["There is no row in it: nothing was written."]
    right = read(("n1", "Nina"), ("n2", "Nora"))
    assert right.state == State.READ, right.problems
    assert right.counts["players"] == {"new": 2, "there": 0}
    roster = read(("n1", "Nina"), kind="roster")
    assert (roster.state, roster.kind) == (State.READ, Batch.Kind.ROSTER), roster.problems
    wrong = read(("n1", "Nina"), ("n1", "@Nora"))
    assert wrong.state == State.REFUSED
    assert [row[:4] for row in wrong.problems] == [["players", 3, "given_name", "@Nora"]]
