"""A few seconds of film round the hit of a situation: where it is kept, when it is made, when it goes.

Students and guardians never get a film of four people; they get these pieces of their own situations.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any
from uuid import uuid4

from django.conf import settings
from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.utils.translation import gettext as _

from clubcoach.access import insist, viewer_of
from clubcoach.jobs import enqueue
from clubcoach.models import Job, User
from players.models import Player
from sessions import footage, stills
from sessions.models import Clip, Film, Situation

BEFORE_S = AFTER_S = 3.0
# Half of a film of 1080 lines and three quarters of one of 720, where a ball at the far end is 2 pixels wide: a third
# less and it is gone between two frames. More than that a phone does not show and a slow line does not carry.
TALLEST = 540
# The way of cutting; a new number makes new files.
RECIPE = 1
MOST_BYTES = 64 * 2**20
# A cut ends within minutes. What is older was left by a process that was killed.
LEFT_AFTER_S = 24 * 3600


@dataclass(frozen=True)
class Place:
    """Where in which film a situation is seen; seconds of the film, in whole milliseconds."""

    film: Film
    from_s: float
    to_s: float

    @property
    def digest(self) -> str:
        named = f"{self.film.digest} {round(self.from_s * 1000)} {round(self.to_s * 1000)} {RECIPE}"
        return sha256(named.encode()).hexdigest()


def folder() -> Path:
    return Path(settings.MEDIA_ROOT) / "clips"


def path_of(digest: str) -> Path:
    return folder() / f"{digest}.webm"


def place_of(situation: Situation) -> Place | None:
    """Three seconds before the hit to three after it, as far as the film goes; None while no film shows the hit."""
    found = stills.place_of(situation)
    if found is None:
        return None
    film, hit_s = found
    ends = min(film.duration_s or 0.0, hit_s + AFTER_S)
    return Place(film, round(max(0.0, hit_s - BEFORE_S), 3), round(ends, 3))


def clip_of(*, situation: Situation, by: User) -> Clip | None:
    """The clip of a situation with its state; the first look has it cut. None where no film shows the moment."""
    place = place_of(situation)
    if place is None:
        return None
    _refuse(situation, place, by)
    clip = Clip.objects.filter(digest=place.digest).first()
    if clip is None:
        return _ask(place, by)
    if clip.state == Clip.State.READY and not path_of(clip.digest).is_file():
        return _cut_again(clip, place, by)
    if clip.state == Clip.State.WAITING:
        return _looked_after(clip, place, by)
    return clip


def try_again(*, situation: Situation, by: User) -> Clip | None:
    """Have a clip that could not be cut tried once more; any other stays as it is."""
    place = place_of(situation)
    if place is None:
        return None
    _refuse(situation, place, by)
    clip = Clip.objects.filter(digest=place.digest, state=Clip.State.FAILED).first()
    return _cut_again(clip, place, by) if clip else clip_of(situation=situation, by=by)


def _refuse(situation: Situation, place: Place, by: User) -> None:
    viewer = viewer_of(by, situation.rally.match.club)
    if not stills.situations_seen_by(viewer).filter(pk=situation.pk).exists():
        raise PermissionDenied(_("This situation is somebody else's."))
    insist(stills.may_be_shown(place.film))


def _ask(place: Place, by: User) -> Clip:
    with transaction.atomic():
        # Who withdraws a consent at this moment holds the film too: either finds the other's work done.
        Film.objects.select_for_update().get(pk=place.film.pk)
        insist(stills.may_be_shown(place.film))
        # Two first looks at once: the digest is unique, the second one finds the row of the first.
        clip, made = Clip.objects.get_or_create(
            digest=place.digest,
            defaults={"film": place.film, "from_s": place.from_s, "to_s": place.to_s},
        )
        if made:
            _enqueue(clip, place, by)
    return clip


def _cut_again(clip: Clip, place: Place, by: User) -> Clip:
    with transaction.atomic():
        reset = Clip.objects.filter(pk=clip.pk).exclude(state=Clip.State.WAITING)
        # The same content may be here twice: the film that is asked about is the one that is there to be read.
        if reset.update(state=Clip.State.WAITING, problem="", film=place.film):
            _enqueue(clip, place, by)
    clip.refresh_from_db()
    return clip


def _looked_after(clip: Clip, place: Place, by: User) -> Clip:
    """See that somebody is at work on a waiting clip; one that was given up is not begun again by a look."""
    job = job_of(clip)
    if job is None or job.state == Job.State.DONE:
        # Between reading the two rows it may have become ready.
        clip.refresh_from_db()
        if clip.state == Clip.State.WAITING:
            _enqueue(clip, place, by)
    elif job.over:
        Clip.objects.filter(pk=clip.pk, state=Clip.State.WAITING).update(
            state=Clip.State.FAILED, problem=job.note or _("The work was stopped.")
        )
        clip.refresh_from_db()
    return clip


def _enqueue(clip: Clip, place: Place, by: User) -> None:
    enqueue("clip.cut", club=place.film.club, by=by, key=clip.digest, digest=clip.digest)


def job_of(clip: Clip) -> Job | None:
    return Job.objects.filter(kind="clip.cut", key=clip.digest).order_by("-pk").first()


@contextmanager
def cutting(clip: Clip, tell: Callable[[float], None]) -> Iterator[tuple[Path, int]]:
    """The clip under a name of this attempt, and how many frames it has; gone afterwards if nobody took it."""
    folder().mkdir(parents=True, exist_ok=True)
    part = folder() / f"{clip.digest}.{uuid4().hex}"
    long_s = clip.to_s - clip.from_s
    limits = footage.Limits(cpu_s=120 + int(30 * long_s), out_bytes=MOST_BYTES)
    try:
        frames = footage.cut(
            clip.film.file.path, clip.from_s, clip.to_s, part, tallest=TALLEST, limits=limits, tell=tell
        )
        yield part, frames
    finally:
        part.unlink(missing_ok=True)


def keep(clip: Clip, part: Path, frames: int, now: Any) -> bool:
    """Make a piece the clip's file; call it inside a transaction. False where it is not wanted any more."""
    # A consent withdrawn meanwhile holds the film until its clips are gone.
    held = list(Film.objects.select_for_update().filter(pk=clip.film_id))
    if not held or not stills.may_be_shown(held[0]):
        drop(Clip.objects.filter(pk=clip.pk))
        return False
    ready = {
        "state": Clip.State.READY,
        "frames": frames,
        "size": part.stat().st_size,
        "problem": "",
        "made_at": now,
    }
    if not Clip.objects.filter(pk=clip.pk, state=Clip.State.WAITING).update(**ready):
        return False
    part.replace(path_of(clip.digest))
    return True


