"""Films in the background: what one that came is, pictures and clips of situations, and what goes by itself."""

from __future__ import annotations

import errno
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from clubcoach import audit
from clubcoach.jobs import CannotWork, Work, enqueue, handles
from clubcoach.models import Club
from sessions import clips, film_store, film_sweep, film_terms, footage, stills
from sessions.models import Analysis, Clip, Film, MatchFilm, Upload
from sessions.services.film_care import end_film
from sessions.services.films import MB
from sessions.services.uploads import end_upload
from sessions.uploads import HEAD, extension_of

State = Film.State
# A child process starts once for so many pictures; between two of them the job says that it is alive.
AT_ONCE = 20
# What another machine, or this one at another hour, may still be able to do.
PASSING = {"too_heavy", "no_room"}
# What is done of its own accord with a film that can be played.
ONCE_READY = ("film.strip", "film.listen")
DISK_FULL = (errno.ENOSPC, errno.EDQUOT)
# An upload that has become a film is of no use any more.
UPLOAD_ROW_DAYS = 60
# What two films with the same content have in common.
FACTS = (
    *("container", "video_codec", "audio_codec", "duration_s", "frame_rate", "steady", "width", "height"),
    *("rotation", "remark", "strip", "served", "size"),
)


class Telling:
    """Passes on how far a piece of the work is, now and then: each time is a row that is written.

    What it raises when the job was stopped ends the child process at once.
    """

    EVERY_S = 1.0

    def __init__(self, work: Work, words: Callable[[float], str], low: int = 0, high: int = 99) -> None:
        self.work, self.words, self.low, self.high = work, words, low, high
        self.last = 0.0

    def __call__(self, share: float) -> None:
        if time.monotonic() - self.last >= self.EVERY_S:
            self.last = time.monotonic()
            self.work.tell(round(self.low + (self.high - self.low) * share), self.words(share))


def disk_full() -> str:
    return _("The disk is full. What is here stays; try again once there is room.")


@contextmanager
def room_said() -> Iterator[None]:
    """A full disk is no error of the program: it is said, and whoever makes room tries again."""
    try:
        yield
    except OSError as error:
        if error.errno not in DISK_FULL:
            raise
        raise CannotWork(disk_full()) from error


@handles("film.read")
def read_film(work: Work) -> None:
    """Find out what has come: playable as it is, to be made playable, or refused with the reason."""
    film = Film.objects.filter(pk=work.args["film"], state=State.ARRIVED).select_related("club").first()
    if film is None:
        return
    work.tell(1, _("Reading the film"))
    path = film_store.path_of(film_store.source_of(film))
    limits = footage.Limits(max_bytes=settings.FILM_MAX_MB * MB)
    try:
        probe = footage.probe(path, limits=limits)
    except footage.FilmError as error:
        with work.finish():
            refuse(film, str(error.message), keep=error.code in PASSING)
        return
    tell = Telling(work, lambda _share: _("Reading the film"), 10, 95)
    with room_said():
        digest = film_store.digest_of(path, tell)
        with film_store.second_name(path, film.club_id, tell) as part, work.finish():
            _take_in(film, probe, digest, part)


def _take_in(film: Film, probe: footage.Probe, digest: str, part: Any) -> None:
    film_store.hold(film.club_id)
    row = Film.objects.select_for_update().get(pk=film.pk)
    if row.state != State.ARRIVED:
        return
    if _here_already(row, digest):
        refuse(row, _("This film is here already, in the same match."))
        return
    old = film_store.source_of(row)
    row.digest, row.size, row.problem = digest, part.stat().st_size, ""
    twin = Film.objects.filter(club=row.club_id, digest=digest, state=State.READY).exclude(file="").first()
    if twin is not None:
        # Somebody has read these bytes before: what was made of them serves this film too.
        for name in FACTS:
            setattr(row, name, getattr(twin, name))
        row.state, row.file, row.original = State.READY, twin.file.name, ""
    else:
        name = film_store.name_of(row.club_id, digest, _extension(row, part, probe))
        film_store.put(part, name)
        _note_facts(row, probe)
        row.state = State.READY if probe.plays else State.MAKING
        row.file, row.original = (name, "") if probe.plays else ("", name)
        row.served = digest if probe.plays else ""
    row.save()
    for kind in ["film.make"] if row.state == State.MAKING else ONCE_READY:
        enqueue(kind, club=film.club, by=row.uploaded_by, key=str(row.uuid), film=row.pk)
    transaction.on_commit(lambda: film_store.let_go(row.club_id, old))


def _here_already(film: Film, digest: str) -> bool:
    """Whether one of its matches has this content from another film; whichever was read first stays."""
    mine = MatchFilm.objects.filter(film=film).values("match")
    others = MatchFilm.objects.filter(match__in=mine, film__digest=digest).exclude(film=film)
    # One that nobody has read yet is the later of the two.
    return others.exclude(film__state__in=[State.REFUSED, State.GONE, State.ARRIVED, State.AWAY]).exists()


def _extension(film: Film, part: Any, probe: footage.Probe) -> str:
    with part.open("rb") as file:
        said = extension_of(film.name, file.read(HEAD))
    return said or {"mp4": "mp4", "mov": "mov", "webm": "webm"}.get(probe.container, "mkv")


