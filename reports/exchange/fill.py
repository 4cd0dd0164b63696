"""Rows of text into a `Table`: the header, the number of cells, each cell, and rows that are there twice."""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Sequence
from itertools import compress
from typing import Any

import numpy as np
from django.utils.translation import gettext as _

from reports.exchange.cells import SPACES, Bad, Cells, Readers, shown
from reports.exchange.columns import Column, FileSpec
from reports.exchange.problems import Problems
from reports.exchange.tables import Table

Fault = tuple[int, int, str, str, str]
"""Line, place in the row, column, value and reason: sorts as people read."""


class Filler:
    """Fills one table from rows of strings that come in pieces, and tells what is wrong with them.

    Cells are read column by column: a piece without faults costs no Python code per row, and only one with faults
    is looked at again row by row.
    """

    def __init__(self, spec: FileSpec, problems: Problems, readers: Readers) -> None:
        self.spec = spec
        self.problems = problems
        self.readers = readers
        self.width = 0
        self.filled: list[tuple[int, Column, Cells, list[Any]]] = []
        self._table = Table(spec)

    def header(self, line: int, cells: Sequence[str]) -> bool:
        """False where nothing can be read under this header."""
        names = [cell.strip(SPACES) for cell in cells]
        self.width = len(names)
        if self._other_separator(line, names):
            return False
        known = {column.name: column for column in self.spec.columns}
        seen: dict[str, int] = {}
        for place, name in enumerate(names):
            if not name:
                reason = _("Column %(n)d has no name. Name it, or delete it.") % {"n": place + 1}
                self._add(line, "", "", reason)
            elif name not in known:
                reason = _("No column has this name here. Delete it, or use one of these names: %(names)s.")
                self._add(line, name, "", reason % {"names": ", ".join(known)})
            elif name in seen:
                reason = _("This column is there twice, as column %(first)d and %(second)d. Keep one.")
                self._add(line, name, "", reason % {"first": seen[name] + 1, "second": place + 1})
            else:
                seen[name] = place
                column = known[name]
                self.filled.append((place, column, self.readers.of(column), self._table[name]))
        if not seen:
            return False
        for column in known.values():
            if column.needed and column.name not in seen:
                self._add(line, column.name, "", _("This column is missing, and every row needs it. Add it."))
        return True

    def feed(self, lines: Sequence[int], rows: Sequence[Sequence[str]], faults: Iterable[Fault] = ()) -> None:
        """A piece of the file; `faults` are those of rows that could not even be cut into cells."""
        told = list(faults)
        if any(len(row) != self.width for row in rows):
            lines, rows = self._whole_rows(lines, rows, told)
        columns = list(zip(*rows, strict=True))
        clean = True
        read = []
        for place, column, cells, _values in self.filled if rows else ():
            before = cells.refused
            values = list(map(cells.__getitem__, columns[place]))
            clean = clean and cells.refused == before and not (column.needed and None in values)
            read.append(values)
        if not clean:
            fits = self._fits(lines, rows, read, told)
            lines = list(compress(lines, fits))
            read = [list(compress(values, fits)) for values in read]
        if read:
            self._table.lines.extend(lines)
            for (_place, _column, _cells, all_values), values in zip(self.filled, read, strict=True):
                all_values.extend(values)
        for line, _place, name, value, reason in sorted(told):
            self._add(line, name, value, reason)

    def table(self) -> Table:
        """The table, when all is read."""
        names = {column.name for _place, column, _cells, _values in self.filled}
        if len(self._table) > 1 and names.issuperset(self.spec.key):
            self._drop_doubles()
        for name, values in self._table.columns.items():
            if name not in names:
                values.extend([None] * len(self._table))
        return self._table

    def _add(self, line: int, column: str, value: str, reason: str) -> None:
        self.problems.add(self.spec.name, line, shown(column), shown(value), reason)

    def _other_separator(self, line: int, names: list[str]) -> bool:
        if len(names) != 1:
            return False
        for mark, reason in (
            (";", _("Semicolons stand between the cells. Save the file as CSV with commas between them.")),
            ("\t", _("Tabs stand between the cells. Save the file as CSV with commas between them.")),
        ):
            if mark in names[0]:
                self._add(line, "", names[0], reason)
                return True
        return False

    def _whole_rows(
        self, lines: Sequence[int], rows: Sequence[Sequence[str]], told: list[Fault]
    ) -> tuple[list[int], list[Sequence[str]]]:
        """The rows with as many cells as the header; a line without anything is no row."""
        fits = [len(row) == self.width for row in rows]
        reason = _(
            "This row has %(n)d cells and the header %(width)d. "
            "A cell that holds a comma stands in quotes; a cell without anything keeps its comma."
        )
        for line, row, fit in zip(lines, rows, fits, strict=True):
            if not fit and row:
                told.append((line, 0, "", ",".join(row[:50]), reason % {"n": len(row), "width": self.width}))
        return list(compress(lines, fits)), list(compress(rows, fits))

    def _fits(
        self, lines: Sequence[int], rows: Sequence[Sequence[str]], read: list[list[Any]], told: list[Fault]
    ) -> list[bool]:
        # Spreadsheets leave rows of nothing but commas below the last one.
        blank = [not any(cell.strip(SPACES) for cell in row) for row in rows]
        fits = [not nothing for nothing in blank]
        empty = _("This cell is empty, and every row needs it. Fill it in.")
        for (place, column, _cells, _values), values in zip(self.filled, read, strict=True):
            for i, value in enumerate(values):
                if type(value) is Bad:
                    reason = value.reason
                elif value is None and column.needed and not blank[i]:
                    reason = empty
                else:
                    continue
                fits[i] = False
                told.append((lines[i], place, column.name, rows[i][place], reason))
        return fits

    def _drop_doubles(self) -> None:
        """Refuse rows whose key another row has already.

        Only hashes of all keys are kept, eight bytes each; the keys themselves are compared where hashes meet.
        """
        table, key = self._table, self.spec.key
        columns = [table[name] for name in key]
        hashes = np.frombuffer(array("q", map(hash, zip(*columns, strict=True))), dtype=np.int64)
        order = np.argsort(hashes, kind="stable")
        meets = np.flatnonzero(hashes[order[1:]] == hashes[order[:-1]])
        if not meets.size:
            return
        earlier = np.full(len(table), -1)
        first: dict[tuple[Any, ...], int] = {}
        last = -2
        for at in meets.tolist():
            if at != last + 1:
                first.clear()
                i = int(order[at])
                first[tuple(values[i] for values in columns)] = i
            i = int(order[at + 1])
            there = first.setdefault(tuple(values[i] for values in columns), i)
            if there != i:
                earlier[i] = there
            last = at
        reason = _(
            "Line %(first)d is the same row by its %(key)s, and this is line %(second)d. Keep one of them."
        )
        names = ", ".join(key)
        for i in np.flatnonzero(earlier >= 0).tolist():
            where = {"first": table.lines[earlier[i]], "second": table.lines[i], "key": names}
            self._add(table.lines[i], names, ", ".join(str(values[i]) for values in columns), reason % where)
        fits = (earlier < 0).tolist()
        table.lines[:] = compress(table.lines, fits)
        for _place, _column, _cells, values in self.filled:
            values[:] = compress(values, fits)
