"""A workbook into tables: its sheets are the files of an exchange, read with the same converters and rules."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import openpyxl
from django.utils.translation import gettext as _
from openpyxl.utils import get_column_letter

from reports.exchange.cells import SPACES, Bad, Readers, shown
from reports.exchange.columns import CHECKS, FILES, NEEDED, SITUATIONS, Cell, Column, FileSpec
from reports.exchange.fill import Fault, Filler
from reports.exchange.problems import Problems
from reports.exchange.tables import Table, Tables
from reports.exchange.workbook_blank import blank_workbook
from reports.exchange.workbook_cells import text_of
from reports.exchange.workbook_guard import LAST_COLUMN, Hidden, Refused, damaged_is_refused, look_over
from reports.exchange.workbook_layout import BESIDE, GUIDE, LISTS, sheet_of

__all__ = ["SheetTables", "blank_workbook", "name_sheets", "read_sheet", "read_workbook"]

PIECE = 1_000
# A situation's row may say what was seen in it, so that its three keys need not be written again for each check.
WIDE = replace(
    SITUATIONS,
    name=sheet_of(SITUATIONS.name),
    columns=(
        *SITUATIONS.columns,
        *(
            column
            for check, met in BESIDE
            for column in (replace(CHECKS.column("check"), name=check, needed=False), Column(met, Cell.FLAG))
        ),
    ),
)


@dataclass(eq=False)
class SheetTables(Tables):
    """Tables of a workbook; `sheets` says which sheet each came from."""

    sheets: dict[str, str] = field(default_factory=dict)


def read_workbook(path: str | Path, problems: Problems) -> Tables:
    """The workbook's sheets; rows that are not right are in `problems`, by sheet and row, and in no table."""
    tables = SheetTables()
    try:
        with _opened(Path(path)) as sheets:
            _read_sheets(sheets, tables, problems)
    except Refused as refused:
        problems.add("", 0, "", None, str(refused))
    return tables


def read_sheet(path: str | Path, spec: FileSpec, problems: Problems) -> Table:
    """One table alone: from the sheet of its name, or else from the first one that has anything in it."""
    try:
        with _opened(Path(path)) as sheets:
            named = [sheet for sheet in sheets if sheet.name == sheet_of(spec.name)]
            filled = (sheet for sheet in sheets if not sheet.empty)
            sheet = named[0] if named else next(filled, None)
            if sheet is not None:
                return _table(sheet, replace(spec, name=shown(sheet.title)), Readers(), problems)[0]
            problems.add("", 0, "", None, _("There is nothing in this workbook."))
    except Refused as refused:
        problems.add("", 0, "", None, str(refused))
    return Table(spec)


def name_sheets(problems: Problems, tables: Tables) -> None:
    """Say sheets instead of files in what is wrong with a workbook's rows as a whole."""
    if isinstance(tables, SheetTables):
        problems.first[:] = [
            problem._replace(file=tables.sheets.get(problem.file, problem.file)) for problem in problems.first
        ]


class _Sheet:
    """A sheet as rows of cells, with what its values would hide."""

    def __init__(self, sheet: Any, hidden: dict[str, Hidden]) -> None:
        self.title: str = sheet.title
        self.name = self.title.strip().casefold()
        self._sheet = sheet
        with damaged_is_refused():
            # A part that was not looked over is not read.
            self.hidden = hidden[sheet._worksheet_path]

    def rows(self) -> Iterator[tuple[int, tuple[Any, ...]]]:
        with damaged_is_refused():
            # What a file says of its own size may be wrong.
            self._sheet.reset_dimensions()
            yield from enumerate(self._sheet.iter_rows(max_col=LAST_COLUMN), 1)

    @property
    def empty(self) -> bool:
        return all(cell.value is None for _line, row in self.rows() for cell in row)


@contextmanager
def _opened(path: Path) -> Iterator[list[_Sheet]]:
    hidden = look_over(path)
    with warnings.catch_warnings(), path.open("rb") as file:
        # It tells of styles and pictures that it leaves out; nothing of them is read here.
        warnings.filterwarnings("ignore", module="openpyxl")
        with damaged_is_refused():
            book = openpyxl.load_workbook(file, read_only=True, data_only=True, keep_links=False)
        try:
            yield [_Sheet(sheet, hidden) for sheet in book.worksheets]
        finally:
            book.close()


def _read_sheets(sheets: list[_Sheet], tables: SheetTables, problems: Problems) -> None:
    ours = {sheet_of(name): name for name in FILES}
    found: dict[str, _Sheet] = {}
    for sheet in sheets:
        if sheet.name in (GUIDE, LISTS):
            continue
        if sheet.name not in ours:
            if not sheet.empty:
                reason = _(
                    "No sheet of an import has this name. Delete it, or use one of these names: %(names)s."
                )
                problems.add(shown(sheet.title), 0, "", None, reason % {"names": ", ".join(ours)})
        elif sheet.name in found:
            problems.add(shown(sheet.title), 0, "", None, _("This sheet is there twice. Keep one."))
        else:
            found[sheet.name] = sheet
    readers = Readers()
    seen_beside = False
    for name, sheet in found.items():
        file = ours[name]
        tables.sheets[file] = shown(sheet.title)
        spec = WIDE if file == SITUATIONS.name else FILES[file]
        table, names = _table(sheet, replace(spec, name=tables.sheets[file]), readers, problems)
        seen_beside = seen_beside or BESIDE[0][0] in names
        tables.files[file] = table
    if SITUATIONS.name in tables:
        _part_checks(tables, problems, seen_beside)
    for file in NEEDED:
        if file not in tables:
            reason = _("This sheet is missing. Add it; its header row alone is enough.")
            problems.add(sheet_of(file), 0, "", None, reason)
    # In the order of the files, whatever order the sheets stand in.
    tables.files = {name: tables.files[name] for name in FILES if name in tables.files}


