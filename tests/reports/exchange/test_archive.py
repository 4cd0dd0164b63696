"""A ZIP lets out plain files of ours or nothing at all, and never more than it may."""

import io
import stat
import struct
import zipfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from reports.exchange import archive
from reports.exchange.columns import NEEDED
from reports.exchange.folder import unpack
from reports.exchange.problems import Problems

PLAIN = {name: f"{name}\n".encode() for name in NEEDED}


def packed(*members, compression=zipfile.ZIP_DEFLATED):
    """A ZIP of (name or ZipInfo, content)."""
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", compression) as made:
        for name, content in members:
            made.writestr(name, content)
    file.seek(0)
    return file


def refusals(file, tmp_path):
    """The reasons, after making sure that nothing stays behind, inside or outside of the folder."""
    into, problems = tmp_path / "deep" / "into", Problems()
    assert unpack(file, into, problems) is False
    assert [path for path in tmp_path.rglob("*") if not path.is_dir()] == []
    assert problems
    return list(problems)


def only(problems):
    (problem,) = problems
    return problem


@pytest.mark.parametrize("top", ["", "past sheets/"])
@pytest.mark.parametrize("named", [True, False], ids=["its path", "an open file"])
def test_plain_files_come_out_as_they_are(top, named, tmp_path):
    beside = [(f"__MACOSX/{top}._matches.csv", b"x"), (f"{top}.DS_Store", b"x"), (f"{top}Thumbs.db", b"x")]
    file = packed(*((top + name, content) for name, content in PLAIN.items()), *beside)
    if named:
        path = tmp_path / "sheets.zip"
        path.write_bytes(file.getvalue())
        file = path
    problems = Problems()
    assert unpack(file, tmp_path / "into", problems) is True
    assert not problems
    assert {path.name: path.read_bytes() for path in (tmp_path / "into").iterdir()} == PLAIN


def test_an_entry_for_the_common_folder_itself_is_no_file(tmp_path):
    file = packed(("sheets/", b""), *(("sheets/" + name, content) for name, content in PLAIN.items()))
    assert unpack(file, tmp_path / "into", Problems())
    assert len(list((tmp_path / "into").iterdir())) == 3


def attributes(name, mode):
    info = zipfile.ZipInfo(name)
    info.create_system = 3
    info.external_attr = mode << 16
    return info


@pytest.mark.parametrize(
    ("member", "said"),
    [
        ("../matches.csv", "path to another place"),
        ("sheets/../../matches.csv", "path to another place"),
        ("./matches.csv", "path to another place"),
        ("/matches.csv", "path to another place"),
        ("//host/matches.csv", "path to another place"),
        ("C:matches.csv", "path to another place"),
        ("C:/matches.csv", "path to another place"),
        ("sheets\\matches.csv", "path to another place"),
        ("..\\matches.csv", "path to another place"),
        ("a//matches.csv", "path to another place"),
        ("../.DS_Store", "path to another place"),
        (attributes("matches.csv", stat.S_IFLNK | 0o777), "link"),
        (attributes(".DS_Store", stat.S_IFLNK | 0o777), "link"),
        (attributes("matches.csv", stat.S_IFIFO | 0o644), "not a plain file"),
        (attributes("matches.csv", stat.S_IFDIR | 0o755), "not a plain file"),
        ("sheets/matches.csv", "folder of its own"),
        ("sheets/", "folder of its own"),
        ("inner.zip", "archive inside"),
        ("inner.tar.gz", "archive inside"),
        ("notes.txt", "No file of an import has this name"),
        ("Matches.csv", "No file of an import has this name"),
    ],
    ids=lambda case: getattr(case, "filename", case),
)
def test_one_member_that_is_not_plain_and_ours_refuses_the_zip(member, said, tmp_path):
    problem = only(refusals(packed(("checks.csv", b"x"), (member, b"x")), tmp_path))
    assert said in problem.reason
    assert problem.file == getattr(member, "filename", member)


