"""Workbooks: the same rows as files, each refusal with its sheet and row, and what must not be opened at all."""

import datetime as dt
import zipfile
from io import BytesIO

import pytest
from openpyxl import Workbook, load_workbook

from players.lists import current_list, install_check_list
from reports.exchange import workbook_guard
from reports.exchange.columns import NEEDED, PLAYERS
from reports.exchange.folder import read_folder
from reports.exchange.plan import make_plan
from reports.exchange.problems import Problems
from reports.exchange.tables import Tables
from reports.exchange.workbook import blank_workbook, name_sheets, read_sheet, read_workbook
from reports.exchange.workbook_layout import GUIDE, LISTS
from tests import factories as make
from tests.reports.exchange.books import fill, rewrite, write_book
from tests.reports.exchange.sheets import sheets, write_csv

pytestmark = pytest.mark.django_db


def content(tables: Tables, *, lines: bool = True) -> dict[str, list[tuple]]:
    """Every cell with its type, so that 3 and 3.0 are two things."""
    return {
        name: [
            (line if lines else 0, *((type(value), value) for value in row.values()))
            for line, row in table.rows()
        ]
        for name, table in tables.files.items()
    }


def small():
    rows = sheets(players=4, matches=1, rallies=1, a_rally=2)
    for row in (*rows["situations.csv"], *rows["checks.csv"]):
        row["analysis_ref"] = "m00001"
    for row in rows["players.csv"]:
        row["level"] = None
    return {name: some for name, some in rows.items() if name in (*NEEDED, "players.csv")}


@pytest.fixture
def book(tmp_path):
    """A small workbook, saved again with one cell changed."""

    def saved(sheet="", cell="", value=None, change=None):
        path = write_book(small(), tmp_path / "book.xlsx")
        opened = load_workbook(path)
        if sheet:
            opened[sheet][cell] = value
        if change:
            change(opened)
        opened.save(path)
        return path

    return saved


def read(path):
    problems = Problems()
    return read_workbook(path, problems), problems


def the_one(problems):
    assert problems.count == 1, list(problems)
    return problems.first[0]


def test_sheets_read_as_the_files_of_the_same_rows_do(tmp_path):
    rows = sheets(seed=3, players=9, matches=3)
    problems = Problems()
    from_files = read_folder(write_csv(rows, tmp_path / "folder"), problems)
    from_sheets, wrong = read(write_book(rows, tmp_path / "book.xlsx"))
    assert not problems
    assert not wrong, list(wrong)
    assert content(from_sheets) == content(from_files)
    assert sum(map(len, from_sheets.files.values())) > 100


@pytest.mark.parametrize("timed", [True, False])
def test_a_filled_blank_workbook_reads_as_the_files_do(cast, tmp_path, timed):
    rows = sheets(seed=5, matches=2, timed=timed)
    rows = {name: rows[name] for name in (*NEEDED, "rallies.csv", "players.csv")}
    for row in rows["players.csv"]:
        row["level"] = "Level 1"
    path = tmp_path / "blank.xlsx"
    blank_workbook(cast.club, path)
    from_sheets, wrong = read(fill(path, rows))
    assert not wrong, list(wrong)
    from_files = read_folder(write_csv(rows, tmp_path / "folder"), Problems())
    assert content(from_sheets, lines=False) == content(from_files, lines=False)
    # What is wrong with a check is told at the situation's row.
    assert set(from_sheets["checks.csv"].lines) <= set(from_sheets["situations.csv"].lines)


def test_a_blank_workbook_holds_nothing_to_bring_in(cast, tmp_path):
    path = tmp_path / "blank.xlsx"
    blank_workbook(cast.club, path)
    tables, problems = read(path)
    assert not problems, list(problems)
    assert [len(table) for table in tables.files.values()] == [0] * len(tables.files)
    assert set(NEEDED) < set(tables.files)


def test_a_club_without_anything_has_a_blank_workbook_too(tmp_path):
    blank_workbook(make.make_club(), tmp_path / "blank.xlsx")
    _tables, problems = read(tmp_path / "blank.xlsx")
    assert not problems


