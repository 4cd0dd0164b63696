"""Whatever lies in a folder: rows come out typed, and all that is not right is counted and told with its place."""

from datetime import date

import pytest

from reports.exchange import lines
from reports.exchange.columns import FILES, NEEDED
from reports.exchange.folder import read_folder
from reports.exchange.problems import Problems
from tests.reports.exchange.laid import HEADERS, MATCHES, PLAYERS, RALLIES, only, read, rows_of, told


def test_files_with_headers_alone_are_empty_tables(tmp_path):
    tables, problems = read(tmp_path)
    assert not problems
    assert {name: len(table) for name, table in tables.files.items()} == dict.fromkeys(HEADERS, 0)
    assert "players.csv" not in tables


def test_rows_come_typed_with_their_lines_in_any_order_of_columns(tmp_path):
    content = "played_on,match_ref,rallies_played,side_1\n2025-03-31, m1 ,12,left\n\n2025-04-01,m2,,\n"
    tables, problems = read(tmp_path, matches=content)
    assert not problems
    table = tables["matches.csv"]
    assert table.lines == [2, 4]
    assert table["match_ref"] == ["m1", "m2"]
    assert table["played_on"] == [date(2025, 3, 31), date(2025, 4, 1)]
    assert table["rallies_played"] == [12, None]
    assert table["side_1"] == ["left", None]
    # Columns that the file does not have.
    assert table["player_4"] == [None, None]
    assert {len(values) for values in table.columns.values()} == {2}


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"], ids=["no mark", "byte order mark"])
def test_line_ends_and_a_byte_order_mark_make_no_difference(ending, mark, tmp_path):
    content = (PLAYERS + 'p1,"Ana ""Ace"" Ito"\np2,Élan').replace("\n", ending).encode()
    tables, problems = read(tmp_path, players=mark + content)
    assert not problems, list(problems)
    assert tables["players.csv"].lines == [2, 3]
    assert tables["players.csv"]["given_name"] == ['Ana "Ace" Ito', "Élan"]


def test_a_text_keeps_its_line_breaks_and_lines_are_those_of_the_file(tmp_path):
    content = 'level,position,description\nCopper,1,"one\r\n\ntwo"\n,,\nTin,2,\nLead,x,\n'
    tables, problems = read(tmp_path, levels=content)
    assert rows_of(tables["levels.csv"]) == [(2, "Copper", 1, "one\r\n\ntwo"), (6, "Tin", 2, None)]
    assert told(problems) == [("levels.csv", 7, "position", "x")]


def test_the_longest_text_may_be_nothing_but_lines(tmp_path):
    text = "a\n" * 999 + "ab"
    tables, problems = read(tmp_path, levels=f'level,position,description\nCopper,1,"{text}"\nTin,2,\n')
    assert not problems
    assert tables["levels.csv"]["description"] == [text, None]
    assert tables["levels.csv"].lines == [2, 1002]


# The folder


@pytest.mark.parametrize("missing", NEEDED)
def test_each_needed_file_is_missed_by_name(missing, tmp_path):
    _tables, problems = read(tmp_path, **{missing.removesuffix(".csv"): None})
    problem = only(problems)
    assert (problem.file, problem.line) == (missing, 0)
    assert "missing" in problem.reason


def test_what_is_needed_may_be_said(tmp_path):
    (tmp_path / "players.csv").write_text(PLAYERS)
    problems = Problems()
    read_folder(tmp_path, problems, needed=("players.csv",))
    assert not problems


def test_a_folder_of_other_things_is_said_to_be_one(tmp_path):
    problems = Problems()
    read_folder(tmp_path, problems)
    problem = only(problems)
    assert "holds none of the files of an import" in problem.reason
    assert all(name in problem.reason for name in FILES)
    assert str(problem) == problem.reason


def test_unknown_files_and_folders_are_told_and_what_systems_leave_is_not(tmp_path):
    for name in ("notes.txt", "Checks.csv", "old/", ".DS_Store", "Thumbs.db", "._matches.csv", "__MACOSX/"):
        (tmp_path / name).mkdir() if name.endswith("/") else (tmp_path / name).write_bytes(b"x")
    (tmp_path / "rallies.csv").mkdir()
    _tables, problems = read(tmp_path)
    assert [problem.file for problem in problems] == ["Checks.csv", "notes.txt", "old", "rallies.csv"]
    assert "situations.csv" in problems.first[0].reason
    assert "not a file" in problems.first[3].reason


@pytest.mark.parametrize("wrong", ["gone", "file"])
def test_a_folder_that_is_none_is_told(wrong, tmp_path):
    (tmp_path / "file").write_bytes(b"")
    problems = Problems()
    assert read_folder(tmp_path / wrong, problems).files == {}
    assert "cannot be read" in only(problems).reason


