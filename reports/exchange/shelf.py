"""Where the files of imports and exports lie until they are no longer needed, and what may arrive there.

Nothing here has an address: views that know who asks hand out what is to be handed out.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path, PurePath
from typing import Any
from uuid import UUID

from django.conf import settings
from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _

from reports.exchange.columns import FILES, PLAYERS
from reports.models import Batch

MB = 1024 * 1024
ARCHIVE, WORKBOOK, FOLDER = "sheets.zip", "sheets.xlsx", "files"
_ZIP_BEGINS = b"PK\x03\x04"
# A browser says "Copy of" in its own way; the names of ours are known without it.
_COPY = re.compile(r" ?\(\d+\)(?=\.csv$)")


def place(name: str | UUID) -> Path:
    """A folder or file of the exchange; `name` comes from a row, never from outside."""
    return Path(settings.MEDIA_ROOT) / "exchange" / str(name)


def most() -> int:
    return int(settings.EXCHANGE_MAX_MB) * MB


def too_large() -> str:
    return _(
        "That is more than %(most)d MB. Send the files as one ZIP, or in parts, the oldest seasons first."
    ) % {"most": settings.EXCHANGE_MAX_MB}


def keep(uploads: Sequence[Any], into: Path, kind: Any) -> tuple[Any, str]:
    """Put what arrived where a job finds it. Returns what it is, and the name to show for it."""
    if not uploads or not any(upload.size for upload in uploads):
        raise _wrong(_("Choose the files, one ZIP of them, or one workbook."))
    if sum(upload.size for upload in uploads) > most():
        raise _wrong(too_large())
    targets = _targets(uploads, kind)
    into.mkdir(parents=True)
    try:
        (into / FOLDER).mkdir()
        for upload, target in zip(uploads, targets, strict=True):
            with (into / target).open("xb") as file:
                for piece in upload.chunks():
                    file.write(piece)
    except BaseException:
        remove(into)
        raise
    is_book = targets == [WORKBOOK] and kind != Batch.Kind.ROSTER
    found = Batch.Kind.WORKBOOK if is_book else Batch.Kind(kind)
    return found, ", ".join(_plain(upload.name) for upload in uploads)[:200]


def _targets(uploads: Sequence[Any], kind: Any) -> list[str]:
    """Where each upload goes; refuses what is none of ours before anything is kept."""
    endings = {PurePath(upload.name).suffix.lower() for upload in uploads}
    if kind == Batch.Kind.ROSTER and (len(uploads) > 1 or not endings <= {".csv", ".xlsx"}):
        raise _wrong(_("Send one list of players, as CSV or XLSX."))
    for ending, target, needs in ((".zip", ARCHIVE, "ZIP"), (".xlsx", WORKBOOK, "XLSX")):
        if ending not in endings:
            continue
        if len(uploads) > 1:
            raise _wrong(_("Send one ZIP, or one workbook, or the CSV files: one of the three at a time."))
        uploads[0].seek(0)
        if uploads[0].read(4) != _ZIP_BEGINS:
            raise _wrong(
                _("This file is called %(kind)s and is none. Save it again as %(kind)s.") % {"kind": needs}
            )
        return [target]
    names = [_plain(upload.name) for upload in uploads]
    if kind == Batch.Kind.ROSTER:
        # A list of players keeps the name that its spreadsheet gave it.
        names = [PLAYERS.name]
    known = [_COPY.sub("", name).lower() for name in names]
    for name, ours in zip(names, known, strict=True):
        if ours not in FILES:
            raise _wrong(
                _("“%(name)s” is no file of an import. These are: %(names)s; or one ZIP or one XLSX.")
                % {"name": name, "names": ", ".join(FILES)}
            )
        if known.count(ours) > 1:
            raise _wrong(_("%(name)s is there twice. Send each file once.") % {"name": ours})
    return [f"{FOLDER}/{ours}" for ours in known]


def copy_folder(folder: Path, into: Path) -> None:
    """The same for a folder of this machine. What has another name comes along, so that the reader can refuse it."""
    (into / FOLDER).mkdir(parents=True)
    for file in sorted(folder.iterdir()):
        if file.is_file() and not file.name.startswith("."):
            shutil.copyfile(file, into / FOLDER / file.name)


def remove(path: Path) -> None:
    shutil.rmtree(path, ignore_errors=True)


def forgotten(before: datetime, known: set[str]) -> list[Path]:
    """Folders that no row names: of a process that was killed between the files and their row."""
    if not place("").is_dir():
        return []
    rows = [path for path in place("").iterdir() if path.name not in known]
    return [path for path in rows if path.stat().st_mtime < before.timestamp()]


def _plain(name: str) -> str:
    """The last part of a name that came from outside, without what no screen shows."""
    last = PurePath(name.replace("\\", "/")).name
    return "".join(sign for sign in last if sign.isprintable())[-120:]


def _wrong(reason: str) -> ValidationError:
    return ValidationError({"files": reason})