def test_the_blank_workbook_offers_the_clubs_lists(cast, tmp_path):
    make.make_player(cast.club, "=Sum", family_name="", ref="odd-1")
    blank_workbook(cast.club, tmp_path / "blank.xlsx")
    opened = load_workbook(tmp_path / "blank.xlsx")
    assert opened.sheetnames[0] == GUIDE
    assert {"matches", "rallies", "situations", "checks", "players"} < set(opened.sheetnames)
    lists = opened[LISTS]
    texts = {cell.value: cell for row in lists.iter_rows() for cell in row if cell.value}
    assert {"odd-1", "Level 1", "feet", "F1", "Lands with the hit", str(cast.ana.uuid)} <= set(texts)
    assert texts["=Sum"].data_type == "s"
    # The workbook goes along to the court: a minor has no family name on it.
    assert cast.ben.given_name in texts
    assert not any(cast.ben.family_name in str(text) for text in texts)
    assert cast.ana.name in texts
    assert not any(cast.other_player.name == text for text in texts)
    situations = opened["situations"]
    assert situations.freeze_panes == "D2"
    assert all(cell.font.bold for cell in situations[1])
    rules = {str(rule.sqref).partition("2:")[0]: rule for rule in situations.data_validations.dataValidation}
    column = {cell.value: cell.column_letter for cell in situations[1]}
    assert rules[column["outcome"]].formula1 == '"in_play,point_won,point_lost"'
    assert rules[column["analysis_ref"]].formula1.startswith("matches!$A$2")
    area = rules[column["area"]].formula1
    assert area.startswith("lists!")
    offered = {cell.value for (cell,) in lists[area.partition("!")[2].replace("$", "")]}
    assert offered == {"feet", "serve", "bandeja", "lob", "net"}
    assert rules[column["check_4"]].formula1.startswith("OFFSET(lists!")
    assert all(rule.showInputMessage for rule in rules.values())


def test_the_lists_of_a_large_club_take_no_more_queries(cast, tmp_path, django_assert_num_queries):
    for n in range(60):
        make.make_player(cast.club, f"Player {n}", ref=f"r{n}")
    with django_assert_num_queries(4):
        blank_workbook(cast.club, BytesIO())


CELLS = [
    ("matches", "B2", "yesterday", "year-month-day"),
    ("matches", "B2", dt.datetime(2026, 3, 4, 18, 30), "time of day"),
    ("matches", "A2", dt.datetime(2026, 3, 1), "format it as text"),
    ("situations", "B2", 1.5, "whole number"),
    ("situations", "B2", 0, "from 1 to"),
    ("situations", "D2", 7, "one of these words"),
    ("situations", "G2", dt.time(12, 34), "write seconds"),
    ("situations", "G2", dt.timedelta(hours=30), "write seconds"),
    ("situations", "E2", "#DIV/0!", "error"),
    ("situations", "J2", 2, "1 for yes"),
    ("situations", "J2", "yes", "1 for yes"),
    ("situations", "E2", None, "every row needs it"),
    ("players", "B2", "+49 ...", "formula"),
]


@pytest.mark.parametrize(("sheet", "cell", "value", "said"), CELLS, ids=lambda part: str(part)[:20])
def test_a_bad_cell_is_told_by_sheet_row_and_column(book, sheet, cell, value, said):
    path = book(sheet, cell, value)
    _tables, problems = read(path)
    problem = the_one(problems)
    assert (problem.file, problem.line) == (sheet, 2)
    assert problem.column == load_workbook(path)[sheet][cell[0] + "1"].value
    assert said in problem.reason.lower()


def test_what_looks_like_a_number_is_read_as_people_mean_it(book):
    def change(opened):
        opened["players"]["A2"] = 7.0
        opened["situations"]["J2"] = True
        opened["situations"]["G2"] = 0.0000001
        opened["matches"]["B2"] = dt.date(2026, 3, 4)

    tables, problems = read(book(change=change))
    assert not problems, list(problems)
    assert tables["players.csv"]["player_ref"][0] == "7"
    assert tables["situations.csv"]["counted"][0] == 1
    assert tables["situations.csv"]["hit_s"][0] == 1e-7
    assert tables["matches.csv"]["played_on"] == [dt.date(2026, 3, 4)]


