"""The files that rows become, the ZIP of them, and the command."""

from __future__ import annotations

import csv
import io
import math
import os
import stat
import zipfile
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext

from clubcoach.models import AuditEvent
from players.models import Level
from reports.exchange import out
from reports.exchange.columns import FILES
from reports.exchange.out import shortest, write_folder, zip_folder
from reports.exchange.problems import Problems
from tests import factories as make
from tests.reports.exchange.sent import Sent, sent_club

pytestmark = pytest.mark.django_db


@pytest.fixture
def sent() -> Sent:
    sent = sent_club()
    sent.see(sent.ida, hit_s=13.0, ball="easy", outcome="in_play", marks={"L2": "met", "L3": "missed"})
    sent.see(sent.kim, rally=sent.rallies[1], hit_s=30.125, shown_only=True, marks={"L2": "not_seen"})
    return sent


def files(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


EXPECTED = {
    "levels.csv": "level,position,description\nCopper,2,\nTin,1,\n",
    "check_lists.csv": "check_list,check,area,unit,kind,phase,wording\n"
    "ours,L2,lob,player,doing,1,Feet\n"
    'ours,L3,lob,player,result,2,"Time, ""in the air"""\n'
    "ours,N1,net,pair,doing,1,Level\n",
    "analysts.csv": "analyst_ref,name\neye,Eye One\n",
    "players.csv": "player_ref,given_name,family_name,level,birth_year,hand,squads,email\n"
    'p1,Kim,"Ray, jr",,,right,,\n'
    "p10,Jo,,,,left,,jo@example.org\n"
    "p2,Ida,Holm,Copper,2012,right,Early;Late,\n",
    "matches.csv": "match_ref,played_on,kind,format,deuce,place,walls,player_1,player_2,player_3,player_4,"
    "side_1,side_2,side_3,side_4,rallies_played\n"
    "m1,2026-09-01,league,sets,golden,outdoor,solid,p2,p10,p1,,left,,,,40\n",
    "rallies.csv": "match_ref,rally,server,winner,near_pair,start_s,end_s\n"
    "m1,1,3,A,B,12,20.25\n"
    "m1,3,,none,,30.1,\n",
    "analyses.csv": "analysis_ref,match_ref,analyst_ref,purpose,coded_on,check_list,plan\n"
    "one,m1,eye,count,2026-09-04,ours,all\n",
    "situations.csv": "analysis_ref,rally,situation,unit,area,ball,hit_s,outcome,choice,counted\n"
    "one,1,1,1,lob,easy,13,in_play,,1\n"
    "one,3,1,3,lob,,30.125,,,0\n",
    "checks.csv": "analysis_ref,rally,situation,check,met\none,1,1,L2,1\none,1,1,L3,0\n",
}


class TestFolder:
    def test_every_byte(self, sent, tmp_path):
        counts = write_folder(sent.club, tmp_path / "out")
        assert files(tmp_path / "out") == {name: text.encode() for name, text in EXPECTED.items()}
        assert counts == {name: text.count("\n") - 1 for name, text in EXPECTED.items()}
        assert list(counts) == list(FILES)

    def test_twice_the_same_bytes(self, sent, tmp_path):
        for name in ("one", "two"):
            write_folder(sent.club, tmp_path / name)
        assert files(tmp_path / "one") == files(tmp_path / "two")

    def test_a_club_with_nothing(self, tmp_path):
        assert write_folder(make.make_club(), tmp_path / "out") == dict.fromkeys(FILES, 0)
        assert files(tmp_path / "out") == {
            name: (",".join(spec.names) + "\n").encode() for name, spec in FILES.items()
        }

    def test_letters_and_line_breaks_come_back(self, tmp_path):
        club = make.make_club()
        for n, text in enumerate(("a\r\nb", "a\rb\n", "ñ “š” 李", 'a;b"c,d'), 1):
            Level.objects.create(club=club, position=n, name=f"{n} é", description=text)
        write_folder(club, tmp_path / "out")
        data = (tmp_path / "out" / "levels.csv").read_bytes()
        assert not data.startswith(b"\xef\xbb\xbf")
        read = list(csv.reader(io.StringIO(data.decode(), newline="")))
        assert [row[2] for row in read[1:]] == ["a\nb", "a\nb", "ñ “š” 李", 'a;b"c,d']

    def test_into_an_empty_folder_and_below_one_that_is_not_there(self, sent, tmp_path):
        (tmp_path / "empty").mkdir()
        write_folder(sent.club, tmp_path / "empty")
        write_folder(sent.club, str(tmp_path / "not" / "there"))
        assert files(tmp_path / "empty") == files(tmp_path / "not" / "there")
        assert sorted(path.name for path in tmp_path.iterdir()) == ["empty", "not"]

    @pytest.mark.parametrize("kind", ["file", "folder"])
    def test_what_is_there_is_left_alone(self, sent, tmp_path, kind):
        there = tmp_path / "there"
        (there if kind == "file" else there / "kept").parent.mkdir(exist_ok=True)
        (there if kind == "file" else there / "kept").write_text("mine")
        with pytest.raises(FileExistsError), CaptureQueriesContext(connection) as asked:
            write_folder(sent.club, there)
        assert len(asked) == 0
        assert (there if kind == "file" else there / "kept").read_text() == "mine"

    def test_nothing_half_written_stays(self, sent, tmp_path, monkeypatch):
        done = []

        def stop(progress: int, note: str) -> None:
            done.append(note)
            if "checks" in note:
                assert not (tmp_path / "out").exists()
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            write_folder(sent.club, tmp_path / "out", stop)
        assert list(tmp_path.iterdir()) == []
        assert len(done) == len(FILES)

    def test_only_its_owner_looks_into_it(self, sent, tmp_path):
        write_folder(sent.club, tmp_path / "out")
        assert stat.S_IMODE((tmp_path / "out").stat().st_mode) == 0o700

    def test_tells_how_far_it_is(self, sent, tmp_path, monkeypatch):
        monkeypatch.setattr(out, "TELL_EVERY", 1)
        told: list[tuple[int, str]] = []
        write_folder(sent.club, tmp_path / "out", lambda done, note: told.append((done, note)))
        shares = [share for share, _note in told]
        assert shares == sorted(shares)
        assert 0 <= shares[0] < shares[-1] <= 99
        assert len(told) == len(FILES) + sum(text.count("\n") - 1 for text in EXPECTED.values())

    def test_the_way_in_takes_it(self, sent, tmp_path):
        from reports.exchange.folder import read_folder

        write_folder(sent.club, tmp_path / "out")
        problems = Problems()
        tables = read_folder(tmp_path / "out", problems)
        assert [str(problem) for problem in problems] == []
        assert {name: len(tables[name]) for name in FILES} == {
            name: text.count("\n") - 1 for name, text in EXPECTED.items()
        }


@pytest.mark.parametrize(
    ("number", "text"),
    [
        (12.0, "12"),
        (12.5, "12.5"),
        (0.1 + 0.2, "0.30000000000000004"),
        (-0.0, "0"),
        (1e-05, "0.00001"),
        (1.25e-07, "0.000000125"),
        (86400, "86400"),
        (100.0, "100"),
    ],
)
def test_shortest_decimals(number, text):
    assert shortest(number) == text
    assert math.isclose(float(text), number, rel_tol=0, abs_tol=0)


class TestZip:
    def test_the_same_bytes_whoever_packs_and_when(self, sent, tmp_path):
        for name, moment in (("one", 10**9), ("two", 1.5 * 10**9)):
            write_folder(sent.club, tmp_path / name)
            for path in (tmp_path / name).iterdir():
                os.utime(path, (moment, moment))
                path.chmod(0o644 if name == "one" else 0o600)
            zip_folder(tmp_path / name, tmp_path / f"{name}.zip")
        assert (tmp_path / "one.zip").read_bytes() == (tmp_path / "two.zip").read_bytes()

    def test_members_by_plain_name(self, sent, tmp_path):
        write_folder(sent.club, tmp_path / "out")
        packed = io.BytesIO()
        zip_folder(tmp_path / "out", packed)
        with zipfile.ZipFile(packed) as read:
            assert read.testzip() is None
            assert read.namelist() == sorted(FILES)
            assert {name: read.read(name) for name in FILES} == files(tmp_path / "out")
            assert {info.compress_type for info in read.infolist()} == {zipfile.ZIP_DEFLATED}


class TestCommand:
    def run(self, *args: Any) -> str:
        said = io.StringIO()
        call_command("export_club", *map(str, args), stdout=said)
        return said.getvalue()

    def test_writes_tells_and_is_written_down(self, sent, tmp_path):
        said = self.run("--club", sent.club.slug, tmp_path / "out")
        assert files(tmp_path / "out") == {name: text.encode() for name, text in EXPECTED.items()}
        assert [line.split() for line in said.splitlines()] == [
            [str(text.count("\n") - 1), name] for name, text in EXPECTED.items()
        ]
        event = AuditEvent.objects.get(action="data.taken_out")
        assert (event.club, event.actor, event.target_id) == (sent.club, None, str(sent.club.pk))
        assert event.fields == sorted(name.removesuffix(".csv") for name in FILES)

    def test_refuses_what_it_cannot_do(self, sent, tmp_path):
        (tmp_path / "mine").write_text("mine")
        for slug, folder, said in (
            ("nowhere", tmp_path / "out", "no club at the address 'nowhere'"),
            (sent.club.slug, tmp_path, "is not an empty folder"),
            (sent.club.slug, tmp_path / "mine" / "below" / "it", "cannot be written"),
        ):
            with pytest.raises(CommandError, match=said):
                self.run("--club", slug, folder)
        assert [path.name for path in tmp_path.iterdir()] == ["mine"]
        assert not AuditEvent.objects.filter(action="data.taken_out").exists()