def test_a_file_that_cannot_be_read_is_told(tmp_path, monkeypatch):
    def fails(_file):
        raise PermissionError

    monkeypatch.setattr("reports.exchange.folder.refused_whole", fails)
    tables, problems = read(tmp_path)
    assert problems.count == 3
    assert "cannot be read" in problems.first[0].reason
    assert len(tables["matches.csv"]) == 0


# The header


@pytest.mark.parametrize(
    ("content", "column", "said"),
    [
        ("match_ref,played_on,umpire\nm1,2025-01-01,x\n", "umpire", "No column has this name here"),
        ("match_ref,played_on,Kind\n", "Kind", "rallies_played"),
        ("match_ref,played_on,match_ref\n", "match_ref", "twice, as column 1 and 3"),
        ("match_ref,played_on,\n", "", "Column 3 has no name"),
        ("match_ref\nm1\n", "played_on", "column is missing"),
        ("match_ref;played_on\nm1;2025-01-01\n", "", "Semicolons"),
        ("match_ref\tplayed_on\n", "", "Tabs"),
        ("", "", "empty. It begins with a header row: match_ref,played_on"),
        ("\n\r\n", "", "empty"),
        (b"\xef\xbb\xbf", "", "empty"),
        ('match_ref,"played_on\nm1,2025-01-01\n', "", "quote"),
    ],
)
def test_a_header_that_is_not_right(content, column, said, tmp_path):
    _tables, problems = read(tmp_path, matches=content)
    problem = only(problems)
    assert (problem.file, problem.column) == ("matches.csv", column)
    assert problem.line == (0 if "empty" in said else 1)
    assert said in problem.reason


def test_rows_are_looked_at_under_a_header_that_is_not_right(tmp_path):
    _tables, problems = read(tmp_path, checks="analysis_ref,rally,umpire,met\na1,x,y,2\n")
    assert told(problems) == [
        ("checks.csv", 1, "umpire", ""),
        ("checks.csv", 1, "situation", ""),
        ("checks.csv", 1, "check", ""),
        ("checks.csv", 2, "rally", "x"),
        ("checks.csv", 2, "met", "2"),
    ]


def test_nothing_is_read_under_a_header_without_a_known_column(tmp_path):
    _tables, problems = read(tmp_path, matches="m1,2025-01-01\nm2,2025-01-01\n")
    assert [(problem.line, problem.column) for problem in problems] == [(1, "m1"), (1, "2025-01-01")]


# What is no text


@pytest.mark.parametrize(
    ("content", "line", "said"),
    [
        ((MATCHES + "m1,2025-01-01\n").encode("utf-16"), 1, "UTF-16 or UTF-32"),
        ((MATCHES + "m1,2025-01-01\n").encode("utf-32"), 1, "UTF-16 or UTF-32"),
        (b"\x00\x00\xfe\xff" + MATCHES.encode("utf-32-be"), 1, "UTF-16 or UTF-32"),
        ((MATCHES + "m1,2025-01-01\n").encode("utf-16-le"), 1, "zero bytes"),
        (MATCHES.encode() + b"m1,2025-01-01\r\nm\x002,2025-01-01\n", 3, "zero bytes"),
        (b"PK\x03\x04 and so on", 0, "workbook or an archive"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", 0, "workbook or an archive"),
        (MATCHES.encode() + b"x" * 3 * lines.LONGEST, 2, "longer than any row"),
    ],
)
def test_what_is_no_text_is_refused_whole(content, line, said, tmp_path):
    tables, problems = read(tmp_path, matches=content)
    problem = only(problems)
    assert (problem.file, problem.line) == ("matches.csv", line)
    assert said in problem.reason
    assert len(tables["matches.csv"]) == 0


def test_every_cell_that_is_not_utf_8_is_told_as_its_owner_knows_it(tmp_path):
    content = (PLAYERS + "p1,Ana\np2,Jürgen\np3,Ito\np4,Élan\n").encode("latin-1")
    tables, problems = read(tmp_path, players=content)
    assert told(problems) == [
        ("players.csv", 3, "given_name", "Jürgen"),
        ("players.csv", 5, "given_name", "Élan"),
    ]
    assert "CSV UTF-8" in problems.first[0].reason
    assert tables["players.csv"]["player_ref"] == ["p1", "p3"]


def test_a_zero_byte_far_below_is_told_with_its_cell(tmp_path):
    many = "".join(f"p{n},Ana\n" for n in range(20_000))
    _tables, problems = read(tmp_path, players=PLAYERS + many + "q,A\0na\n")
    assert told(problems) == [("players.csv", 20_002, "given_name", "A\ufffdna")]


# Rows


def test_each_bad_cell_is_told_and_rows_without_one_stay(tmp_path):
    content = RALLIES + "m1,1,1.5,2.5\nm1,x,12;5,nan\nm1,3,,\n,0,1e3,86401\n"
    tables, problems = read(tmp_path, rallies=content)
    assert told(problems) == [
        ("rallies.csv", 3, "rally", "x"),
        ("rallies.csv", 3, "start_s", "12;5"),
        ("rallies.csv", 3, "end_s", "nan"),
        ("rallies.csv", 5, "match_ref", ""),
        ("rallies.csv", 5, "rally", "0"),
        ("rallies.csv", 5, "start_s", "1e3"),
        ("rallies.csv", 5, "end_s", "86401"),
    ]
    assert problems.count == 7
    table = tables["rallies.csv"]
    assert table.lines == [2, 4]
    assert table["start_s"] == [1.5, None]
    assert {len(values) for values in table.columns.values()} == {2}


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("m1,1,12,5,20", "has 5 cells and the header 4"),
        ("m1,1,2", "has 3 cells and the header 4"),
        ("m1", "has 1 cells and the header 4"),
    ],
)
def test_a_row_with_another_number_of_cells(row, said, tmp_path):
    tables, problems = read(tmp_path, rallies=f"{RALLIES}m1,7,,\n{row}\nm1,8,,\n")
    problem = only(problems)
    assert (problem.line, problem.column, problem.value) == (3, "", row)
    assert said in problem.reason
    assert tables["rallies.csv"]["rally"] == [7, 8]


