"""Looks a workbook over before it is opened: what it is, how much is in it, and what its cells would hide."""

from __future__ import annotations

import zipfile
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO
from xml.parsers import expat

from django.utils.translation import gettext as _

# A workbook is for what people type; a club's years are a folder of files.
MOST_BYTES = 160 * 1024 * 1024
MOST_MEMBERS = 1_000
MOST_ROWS = 100_000
# Elements become objects when a workbook is opened: in all its sheets, in everything else, in one row, beside the rows.
MOST_IN_SHEETS = 8_000_000
MOST_ELSEWHERE = 2_000_000
MOST_IN_A_ROW = 4_000
MOST_BESIDE_ROWS = 100_000
# The last row that a spreadsheet can have, and the last column that is read (CV).
LAST_ROW = 1_048_576
LAST_COLUMN = 100
CHUNK = 1024 * 1024
# Older workbooks, and those with a password, are in a container that begins so.
OLD_CONTAINER = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"


class Refused(Exception):
    """A workbook that is not opened, with the sentence that says why."""


@dataclass
class Hidden:
    """What nobody would see in the values of a sheet: where cells are merged, and formulas without a value."""

    merged: list[str] = field(default_factory=list)
    # Columns by row.
    formulas: dict[int, list[int]] = field(default_factory=lambda: defaultdict(list))
    # The first cell with something in it that stands too far to the right to be read.
    far: str = ""


def look_over(path: Path) -> dict[str, Hidden]:
    """By the names of the sheets' parts; raises `Refused` for what is no workbook or would cost too much to open."""
    try:
        with path.open("rb") as file:
            begins = file.read(8)
    except OSError as error:
        raise Refused(_("This file cannot be read.")) from error
    if begins == OLD_CONTAINER:
        raise Refused(
            _("This is an old workbook (.xls), or one with a password. Save it as .xlsx, without a password.")
        )
    if not begins.startswith(b"PK"):
        raise Refused(_("This is no workbook. Save it as .xlsx."))
    with damaged_is_refused(), zipfile.ZipFile(path) as archive:
        _refuse_kind(archive)
        members = archive.infolist()
        if len(members) > MOST_MEMBERS or sum(member.file_size for member in members) > MOST_BYTES:
            raise _too_large()
        return _look_through(archive, members)


def _look_through(archive: zipfile.ZipFile, members: list[zipfile.ZipInfo]) -> dict[str, Hidden]:
    found: dict[str, Hidden] = {}
    in_sheets = elsewhere = 0
    for member in members:
        look = _Look(MOST_IN_SHEETS - in_sheets, MOST_ELSEWHERE - elsewhere)
        try:
            with archive.open(member) as part:
                look.through(part)
        except expat.ExpatError:
            # Pictures and such; what is named as XML has to be XML.
            if member.filename.endswith((".xml", ".rels")):
                raise
        if look.is_sheet:
            in_sheets += look.elements
            found[member.filename] = look.hidden
        else:
            elsewhere += look.elements
    return found


def _too_large() -> Refused:
    return Refused(
        _("This workbook is too large, or unfolds to far more than its size says. Bring it in as CSV files.")
    )


def _refuse_kind(archive: zipfile.ZipFile) -> None:
    names = set(archive.namelist())
    if "content.xml" in names:
        raise Refused(_("This is an OpenDocument file. Save it as .xlsx."))
    if "xl/workbook.bin" in names:
        raise Refused(_("This is a binary workbook (.xlsb). Save it as .xlsx."))
    if "[Content_Types].xml" not in names or not any(name.startswith("xl/") for name in names):
        raise Refused(_("This is no workbook. Save it as .xlsx."))
    if any(name.lower().endswith("vbaproject.bin") for name in names):
        raise Refused(_("This workbook has macros. Save it as .xlsx, without them."))


