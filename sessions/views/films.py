"""Films: bringing one in, playing it to coaches in pieces, and a picture of a situation."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from functools import wraps
from pathlib import Path
from typing import Any
from uuid import UUID

from django.conf import settings
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpResponse, HttpResponseBase, StreamingHttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.cache import get_conditional_response
from django.utils.translation import gettext as _
from django.views.decorators.csrf import csrf_exempt, csrf_protect
from django.views.decorators.http import require_http_methods, require_safe

from clubcoach import audit
from clubcoach.access import Can, club_view, insist
from clubcoach.models import AuditEvent
from players.forms import tell
from sessions import ranges, services, stills
from sessions.forms import FilmForm
from sessions.models import Film, Upload
from sessions.services.films import MB, too_large, visitors_without_consent
from sessions.uploads import NotTooLarge
from sessions.views.matches import match_here
from sessions.views.parts import arrival, films_of, still_reading

CHUNK = 256 * 1024
TYPES = {
    "mp4": "video/mp4",
    "mov": "video/mp4",
    "webm": "video/webm",
    "mkv": "video/x-matroska",
    "ts": "video/mp2t",
}


@csrf_protect
def _film_upload(request: Any, match: UUID) -> HttpResponse:
    row = match_here(request.viewer, match)
    if request.method == "GET" and request.htmx:
        return _page(request, row, None, "sessions/parts/films.html")
    if request.method == "POST" and request.POST.get("give_up"):
        return _give_up(request, row)
    ask = visitors_without_consent(row)
    form = FilmForm(ask_visitors=ask)
    if request.method == "POST":
        form = FilmForm(request.POST, request.FILES, ask_visitors=ask)
        fits = not any(getattr(handler, "skipped", False) for handler in request.upload_handlers)
        if not fits:
            # The file was let past unread, so that the form only knows that it is missing.
            form.errors.pop("upload", None)
            form.add_error("upload", too_large())
        elif form.is_valid():
            try:
                services.add_film(by=request.user, match=row, **form.cleaned_data)
            except ValidationError as error:
                tell(form, error)
            else:
                messages.success(request, _("The film has arrived and is being read."))
                return redirect("film_upload", slug=request.club.slug, match=row.uuid)
    return _page(request, row, form, "sessions/film_upload.html")


def _give_up(request: Any, match: Any) -> HttpResponse:
    """Forget an upload that waits to be gone on with, where no script does it."""
    rows = Upload.objects.filter(match=match, by=request.user, film=None).select_related("club")
    try:
        upload = rows.filter(uuid=request.POST["give_up"]).first()
    except ValidationError:
        upload = None
    if upload is None:
        raise Http404
    services.end_upload(by=request.user, upload=upload)
    messages.success(request, _("The upload is given up, and what had come of it is removed."))
    return redirect("film_upload", slug=request.club.slug, match=match.uuid)


def _page(request: Any, match: Any, form: FilmForm | None, template: str) -> HttpResponse:
    films = films_of(match)
    context = {
        "match": match,
        "film_form": form,
        "films": films,
        "reading": still_reading(films),
        "may_watch": bool(request.viewer.can(Can.WATCH_FILM)),
        "may_edit": True,
        **(arrival(request, match) if form else {}),
    }
    return render(request, template, context, status=422 if form and form.errors else 200)


@require_http_methods(["GET", "POST"])
@club_view(Can.EDIT_MATCHES)
def _with_the_right(request: Any, match: UUID) -> HttpResponse:
    request.upload_handlers[0].most = settings.FILM_MAX_MB * MB
    return _film_upload(request, match)


@csrf_exempt  # the token is asked for inside: reading it here would read the film before its size is known
@wraps(_with_the_right)
def film_upload(request: Any, *args: Any, **kwargs: Any) -> HttpResponseBase:
    # Until the right is found nothing is kept: the page of a refusal looks for a token too, and so reads the body.
    request.upload_handlers.insert(0, NotTooLarge(0))
    return _with_the_right(request, *args, **kwargs)


@require_safe
@club_view(Can.WATCH_FILM)
def film_bytes(request: Any, film: UUID) -> HttpResponseBase:
    row = get_object_or_404(Film.objects.filter(club=request.club, state=Film.State.READY), uuid=film)
    insist(stills.may_be_shown(row))
    path = Path(row.file.path) if row.file else None
    if path is None or not path.is_file():
        raise Http404
    response = file_answer(request, path, row.served or row.digest)
    if response.status_code in (200, 206) and request.method == "GET":
        note_watching(request, "film.watched", row, since=timezone.now() - timedelta(days=1))
    return response


def file_answer(request: Any, path: Path, digest: str) -> HttpResponseBase:
    """A file of moving pictures, whole or the part that is asked for; left behind in no cache."""
    etag = f'"{digest}"'
    response = get_conditional_response(request, etag=etag) or _bytes_of(request, path, etag)
    response["ETag"] = etag
    response["Accept-Ranges"] = "bytes"
    response["Cache-Control"] = "private, no-store"
    return response


def note_watching(request: Any, action: str, target: Any, *, since: datetime) -> None:
    """Who has seen the people in a film is on record: once in a while, since a player asks for many small pieces."""
    noted = AuditEvent.objects.filter(
        club=request.club, actor=request.user, action=action, target_id=str(target.pk), at__gt=since
    )
    if not noted.exists():
        audit.record(by=request.user, club=request.club, action=action, target=target)


def _bytes_of(request: Any, path: Path, etag: str) -> HttpResponseBase:
    length = path.stat().st_size
    header = request.headers.get("Range", "")
    # A range is only meant for GET, and only for the copy that the asker has begun.
    if request.method != "GET" or not ranges.still_meant(request.headers.get("If-Range", ""), etag):
        header = ""
    try:
        span = ranges.parse(header, length)
    except ranges.NotSatisfiable:
        return HttpResponse(status=416, headers={"Content-Range": f"bytes */{length}"})
    part = span or ranges.Span(0, length - 1)
    headers = {
        "Content-Type": TYPES.get(path.suffix.lstrip("."), "application/octet-stream"),
        "Content-Length": str(part.length),
        "Content-Disposition": "inline",
    }
    if request.method == "HEAD":
        return HttpResponse(headers=headers)
    if span:
        headers["Content-Range"] = span.content_range(length)
    return StreamingHttpResponse(_chunks(path, part), status=206 if span else 200, headers=headers)


def _chunks(path: Path, part: ranges.Span) -> Iterator[bytes]:
    left = part.length
    with path.open("rb") as film:
        film.seek(part.first)
        while left and (chunk := film.read(min(CHUNK, left))):
            left -= len(chunk)
            yield chunk


@require_safe
@club_view(Can.SEE_SCORES, Can.OWN_PADEL)
def still(request: Any, situation: int) -> HttpResponseBase:
    """One picture; 404 until it is made, and then it is asked for."""
    row = get_object_or_404(
        stills.situations_seen_by(request.viewer).select_related("analysis__match__club", "rally__match"),
        pk=situation,
    )
    found = stills.place_of(row)
    if found is None:
        raise Http404
    insist(stills.may_be_shown(found[0]))
    path = stills.path_at(*found)
    try:
        picture = path.read_bytes()
    except FileNotFoundError:
        stills.ask_for(row, path)
        raise Http404 from None
    return HttpResponse(picture, content_type="image/jpeg", headers={"Cache-Control": "private, no-store"})
