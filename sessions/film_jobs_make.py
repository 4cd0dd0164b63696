"""Making a film playable, piece by piece, and the strip of small pictures for finding a place in it."""

from __future__ import annotations

import math
import time
from pathlib import Path
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from clubcoach.jobs import Work, enqueue, handles
from clubcoach.models import Job
from sessions import film_store, footage, stills
from sessions.film_jobs import AT_ONCE, DISK_FULL, ONCE_READY, Telling, disk_full, refuse
from sessions.models import Film

State = Film.State
PIECE_S = 30.0
# Then the next job goes on: what waits gets its turn, and no worker's time limit is near.
BUDGET_S = 120.0
# How far the copy's length may be from what was read.
OFF_S = 1.0
STRIP = 40
STRIP_TALLEST = 160
# From a minute of film a picture on, more of them help nobody.
STRIP_STEP_S = 1.0


@handles("film.make")
def make_film(work: Work) -> None:
    """Go on with the playable copy of a film where it was left off."""
    film = Film.objects.filter(pk=work.args["film"], state=State.MAKING).select_related("club").first()
    if film is None:
        return
    allowed = stills.may_be_shown(film)
    if not allowed:
        with work.finish():
            _leave_off(film, str(getattr(allowed, "reason", "")))
        return
    try:
        _go_on(work, film)
    except footage.FilmError as error:
        with work.finish():
            if error.code == "no_room":
                _leave_off(film, disk_full())
            else:
                refuse(film, str(error.message), keep=error.code != "missing")
    except OSError as error:
        if error.errno not in DISK_FULL:
            raise
        with work.finish():
            _leave_off(film, disk_full())


def _leave_off(film: Film, problem: str) -> None:
    """Stand still with a reason; whoever has seen to it resumes."""
    Film.objects.filter(pk=film.pk, state=State.MAKING).update(state=State.PAUSED, problem=problem[:300])


def _go_on(work: Work, film: Film) -> None:
    length = film.duration_s or 0.0
    folder = film_store.making_of(film)
    folder.mkdir(parents=True, exist_ok=True)
    source = film_store.path_of(film.original.name or "")
    pieces = [folder / f"{n}.webm" for n in range(max(1, math.ceil(length / PIECE_S)))]
    missing = [n for n, piece in enumerate(pieces) if not piece.exists()]
    there_s = length - PIECE_S * len(missing)
    progress = _Progress(max(0.0, there_s), length)
    tell = Telling(work, progress.words, 0, 95)
    work.tell(round(95 * progress.share), progress.words(progress.share))
    began = time.monotonic()
    for place, n in enumerate(missing):
        # One piece at least: else a slow machine would hand the work on for ever.
        if place and time.monotonic() - began > BUDGET_S:
            with work.finish():
                _next_job(film, progress.words(progress.share), round(95 * progress.share))
            return
        _make_piece(source, n, pieces, length, progress, tell)
    _put_together(work, film, source, pieces)