def with_formula(path, sheet, cell, inside):
    """What a spreadsheet program writes into a cell; no library does it for us."""
    opened = load_workbook(path)
    number = opened.sheetnames.index(sheet) + 1

    def change(name, part):
        if name != f"xl/worksheets/sheet{number}.xml":
            return part
        before, mark, after = part.partition(f'<c r="{cell}"'.encode())
        assert mark
        return before + inside + after[after.index(b"</c>") + 4 :]

    return rewrite(path, change)


def test_a_formula_is_read_by_the_value_that_was_saved_with_it(book):
    path = with_formula(book(), "situations", "B2", b'<c r="B2"><f>4-3</f><v>1</v></c>')
    tables, problems = read(path)
    assert not problems, list(problems)
    assert tables["situations.csv"]["rally"][0] == 1


def test_a_formula_that_came_to_nothing_is_an_empty_cell(book):
    path = with_formula(
        book("situations", "I2", "x"), "situations", "I2", b'<c r="I2" t="str"><f>""</f><v></v></c>'
    )
    tables, problems = read(path)
    assert not problems, list(problems)
    assert tables["situations.csv"]["choice"][0] is None


@pytest.mark.parametrize("value", [b"<v></v>", b"<v/>", b""])
def test_a_formula_without_a_value_is_refused_by_its_cell(book, value):
    path = with_formula(book(), "situations", "B2", b'<c r="B2"><f>4-3</f>' + value + b"</c>")
    _tables, problems = read(path)
    problem = the_one(problems)
    assert (problem.file, problem.line, problem.column) == ("situations", 2, "rally")
    assert "B2" in problem.reason


def test_hidden_and_filtered_rows_are_read_like_others(book):
    def change(opened):
        opened["situations"].row_dimensions[2].hidden = True
        opened["players"].sheet_state = "hidden"

    tables, problems = read(book(change=change))
    assert not problems
    assert (len(tables["situations.csv"]), len(tables["players.csv"])) == (2, 4)


def test_merged_cells_are_refused(book):
    path = book(change=lambda opened: opened["situations"].merge_cells("E2:E3"))
    _tables, problems = read(path)
    assert the_one(problems).file == "situations"
    assert "E2:E3" in problems.first[0].reason


def test_empty_rows_are_no_rows_and_lines_stay_those_of_the_sheet(book):
    def change(opened):
        opened["situations"].insert_rows(2, 3)
        opened["situations"]["A3"] = "  "

    tables, problems = read(book(change=change))
    assert not problems, list(problems)
    assert tables["situations.csv"].lines == [5, 6]


def test_a_cell_beside_the_table_is_refused(book):
    _tables, problems = read(book("matches", "T2", "note"))
    assert the_one(problems)[:3] == ("matches", 2, "")
    _tables, problems = read(book("matches", "DD2", "note"))
    assert "DD2" in the_one(problems).reason


def test_headers_are_held_to_the_files_rules(book):
    _tables, problems = read(book("matches", "C1", "kinds"))
    assert the_one(problems)[:3] == ("matches", 1, "kinds")
    _tables, problems = read(book(change=lambda opened: opened["matches"].delete_rows(1)))
    assert {problem.file for problem in problems} == {"matches"}

    def emptied(opened):
        opened["players"].delete_rows(1, 10)

    _tables, problems = read(book(change=emptied))
    assert the_one(problems).file == "players"


def test_sheets_that_are_missing_or_unknown_are_named(book):
    _tables, problems = read(book(change=lambda opened: opened.remove(opened["matches"])))
    assert the_one(problems).file == "matches"

    def renamed(opened):
        opened["players"].title = "people"

    _tables, problems = read(book(change=renamed))
    assert the_one(problems).file == "people"
    # Spreadsheet programs begin with a sheet of their own.
    tables, problems = read(book(change=lambda opened: opened.create_sheet("Sheet1")))
    assert not problems
    assert "players.csv" in tables

    def shouted(opened):
        opened["players"].title = " Players"

    tables, problems = read(book(change=shouted))
    assert not problems
    assert len(tables["players.csv"]) == 4


def beside(path, *cells, change=None):
    """A workbook whose second situation says what was seen, in place of its checks sheet."""
    opened = load_workbook(path)
    sheet = opened["situations"]
    for n, name in enumerate(("check_1", "met_1", "check_2", "met_2"), 11):
        sheet.cell(1, n, name)
    for n, value in enumerate(cells, 11):
        sheet.cell(2, n, value)
    if change:
        change(opened)
    else:
        opened.remove(opened["checks"])
    opened.save(path)
    return path


