"""A cheap look at a file before it is kept, and writing it down. Reading it for real is a job's work."""

import errno
import os
from pathlib import PurePath
from typing import Any

from django.core.files.uploadhandler import FileUploadHandler, SkipFile

NAMES = {
    "mp4": "mp4",
    "m4v": "mp4",
    "mov": "mov",
    "webm": "webm",
    "mkv": "mkv",
    "ts": "ts",
    "mts": "ts",
    "m2ts": "ts",
}
# The four letters at byte 4 of an MP4 or MOV file; older MOV files have no "ftyp".
BOXES = {b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot"}
MATROSKA = b"\x1a\x45\xdf\xa3"
SYNC = 0x47
# So many first bytes tell what a file is; a transport stream shows three packets in them.
HEAD = 1024
# What films leave free on the disk, for whatever else has to be written on it.
ROOM = 200 * 10**6


def extension_of(name: str, head: bytes) -> str | None:
    """The extension to keep the file under, or None for a file that cannot be a film."""
    said, found = said_by(name), _family(head)
    if said is None or found is None:
        return None
    # A wrong ending inside the right family is common and harmless: players look into the file.
    family = {"mp4": "mp4", "mov": "mp4", "webm": "webm", "mkv": "webm", "ts": "ts"}[said]
    return said if family == found else found


def said_by(name: str) -> str | None:
    """The extension that a name promises; None for a name that no film has."""
    return NAMES.get(PurePath(name).suffix.lower().lstrip("."))


def _family(head: bytes) -> str | None:
    if head[4:8] in BOXES:
        return "mp4"
    if head.startswith(MATROSKA):
        return "webm"
    for start, packet in ((0, 188), (4, 192)):
        marks = head[start::packet]
        if len(marks) >= 3 and all(byte == SYNC for byte in marks):
            return "ts"
    return None


class NotTooLarge(FileUploadHandler):
    """Lets a body that is too large run past, so that no disk is filled before the page can say so."""

    def __init__(self, most: int) -> None:
        super().__init__()
        self.most = most
        self.skipped = False

    def handle_raw_input(self, input_data: Any, META: Any, content_length: int, *rest: Any) -> None:
        # The form around the file takes a few hundred bytes.
        self.skipped = content_length > self.most + 64 * 1024

    def new_file(self, *args: Any, **kwargs: Any) -> None:
        super().new_file(*args, **kwargs)
        if self.skipped:
            raise SkipFile

    def receive_data_chunk(self, raw_data: bytes, start: int) -> bytes:
        return raw_data

    def file_complete(self, file_size: int) -> None:
        return None


def write(part: int, chunk: bytes) -> None:
    """All of a chunk at a file's end; a disk is called full while the database still has room to go on."""
    disk = os.fstatvfs(part)
    if disk.f_bavail * disk.f_frsize < len(chunk) + ROOM:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    rest = memoryview(chunk)
    while rest:
        rest = rest[os.write(part, rest) :]