def drop(clips: Iterable[Clip]) -> int:
    """Remove rows now and files once that is certain; call it inside a transaction. How many there were."""
    digests = [clip.digest for clip in clips]
    Clip.objects.filter(digest__in=digests).delete()
    transaction.on_commit(lambda: _unlink(digests))
    return len(digests)


def _unlink(digests: Iterable[str]) -> None:
    for digest in digests:
        # The pieces of attempts that were killed lie beside it under longer names.
        for path in folder().glob(f"{digest}.*"):
            path.unlink(missing_ok=True)


def drop_clips_of(player: Player) -> int:
    """Remove every clip from films in which the player is; call it inside a transaction."""
    films = Film.objects.filter(match_films__match__seats__player=player).exclude(digest="")
    contents = set(films.values_list("digest", flat=True))
    list(Film.objects.select_for_update().filter(digest__in=contents).order_by("pk"))
    return drop(Clip.objects.filter(film__digest__in=contents))


def _written(path: Path) -> float:
    try:
        return path.stat().st_mtime
    except FileNotFoundError:
        return time.time()


def sweep(now_s: float | None = None) -> int:
    """Remove what killed attempts left, and files that no row names; how many there were."""
    old = (now_s or time.time()) - LEFT_AFTER_S
    paths = [path for path in folder().glob("*") if _written(path) < old]
    known = set(Clip.objects.values_list("digest", flat=True)) if paths else set()
    left = [path for path in paths if path.suffix != ".webm" or path.stem not in known]
    for path in left:
        path.unlink(missing_ok=True)
    return len(left)
