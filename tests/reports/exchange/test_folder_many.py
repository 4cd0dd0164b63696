"""Many rows of a folder: which are the same, how many are bad, what they cost; and any bytes at all."""

import tracemalloc
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from reports.exchange import cells, lines
from reports.exchange.columns import FILES
from reports.exchange.folder import read_file, read_folder
from reports.exchange.problems import SHOWN, Problems
from tests.reports.exchange.laid import (
    CHECKS,
    HEADERS,
    MATCHES,
    PLAYERS,
    RALLIES,
    SITUATIONS,
    laid,
    read,
    rows_of,
    told,
)

# Rows that are there twice


def test_a_row_that_is_there_twice_is_refused_with_both_lines(tmp_path):
    content = CHECKS + "a1,1,1,F1,1\na2,1,1,F1,1\na1,01,1,F1,0\na1,1,1,F2,1\n a1,1,1,F1,1\n"
    tables, problems = read(tmp_path, checks=content)
    where = "analysis_ref, rally, situation, check"
    assert told(problems) == [("checks.csv", line, where, "a1, 1, 1, F1") for line in (4, 6)]
    assert "Line 2 is the same row" in problems.first[0].reason
    assert "this is line 4" in problems.first[0].reason
    assert rows_of(tables["checks.csv"]) == [
        (2, "a1", 1, 1, "F1", 1),
        (3, "a2", 1, 1, "F1", 1),
        (5, "a1", 1, 1, "F2", 1),
    ]


def test_several_rows_may_be_there_several_times(tmp_path):
    content = "".join(f"{ref},Ana\n" for ref in ("p1", "p2", "p3", "p2", "p1", "p1", "p2"))
    tables, problems = read(tmp_path, players=PLAYERS + content)
    said = [(problem.line, problem.value, problem.reason.split()[1]) for problem in problems]
    assert said == [(5, "p2", "3"), (6, "p1", "2"), (7, "p1", "2"), (8, "p2", "3")]
    assert tables["players.csv"].lines == [2, 3, 4]


def test_rows_without_a_key_are_never_the_same(tmp_path):
    (tmp_path / "list.csv").write_text(PLAYERS + "p1,Ana\np1,Ana\n")
    problems = Problems()
    table = read_file(tmp_path / "list.csv", replace(FILES["players.csv"], key=()), problems)
    assert not problems
    assert table["given_name"] == ["Ana", "Ana"]


def test_keys_that_only_hash_alike_are_two_rows(tmp_path, monkeypatch):
    monkeypatch.setattr("reports.exchange.fill.hash", lambda key: len(key), raising=False)
    content = PLAYERS + "p1,Ana\np2,Bea\np1,Cleo\np3,Dora\np2,Eva\n"
    tables, problems = read(tmp_path, players=content)
    assert [(problem.line, problem.value) for problem in problems] == [(4, "p1"), (6, "p2")]
    assert tables["players.csv"]["player_ref"] == ["p1", "p2", "p3"]


def test_a_row_that_is_bad_is_nobodys_double(tmp_path):
    _tables, problems = read(tmp_path, rallies=f"{RALLIES}m1,1,x,\nm1,1,1,\n")
    assert told(problems) == [("rallies.csv", 2, "start_s", "x")]


# Many


def test_a_file_of_many_pieces_loses_nothing(tmp_path, monkeypatch):
    monkeypatch.setattr(lines, "PIECE", 7)
    wrong = {30, 31, 77}
    content = "".join(f"p{n},{'=' if n in wrong else ''}Ana{n}\n" for n in range(100))
    tables, problems = read(tmp_path, players=PLAYERS + content)
    assert [problem.line for problem in problems] == [n + 2 for n in sorted(wrong)]
    right = [n for n in range(100) if n not in wrong]
    assert tables["players.csv"]["given_name"] == [f"Ana{n}" for n in right]
    assert tables["players.csv"].lines == [n + 2 for n in right]


def test_a_text_that_comes_again_exists_once(tmp_path):
    tables, _problems = read(
        tmp_path,
        matches=MATCHES + "one-1,2025-01-01\n",
        situations=SITUATIONS + "".join(f"one-1,{n},1,1,net\n" for n in range(1, 500)),
        checks=CHECKS + "".join(f"one-1,{n},1,N1,1\n" for n in range(1, 500)),
    )
    everywhere = [
        *tables["matches.csv"]["match_ref"],
        *tables["situations.csv"]["analysis_ref"],
        *tables["checks.csv"]["analysis_ref"],
    ]
    assert len(everywhere) == 999
    assert len({id(ref) for ref in everywhere}) == 1