def test_checks_beside_a_situation(book):
    tables, problems = read(beside(book(), "F1", 1, "F2", None))
    assert not problems, list(problems)
    key = [tables["situations.csv"][name][0] for name in ("analysis_ref", "rally", "situation")]
    assert [list(row.values()) for _line, row in tables["checks.csv"].rows()] == [[*key, "F1", 1]]


@pytest.mark.parametrize(
    ("cells", "column"), [((None, 1), "met_1"), (("F1", 1, "F1", 0), "check_2"), (("F1", 3), "met_1")]
)
def test_a_check_beside_a_situation_that_makes_no_sense(book, cells, column):
    _tables, problems = read(beside(book(), *cells))
    assert the_one(problems)[:3] == ("situations", 2, column)


def test_checks_stand_in_one_of_the_two_places(book):
    _tables, problems = read(beside(book(), "F1", 1, change=lambda opened: None))
    assert the_one(problems).file == "checks"
    # Columns that nobody filled are no second place.
    tables, problems = read(beside(book(), change=lambda opened: None))
    assert not problems
    assert len(tables["checks.csv"])


def test_what_the_plan_says_names_the_sheet(cast, book):
    tables, problems = read(beside(book(), "XX", 1))
    make_plan(club=cast.club, by=cast.head_coach, tables=tables, problems=problems)
    name_sheets(problems, tables)
    assert ("situations", 2, "check") in {problem[:3] for problem in problems}
    assert not any(problem.file.endswith(".csv") for problem in problems)


def test_one_sheet_alone(book, tmp_path):
    problems = Problems()
    assert len(read_sheet(book(), PLAYERS, problems)) == 4
    plain = Workbook()
    plain.active.title = "Members"
    plain.active.append(["player_ref", "given_name"])
    plain.active.append(["a", "Ana"])
    plain.active.append(["b", "=1+1"])
    plain.active["B3"].data_type = "s"
    plain.save(tmp_path / "plain.xlsx")
    assert not problems
    table = read_sheet(tmp_path / "plain.xlsx", PLAYERS, problems)
    assert table["player_ref"] == ["a"]
    assert the_one(problems)[:3] == ("Members", 3, "given_name")
    Workbook().save(tmp_path / "empty.xlsx")
    assert not len(read_sheet(tmp_path / "empty.xlsx", PLAYERS, problems))
    assert problems.count == 2


def refusal(path):
    tables, problems = read(path)
    assert not tables.files
    problem = the_one(problems)
    assert problem[:3] == ("", 0, "")
    return problem.reason


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "no workbook"),
        (b"player_ref,given_name\n", "no workbook"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"0" * 600, ".xls"),
        (b"PK\x03\x04 and nothing else", "damaged"),
    ],
)
def test_other_files_are_told_apart(tmp_path, content, said):
    (tmp_path / "book.xlsx").write_bytes(content)
    assert said in refusal(tmp_path / "book.xlsx")
    assert "cannot be read" in refusal(tmp_path / "none.xlsx")


@pytest.mark.parametrize(
    ("names", "said"),
    [
        (["mimetype", "content.xml"], "OpenDocument"),
        (["[Content_Types].xml", "xl/workbook.bin"], ".xlsb"),
        (["[Content_Types].xml", "word/document.xml"], "no workbook"),
        (["players.csv"], "no workbook"),
        (["[Content_Types].xml", "xl/workbook.xml", "xl/vbaProject.bin"], "macros"),
    ],
)
def test_other_containers_are_told_apart(tmp_path, names, said):
    with zipfile.ZipFile(tmp_path / "book.xlsx", "w") as archive:
        for name in names:
            archive.writestr(name, "<x/>")
    assert said in refusal(tmp_path / "book.xlsx")