def _note_facts(film: Film, probe: footage.Probe) -> None:
    film.container, film.video_codec = probe.container[:40], probe.video_codec[:40]
    film.audio_codec = probe.audio_codec[:40]
    film.duration_s = probe.duration_s if probe.plays else probe.there_s
    film.frame_rate, film.steady = probe.frame_rate, probe.steady
    film.width, film.height, film.rotation = probe.width, probe.height, probe.rotation % 360
    film.remark = " ".join(str(footage.REMARKS[code]) for code in probe.remarks)[:300]


def refuse(film: Film, problem: str, *, keep: bool = False) -> None:
    """Say why a film cannot be used; its bytes go unless another try may do better. Inside a transaction."""
    row = Film.objects.select_for_update().get(pk=film.pk)
    names = [] if keep else [row.file.name or "", row.original.name or ""]
    row.state, row.problem = State.REFUSED, problem[:300]
    if not keep:
        row.file = row.original = ""
    row.save(update_fields=["state", "problem", "file", "original"])
    audit.record(by=None, club=row.club, action="film.refused", target=row)
    transaction.on_commit(lambda: film_store.let_go(row.club_id, *names))


@handles("film.stills")
def make_stills(work: Work) -> None:
    """Pictures of an analysis' situations; what is there already is not made again."""
    analysis = Analysis.objects.filter(pk=work.args["analysis"]).select_related("match__club").first()
    if analysis is None:
        return
    wanted = stills.missing_of(analysis)
    total = sum(len(places) for places in wanted.values())
    done = 0
    for film, places in wanted.items():
        for start in range(0, len(places), AT_ONCE):
            if not stills.may_be_made(film):
                break
            part = places[start : start + AT_ONCE]
            work.tell(100 * done // total, _("Taking pictures of the situations"))
            stills.make(film, part)
            done += len(part)
    with work.finish():
        # Somebody may have withdrawn their consent while the pictures were taken.
        for film in wanted:
            if not stills.may_be_made(film):
                stills.drop_stills_of_film(film)


@handles("clip.cut")
def cut_clip(work: Work) -> None:
    """Cut a clip; where a consent went meanwhile nothing of it stays."""
    clips.sweep()
    waiting = Clip.objects.filter(digest=work.args["digest"], state=Clip.State.WAITING)
    clip = waiting.select_related("film__club").first()
    if clip is None:
        return
    if not stills.may_be_shown(clip.film):
        with work.finish():
            clips.drop(Clip.objects.filter(pk=clip.pk))
        return

    def tell(share: float) -> None:
        work.tell(int(100 * share), _("Cutting the piece out of the film"))

    tell(0.01)
    try:
        with clips.cutting(clip, tell) as (part, frames), work.finish():
            clips.keep(clip, part, frames, timezone.now())
    except footage.FilmError as error:
        with work.finish():
            waiting.update(state=Clip.State.FAILED, problem=str(error.message)[:300])
    except FileNotFoundError:
        # The half-made file went with the consent, under the hands of the cut.
        if waiting.exists():
            raise


@handles("film.tidy", every=timedelta(hours=1))
def tidy(work: Work) -> None:
    """What goes without anybody doing anything: pages refuse at once, files go here."""

    def alive(share: float = 0.0) -> None:
        work.tell(1, _("Looking through the films"))

    now = timezone.now()
    alive()
    drop_without_consent(now)
    alive()
    end_terms(now, alive)
    end_uploads(now)
    alive()
    film_sweep.sweep()
    clips.sweep()


def drop_without_consent(now: datetime | None = None) -> int:
    """Remove pictures and clips of films that somebody in them no longer agrees to; of how many films."""
    contents = stills.contents_with_stills() | set(Clip.objects.values_list("film__digest", flat=True))
    films = Film.objects.filter(digest__in=contents - {""}, state=State.READY).select_related("club")
    ended = [film for film in films if not stills.may_be_shown(film, now)]
    for film in ended:
        stills.drop_stills_of_film(film)
        film_store.drop_strip(film)
        with transaction.atomic():
            clips.drop(Clip.objects.filter(film__digest=film.digest))
    return len(ended)


def end_terms(now: datetime, alive: Callable[[], None] = lambda: None) -> int:
    """Delete the films whose time is over, and note in which somebody does not agree; how many went."""
    gone = 0
    here = Film.objects.exclude(file="", original="")
    for club in Club.objects.filter(pk__in=here.values("club")):
        films = list(here.filter(club=club).select_related("club").order_by("pk"))
        for start in range(0, len(films), 500):
            alive()
            part = films[start : start + 500]
            found = film_terms.terms(club, part, now)
            film_terms.notice(club, part, found, now)
            for film in part:
                if found[film.pk].over(now):
                    alive()
                    gone += _end(film, now)
    return gone


def _end(film: Film, now: datetime) -> bool:
    with transaction.atomic():
        # Consent may have been given, or the film held, since all of them were looked at.
        film_store.hold(film.club_id)
        term = film_terms.until(Film.objects.select_related("club").get(pk=film.pk), now)
        if not term.over(now):
            return False
        consent = term.why == film_terms.Why.CONSENT
        end_film(by=None, film=film, why=Film.Gone.CONSENT if consent else Film.Gone.RULE, now=now)
    return True


def end_uploads(now: datetime) -> int:
    """Forget uploads that nobody has gone on with for long; how many."""
    stale = Upload.objects.filter(film=None, touched_at__lt=now - timedelta(hours=settings.UPLOAD_HOURS))
    ended = list(stale.select_related("club"))
    for upload in ended:
        end_upload(by=None, upload=upload)
    Upload.objects.filter(touched_at__lt=now - timedelta(days=UPLOAD_ROW_DAYS)).exclude(film=None).delete()
    return len(ended)
