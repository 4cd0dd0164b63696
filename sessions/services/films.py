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
from django.db.models import Q
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from clubcoach import audit
from clubcoach.access import ALLOWED, Answer, Can, Refusal, viewer_of
from clubcoach.formatting import file_size
from clubcoach.jobs import enqueue
from clubcoach.models import Club, User
from players.consent import consent_states
from sessions import film_store
from sessions.fingerprint import is_one, slices_of
from sessions.models import Film, Match, MatchFilm, Seat
from sessions.models.matches import players_without_consent
from sessions.services.rules import in_time
from sessions.uploads import HEAD, extension_of

MB = 1024 * 1024
# No match lasts so long, and no film: what is beyond is a mistake of whoever sends it.
LONGEST_S = 24 * 3600.0
# Up to here a browser counts bytes without rounding.
LARGEST = 2**53


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
    moment = in_time(now)
    viewer_of(by, match.club).must(Can.EDIT_MATCHES)
    check_consent(match, visitors_agreed, moment)
    _check_file(upload)
    film = Film(
        club=match.club,
        name=plain_name(upload.name),
        size=upload.size,
        digest=_digest(upload),
        slices=slices_of(upload),
        uploaded_by=by,
        uploaded_at=moment,
    )
    upload.seek(0)
    film.original = film_store.name_incoming(uuid4())
    film.original.storage.save(film.original.name, upload)
    try:
        with transaction.atomic():
            film_store.hold(match.club_id)
            check_quota(match.club, film.size)
            return enter(by, match, film, offset_s, visitors_agreed)
    except BaseException:
        film.original.storage.delete(film.original.name)
        raise


def enter(by: User, match: Match, film: Film, offset_s: float | None, visitors_agreed: bool) -> Film:
    """Write the rows of a film whose bytes are here; one that stayed on a disk until now gets them."""
    check_not_here(match, film)
    away = match_films_like(match, film).filter(film__state=Film.State.AWAY).first()
    if away is not None:
        _fetched(away.film, film)
        film = away.film
        if offset_s is not None:
            away.offset_s = offset_s
            away.save(update_fields=["offset_s"])
    else:
        film.save()
        _show(match, film, offset_s)
    _note_visitors(match, visitors_agreed)
    audit.record(by=by, club=match.club, action="film.added", target=film)
    enqueue("film.read", club=match.club, by=by, key=str(film.uuid), film=film.pk)
    return film


def _fetched(away: Film, film: Film) -> None:
    """What was only a fingerprint has come: its times and marks stay, since they hang on its row."""
    away.state = Film.State.ARRIVED
    for name in ("original", "digest", "uploaded_by", "uploaded_at"):
        setattr(away, name, getattr(film, name))
    away.save()


def _show(match: Match, film: Film, offset_s: float | None) -> None:
    start = _end_of_films(match) if offset_s is None else offset_s
    MatchFilm.objects.create(match=match, film=film, offset_s=start)


def _note_visitors(match: Match, visitors_agreed: bool) -> None:
    if visitors_agreed:
        Seat.objects.filter(match=match, player__isnull=True).update(visitor_consent=True)


def register_away(
    *,
    by: User,
    match: Match,
    name: str,
    size: int,
    duration_s: float,
    width: int | None = None,
    height: int | None = None,
    slices: str,
    offset_s: float | None = None,
    visitors_agreed: bool = False,
    now: datetime | None = None,
) -> Film:
    """Note a film that stays on a coach's disk: only what it is known again by is kept."""
    moment = in_time(now)
    viewer_of(by, match.club).must(Can.EDIT_MATCHES)
    check_consent(match, visitors_agreed, moment)
    check_offset(offset_s)
    if not is_one(slices) or not 0 < size <= LARGEST or not 0 < duration_s <= LONGEST_S:
        raise ValidationError(
            {"upload": _("This is no fingerprint of a film. Choose the film again on the page of the match.")}
        )
    film = Film(club=match.club, name=plain_name(name), size=size, slices=slices, state=Film.State.AWAY)
    film.duration_s, film.width, film.height = round(duration_s, 1), width or None, height or None
    film.uploaded_by, film.uploaded_at = by, moment
    with transaction.atomic():
        film_store.hold(match.club_id)
        if match_films_like(match, film).exists():
            raise ValidationError({"upload": _("This film is here already.")})
        film.save()
        _show(match, film, offset_s)
        _note_visitors(match, visitors_agreed)
        audit.record(by=by, club=match.club, action="film.registered", target=film)
    return film


def match_films_like(match: Match, film: Film) -> Any:
    """The films of a match that have a film's content, so far as it is known of both."""
    same = Q(pk=None)
    if film.slices:
        # The size is in the fingerprint; that of the row is of what is kept, which a playable copy changes.
        same |= Q(film__slices=film.slices)
    if film.digest:
        same |= Q(film__digest=film.digest)
    rows = MatchFilm.objects.filter(same, match=match).select_related("film")
    return rows.exclude(film__state__in=[Film.State.REFUSED, Film.State.GONE])


def check_not_here(match: Match, film: Film) -> None:
    if match_films_like(match, film).exclude(film__state=Film.State.AWAY).exists():
        raise ValidationError({"upload": _("This film is here already.")})


def check_quota(club: Club, size: int) -> None:
    most = film_store.quota(club)
    free = max(0, most - film_store.used(club))
    if size > free:
        told = {"need": file_size(size), "free": file_size(free), "most": file_size(most)}
        sentence = _(
            "The film takes %(need)s, and of the club's %(most)s only %(free)s are free."
            " The head coach can delete films that are no longer needed."
        )
        raise ValidationError({"upload": ValidationError(sentence % told, code="over_quota")})


def check_offset(offset_s: float | None) -> None:
    # Written so that what is no number is refused too.
    if offset_s is not None and not 0 <= offset_s <= LONGEST_S:
        raise ValidationError({"offset_s": _("Say when the film begins in seconds of the match.")})


def plain_name(name: str) -> str:
    """The last part of a name, without what cannot be shown or stored."""
    last = PurePath(name.replace("\\", "/")).name
    return "".join(sign for sign in last if sign.isprintable())[-120:] or _("film")


def _end_of_films(match: Match) -> float:
    """Where the next film of a match begins if nobody says it: when the ones that were read end."""
    rows = MatchFilm.objects.filter(match=match, film__duration_s__isnull=False)
    return max(
        (start + length for start, length in rows.values_list("offset_s", "film__duration_s")), default=0
    )


def check_consent(match: Match, visitors_agreed: bool, now: datetime) -> None:
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


def _check_file(upload: Any) -> None:
    if upload is None or not upload.size:
        raise ValidationError({"upload": _("The file is empty. Choose the film itself.")})
    if upload.size > settings.FILM_MAX_MB * MB:
        raise ValidationError({"upload": too_large()})
    upload.seek(0)
    if extension_of(upload.name, upload.read(HEAD)) is None:
        raise ValidationError({"upload": no_film()})


def no_film() -> str:
    return _("This file is not a film. MP4, MOV, MKV, WebM and TS files can be read.")


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
    players = {seat.player for match in rows for seat in match.seat_list if seat.player}
    agreed = all(state.complete for state in consent_states(players, club, day).values())
    if not agreed or any(visitors_without_consent(match) for match in rows):
        return Refusal(_("Somebody in this film has withdrawn their consent, or it has ended."))
    return ALLOWED
