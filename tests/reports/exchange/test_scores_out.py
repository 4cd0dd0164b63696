"""Scores as one file."""

from __future__ import annotations

import io
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext

from clubcoach.models import AuditEvent, Club
from players.models import Player, Unit
from reports.exchange import scores
from reports.exchange.scores import write_scores
from reports.models import Score, SharedFit
from tests import factories as make
from tests.reports.exchange.sent import Sent, sent_club

pytestmark = pytest.mark.django_db
HEADER = "player_ref,area,played_on,score,low,high,n,better_than_first"


@pytest.fixture
def sent() -> Sent:
    return sent_club()


def score(sent: Sent, unit: Unit, area: str, day: int, value: float = 50.0, **fields: Any) -> Score:
    fit, _made = SharedFit.objects.get_or_create(club=sent.club, defaults={"shared": {}})
    return Score.objects.create(
        **{
            "club": sent.club,
            "unit": unit,
            "area": sent.area(area),
            "series": "now",
            "day": date(2026, 9, day),
            "score": value,
            "low": 40.0,
            "high": 60.0,
            "n": 7,
            "fit": fit,
            **fields,
        }
    )


def lines(club: Club) -> list[str]:
    file = io.StringIO(newline="")
    n = write_scores(club, file)
    text = file.getvalue()
    assert text.endswith("\n")
    assert "\r" not in text
    header, *rows = text.splitlines()
    assert header == HEADER
    assert len(rows) == n
    return rows


def test_every_cell_in_order(sent):
    ida, jo = sent.unit(sent.ida), sent.unit(sent.jo)
    score(sent, ida, "lob", 20, 61.0, low=55.5, high=66.456, n=31, better_than_first=0.987654)
    score(sent, ida, "lob", 3, 49.999, low=0.004, high=100.0, n=9)
    score(sent, ida, "lob", 3, series="then")
    score(sent, jo, "lob", 4, better_than_first=1.0)
    # p2 and p10: the pair's reference begins with p10, whoever was there first.
    score(sent, Unit.objects.pair_of(sent.ida, sent.jo), "net", 5, better_than_first=0.00004)
    assert lines(sent.club) == [
        "p10,lob,2026-09-04,50,40,60,7,1",
        "p10+p2,net,2026-09-05,50,40,60,7,0",
        "p2,lob,2026-09-03,50,0,100,9,",
        "p2,lob,2026-09-20,61,55.5,66.46,31,0.9877",
    ]


def test_without_a_reference_by_the_uuid(sent):
    Player.objects.filter(pk=sent.ida.pk).update(ref="")
    score(sent, sent.unit(sent.ida), "lob", 1)
    assert lines(sent.club)[0].split(",")[0] == str(sent.ida.uuid)


def test_areas_by_code_and_never_another_clubs(sent):
    other = sent_club()
    score(other, other.unit(other.ida), "lob", 1)
    for area in ("net", "lob"):
        score(sent, sent.unit(sent.ida), area, 1)
    assert [row.split(",")[1] for row in lines(sent.club)] == ["lob", "net"]
    assert lines(make.make_club()) == []


def test_as_many_queries_for_one_unit_as_for_many(sent, monkeypatch):
    score(sent, sent.unit(sent.ida), "lob", 1)
    with CaptureQueriesContext(connection) as few:
        lines(sent.club)
    for n in range(30):
        player = make.make_player(sent.club, ref=f"x{n}")
        score(sent, sent.unit(player), "lob", 1)
    with CaptureQueriesContext(connection) as many:
        whole = lines(sent.club)
    assert len(many) == len(few)
    monkeypatch.setattr(scores, "AT_ONCE", 3)
    assert lines(sent.club) == whole


class TestCommand:
    def run(self, slug: str, file: Path) -> str:
        said = io.StringIO()
        call_command("export_scores", "--club", slug, "--out", str(file), stdout=said)
        return said.getvalue()

    def test_replaces_the_file_and_is_written_down(self, sent, tmp_path):
        score(sent, sent.unit(sent.ida), "lob", 1)
        (tmp_path / "scores.csv").write_text("older")
        assert self.run(sent.club.slug, tmp_path / "scores.csv").split() == ["1", "scores.csv"]
        assert (tmp_path / "scores.csv").read_bytes() == f"{HEADER}\np2,lob,2026-09-01,50,40,60,7,\n".encode()
        assert [path.name for path in tmp_path.iterdir()] == ["scores.csv"]
        event = AuditEvent.objects.get(action="data.taken_out")
        assert (event.club, event.actor, event.fields) == (sent.club, None, ["scores"])

    def test_refuses_what_it_cannot_do(self, sent, tmp_path, monkeypatch):
        with pytest.raises(CommandError, match="no club at the address 'nowhere'"):
            self.run("nowhere", tmp_path / "x.csv")
        with pytest.raises(CommandError, match="cannot be written: No such file or directory"):
            self.run(sent.club.slug, tmp_path / "not there" / "x.csv")
        (tmp_path / "kept.csv").write_text("older")

        def stop(club: Club, file: Any) -> int:
            file.write("half")
            raise RuntimeError

        monkeypatch.setattr("reports.management.commands.export_scores.write_scores", stop)
        with pytest.raises(RuntimeError):
            self.run(sent.club.slug, tmp_path / "kept.csv")
        assert {path.name: path.read_text() for path in tmp_path.iterdir()} == {"kept.csv": "older"}
        assert not AuditEvent.objects.filter(action="data.taken_out").exists()