def test_a_name_with_a_zero_byte_is_no_name(tmp_path):
    data = packed(("matches.csvX.exe", b"x")).getvalue().replace(b"matches.csvX", b"matches.csv\0")
    problem = only(refusals(io.BytesIO(data), tmp_path))
    assert "path to another place" in problem.reason
    assert "\0" not in problem.file


def test_every_bad_member_is_told(tmp_path):
    found = refusals(packed(("a.txt", b""), ("matches.csv", b""), ("b.zip", b""), ("../c", b"")), tmp_path)
    assert [problem.file for problem in found] == ["a.txt", "b.zip", "../c"]


def test_two_folders_are_not_one_common_folder(tmp_path):
    found = refusals(packed(("a/matches.csv", b""), ("b/checks.csv", b"")), tmp_path)
    assert ["folder of its own" in problem.reason for problem in found] == [True, True]


def test_a_file_that_is_there_twice_is_refused(tmp_path):
    with pytest.warns(UserWarning, match="Duplicate"):
        file = packed(("matches.csv", b"1"), ("checks.csv", b"1"), ("matches.csv", b"2"))
    problem = only(refusals(file, tmp_path))
    assert (problem.file, "twice" in problem.reason) == ("matches.csv", True)


@pytest.mark.parametrize("bit", [0x1, 0x40, 0x2000])
def test_encrypted_members_are_refused(bit, tmp_path):
    data = bytearray(packed(("matches.csv", b"x")).getvalue())
    central = data.index(b"PK\x01\x02")
    struct.pack_into("<H", data, central + 8, bit)
    assert "without a password" in only(refusals(io.BytesIO(data), tmp_path)).reason


