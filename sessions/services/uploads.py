"""A film on its way in pieces: who may begin one, and what happens once the last piece has come."""

import os
from datetime import datetime

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _

from clubcoach import audit
from clubcoach.access import Can, viewer_of
from clubcoach.models import User
from sessions import film_store
from sessions.fingerprint import is_one, slices_of
from sessions.models import Film, Match, Upload
from sessions.services import films
from sessions.services.rules import in_time
from sessions.uploads import said_by


def begin_upload(
    *,
    by: User,
    match: Match,
    name: str,
    length: int,
    slices: str = "",
    offset_s: float | None = None,
    visitors_agreed: bool = False,
    now: datetime | None = None,
) -> Upload:
    """Promise room for a film that comes in pieces. What can be refused is refused before the first piece."""
    club, moment = match.club, in_time(now)
    viewer_of(by, club).must(Can.EDIT_MATCHES)
    films.check_consent(match, visitors_agreed, moment)
    films.check_offset(offset_s)
    if said_by(name) is None:
        raise ValidationError({"upload": ValidationError(films.no_film(), code="no_film")})
    if length < 1:
        raise ValidationError({"upload": _("The file is empty. Choose the film itself.")})
    if length > settings.FILM_MAX_MB * films.MB:
        raise ValidationError({"upload": ValidationError(films.too_large(), code="too_large")})
    if slices and not is_one(slices):
        raise ValidationError({"upload": _("This is no fingerprint of a film.")})
    upload = Upload(club=club, match=match, by=by, name=films.plain_name(name), length=length, slices=slices)
    upload.offset_s, upload.visitors_agreed = offset_s, visitors_agreed
    upload.created_at = upload.touched_at = moment
    with transaction.atomic():
        film_store.hold(club.pk)
        films.check_quota(club, length)
        if slices:
            films.check_not_here(match, Film(size=length, slices=slices))
        upload.save()
        audit.record(by=by, club=club, action="upload.begun", target=upload)
    return upload


def end_upload(*, by: User | None, upload: Upload) -> None:
    """Forget an upload with what has come of it; one that has become a film is left alone."""
    with transaction.atomic():
        gone, _rows = Upload.objects.filter(pk=upload.pk, film=None).delete()
        if gone:
            audit.record(by=by, club=upload.club, action="upload.ended", target=upload)
            path = film_store.part_of(upload)
            transaction.on_commit(lambda: path.unlink(missing_ok=True))


def film_arrived(*, by: User, upload: Upload, now: datetime | None = None) -> Film:
    """Make a film of an upload whose last piece is here. What is refused now is removed; asked twice it is one film."""
    moment = in_time(now)
    viewer_of(by, upload.club).must(Can.EDIT_MATCHES)
    try:
        with transaction.atomic():
            return _become_film(by, upload, moment)
    except ValidationError:
        end_upload(by=by, upload=upload)
        raise


def _become_film(by: User, upload: Upload, now: datetime) -> Film:
    film_store.hold(upload.club_id)
    row = Upload.objects.select_related("match__club", "film").filter(pk=upload.pk).first()
    if row is None:
        raise ValidationError({"upload": _("This upload was given up.")})
    if row.film is not None:
        return row.film
    films.check_consent(row.match, row.visitors_agreed, now)
    with film_store.part_of(row).open("rb") as part:
        if os.fstat(part.fileno()).st_size != row.length:
            raise ValueError("an upload of which pieces are missing is no film yet")
        slices = slices_of(part)
    if row.slices and slices != row.slices:
        raise ValidationError(
            {"upload": _("What has come is not the film that was begun with. Upload it once more.")}
        )
    film = Film(club=row.club, name=row.name, size=row.length, slices=slices, uploaded_by=by, uploaded_at=now)
    film.original = film_store.name_incoming(row.uuid)
    film = films.enter(by, row.match, film, row.offset_s, row.visitors_agreed)
    Upload.objects.filter(pk=row.pk).update(film=film, touched_at=now)
    return film
