"""Reading films in the background: what an upload is, a picture of each situation that was published, and clips."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.conf import settings
from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from clubcoach.jobs import Work, handles
from sessions import clips, footage, stills
from sessions.models import Analysis, Clip, Film
from sessions.services.films import MB

# A child process starts once for so many pictures; between two of them the job says that it is alive.
AT_ONCE = 20


@handles("film.read")
def read_film(work: Work) -> None:
    """Find out what an uploaded file is: ready to be watched, or refused with the reason and removed."""
    film = Film.objects.filter(pk=work.args["film"], state=Film.State.ARRIVED).first()
    if film is None:
        return
    work.tell(10, _("Reading the film"))
    try:
        limits = footage.Limits(max_bytes=settings.FILM_MAX_MB * MB)
        probe = footage.probe(film.file.path, limits=limits)
    except footage.FilmError as error:
        with work.finish():
            _refuse(film, str(error.message))
        return
    facts = {
        "state": Film.State.READY,
        "container": probe.container[:40],
        "video_codec": probe.video_codec[:40],
        "audio_codec": probe.audio_codec[:40],
        "duration_s": probe.duration_s,
        "frame_rate": probe.frame_rate,
        "width": probe.width,
        "height": probe.height,
    }
    with work.finish():
        Film.objects.filter(pk=film.pk).update(**facts)


def _refuse(film: Film, problem: str) -> None:
    storage, name = film.file.storage, film.file.name
    Film.objects.filter(pk=film.pk).update(state=Film.State.REFUSED, problem=problem[:300], file="")
    transaction.on_commit(lambda: storage.delete(name))


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


@handles("film.tidy", every=timedelta(hours=6))
def tidy(work: Work) -> None:
    """A consent that runs out does so without anybody doing anything: pages refuse at once, files go here."""
    drop_without_consent()
    clips.sweep()


def drop_without_consent(now: datetime | None = None) -> int:
    """Remove pictures and clips of films that somebody in them no longer agrees to; of how many films."""
    contents = stills.contents_with_stills() | set(Clip.objects.values_list("film__digest", flat=True))
    films = Film.objects.filter(digest__in=contents, state=Film.State.READY).select_related("club")
    ended = [film for film in films if not stills.may_be_shown(film, now)]
    for film in ended:
        stills.drop_stills_of_film(film)
        with transaction.atomic():
            clips.drop(Clip.objects.filter(film__digest=film.digest))
    return len(ended)