class _Progress:
    """How much of a film is made, and from how fast it went in this job, how long the rest takes."""

    def __init__(self, made_s: float, length: float) -> None:
        self.made_s, self.length = made_s, length
        self.from_s, self.began = made_s, time.monotonic()

    @property
    def share(self) -> float:
        return min(1.0, self.made_s / self.length) if self.length else 1.0

    def words(self, share: float) -> str:
        """'Made 12 of 60 min, about 9 min left': the share is of the whole film."""
        made_s = share * self.length
        minutes = {"made": int(made_s // 60), "all": max(1, round(self.length / 60))}
        said = _("Made %(made)d of %(all)d min") % minutes
        worked, done = time.monotonic() - self.began, made_s - self.from_s
        if worked < 3 or done <= 0:
            return said
        left = max(1, math.ceil((self.length - made_s) * worked / done / 60))
        rest = ngettext("about %(n)d min left", "about %(n)d min left", left) % {"n": left}
        return f"{said}, {rest}"


def _make_piece(
    source: Path, n: int, pieces: list[Path], length: float, progress: _Progress, tell: Telling
) -> None:
    start_s = n * PIECE_S
    # The last one takes what the clock of the camera has put behind the end.
    end_s = start_s + PIECE_S if n + 1 < len(pieces) else max(length, start_s) + PIECE_S
    long_s = min(PIECE_S, max(0.0, length - start_s))

    def of_all(share: float) -> None:
        made_s = progress.made_s + min(share * (end_s - start_s), long_s)
        tell(min(1.0, made_s / length) if length else 1.0)

    footage.make_piece(source, start_s, end_s, pieces[n], tell=of_all)
    progress.made_s += long_s


def _next_job(film: Film, said: str, progress: int) -> None:
    if not Film.objects.select_for_update().filter(pk=film.pk, state=State.MAKING).exists():
        return
    job = enqueue("film.make", club=film.club, by=film.uploaded_by, key=str(film.uuid), film=film.pk)
    # Until its turn comes the page says how far it is.
    Job.objects.filter(pk=job.pk).update(note=said, progress=progress)


def _put_together(work: Work, film: Film, source: Path, pieces: list[Path]) -> None:
    whole = film_store.making_of(film) / "whole.webm"
    tell = Telling(work, lambda _share: _("Putting the pieces together"), 95, 98)
    starts = [n * PIECE_S for n in range(len(pieces))]
    remarks: list[str] = []
    duration_s = footage.join(pieces, source, whole, starts=starts, tell=tell, note=remarks.append)
    if abs(duration_s - (film.duration_s or 0.0)) > OFF_S:
        with work.finish():
            _wrong_length(film, duration_s)
        return
    # What is served is looked at as what came was: a copy that nobody can read is found here and not by a coach.
    copy = footage.probe(whole)
    remark = " ".join([film.remark, *(str(footage.REMARKS[code]) for code in remarks)]).strip()
    digest = film_store.digest_of(whole, Telling(work, tell.words, 98, 99))
    facts = {
        **{"width": copy.width, "height": copy.height, "frame_rate": copy.frame_rate},
        **{"served": digest, "remark": remark[:300], "duration_s": film.duration_s},
    }
    with film_store.second_name(whole, film.club_id) as part, work.finish():
        _serve(film, facts, part)


def _wrong_length(film: Film, duration_s: float) -> None:
    said = {"made": round(duration_s), "there": round(film.duration_s or 0.0)}
    problem = _("The playable copy came out %(made)d s long instead of %(there)d s. Try it once more.") % said
    refuse(film, problem, keep=True)
    transaction.on_commit(lambda: film_store.drop_pieces(film))


def _serve(film: Film, facts: dict[str, Any], part: Path) -> None:
    """Name the copy, for every film of the club with this content; the original goes."""
    film_store.hold(film.club_id)
    waiting = Film.objects.filter(club=film.club_id, state__in=[State.MAKING, State.PAUSED])
    rows = list(waiting.filter(digest=film.digest).select_for_update().order_by("pk"))
    if not any(row.pk == film.pk and row.state == State.MAKING for row in rows):
        return
    name, size = film_store.name_of(film.club_id, facts["served"], "webm"), part.stat().st_size
    film_store.put(part, name)
    originals = [row.original.name or "" for row in rows]
    for row in rows:
        row.state, row.problem = State.READY, ""
        row.file, row.original, row.size = name, "", size
        for fact, value in facts.items():
            setattr(row, fact, value)
        row.save()
        for kind in ONCE_READY:
            enqueue(kind, club=film.club, by=row.uploaded_by, key=str(row.uuid), film=row.pk)

    def clear() -> None:
        film_store.let_go(film.club_id, *originals)
        for row in rows:
            film_store.drop_pieces(row)

    transaction.on_commit(clear)


def strip_times(duration_s: float) -> list[float]:
    """Moments evenly over a film, in the middle of equal parts; whole milliseconds, as their addresses have them."""
    n = max(1, min(STRIP, int(duration_s / STRIP_STEP_S)))
    return [round((k + 0.5) * duration_s / n, 3) for k in range(n)]


@handles("film.strip")
def make_strip(work: Work) -> None:
    """The small pictures that are missing, the first one in full size, and others that somebody asked for so."""
    film = Film.objects.filter(pk=work.args["film"], state=State.READY).select_related("club").first()
    if film is None or not stills.may_be_made(film):
        return
    times = film.strip or strip_times(film.duration_s or 0.0)
    asked = {ms / 1000 for ms in work.args.get("large", [])}
    small = [at_s for at_s in times if not film_store.strip_path(film, at_s).exists()]
    large = [
        at_s
        for at_s in times
        if (at_s == times[0] or at_s in asked) and not film_store.strip_path(film, at_s, large=True).exists()
    ]
    done, total = 0, max(1, len(small) + len(large))
    for wanted, is_large in ((large, True), (small, False)):
        for start in range(0, len(wanted), AT_ONCE):
            work.tell(100 * done // total, _("Taking pictures for finding a place"))
            part = wanted[start : start + AT_ONCE]
            _take(film, part, is_large)
            done += len(part)
    with work.finish():
        _note_strip(film, [at_s for at_s in times if film_store.strip_path(film, at_s).exists()])


def _take(film: Film, times: list[float], large: bool) -> None:
    """A moment that the film turns out not to have is left out."""
    try:
        pictures = footage.stills(film.file.path, times, tallest=None if large else STRIP_TALLEST)
    except footage.FilmError:
        if len(times) > 1:
            for at_s in times:
                _take(film, [at_s], large)
        return
    film_store.strips(film.club_id).mkdir(parents=True, exist_ok=True)
    for at_s, picture in zip(times, pictures, strict=True):
        stills.write(film_store.strip_path(film, at_s, large=large), picture)


def _note_strip(film: Film, times: list[float]) -> None:
    film_store.hold(film.club_id)
    row = Film.objects.select_for_update().get(pk=film.pk)
    # It may have been deleted, or somebody may have withdrawn their consent, while the pictures were taken.
    if row.state != State.READY or not stills.may_be_made(row):
        film_store.drop_strip(row)
        return
    Film.objects.filter(pk=row.pk).update(strip=times)


def ask_for_strip(film: Film, at_s: float, *, large: bool = False) -> None:
    """Have a picture of the strip taken that is not there, unless that failed within the last day."""
    key = f"{film.uuid}-{round(at_s * 1000)}" if large else str(film.uuid)
    if stills.failed_lately("film.strip", key):
        return
    enqueue("film.strip", club=film.club, key=key, film=film.pk, large=[round(at_s * 1000)] if large else [])
