"""A film of a match: who has to agree, what a file must be, and where it is kept."""

from collections.abc import Iterable
from datetime import datetime
from hashlib import sha256
from pathlib import PurePath
from typing import Any
from uuid import uuid4

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from clubcoach import audit
from clubcoach.access import ALLOWED, Answer, Can, Refusal, viewer_of
from clubcoach.jobs import enqueue
from clubcoach.models import Club, User
from sessions.models import Film, Match, MatchFilm, Seat
from sessions.models.matches import players_without_consent
from sessions.services.rules import in_time
from sessions.uploads import extension_of

MB = 1024 * 1024


def add_film(
    *,
    by: User,
    match: Match,
    upload: Any,
    offset_s: float | None = None,
    visitors_agreed: bool = False,
    now: datetime | None = None,
) -> Film:
    """Keep an uploaded film and have it read by a job. ``offset_s``: the match time at which it begins.

    ``visitors_agreed`` says that the club has the visitors' consent on paper.
    """
    club, moment = match.club, in_time(now)
    viewer_of(by, club).must(Can.EDIT_MATCHES)
    _check_consent(match, visitors_agreed, moment)
    extension = _check_file(upload)
    digest = _digest(upload)
    if (
        MatchFilm.objects.filter(match=match, film__digest=digest)
        .exclude(film__state=Film.State.REFUSED)
        .exists()
    ):
        raise ValidationError({"upload": _("This film is here already.")})
    film = Film(
        uuid=uuid4(),
        club=club,
        name=PurePath(upload.name).name[-120:],
        size=upload.size,
        digest=digest,
        uploaded_by=by,
        uploaded_at=moment,
    )
    upload.seek(0)
    film.file.save(f"{film.uuid}.{extension}", upload, save=False)
    try:
        with transaction.atomic():
            _enter(by, match, film, offset_s, visitors_agreed)
    except BaseException:
        film.file.storage.delete(film.file.name)
        raise
    return film


def _enter(by: User, match: Match, film: Film, offset_s: float | None, visitors_agreed: bool) -> None:
    film.save()
    start = _end_of_films(match) if offset_s is None else offset_s
    MatchFilm.objects.create(match=match, film=film, offset_s=start)
    if visitors_agreed:
        Seat.objects.filter(match=match, player__isnull=True).update(visitor_consent=True)
    audit.record(by=by, club=match.club, action="film.added", target=film)
    enqueue("film.read", club=match.club, by=by, key=str(film.uuid), film=film.pk)


def _end_of_films(match: Match) -> float:
    """Where the next film of a match begins if nobody says it: when the ones that were read end."""
    rows = MatchFilm.objects.filter(match=match, film__duration_s__isnull=False)
    return max(
        (start + length for start, length in rows.values_list("offset_s", "film__duration_s")), default=0
    )


def _check_consent(match: Match, visitors_agreed: bool, now: datetime) -> None:
    lacking = players_without_consent(match, match.club.day_of(now))
    if lacking:
        names = ", ".join(player.name for player in lacking)
        raise ValidationError(
            {
                "upload": ngettext(
                    "%(names)s has not agreed to be filmed. Ask for consent before a film is uploaded.",
                    "%(names)s have not agreed to be filmed. Ask for consent before a film is uploaded.",
                    len(lacking),
                )
                % {"names": names}
            }
        )
    if not visitors_agreed and visitors_without_consent(match):
        raise ValidationError(
            {
                "visitors_agreed": _(
                    "A visitor is in the picture: the club needs their consent on paper first."
                )
            }
        )


def visitors_without_consent(match: Match) -> bool:
    return any(seat.player_id is None and not seat.visitor_consent for seat in match.seat_list)


def _check_file(upload: Any) -> str:
    if upload is None or not upload.size:
        raise ValidationError({"upload": _("The file is empty. Choose the film itself.")})
    if upload.size > settings.FILM_MAX_MB * MB:
        raise ValidationError({"upload": too_large()})
    upload.seek(0)
    extension = extension_of(upload.name, upload.read(1024))
    if extension is None:
        raise ValidationError(
            {"upload": _("This file is not a film. MP4, MOV, MKV, WebM and TS files can be read.")}
        )
    return extension


def too_large() -> str:
    return _("The film is larger than %(most)d MB. Cut it, or export it in a lower quality.") % {
        "most": settings.FILM_MAX_MB
    }


def _digest(upload: Any) -> str:
    digest = sha256()
    upload.seek(0)
    for chunk in upload.chunks():
        digest.update(chunk)
    return digest.hexdigest()


def film_may_be_shown(matches: Iterable[Match], club: Club, now: datetime | None = None) -> Answer:
    """Whether everybody in the picture agrees today; the sentence names nobody, since students read it too."""
    day = club.day_of(in_time(now))
    rows = list(matches)
    if not rows:
        return Refusal(_("This film belongs to no match: nobody can say who is in the picture."))
    for match in rows:
        if players_without_consent(match, day) or visitors_without_consent(match):
            return Refusal(_("Somebody in this film has withdrawn their consent, or it has ended."))
    return ALLOWED