def test_links_to_other_files_are_not_followed(book, tmp_path):
    path = book("matches", "F2", "indoor")
    path = with_formula(path, "matches", "F2", b'<c r="F2" t="str"><f>[1]Sheet1!A1</f><v>outdoor</v></c>')
    path = rewrite(
        path,
        lambda name, part: part,
        **{
            "xl/externalLinks/externalLink1.xml": b"<externalLink xmlns='http://schemas.openxmlformats.org/"
            b"spreadsheetml/2006/main'/>",
            "xl/externalLinks/_rels/externalLink1.xml.rels": b"<Relationships xmlns='http://schemas."
            b"openxmlformats.org/package/2006/relationships'/>",
        },
    )
    tables, problems = read(path)
    assert not problems, list(problems)
    assert tables["matches.csv"]["place"] == ["outdoor"]


SHEET = b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>%s</sheetData></worksheet>'


@pytest.mark.parametrize(
    "inside",
    [
        b"<row/>" * 100_001,
        b'<row r="999999999999"/>',
        b'<row r="1">' + b"<c/>" * 4_001 + b"</row>",
        b"</sheetData><x>" + b"<y/>" * 100_001 + b"</x><sheetData>",
    ],
    ids=["rows", "far row", "wide row", "beside"],
)
def test_sheets_that_unfold_are_refused_before_they_are_opened(book, inside):
    path = rewrite(book(), lambda name, part: SHEET % inside if name.endswith("sheet1.xml") else part)
    assert path.stat().st_size < 100_000
    assert "too large" in refusal(path)


def test_texts_and_entities_that_unfold_are_refused(book, monkeypatch):
    nested = b'<!DOCTYPE a [<!ENTITY b "xx"><!ENTITY c "&b;&b;">]>' + SHEET % b""
    path = rewrite(book(), lambda name, part: nested if name.endswith("sheet1.xml") else part)
    assert "too large" in refusal(path)
    # Under whatever name a part comes along.
    path = rewrite(
        book(), lambda name, part: part, **{"xl/strings.txt": b"<a>" + b"<b/>" * 2_000_001 + b"</a>"}
    )
    assert "too large" in refusal(path)
    path = rewrite(book(), lambda name, part: part, **{"xl/media/picture.png": b"\x89PNG\x00\x01"})
    assert not read(path)[1]
    monkeypatch.setattr(workbook_guard, "MOST_BYTES", 1000)
    assert "too large" in refusal(book())


@pytest.mark.parametrize(
    "part",
    [b"", b"<worksheet", b"\xff\xfe\x00", SHEET % b'<row r="2"/><row r="2"/>', SHEET % b'<row r="x"/>'],
    ids=["empty", "cut", "bytes", "row twice", "no number"],
)
def test_damage_is_said_and_raises_nothing(book, part):
    path = rewrite(book(), lambda name, old: part if name.endswith("sheet1.xml") else old)
    assert "damaged" in refusal(path)


@pytest.mark.parametrize(
    "name", ["xl/workbook.xml", "xl/styles.xml", "[Content_Types].xml", "xl/_rels/workbook.xml.rels"]
)
def test_a_workbook_without_one_of_its_parts_raises_nothing(book, name):
    path = rewrite(book(), lambda found, part: None if found == name else part)
    _tables, problems = read(path)
    assert problems


def test_a_cell_that_points_nowhere_is_damage(book):
    inside = SHEET % b'<row r="1"><c r="A1" t="s"><v>999999</v></c></row>'
    path = rewrite(book(), lambda name, part: inside if name.endswith("sheet1.xml") else part)
    _tables, problems = read(path)
    assert "damaged" in the_one(problems).reason


def test_a_thousand_bad_rows_are_counted(tmp_path):
    rows = small()
    rows["players.csv"] = [{"player_ref": f"p{n}", "given_name": None} for n in range(2500)]
    _tables, problems = read(write_book(rows, tmp_path / "book.xlsx"))
    assert problems.count == 2500
    assert [problem.line for problem in problems] == list(range(2, 1002))


def test_the_check_list_offered_is_the_newest(cast, tmp_path):
    data = current_list(cast.club).data | {"version": 2}
    data["checks"][0]["name"] = "Lands just as they hit"
    install_check_list(by=cast.head_coach, club=cast.club, data=data)
    blank_workbook(cast.club, tmp_path / "blank.xlsx")
    texts = {cell.value for row in load_workbook(tmp_path / "blank.xlsx")[LISTS].iter_rows() for cell in row}
    assert "Lands just as they hit" in texts
    assert "Lands with the hit" not in texts
