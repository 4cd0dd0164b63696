"""What a file's own bytes say before any decoder sees it: which kind of film, whole or cut short, locked or not."""

from collections.abc import Iterator
from typing import BinaryIO

# The demuxer is named, never guessed: a guess would let a renamed playlist open other files and addresses.
MOV = "mov"
MATROSKA = "matroska"
MPEGTS = "mpegts"

_MOV_FIRST_BOXES = {b"ftyp", b"moov", b"mdat", b"free", b"skip", b"wide", b"pnot"}
_EBML = b"\x1a\x45\xdf\xa3"
_SEGMENT = b"\x18\x53\x80\x67"
_CLUSTER = b"\x1f\x43\xb6\x75"
_CUES = b"\x1c\x53\xbb\x6b"
_TS_PACKETS = (188, 192, 204)


def kind_of(head: bytes) -> str | None:
    """The demuxer for a film that begins with these bytes (1 kB will do), None when it is no film that we read."""
    if head[4:8] in _MOV_FIRST_BOXES:
        return MOV
    if head.startswith(_EBML):
        return MATROSKA
    for size in _TS_PACKETS:
        first = size - 188 if size == 192 else 0
        marks = head[first : first + 4 * size : size]
        if len(marks) == 4 and set(marks) == {0x47}:
            return MPEGTS
    return None


def unreadable(film: BinaryIO, size: int, kind: str) -> bool:
    """Whether the part is missing that says where the pictures are: many cameras write it last."""
    if kind != MOV:
        return False
    return not any(name == b"moov" and start + length <= size for name, start, length in _boxes(film, size))


def cut_short(film: BinaryIO, size: int, kind: str) -> bool:
    """Whether the file promises more than it holds."""
    if kind == MOV:
        return max((start + length for _, start, length in _boxes(film, size)), default=0) > size
    if kind == MATROSKA:
        return _segment_end(film) > size
    return False


def seekable(film: BinaryIO, size: int, kind: str) -> bool:
    """Whether a browser that reads by ranges finds its way: one table, not a fragment after the other."""
    if kind == MOV:
        return not any(name == b"moof" for name, _, _ in _boxes(film, size))
    if kind == MATROSKA:
        film.seek(0)
        head, _clusters, _rest = film.read(2**16).partition(_CLUSTER)
        return _CUES in head
    return False


def locked(film: BinaryIO, size: int, kind: str) -> bool:
    """Whether the pictures are encrypted, as films from a shop are."""
    if kind != MOV:
        return False
    for name, start, length in _boxes(film, size):
        if name == b"moov":
            film.seek(start)
            return b"encv" in film.read(min(length, 64 * 2**20))
    return False


def _boxes(film: BinaryIO, size: int) -> Iterator[tuple[bytes, int, int]]:
    start = 0
    # A film has a handful of boxes at this level, or a few thousand in pieces; a loop of empty ones is an attack.
    for _ in range(200_000):
        if start + 8 > size:
            return
        film.seek(start)
        head = film.read(16)
        length, name = int.from_bytes(head[:4], "big"), head[4:8]
        if length == 1 and len(head) == 16:
            length = int.from_bytes(head[8:], "big")
        elif length == 0:
            length = size - start
        if length < 8:
            return
        yield name, start, length
        start += length


def _segment_end(film: BinaryIO) -> int:
    """Where the segment of a Matroska file says that it ends; 0 when it does not say."""
    film.seek(4)
    length, used = _vint(film.read(8))
    if length is None:
        return 0
    start = 4 + used + length
    film.seek(start)
    head = film.read(12)
    if not head.startswith(_SEGMENT):
        return 0
    length, used = _vint(head[4:])
    return 0 if length is None else start + 4 + used + length


def _vint(data: bytes) -> tuple[int | None, int]:
    """A Matroska size: as many bytes as the first one has leading zero bits, plus one. All ones means unknown."""
    if not data or data[0] == 0:
        return None, 0
    used = 9 - data[0].bit_length()
    if len(data) < used:
        return None, 0
    bits = 7 * used
    value = int.from_bytes(data[:used], "big") & ((1 << bits) - 1)
    return (None if value == (1 << bits) - 1 else value), used