def test_a_number_with_a_comma_gets_its_own_advice(tmp_path):
    _tables, problems = read(tmp_path, rallies=f'{RALLIES}m1,7,"12,5",\n')
    assert "Write 12.5, not 12,5" in only(problems).reason


def test_rows_of_nothing_are_no_rows(tmp_path):
    tables, problems = read(tmp_path, rallies=f"{RALLIES}m1,7,,\n,,,\n\n , ,,\nm1,8,,\n\n")
    assert not problems
    assert tables["rallies.csv"].lines == [2, 6]


@pytest.mark.parametrize(
    "broken",
    ['"p2,Bea', 'p2,"Bea', 'p2,"Bea"x', '"p2,"Bea"', 'p2,"Bea""'],
)
def test_a_quote_that_is_not_closed_hides_no_other_row(broken, tmp_path):
    content = f'{PLAYERS}p1,Ana\n{broken}\np3,"Cleo"\np4,\np5,Eva\n'
    tables, problems = read(tmp_path, players=content)
    assert told(problems) == [("players.csv", 3, "", broken), ("players.csv", 5, "given_name", "")]
    assert "quote" in problems.first[0].reason
    assert tables["players.csv"].lines == [2, 4, 6]


def test_a_quote_that_is_not_closed_at_the_very_end(tmp_path):
    tables, problems = read(tmp_path, players=f'{PLAYERS}p1,Ana\np2,"Bea')
    assert told(problems) == [("players.csv", 3, "", 'p2,"Bea')]
    assert tables["players.csv"].lines == [2]


def test_lines_that_a_quote_swallowed_are_read_in_their_order(tmp_path):
    tables, problems = read(tmp_path, players=f'{PLAYERS}p1,Ana\np2,"Bea\np3,Cleo\np4,Dora\np5,Eva')
    assert told(problems) == [("players.csv", 3, "", 'p2,"Bea')]
    assert tables["players.csv"].lines == [2, 4, 5, 6]
    assert tables["players.csv"]["player_ref"] == ["p1", "p3", "p4", "p5"]


def test_cells_that_run_into_the_next_row_are_a_quote_that_is_not_closed(tmp_path):
    tables, problems = read(tmp_path, players=f'{PLAYERS}p1,"Ana\np2","Bea"\np3,Cleo\n')
    assert told(problems) == [("players.csv", 2, "", 'p1,"Ana')]
    assert "quote" in problems.first[0].reason
    assert tables["players.csv"].lines == [3, 4]


def test_a_line_break_where_none_may_be_is_told_with_its_cell(tmp_path):
    tables, problems = read(tmp_path, players=f'{PLAYERS}p1,"A\nna"\np2,Bea\n')
    assert [(problem.line, problem.column) for problem in problems] == [(2, "given_name")]
    assert tables["players.csv"].lines == [4]


@pytest.mark.parametrize("name", ["=1+1", "+ana", "-ana", "@ana", '" =1"'])
def test_what_a_spreadsheet_would_run_is_refused(name, tmp_path):
    _tables, problems = read(tmp_path, players=f"{PLAYERS}p1,{name}\n")
    assert "spreadsheet" in only(problems).reason


def test_names_are_joined_by_semicolons(tmp_path):
    tables, problems = read(tmp_path, players="player_ref,given_name,squads\np1,Ana,Early; Late\np2,Bea,\n")
    assert not problems
    assert tables["players.csv"]["squads"] == [("Early", "Late"), None]
