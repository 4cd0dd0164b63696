"""A club's rows into files: the same rows are the same bytes."""

from __future__ import annotations

import csv
import shutil
import tempfile
import zipfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from decimal import Decimal
from pathlib import Path
from typing import IO, Any

from django.utils.translation import gettext as _

from clubcoach.models import Club
from reports.exchange.columns import FILES, Cell, FileSpec
from reports.exchange.rows import club_rows, going_out
from reports.exchange.seen import Row
from sessions.models import Mark, Rally, Situation

Tell = Callable[[int, str], None]
# Rows between two words about how far it is; they are written in less time than any lease lasts.
TELL_EVERY = 20_000
# The first moment that a ZIP can name: when files were packed is no part of what is in them.
_NO_TIME = (1980, 1, 1, 0, 0, 0)


def write_folder(club: Club, path: str | Path, tell: Tell | None = None) -> dict[str, int]:
    """Write the club's nine files and say how many rows each has.

    The folder is not there, or is empty, until all of them are written.

    Raises
    ------
    FileExistsError
        Something is in the folder.
    """
    folder = Path(path)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise FileExistsError(folder)
    folder.parent.mkdir(parents=True, exist_ok=True)
    counts: dict[str, int] = {}
    meter = _Meter(club, tell)
    with _aside(folder) as begun:
        for name, rows in club_rows(club):
            with (begun / name).open("w", encoding="utf-8", newline="") as file:
                counts[name] = _write(file, FILES[name], meter.passing(name, rows))
    return counts


@contextmanager
def _aside(folder: Path) -> Iterator[Path]:
    """A folder beside this one that takes its place at the end; only its owner may look into it."""
    begun = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    try:
        yield begun
        begun.rename(folder)
    except BaseException:
        shutil.rmtree(begun, ignore_errors=True)
        raise


class _Meter:
    """Counts the rows that pass, and tells how many of those to be expected have passed."""

    def __init__(self, club: Club, tell: Tell | None) -> None:
        self.tell, self.passed, self.expected = tell, 0, 1
        if tell is not None:
            situations = Situation.objects.filter(analysis__in=going_out(club).order_by(), dropped=False)
            marks = Mark.objects.filter(situation__in=situations)
            rallies = Rally.objects.filter(match__club=club, dropped=False)
            self.expected += situations.count() + marks.count() + rallies.count()

    def passing(self, name: str, rows: Iterable[Row]) -> Iterator[Row]:
        self._say(name)
        for row in rows:
            yield row
            self.passed += 1
            if self.passed % TELL_EVERY == 0:
                self._say(name)

    def _say(self, name: str) -> None:
        if self.tell is not None:
            self.tell(min(99, 100 * self.passed // self.expected), _("Writing %(file)s") % {"file": name})


def _write(file: IO[str], spec: FileSpec, rows: Iterable[Row]) -> int:
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(spec.names)
    told = {i: _AS_TEXT[column.cell] for i, column in enumerate(spec.columns) if column.cell in _AS_TEXT}
    n = 0
    for n, row in enumerate(rows, 1):  # noqa: B007
        if told:
            cells = list(row)
            for i, as_text in told.items():
                if cells[i] is not None:
                    cells[i] = as_text(cells[i])
            writer.writerow(cells)
        else:
            writer.writerow(row)
    return n


def shortest(number: float) -> str:
    """The shortest decimal that is read as this number, with all of its digits: 12, 12.5, 0.00001."""
    text = repr(float(number) + 0.0)
    if "e" in text:
        text = format(Decimal(text), "f")
    return text.removesuffix(".0")


_AS_TEXT: dict[Cell, Callable[[Any], str]] = {Cell.NUMBER: shortest, Cell.NAMES: ";".join}


def zip_folder(path: str | Path, file: str | Path | IO[bytes]) -> None:
    """Pack a folder's files by their plain names; the same files are the same bytes, whoever packs them and when."""
    with zipfile.ZipFile(file, "w") as packed:
        for member in sorted(Path(path).iterdir()):
            info = zipfile.ZipInfo(member.name, _NO_TIME)
            info.compress_type = zipfile.ZIP_DEFLATED
            # Unix, a plain file that its owner may read and write: otherwise it would depend on who packs.
            info.create_system, info.external_attr = 3, 0o100600 << 16
            # Tells the packer beforehand whether the member needs the large format.
            info.file_size = member.stat().st_size
            with member.open("rb") as source, packed.open(info, "w") as target:
                shutil.copyfileobj(source, target, 1 << 20)