@contextmanager
def damaged_is_refused() -> Iterator[None]:
    """Whatever a broken file makes its readers raise becomes one sentence."""
    try:
        yield
    except Refused:
        raise
    except Exception as error:
        raise Refused(_("This workbook is damaged and cannot be read. Save it again as .xlsx.")) from error


class _Look:
    """One part of the file, read as a stream: nothing of it is kept but what it counts and finds."""

    def __init__(self, most_in_sheet: int, most_else: int) -> None:
        self.most_in_sheet, self.most = most_in_sheet, most_else
        self.parser = expat.ParserCreate(namespace_separator=" ")
        self.parser.StartElementHandler = self.start
        self.parser.StartDoctypeDeclHandler = self.doctype
        self.hidden = Hidden()
        self.is_sheet = self.inside_row = False
        self.elements = self.rows = self.beside = self.in_row = 0
        self.row = self.column = 0
        self.cell = self.kind = ""
        self.formula = self.in_value = self.has_value = False

    def through(self, part: IO[bytes]) -> None:
        while chunk := part.read(CHUNK):
            self.parser.Parse(chunk, False)
        self.parser.Parse(b"", True)

    def doctype(self, *_declared: object) -> None:
        # Entities are how a small file unfolds to a large one; spreadsheets declare none.
        raise _too_large()

    def start(self, name: str, attributes: dict[str, str]) -> None:
        self.elements += 1
        tag = name.rpartition(" ")[2]
        if self.elements == 1 and tag == "worksheet":
            self.is_sheet, self.most = True, self.most_in_sheet
            self.parser.EndElementHandler = self.end
            self.parser.CharacterDataHandler = self.text
            self.parser.buffer_text = True
        if self.elements > self.most:
            raise _too_large()
        if self.is_sheet:
            self._in_sheet(tag, attributes)

    def _in_sheet(self, tag: str, attributes: dict[str, str]) -> None:
        if tag == "row":
            self._row(attributes.get("r", ""))
        elif not self.inside_row:
            self.beside += 1
            if tag == "mergeCell":
                self.hidden.merged.append(attributes.get("ref", ""))
        elif tag == "c":
            self.in_row += 1
            self.cell = attributes.get("r", "")
            self.kind = attributes.get("t", "n")
            self.column = _column(self.cell) if self.cell else self.column + 1
            self.formula = self.has_value = False
        else:
            self.in_row += 1
            self.formula = self.formula or tag == "f"
            self.in_value = tag in ("v", "t")
        if self.in_row > MOST_IN_A_ROW or self.beside > MOST_BESIDE_ROWS:
            raise _too_large()

    def _row(self, number: str) -> None:
        self.rows += 1
        before, self.row = self.row, int(number) if number else self.row + 1
        self.inside_row, self.in_row, self.column = True, 0, 0
        # A row that is far off would be filled up to with empty ones.
        if self.rows > MOST_ROWS or self.row > LAST_ROW:
            raise _too_large()
        if self.row <= before:
            raise ValueError(f"row {self.row} after row {before}")

    def text(self, _data: str) -> None:
        self.has_value = self.has_value or self.in_value

    def end(self, name: str) -> None:
        tag = name.rpartition(" ")[2]
        if tag == "row":
            self.inside_row, self.in_row = False, 0
        elif tag in ("v", "t"):
            # A formula may well have come to an empty text; an empty number is none.
            self.has_value = self.has_value or self.kind == "str"
            self.in_value = False
        elif tag == "c":
            self._cell_ends()

    def _cell_ends(self) -> None:
        if self.column > LAST_COLUMN:
            if self.has_value or self.formula:
                self.hidden.far = self.hidden.far or self.cell
        elif self.formula and not self.has_value:
            self.hidden.formulas[self.row].append(self.column)


def _column(cell: str) -> int:
    number = 0
    for letter in cell[:4]:
        if not "A" <= letter <= "Z":
            break
        number = number * 26 + ord(letter) - 64
    return number
