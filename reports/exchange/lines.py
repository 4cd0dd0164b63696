"""A CSV file into rows of cells, with the line that each begins on, whatever its quotes are like."""

from __future__ import annotations

import csv
from collections import deque
from collections.abc import Iterator
from itertools import chain
from pathlib import Path
from typing import TextIO

from django.utils.translation import gettext as _

from reports.exchange.fill import Fault
from reports.exchange.problems import SHOWN

# How many rows are handed on together; from 700 new lists on, Python's search for dead cycles takes most of the time.
PIECE = 250
# A file may be anything: these keep one line, or one row of many lines, from filling the memory.
LONGEST = 128 * 1024
# The longest text has 2,000 characters, all of them line breaks if somebody likes.
MOST_LINES = 2_002
WORKBOOKS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")
WIDE = (b"\xff\xfe", b"\xfe\xff", b"\x00\x00\xfe\xff")


class _Endless(Exception):
    """A row that goes on and on."""


class Rows:
    """Cuts the file into rows.

    After a quote that is not closed nothing is certain: that line is a fault, and reading goes on with the next
    one, so that one slip hides no other.
    """

    def __init__(self, text: TextIO) -> None:
        self.text = text
        self.line = 1
        self._held: list[str] = []
        self._again: deque[str] = deque()
        self._broken = 0

    def header(self) -> list[str] | str | None:
        """The cells of the first row, which begins on `line`; the text of its line where it is broken."""
        try:
            for row in csv.reader(self._lines(), strict=True):
                if row:
                    return row
                self._next_row()
        except (csv.Error, _Endless):
            return self._held[0].rstrip("\r\n")
        return None

    def pieces(self, width: int) -> Iterator[tuple[list[int], list[list[str]], list[Fault]]]:
        """The rows below the header, many at a time: lines, rows, and lines that are no rows."""
        self._next_row()
        held, line, reason = self._held, self.line, broken_quote()
        lines: list[int] = []
        rows: list[list[str]] = []
        faults: list[Fault] = []
        while True:
            try:
                for row in csv.reader(self._lines(), strict=True):
                    if len(held) > 1 and len(row) != width:
                        break
                    lines.append(line)
                    rows.append(row)
                    line += len(held)
                    held.clear()
                    if len(rows) == PIECE:
                        yield lines, rows, faults
                        lines, rows, faults = [], [], []
                else:
                    break
            except (csv.Error, _Endless):
                pass
            faults.append((line, 0, "", held[0].rstrip("\r\n"), reason))
            self._again.extendleft(reversed(held[1:]))
            self._broken += 1
            line += 1
            held.clear()
            if len(faults) == PIECE:
                yield lines, rows, faults
                lines, rows, faults = [], [], []
        yield lines, rows, faults

    def _next_row(self) -> None:
        self.line += len(self._held)
        self._held.clear()

    def _lines(self) -> Iterator[str]:
        """The file's lines; those of the row that is being read stay in `_held`, for `pieces` to begin again."""
        held = self._held
        # Looking ahead again and again would take long in a file of nothing but open quotes.
        most = MOST_LINES if self._broken < SHOWN else 1
        size = 0
        for line in chain(self._once_more(), self.text):
            if held:
                size += len(line)
                if len(held) >= most or size > LONGEST:
                    self._again.appendleft(line)
                    raise _Endless
            else:
                size = 0
            held.append(line)
            yield line

    def _once_more(self) -> Iterator[str]:
        while self._again:
            yield self._again.popleft()


def broken_quote() -> str:
    return _(
        "A quote on this line is not closed, or more follows after a closed one. "
        'Close it, and write a quote that belongs to the text twice ("").'
    )


def refused_whole(file: Path) -> tuple[int, str] | None:
    """Line and reason if the file is no text that could be read line by line."""
    lines = 1
    with file.open("rb") as stream:
        head = True
        while block := stream.read(LONGEST):
            if head and block.startswith(WORKBOOKS):
                return 0, _("This is a workbook or an archive, not CSV. Save the sheet as “CSV UTF-8”.")
            if head and block.startswith(WIDE):
                return 1, _("This file is UTF-16 or UTF-32. Save it as “CSV UTF-8”.")
            if head and (at := block.find(b"\0")) >= 0:
                line = 1 + _breaks(block[:at])
                return line, _("This line holds zero bytes, as UTF-16 does. Save the file as “CSV UTF-8”.")
            if len(block) == LONGEST and b"\n" not in block and b"\r" not in block:
                return lines, _("This line is longer than any row can be. Is the file CSV?")
            lines += _breaks(block)
            head = False
    return None


def _breaks(block: bytes) -> int:
    return block.count(b"\n") + block.count(b"\r") - block.count(b"\r\n")
