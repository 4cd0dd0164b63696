"""A folder of CSV files into tables, whatever lies in it."""

from __future__ import annotations

from collections.abc import Callable
from io import TextIOWrapper
from pathlib import Path

from django.utils.translation import gettext as _

from reports.exchange.archive import ignored, unpack
from reports.exchange.cells import Readers, shown
from reports.exchange.columns import FILES, NEEDED, FileSpec
from reports.exchange.fill import Filler
from reports.exchange.lines import Rows, broken_quote, refused_whole
from reports.exchange.problems import Problems
from reports.exchange.tables import Table, Tables

__all__ = ["read_file", "read_folder", "unpack"]

Tell = Callable[[int, str], None]


def read_folder(
    path: str | Path, problems: Problems, tell: Tell | None = None, *, needed: tuple[str, ...] = NEEDED
) -> Tables:
    """The folder's files; rows that are not right are in `problems` and in no table. `needed` must be there."""
    tables = Tables()
    try:
        files = _files(Path(path), problems, needed)
        sizes = {spec.name: file.stat().st_size for spec, file in files}
    except OSError:
        problems.add("", 0, "", shown(Path(path).name), _("This folder cannot be read."))
        return tables
    readers = Readers()
    before, total = 0, max(1, sum(sizes.values()))
    for spec, file in files:
        meter = _Meter(tell, spec.name, before, total)
        tables.files[spec.name] = _table(spec, file, problems, readers, meter)
        before += sizes[spec.name]
        meter.at(sizes[spec.name])
    return tables


def read_file(path: str | Path, spec: FileSpec, problems: Problems) -> Table:
    """One file alone, whatever its name."""
    return _table(spec, Path(path), problems, Readers(), _Meter(None, spec.name, 0, 1))


class _Meter:
    """Says how far the reading is, once for each percent."""

    def __init__(self, tell: Tell | None, note: str, before: int, total: int) -> None:
        self.tell, self.note, self.before, self.total = tell, note, before, total
        self.last = -1

    def at(self, read: int) -> None:
        percent = min(100, 100 * (self.before + read) // self.total)
        if self.tell is not None and percent != self.last:
            self.last = percent
            self.tell(percent, self.note)


def _files(path: Path, problems: Problems, needed: tuple[str, ...]) -> list[tuple[FileSpec, Path]]:
    found = {}
    for entry in sorted(path.iterdir()):
        if ignored(entry.name):
            continue
        if entry.name not in FILES:
            reason = _(
                "No file of an import has this name. Take it out, or use one of these names: %(names)s."
            )
            problems.add(shown(entry.name), 0, "", None, reason % {"names": ", ".join(FILES)})
        elif not entry.is_file():
            problems.add(entry.name, 0, "", None, _("This is not a file."))
        else:
            found[entry.name] = entry
    if not found:
        reason = _(
            "This folder holds none of the files of an import. Needed are %(needed)s; others are %(others)s."
        )
        others = ", ".join(name for name in FILES if name not in needed)
        problems.add("", 0, "", None, reason % {"needed": ", ".join(needed), "others": others})
        return []
    for name in needed:
        if name not in found:
            problems.add(
                name, 0, "", None, _("This file is missing. Add it; its header row alone is enough.")
            )
    return [(spec, found[name]) for name, spec in FILES.items() if name in found]


def _table(spec: FileSpec, file: Path, problems: Problems, readers: Readers, meter: _Meter) -> Table:
    filler = Filler(spec, problems, readers)
    try:
        if whole := refused_whole(file):
            problems.add(spec.name, whole[0], "", None, whole[1])
            return filler.table()
        # Bytes that are not UTF-8 become surrogates, so that each is told with the cell that it stands in.
        with (
            file.open("rb") as stream,
            TextIOWrapper(stream, encoding="utf-8-sig", errors="surrogateescape", newline="") as text,
        ):
            rows = Rows(text)
            header = rows.header()
            if header is None:
                reason = _("This file is empty. It begins with a header row: %(names)s.")
                problems.add(spec.name, 0, "", None, reason % {"names": ",".join(spec.names)})
            elif isinstance(header, str):
                problems.add(spec.name, rows.line, "", shown(header), broken_quote())
            elif filler.header(rows.line, header):
                for lines, piece, faults in rows.pieces(len(header)):
                    filler.feed(lines, piece, faults)
                    meter.at(stream.tell())
    except OSError:
        problems.add(spec.name, 0, "", None, _("This file cannot be read."))
    return filler.table()