def _table(sheet: _Sheet, spec: FileSpec, readers: Readers, problems: Problems) -> tuple[Table, list[str]]:
    """The sheet's rows and the names over them; `spec` is named as problems name the sheet."""
    filler = Filler(spec, problems, readers)
    for where in sheet.hidden.merged:
        reason = _("The cells %(cells)s are merged. Part them, and write the value into each.")
        problems.add(spec.name, 0, "", None, reason % {"cells": shown(where)})
    if sheet.hidden.far:
        reason = _("There is something in cell %(cell)s, far to the right of the table. Delete it.")
        problems.add(spec.name, 0, "", None, reason % {"cell": shown(sheet.hidden.far)})
    rows = sheet.rows()
    names = _header(next(rows, (1, ()))[1])
    if not names:
        problems.add(spec.name, 1, "", None, _("The first row has to hold the names of the columns."))
    elif not sheet.hidden.merged and filler.header(1, names):
        # Values of merged cells stand in one of them, so every other would seem empty.
        _fill(filler, rows, names, sheet.hidden)
    return filler.table(), names


def _fill(
    filler: Filler, rows: Iterator[tuple[int, tuple[Any, ...]]], names: list[str], hidden: Hidden
) -> None:
    known = {column.name: column for column in filler.spec.columns}
    columns = [known.get(name) for name in names]
    lines: list[int] = []
    texts: list[list[str]] = []
    told: list[Fault] = []
    for line, cells in rows:
        row, faults = _row(line, cells, names, columns, hidden.formulas.get(line, ()))
        if faults:
            told += faults
        elif any(row):
            lines.append(line)
            texts.append(row)
        if len(texts) + len(told) >= PIECE:
            filler.feed(lines, texts, told)
            lines, texts, told = [], [], []
    filler.feed(lines, texts, told)


def _header(cells: tuple[Any, ...]) -> list[str]:
    names = [str(cell.value).strip(SPACES) if cell.value is not None else "" for cell in cells]
    while names and not names[-1]:
        names.pop()
    return names


def _row(
    line: int,
    cells: tuple[Any, ...],
    names: list[str],
    columns: list[Column | None],
    formulas: Sequence[int],
) -> tuple[list[str], list[Fault]]:
    row: list[str] = []
    faults: list[Fault] = []
    for place, cell in enumerate(cells):
        name = names[place] if place < len(names) else ""
        column = columns[place] if place < len(names) else None
        text = text_of(cell.value, cell.data_type, column)
        if place + 1 in formulas:
            where = f"{get_column_letter(place + 1)}{line}"
            text = Bad(
                _("The formula in cell %(cell)s has no value. Write the value in its place.")
                % {"cell": where}
            )
        elif place >= len(names) and (isinstance(text, Bad) or text.strip(SPACES)):
            text = Bad(_("This cell stands beside the table: its column has no name. Delete it."))
        if isinstance(text, Bad):
            value = "" if cell.value is None else str(cell.value)
            faults.append((line, place, name, value, text.reason))
        elif place < len(names):
            row.append(text.strip(SPACES))
    return row, faults


def _part_checks(tables: SheetTables, problems: Problems, seen_beside: bool) -> None:
    """Make rows of checks.csv of what was seen, where it stands beside the situations."""
    wide = tables[SITUATIONS.name]
    title = tables.sheets[SITUATIONS.name]
    tables.files[SITUATIONS.name] = Table(
        SITUATIONS, wide.lines, {name: wide[name] for name in SITUATIONS.names}
    )
    beside = Table(CHECKS)
    for line, row in wide.rows():
        key = {name: row[name] for name in SITUATIONS.key}
        seen: set[str] = set()
        for check_name, met_name in BESIDE:
            check, met = row[check_name], row[met_name]
            if check is None and met is not None:
                reason = _("Name the check that this is about in %(column)s, or empty this cell.")
                problems.add(title, line, met_name, met, reason % {"column": check_name})
            elif check is not None and check in seen:
                reason = _("This check is named twice in this row. Keep one of them.")
                problems.add(title, line, check_name, check, reason)
            elif check is not None:
                seen.add(check)
                # A check that is named and not answered was not seen.
                if met is not None:
                    beside.add(line, **key, check=check, met=met)
    if len(beside) and len(tables[CHECKS.name]):
        reason = _(
            "What was seen stands here and beside the situations as well. Write it in one of the two places."
        )
        problems.add(tables.sheets[CHECKS.name], 0, "", None, reason)
    elif seen_beside and not len(tables[CHECKS.name]):
        tables.files[CHECKS.name] = beside
        tables.sheets[CHECKS.name] = title