@pytest.mark.parametrize(
    "row",
    ['p{n},"Ana', "p{n},=Ana{n}", "p{n},Ana,x{n}", "p{n},J\udcfcrgen{n}"],
    ids=["quotes", "cells", "numbers of cells", "bytes"],
)
def test_however_many_rows_are_bad_they_are_counted_and_cost_no_memory(row, tmp_path, monkeypatch):
    # What is right in them is kept for looking up, up to a limit of its own.
    monkeypatch.setattr(cells, "MOST_KEPT", 100)

    def peak(count):
        content = "".join(row.format(n=n) + "\n" for n in range(count))
        problems = Problems()
        laid(tmp_path, players=(PLAYERS + content).encode("utf-8", "surrogateescape"))
        tracemalloc.start()
        try:
            tables = read_folder(tmp_path, problems)
            used = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
        assert problems.count == count
        assert len(problems.first) == min(SHOWN, count)
        assert len(tables["players.csv"]) == 0
        return used

    peak(10)
    assert peak(9_000) < peak(2_000) + 50_000


def test_progress_is_told_by_what_is_read_of_all_files(tmp_path):
    laid(tmp_path, checks=CHECKS + "".join(f"a{n},1,1,F1,1\n" for n in range(30_000)))
    said = []
    read_folder(tmp_path, Problems(), lambda percent, note: said.append((percent, note)))
    percents = [percent for percent, _note in said]
    assert percents == sorted(percents)
    assert percents[-1] == 100
    assert len([note for _percent, note in said if note == "checks.csv"]) > 20
    assert len(said) <= 101 + len(HEADERS)


def test_one_file_alone_is_read_whatever_its_name(tmp_path):
    (tmp_path / "upload").write_text(PLAYERS + "p1,Ana\n")
    problems = Problems()
    assert read_file(tmp_path / "upload", FILES["players.csv"], problems)["given_name"] == ["Ana"]
    assert not problems


# Rows that run on

# Each such line goes on with the row of the one before, for as long as somebody reads on.
ENDLESS = 'x","'


def looked_ahead(line, faults, monkeypatch):
    """How many lines were taken from a file of nothing but this line, until that many were told to be broken."""
    monkeypatch.setattr(lines, "PIECE", 1)
    taken = 0

    def text():
        nonlocal taken
        for _n in range(20_000):
            taken += 1
            yield line + "\n"

    pieces = lines.Rows(text()).pieces(4)
    for _n in range(faults):
        assert next(pieces)[2]
    return taken


def test_a_row_is_not_followed_for_ever(monkeypatch):
    assert looked_ahead(ENDLESS, 1, monkeypatch) == lines.MOST_LINES + 1
    assert looked_ahead("x" * 10_000 + ENDLESS, 1, monkeypatch) <= lines.LONGEST // 10_000 + 3


def test_after_many_open_quotes_nobody_looks_ahead_any_more(monkeypatch):
    monkeypatch.setattr(lines, "MOST_LINES", 50)
    monkeypatch.setattr(lines, "SHOWN", 3)
    assert looked_ahead(ENDLESS, 3, monkeypatch) == 53
    assert looked_ahead(ENDLESS, 40, monkeypatch) == 53


# Anything

PART = st.sampled_from(
    [
        b",",
        b'"',
        b"\n",
        b"\r",
        b"\0",
        b";",
        b"\xff",
        b"\xef\xbb\xbf",
        b"=",
        b"1",
        b"a1",
        b"\xc3",
        b" ",
        b",,\n",
    ]
)
JUNK = st.lists(PART | st.binary(max_size=4), max_size=40).map(b"".join)


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.sampled_from(sorted(FILES)), st.booleans(), JUNK)
def test_no_bytes_at_all_make_it_fail(tmp_path, name, under_header, junk):
    header = (",".join(FILES[name].names) + "\n").encode()
    tables, problems = read(tmp_path, **{name.removesuffix(".csv"): header * under_header + junk})
    table = tables[name]
    assert {len(values) for values in table.columns.values()} == {len(table)}
    assert table.lines == sorted(set(table.lines))
    for problem in problems:
        "".join(map(str, problem)).encode()
    for file in tmp_path.iterdir():
        file.unlink()


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(st.sampled_from(["ok", "bad", "short", "blank", "quote", "text"]), max_size=30),
    st.integers(1, 5),
)
def test_every_row_is_either_in_the_table_or_told(tmp_path, monkeypatch, kinds, piece):
    """Against a plain walk over what was written."""
    made = {
        "ok": lambda n: f"L{n},1,\n",
        "bad": lambda n: f"L{n},x,\n",
        "short": lambda n: f"L{n}\n",
        "blank": lambda n: "\n",
        "quote": lambda n: f'L{n},1,a"b\n',
        "text": lambda n: f'L{n},1,"a\nb"\n',
    }
    content, right, wrong, line = "level,position,description\n", [], [], 2
    for n, kind in enumerate(kinds):
        content += made[kind](n)
        if kind in ("ok", "text", "quote"):
            right.append(line)
        elif kind != "blank":
            wrong.append(line)
        line += 2 if kind == "text" else 1
    with monkeypatch.context() as patched:
        patched.setattr(lines, "PIECE", piece)
        tables, problems = read(tmp_path, levels=content)
    assert tables["levels.csv"].lines == right
    assert [problem.line for problem in problems] == wrong
