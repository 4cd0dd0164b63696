"""Hearing a film: its hits and rallies as proposals, by its sound or by what moves in its picture."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

import numpy as np
from django.utils import timezone
from django.utils.translation import gettext as _

from clubcoach.compute.court import CourtError
from clubcoach.compute.motion import rallies_of_motion
from clubcoach.compute.onsets import Ear
from clubcoach.compute.rallies import Heard, HeardRally, listen
from clubcoach.jobs import CannotWork, Work, handles
from sessions import court_reading, footage, listening, listening_learn, stills
from sessions.film_jobs import Telling
from sessions.listening_learn import Lesson
from sessions.models import CameraPlace, Film, Hearing, RallyProposal

RATE = 24_000
PER_SECOND = 5.0
# Points on each side of the court: a lens bends its lines.
ON_A_SIDE = 12
# A proposal that somebody dismissed is not made again; one that has less in common with it is another.
ALIKE = 0.5
Way = Hearing.Way
Proposal = RallyProposal.State


@handles(listening.JOB)
def listen_to_film(work: Work) -> None:
    """Hear a film, or look through it for movement, and write what was found in place of what nobody has touched."""
    films = Film.objects.filter(pk=work.args["film"], state=Film.State.READY)
    film = films.select_related("club", "camera").first()
    if film is None or not stills.may_be_made(film):
        return
    way = work.args.get("way", Way.SOUND)
    lesson = listening_learn.lesson_of(film) if way == Way.SOUND else None
    try:
        if lesson is None:
            heard = _by_motion(work, film)
        else:
            heard, lesson = _by_sound(work, film, lesson)
    except footage.FilmError as error:
        raise CannotWork(str(error.message)) from error
    with work.finish():
        _write(film, way, heard, timezone.now())
        if lesson is not None and lesson.sound is not None:
            CameraPlace.objects.filter(pk=film.camera_id).update(sound=lesson.sound)


def _by_sound(work: Work, film: Film, lesson: Lesson) -> tuple[Heard, Lesson]:
    tell = Telling(
        work, lambda share: _share_words(film, share, _("Listened to %(done)d of %(all)d min")), 1, 85
    )
    ear = Ear(RATE)
    work.tell(1, _("Listening to the film"))
    try:
        for block in footage.sound(film.file.path, rate=RATE, tell=tell):
            ear.hear(block)
    except footage.FilmError as error:
        if error.code != "no_sound":
            raise
    work.tell(86, _("Looking for hits and rallies"))
    bands = ear.bands()
    heard = listen(bands, court=lesson.court)
    more = listening_learn.lesson_with(film, lesson, heard)
    return (heard if more is lesson else listen(bands, court=more.court)), more


def _by_motion(work: Work, film: Film) -> Heard:
    words = _("Looked through %(done)d of %(all)d min")
    tell = Telling(work, lambda share: _share_words(film, share, words), 1, 95)
    work.tell(1, _("Looking for movement on the court"))
    activity = footage.motion(film.file.path, court_outline(film), per_second=PER_SECOND, tell=tell)
    return rallies_of_motion(activity, PER_SECOND)


def _share_words(film: Film, share: float, words: str) -> str:
    minutes = (film.duration_s or 0.0) / 60
    return words % {"done": int(share * minutes), "all": max(1, round(minutes))}


def court_outline(film: Film) -> list[list[float]] | None:
    """The court in the picture, in shares of its width and height; None where nobody has placed it."""
    view = court_reading.view_at(film, (film.duration_s or 0.0) / 2) or film.court_views.first()
    if view is None:
        return None
    try:
        fit = court_reading.fit_of_view(view)
    except CourtError:
        return None
    x, y = court_reading.HALF_WIDTH, court_reading.HALF_LENGTH
    corners = np.array([[-x, -y], [x, -y], [x, y], [-x, y]])
    sides = [
        np.linspace(a, b, ON_A_SIDE, endpoint=False)
        for a, b in zip(corners, np.roll(corners, -1, 0), strict=True)
    ]
    places = fit.to_image(np.concatenate(sides)) / np.array([view.width, view.height])
    # What lies behind the camera, or far outside the picture, says nothing about what is in it.
    seen = places[np.isfinite(places).all(axis=1) & (np.abs(places - 0.5) < 2).all(axis=1)]
    return [[float(u), float(v)] for u, v in seen] if len(seen) >= 3 else None


def _write(film: Film, way: str, heard: Heard, now: datetime) -> None:
    """Inside the end of the job: what is decided meanwhile waits for the film's row, and what was decided stays."""
    row = Film.objects.select_for_update(of=("self",)).select_related("club").get(pk=film.pk)
    # It may have been deleted, or somebody may have withdrawn their consent, while it was heard.
    if row.state != Film.State.READY or not stills.may_be_made(row):
        return
    hearing = listening.hearing_of(row) or Hearing(film=row)
    if hearing.pk is not None:
        _drop_untouched(hearing)
        if Way.MOTION in (way, hearing.way) and way != hearing.way:
            _forget_delay(hearing)
    hearing.way, hearing.verdict, hearing.reasons = way, heard.verdict, list(heard.reasons)
    hearing.hits, hearing.recipe, hearing.made_at = listening_learn.hits_of(heard), listening.RECIPE, now
    hearing.save()
    kept = list(hearing.proposals.all())
    new = [rally for rally in heard.rallies if not any(_in_the_way(row, rally) for row in kept)]
    RallyProposal.objects.bulk_create(_proposals(hearing, new), batch_size=500)


def _drop_untouched(hearing: Hearing) -> None:
    untouched = hearing.proposals.filter(state=Proposal.OPEN, by_hand=False, heard_start_s=None)
    untouched.delete()


def _forget_delay(hearing: Hearing) -> None:
    """What moves is seen when it happens: kept times become those of the picture, and there is nothing to be late."""
    delay_s, hearing.delay_s = hearing.delay_s, 0.0
    kept = list(hearing.proposals.all())
    names = ("start_s", "end_s", "heard_start_s", "heard_end_s")
    for row in kept if delay_s else ():
        for name in names:
            value = getattr(row, name)
            if value is not None:
                setattr(row, name, max(0.0, round(value - delay_s, 3)))
    if delay_s:
        RallyProposal.objects.bulk_update(kept, names, batch_size=200)


def _in_the_way(row: RallyProposal, rally: HeardRally) -> bool:
    shared = min(row.end_s, rally.end_s) - max(row.start_s, rally.start_s)
    if row.state != Proposal.DISMISSED:
        return shared >= 0
    longer = max(row.end_s - row.start_s, rally.end_s - rally.start_s)
    return shared >= 0 and shared >= ALIKE * longer


def _proposals(hearing: Hearing, rallies: Iterable[HeardRally]) -> list[RallyProposal]:
    made: list[Any] = []
    for rally in rallies:
        start_s = max(0.0, round(float(rally.start_s), 3))
        made.append(
            RallyProposal(
                hearing=hearing,
                start_s=start_s,
                end_s=max(start_s, round(float(rally.end_s), 3)),
                confidence=min(1.0, max(0.0, round(float(rally.confidence), 3))),
            )
        )
    return made
