"""Where the bytes of films are kept: named by what is in them, counted against what a club may keep.

A file is written under a name of its own first (``incoming/``), linked to the name of its content, and only then named
by a row; what no row names is removed by the sweep. So a process may be killed at any line and nothing is lost or left.

Two films of one club with the same content share a file. Whoever names one and whoever removes one hold the club
meanwhile: else the last film could take away what a new one has just found there.
"""

from __future__ import annotations

import errno
import os
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from hashlib import sha256
from pathlib import Path
from uuid import UUID, uuid4

from django.conf import settings
from django.db import transaction
from django.db.models import Q, Sum

from clubcoach.models import Club
from sessions.models import Film, Upload

GB = 10**9
CHUNK = 2**20

Tell = Callable[[float], None]


def media() -> Path:
    return Path(settings.MEDIA_ROOT)


def incoming() -> Path:
    return media() / "incoming"


def name_incoming(uuid: UUID) -> str:
    """The name below the media of bytes that came just now."""
    return f"incoming/{uuid.hex}"


def part_of(upload: Upload) -> Path:
    """The pieces of an upload that have come; its length is how far the upload is."""
    return incoming() / upload.uuid.hex


def arrived(upload: Upload) -> int:
    """How many bytes of an upload are here."""
    try:
        return part_of(upload).stat().st_size
    except FileNotFoundError:
        return 0


def making() -> Path:
    return media() / "making"


def making_of(film: Film) -> Path:
    """Where the pieces of a playable copy wait until all of them are there."""
    return making() / str(film.uuid)


def strips(club: int) -> Path:
    """The small pictures of a club's films; a club never shares one with another."""
    return media() / "strips" / str(club)


def strip_path(film: Film, at_s: float, *, large: bool = False) -> Path:
    name = f"{film.digest}-{round(at_s * 1000)}{'-large' if large else ''}.jpg"
    return strips(film.club_id) / name


def drop_strip(film: Film) -> int:
    gone = 0
    for path in strips(film.club_id).glob(f"{film.digest}-*"):
        path.unlink(missing_ok=True)
        gone += 1
    return gone


def name_of(club: int, digest: str, extension: str) -> str:
    return f"films/{club}/{digest}.{extension}"


def path_of(name: str) -> Path:
    return media() / name


def source_of(film: Film) -> str:
    """The name of the bytes as they came; for a film from before there was a place for arrivals, of what is served."""
    return film.original.name or film.file.name or ""


def digest_of(path: Path, tell: Tell | None = None) -> str:
    """SHA-256 of a file of any size, in the memory of one piece; ``tell`` hears the share that is read."""
    found, size, read = sha256(), max(1, path.stat().st_size), 0
    with path.open("rb") as file:
        while piece := file.read(CHUNK):
            found.update(piece)
            read += len(piece)
            if tell is not None:
                tell(min(1.0, read / size))
    return found.hexdigest()


@contextmanager
def second_name(source: Path, club: int, tell: Tell | None = None) -> Iterator[Path]:
    """The same bytes under a passing name beside the club's films, from where a rename puts them in place."""
    folder = media() / "films" / str(club)
    folder.mkdir(parents=True, exist_ok=True)
    part = folder / f"{uuid4().hex}.part"
    try:
        try:
            os.link(source, part)
        except OSError as error:
            if error.errno in (errno.ENOENT, errno.ENOSPC, errno.EDQUOT):
                raise
            # Another disk, or one that knows no second names.
            _copy(source, part, tell)
        # A link is as old as what it leads to, and the sweep takes what is old.
        os.utime(part)
        yield part
    finally:
        part.unlink(missing_ok=True)


def _copy(source: Path, part: Path, tell: Tell | None) -> None:
    size, done = max(1, source.stat().st_size), 0
    with source.open("rb") as file, part.open("wb") as out:
        while piece := file.read(CHUNK):
            out.write(piece)
            done += len(piece)
            if tell is not None:
                tell(min(1.0, done / size))


def hold(club: int) -> None:
    """Let nobody else name or remove a film's file of this club until the transaction ends."""
    list(Club.objects.select_for_update(no_key=True).filter(pk=club).values_list("pk"))


def put(part: Path, name: str) -> None:
    """Give bytes the name of their content; call it while the club is held."""
    os.replace(part, path_of(name))


def let_go(club: int, *names: str) -> int:
    """Remove those of these files that no row names any more, once the rows are written; how many there were."""
    gone = 0
    with transaction.atomic():
        hold(club)
        for name in filter(None, names):
            if not Film.objects.filter(Q(file=name) | Q(original=name)).exists():
                gone += path_of(name).is_file()
                path_of(name).unlink(missing_ok=True)
    return gone


def drop_pieces(film: Film) -> None:
    shutil.rmtree(making_of(film), ignore_errors=True)


def quota(club: Club) -> int:
    """Bytes that all films of a club may take together."""
    return (club.film_quota_gb or settings.FILM_QUOTA_GB) * GB


def used(club: Club) -> int:
    """Bytes that films take, with what open uploads will; a file that several films share counts once.

    While a playable copy is being made there are the original and the pieces; of a finished one only the copy.
    """
    coming = Upload.objects.filter(club=club, film=None).aggregate(n=Sum("length"))["n"] or 0
    return sum(sizes(club).values()) + coming


def sizes(club: Club) -> dict[str, int]:
    """By name the bytes of each file, and of each folder of pieces."""
    found: dict[str, int] = {}
    for film in Film.objects.filter(club=club).exclude(file="", original=""):
        found[source_of(film)] = film.size
        pieces = bytes_in(making_of(film)) if film.original.name else 0
        if pieces:
            found[f"making/{film.uuid}"] = pieces
    return found


def bytes_in(folder: Path) -> int:
    total = 0
    for path in folder.glob("*"):
        try:
            total += path.stat().st_size
        except FileNotFoundError:
            # Put in place or dropped between the two looks.
            continue
    return total


def written(path: Path) -> float:
    """When a file, or the youngest file of a folder, was written; now for what has just gone."""
    try:
        times = [path.stat().st_mtime]
        if path.is_dir():
            times += [inner.stat().st_mtime for inner in path.iterdir()]
    except FileNotFoundError:
        return time.time()
    return max(times)
