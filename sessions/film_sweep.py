"""What killed work left: files that no row names, and that nobody can be at work on any more."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterable
from pathlib import Path
from uuid import UUID

from django.db.models import Q

from sessions import film_store, stills
from sessions.models import Film, Upload

# Nobody writes a file and then waits for so long before a row names it.
OLD_S = 3600.0
WORKED_ON = [Film.State.MAKING, Film.State.PAUSED, Film.State.REFUSED]
PICTURED = [Film.State.READY, Film.State.MAKING, Film.State.PAUSED]


def sweep(now_s: float | None = None) -> int:
    """Remove what no row names and what is old; how much there was."""
    old = (now_s or time.time()) - OLD_S
    return _arrivals(old) + _films(old) + _pieces(old) + _pictures(old)


def _old(paths: Iterable[Path], old: float) -> list[Path]:
    return [path for path in paths if film_store.written(path) < old]


def _names() -> set[str]:
    rows = Film.objects.exclude(file="", original="").values_list("file", "original")
    return {name for row in rows for name in row if name}


def _arrivals(old: float) -> int:
    paths = _old(film_store.incoming().glob("*"), old)
    if not paths:
        return 0
    named = _names()
    left = [path for path in paths if f"incoming/{path.name}" not in named]
    # Looked for after the files: what is on its way now was begun before it was written.
    coming = {uuid.hex for uuid in Upload.objects.filter(film=None).values_list("uuid", flat=True)}
    gone = 0
    for path in left:
        if path.name in coming or Film.objects.filter(original=f"incoming/{path.name}").exists():
            continue
        path.unlink(missing_ok=True)
        gone += 1
    return gone


def _films(old: float) -> int:
    root = film_store.media()
    paths = _old((path for path in (root / "films").rglob("*") if path.is_file()), old)
    named = _names() if paths else set()
    gone = 0
    for path in paths:
        name = path.relative_to(root).as_posix()
        if name not in named:
            club = path.parent.name
            gone += film_store.let_go(int(club) if club.isdecimal() else 0, name)
    return gone


def _pieces(old: float) -> int:
    folders = _old(film_store.making().glob("*"), old)
    gone = 0
    for folder in folders:
        if not _worked_on(folder.name):
            shutil.rmtree(folder, ignore_errors=True)
            gone += 1
    return gone


def _worked_on(name: str) -> bool:
    try:
        uuid = UUID(name)
    except ValueError:
        return False
    return Film.objects.filter(uuid=uuid, state__in=WORKED_ON).exclude(original="").exists()


def _pictures(old: float) -> int:
    """Pictures of films that are there no more. One that is wanted is made again when somebody asks."""
    strips = [path for path in (film_store.media() / "strips").glob("*/*") if path.is_file()]
    paths = _old([*strips, *stills.folder().glob("*")], old)
    if not paths:
        return 0
    live = Film.objects.filter(state__in=PICTURED).exclude(Q(digest="") | Q(file="", original=""))
    here = {(str(club), digest) for club, digest in live.values_list("club", "digest")}
    digests = {digest for _club, digest in here}
    gone = 0
    for path in paths:
        digest, club = path.name.partition("-")[0], path.parent.name
        named = digest in digests if path.parent == stills.folder() else (club, digest) in here
        # Under any other ending it is half of a picture.
        if not named or path.suffix not in (".jpg", ".none"):
            path.unlink(missing_ok=True)
            gone += 1
    return gone