@pytest.mark.parametrize("compression", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_only_ordinary_compression_is_read(compression, tmp_path):
    file = packed(("matches.csv", b"x" * 100), compression=compression)
    assert "ordinary ZIP" in only(refusals(file, tmp_path)).reason


@pytest.mark.parametrize("wrong", [b"", b"no zip", b"PK\x03\x04" + b"\0" * 100, b"PK\x05\x06" + b"\xff" * 18])
def test_what_is_no_zip_is_said_to_be_none(wrong, tmp_path):
    assert "not a ZIP" in only(refusals(io.BytesIO(wrong), tmp_path)).reason


def test_a_path_without_a_file_is_refused_by_its_name(tmp_path):
    problem = only(refusals(tmp_path / "gone.zip", tmp_path))
    assert problem.file == "gone.zip"


@pytest.mark.parametrize("members", [[], [(".DS_Store", b"x")], [("__MACOSX/._matches.csv", b"x")]])
def test_a_zip_with_nothing_of_ours_names_what_is_looked_for(members, tmp_path):
    problem = only(refusals(packed(*members), tmp_path))
    assert "holds none of the files" in problem.reason
    assert "matches.csv" in problem.reason


def test_too_many_entries_are_counted_before_they_are_read(tmp_path, monkeypatch):
    file = packed(*((f"{n}.csv", b"") for n in range(archive.MOST_MEMBERS + 1)))
    monkeypatch.setattr(archive.zipfile, "ZipFile", None)
    assert "more than 100 files" in only(refusals(file, tmp_path)).reason


def test_entries_that_lie_across_two_blocks_are_counted(tmp_path, monkeypatch):
    file = packed(*((f"{n}.csv", b"") for n in range(archive.MOST_MEMBERS + 1)))
    for block in (5, 7, 64):
        monkeypatch.setattr(archive, "BLOCK", block)
        assert "more than 100 files" in only(refusals(file, tmp_path / str(block))).reason


def test_as_many_entries_as_may_be_are_each_told(tmp_path):
    file = packed(*((f"{n}.csv", b"") for n in range(archive.MOST_MEMBERS)))
    assert len(refusals(file, tmp_path)) == archive.MOST_MEMBERS


def test_what_would_fill_the_disk_is_refused_by_what_it_says(tmp_path, monkeypatch):
    monkeypatch.setattr(archive, "MOST_BYTES", 2**20)
    file = packed(
        ("matches.csv", b"x" * 600_000), ("checks.csv", b"x" * 600_000), compression=zipfile.ZIP_STORED
    )
    assert "larger than 1 MB" in only(refusals(file, tmp_path)).reason


def test_a_bomb_is_known_by_its_ratio(tmp_path):
    file = packed(("matches.csv", b"x"), ("checks.csv", b"0" * 5 * 2**20))
    problem = only(refusals(file, tmp_path))
    assert (problem.file, "more tightly" in problem.reason) == ("checks.csv", True)


def test_a_bomb_that_lies_about_its_packed_size_is_known_by_the_whole(tmp_path):
    data = bytearray(packed(("checks.csv", b"0" * 5 * 2**20)).getvalue())
    struct.pack_into("<I", data, data.index(b"PK\x01\x02") + 20, 4 * 2**20)
    assert "more tightly" in only(refusals(io.BytesIO(data), tmp_path)).reason


@pytest.mark.parametrize("declared", [10, 4999, 5001, 900_000])
def test_a_size_that_is_not_so_leaves_nothing_behind(declared, tmp_path):
    data = bytearray(packed(("matches.csv", b"fine"), ("checks.csv", b"12345" * 1000)).getvalue())
    struct.pack_into("<I", data, data.rindex(b"PK\x01\x02") + 24, declared)
    problem = only(refusals(io.BytesIO(data), tmp_path))
    assert "damaged" in problem.reason or "not the size" in problem.reason


def test_no_more_is_written_than_was_declared_even_if_more_comes(tmp_path, monkeypatch):
    file = packed(("matches.csv", b"x" * 100))
    written = []
    monkeypatch.setattr(archive, "BLOCK", 40)
    monkeypatch.setattr(zipfile.ZipFile, "open", lambda self, info: io.BytesIO(b"y" * 10_000))
    real = Path.unlink
    monkeypatch.setattr(
        Path, "unlink", lambda path, **kwargs: (written.append(path.stat().st_size), real(path, **kwargs))
    )
    assert "not the size" in only(refusals(file, tmp_path)).reason
    assert written == [80]


def test_content_that_was_changed_leaves_nothing_behind(tmp_path):
    data = packed(
        ("matches.csv", b"fine"), ("checks.csv", b"12345"), compression=zipfile.ZIP_STORED
    ).getvalue()
    assert "damaged" in only(refusals(io.BytesIO(data.replace(b"12345", b"12346")), tmp_path)).reason


def test_what_cannot_be_written_is_no_fault_of_the_zip_and_leaves_nothing_behind(tmp_path):
    into = tmp_path / "into"
    into.mkdir()
    (into / "checks.csv").mkdir()
    with pytest.raises(FileExistsError):
        unpack(packed(("matches.csv", b"x"), ("checks.csv", b"y")), into, Problems())
    assert [path.name for path in into.iterdir()] == ["checks.csv"]


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_no_bytes_at_all_make_it_fail_or_leave_something(tmp_path_factory, data):
    whole = packed(*PLAIN.items()).getvalue()
    junk = data.draw(st.binary(max_size=200))
    at = data.draw(st.integers(0, len(whole)))
    until = data.draw(st.integers(at, min(len(whole), at + 60)))
    changed = data.draw(
        st.sampled_from([junk, whole[:at] + junk + whole[until:], whole + junk, junk + whole])
    )
    into, problems = tmp_path_factory.mktemp("any"), Problems()
    done = unpack(io.BytesIO(changed), into, problems)
    names = {path.name for path in into.iterdir()}
    assert done is not bool(problems)
    assert names <= set(PLAIN)
    assert bool(names) is done
