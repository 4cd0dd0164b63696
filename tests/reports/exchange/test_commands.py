"""In and out from the command line: what it prints, what it refuses, and that it leaves nothing half done."""

from __future__ import annotations

from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from clubcoach.models import Club, Job
from reports.exchange import load
from reports.models import Batch
from sessions.models import Mark, Match
from tests.factories import make_club
from tests.reports.exchange.sheets import Rows, sheets, write_csv

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch, settings: Any, tmp_path: Path) -> None:
    monkeypatch.setattr(load, "_PAUSES", {})
    settings.MEDIA_ROOT = tmp_path / "media"


def past(matches: int = 2) -> Rows:
    rows = sheets(matches=matches)
    for row in rows["levels.csv"]:
        row["position"] += 10
    return rows


def bring(club: Club, folder: Path, **options: Any) -> tuple[str, str]:
    out, err = StringIO(), StringIO()
    try:
        call_command("import_analyses", str(folder), club=club.slug, stdout=out, stderr=err, **options)
    except CommandError as error:
        return out.getvalue(), f"{err.getvalue()}{error}"
    return out.getvalue(), err.getvalue()


def test_a_folder_is_brought_in_and_published(cast: Any, tmp_path: Path) -> None:
    rows = past()
    out, err = bring(cast.club, write_csv(rows, tmp_path / "sheets"))
    assert not err
    assert "matches: 2 new, 0 there already" in out
    assert f"checks: {len(rows['checks.csv'])} new" in out
    assert Mark.objects.filter(situation__analysis__state="published").count() == len(rows["checks.csv"])
    assert Batch.objects.get().by == cast.head_coach
    assert Job.objects.filter(kind="score.club", club=cast.club).exists()


def test_the_same_folder_twice(cast: Any, tmp_path: Path) -> None:
    folder = write_csv(past(), tmp_path / "sheets")
    bring(cast.club, folder)
    before = Mark.objects.count()
    out, err = bring(cast.club, folder)
    assert not err
    assert "Everything in it was here already" in out
    assert "matches: 0 new, 2 there already" in out
    assert Mark.objects.count() == before


def test_bad_rows_go_to_standard_error_and_nothing_is_written(cast: Any, tmp_path: Path) -> None:
    rows = past()
    rows["matches.csv"][0]["player_1"] = "nobody"
    rows["checks.csv"][3]["check"] = "Q9"
    _out, err = bring(cast.club, write_csv(rows, tmp_path / "sheets"))
    assert "matches.csv, line 2, player_1:" in err
    assert "checks.csv, line 5, check:" in err
    assert err.endswith("Nothing was written: 2 bad rows.")
    assert not Match.objects.exists()
    assert Batch.objects.get().state == "refused"


def test_who_imports(cast: Any, tmp_path: Path) -> None:
    folder = write_csv(past(), tmp_path / "sheets")
    assert "Nobody of this club" in bring(cast.club, folder, by="nobody@example.org")[1]
    assert "Only the head coach and the club manager" in bring(cast.club, folder, by=cast.assistant.email)[1]
    assert "no head coach yet" in bring(make_club("empty"), folder)[1]
    assert not Batch.objects.exists()
    bring(cast.club, folder, by=cast.manager.email)
    assert Batch.objects.get().by == cast.manager


def test_no_such_club_or_folder(cast: Any, tmp_path: Path) -> None:
    with pytest.raises(CommandError, match="no club at the address 'nowhere'"):
        call_command("import_analyses", str(tmp_path), club="nowhere")
    assert "is no folder" in bring(cast.club, tmp_path / "gone")[1]
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "notes.txt").write_text("x")
    assert "Nothing was written" in bring(cast.club, tmp_path / "other")[1]
