"""A ZIP into an empty folder: plain files with our names, and nothing that could reach or fill another place."""

from __future__ import annotations

import re
import stat
import zipfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import IO, Any

from django.utils.translation import gettext as _

from reports.exchange.cells import shown
from reports.exchange.columns import FILES
from reports.exchange.problems import Problems

MOST_BYTES = 2 * 1024**3
# Nine files, and what some systems put beside each of them.
MOST_MEMBERS = 100
# Sheets shrink to a tenth or a thirtieth, small ones of empty cells to less.
MOST_RATIO, SMALL = 200, 1024**2
BLOCK = 1024**2
ENTRY = b"PK\x01\x02"
# What systems leave beside files without anybody asking.
LEFT_BESIDE = {".ds_store", "thumbs.db", "desktop.ini", "__macosx"}
ARCHIVES = (".zip", ".7z", ".rar", ".gz", ".tgz", ".tar", ".bz2", ".xz")
ENCRYPTED = 0x1 | 0x40 | 0x2000
DRIVE = re.compile(r"[A-Za-z]:")


class _Refused(Exception):
    """The archive as a whole, with the sentence that says why."""


def ignored(name: str) -> bool:
    return name.lower() in LEFT_BESIDE or name.startswith("._")


def unpack(file: Any, into: str | Path, problems: Problems) -> bool:
    """The members of a ZIP (its path, or the open file) into an empty folder; none of them if one is refused."""
    folder = Path(into)
    folder.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    done = False
    try:
        with ExitStack() as stack:
            with _readable():
                stream = stack.enter_context(open(file, "rb")) if isinstance(file, str | Path) else file
                size = _size(stream)
                archive = stack.enter_context(zipfile.ZipFile(stream))
            members = _members(archive, size, problems)
            for name, info in members.items():
                _copy(archive, info, folder / name, written)
            done = bool(members)
    except _Refused as refused:
        problems.add(_name(file), 0, "", None, refused)
    finally:
        if not done:
            for path in written:
                path.unlink(missing_ok=True)
    return done


@contextmanager
def _readable() -> Iterator[None]:
    """Whatever goes wrong in reading: a broken archive makes zipfile and zlib raise errors of a dozen kinds."""
    try:
        yield
    except _Refused:
        raise
    except Exception as error:
        raise _Refused(_("This is not a ZIP, or it is damaged. Pack the folder again.")) from error


def _name(file: Any) -> str:
    name = file if isinstance(file, str | Path) else getattr(file, "name", None)
    return shown(Path(name).name) if isinstance(name, str | Path) else ""


def _size(stream: IO[bytes]) -> int:
    """The archive's size. Its entries are counted before zipfile makes an object of each."""
    stream.seek(0)
    size = entries = 0
    rest = b""
    while block := stream.read(BLOCK):
        size += len(block)
        block = rest + block
        entries += block.count(ENTRY)
        rest = block[-len(ENTRY) + 1 :]
        if entries > MOST_MEMBERS:
            raise _Refused(_too_many())
    stream.seek(0)
    return size


def _too_many() -> str:
    return _("There are more than %(most)d files in this ZIP. Pack only those of the import.") % {
        "most": MOST_MEMBERS
    }


def _members(archive: zipfile.ZipFile, size: int, problems: Problems) -> dict[str, zipfile.ZipInfo]:
    """What is to be unpacked, by name; nothing where anything is refused."""
    infos = [info for info in archive.infolist() if not _left_beside(info)]
    top = _common_folder(infos)
    before = problems.count
    members: dict[str, zipfile.ZipInfo] = {}
    for info in infos:
        if info.orig_filename == top:
            continue
        name = info.orig_filename.removeprefix(top)
        if reason := _path_refused(info) or _name_refused(name) or _content_refused(info):
            problems.add(shown(info.orig_filename), 0, "", None, reason)
        elif name in members:
            problems.add(name, 0, "", None, _("This file is in the ZIP twice. Keep one."))
        else:
            members[name] = info
    if problems.count > before:
        return {}
    total = sum(info.file_size for info in members.values())
    if total > MOST_BYTES:
        most = MOST_BYTES // 1024**2
        raise _Refused(
            _("Unpacked, this ZIP is larger than %(most)d MB. Bring it in parts.") % {"most": most}
        )
    if total > SMALL and total > MOST_RATIO * size:
        raise _Refused(_shrunk())
    if not members:
        raise _Refused(
            _("This ZIP holds none of the files of an import: %(names)s.") % {"names": ", ".join(FILES)}
        )
    return members


def _left_beside(info: zipfile.ZipInfo) -> bool:
    return not _path_refused(info) and any(map(ignored, info.orig_filename.split("/")))


def _common_folder(infos: list[zipfile.ZipInfo]) -> str:
    """The one folder that everything lies in, with its slash."""
    tops = {info.orig_filename.partition("/")[:2] for info in infos}
    return "".join(tops.pop()) if len(tops) == 1 and next(iter(tops))[1] else ""


def _path_refused(info: zipfile.ZipInfo) -> str | None:
    # What zipfile calls `filename` is cut at a zero byte already.
    name = info.orig_filename
    parts = name.removesuffix("/").split("/")
    if "\\" in name or "\0" in name or DRIVE.match(name) or {"", ".", ".."}.intersection(parts):
        return _("This is a path to another place. Pack the plain files, or one folder that holds them.")
    kind = stat.S_IFMT(info.external_attr >> 16)
    if kind == stat.S_IFLNK:
        return _("This is a link. Pack the file itself.")
    if kind not in (0, stat.S_IFREG, stat.S_IFDIR) or (kind == stat.S_IFDIR and not info.is_dir()):
        return _("This is not a plain file. Take it out.")
    return None


def _name_refused(name: str) -> str | None:
    if "/" in name:
        return _("This lies in a folder of its own. Pack the plain files, or one folder that holds them.")
    if name.lower().endswith(ARCHIVES):
        return _("This is an archive inside the ZIP. Pack the files themselves.")
    if name not in FILES:
        reason = _("No file of an import has this name. Take it out, or use one of these names: %(names)s.")
        return reason % {"names": ", ".join(FILES)}
    return None


def _content_refused(info: zipfile.ZipInfo) -> str | None:
    if info.flag_bits & ENCRYPTED:
        return _("This file is encrypted. Pack it without a password.")
    # The others may ask for gigabytes of memory before the first byte.
    if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        return _("This file is compressed in a way that is not read here. Pack an ordinary ZIP.")
    if info.file_size > SMALL and info.file_size > MOST_RATIO * info.compress_size:
        return _shrunk()
    return None


def _shrunk() -> str:
    return _("This is packed more tightly than any sheet can be. Pack the folder again.")


def _copy(archive: zipfile.ZipFile, info: zipfile.ZipInfo, path: Path, written: list[Path]) -> None:
    """One member; no more than the archive says it has, whatever comes out of it."""
    with ExitStack() as stack:
        with _readable():
            source = stack.enter_context(archive.open(info))
        target = stack.enter_context(path.open("xb"))
        written.append(path)
        copied = 0
        while True:
            with _readable():
                block = source.read(BLOCK)
                copied += len(block)
                if copied > info.file_size or (not block and copied != info.file_size):
                    raise _Refused(_("%(file)s has not the size that the ZIP says.") % {"file": path.name})
            if not block:
                return
            target.write(block)
