"""Films in pieces: the open protocol tus 1.0 with creation, termination and expiration (docs/films.md, "Uploads").

The program is the same for our page and for any client of the protocol: a piece is written behind what is here, and
what is here says where to go on. No piece is ever held in memory.
"""

from __future__ import annotations

import base64
import binascii
import errno
import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django.conf import settings
from django.core.exceptions import ValidationError
from django.http import Http404
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils import timezone
from django.utils.http import http_date
from django.utils.translation import gettext as _
from rest_framework.exceptions import APIException
from rest_framework.response import Response
from rest_framework.views import APIView

from clubcoach.access import Can
from sessions import film_store, services, uploads
from sessions.models import Match, Upload
from sessions.services.films import MB, no_film
from sessions.uploads import HEAD, extension_of

VERSION = "1.0.0"
PIECE = "application/offset+octet-stream"
CHUNK = 256 * 1024
# A connection that says nothing for so long is given up, so that the next one can take the piece over.
PATIENCE_S = 30
STATUS = {"too_large": 413, "over_quota": 413, "no_film": 415}


class Refused(APIException):
    """A refusal of the protocol, with a sentence for the person behind the client."""

    def __init__(self, status: int, sentence: Any) -> None:
        super().__init__(sentence)
        self.status_code = status


class Tus(APIView):
    """What both addresses share."""

    # Not in the OpenAPI description: the protocol is an open one and has a description of its own.
    schema = None
    parser_classes: list[Any] = []
    overrides = ("PATCH", "DELETE")

    def dispatch(self, request: Any, *args: Any, **kwargs: Any) -> Any:
        meant = request.headers.get("X-HTTP-Method-Override", "").upper()
        # Some networks let nothing but GET and POST through. The token against forgery is asked for all the same.
        if request.method == "POST" and meant in self.overrides:
            request.method = meant
        return super().dispatch(request, *args, **kwargs)

    def initial(self, request: Any, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        # What is not there at all is 405, in whichever version it is asked for.
        spoken = request.method != "OPTIONS" and request.method in self.allowed_methods
        if spoken and request.headers.get("Tus-Resumable") != VERSION:
            raise Refused(
                412, _("This address speaks version 1.0.0 of the upload protocol tus and no other.")
            )

    def handle_exception(self, exc: Exception) -> Response:
        if isinstance(exc, ValidationError):
            exc = _refusal(exc)
        return super().handle_exception(exc)

    def finalize_response(self, request: Any, response: Any, *args: Any, **kwargs: Any) -> Any:
        response = super().finalize_response(request, response, *args, **kwargs)
        response["Tus-Resumable"] = VERSION
        if response.status_code == 412 or request.method == "OPTIONS":
            response["Tus-Version"] = VERSION
        return response

    def options(self, request: Any, *args: Any, **kwargs: Any) -> Response:
        offered = {
            "Tus-Extension": "creation,termination,expiration",
            "Tus-Max-Size": str(settings.FILM_MAX_MB * MB),
        }
        return Response(status=204, headers=offered)


def _refusal(error: ValidationError) -> Refused:
    found = next(iter(error.error_dict.values())) if hasattr(error, "error_dict") else error.error_list
    return Refused(STATUS.get(str(found[0].code), 400), " ".join(error.messages))


class UploadsView(Tus):
    rights = {"GET": Can.EDIT_MATCHES, "POST": Can.EDIT_MATCHES}

    def post(self, request: Any, slug: str) -> Response:
        """Begin an upload."""
        if "Upload-Defer-Length" in request.headers:
            raise Refused(400, _("Say how long the film is when the upload begins."))
        length = _number(request, "Upload-Length")
        said = _metadata(request.headers.get("Upload-Metadata", ""))
        match = _match(request, said.get("match", ""))
        upload = services.begin_upload(
            by=request.user,
            match=match,
            name=said.get("filename", ""),
            length=length,
            slices=said.get("slices", ""),
            offset_s=_seconds(said.get("offset_s", "")),
            visitors_agreed=said.get("visitors_agreed") == "1",
        )
        where = reverse("api:upload", args=[slug, upload.uuid])
        return Response(status=201, headers={"Location": where, "Upload-Expires": _expires(upload)})


class UploadView(Tus):
    rights = {"GET": Can.EDIT_MATCHES, "PATCH": Can.EDIT_MATCHES, "DELETE": Can.EDIT_MATCHES}

    def get_throttles(self) -> list[Any]:
        # A film is hundreds of pieces, and as fast as the line allows: what bounds them is the length promised.
        return [] if self.request.method == "PATCH" else super().get_throttles()

    def head(self, request: Any, slug: str, uuid: UUID) -> Response:
        """How far the upload is."""
        upload = _own(request, uuid)
        if upload.film_id is None and film_store.arrived(upload) == upload.length:
            # The program was killed between the last byte and the film: whoever asks finds the film made.
            services.film_arrived(by=request.user, upload=upload)
            upload.refresh_from_db()
        return Response(
            headers={
                "Upload-Offset": str(_offset(upload)),
                "Upload-Length": str(upload.length),
                "Upload-Metadata": _as_sent(upload),
                "Upload-Expires": _expires(upload),
                "Cache-Control": "no-store",
            }
        )

    def patch(self, request: Any, slug: str, uuid: UUID) -> Response:
        """Take the next piece."""
        if request.headers.get("Content-Type", "").partition(";")[0].strip().lower() != PIECE:
            raise Refused(415, _("Pieces of a film are sent as application/offset+octet-stream."))
        if "Content-Length" not in request.headers or "Transfer-Encoding" in request.headers:
            raise Refused(411, _("Say how long the piece is (Content-Length)."))
        said, length = _number(request, "Upload-Offset"), _number(request, "Content-Length")
        upload = _own(request, uuid)
        if upload.film_id is None:
            with _alone(upload) as part:
                # It may have become a film, or been given up, while this request waited for its turn.
                upload = _own(request, uuid)
                _check_place(upload, said, length)
                if upload.film_id is None:
                    _take(request, upload, part, length)
        else:
            _check_place(upload, said, length)
        Upload.objects.filter(pk=upload.pk).update(touched_at=timezone.now())
        here = _offset(upload)
        if upload.film_id is None and here == upload.length:
            services.film_arrived(by=request.user, upload=upload)
        return Response(status=204, headers={"Upload-Offset": str(here), "Upload-Expires": _expires(upload)})

    def delete(self, request: Any, slug: str, uuid: UUID) -> Response:
        """Give an upload up."""
        services.end_upload(by=request.user, upload=_own(request, uuid))
        return Response(status=204)


def _own(request: Any, uuid: UUID) -> Upload:
    rows = Upload.objects.filter(club=request.viewer.club, by=request.user).select_related("club", "match")
    upload = get_object_or_404(rows, uuid=uuid)
    if upload.film_id is None and expires_at(upload) < timezone.now():
        raise Refused(410, _("Nobody went on with this upload for too long. Begin it again."))
    return upload


def expires_at(upload: Upload) -> datetime:
    return upload.touched_at + timedelta(hours=settings.UPLOAD_HOURS)


def _expires(upload: Upload) -> str:
    return http_date(expires_at(upload).timestamp())


def _offset(upload: Upload) -> int:
    # A whole film is no longer where its pieces came together.
    return upload.length if upload.film_id else film_store.arrived(upload)


def _check_place(upload: Upload, said: int, length: int) -> None:
    here = _offset(upload)
    if said != here:
        raise Refused(409, _("%(n)d bytes are here: go on from there.") % {"n": here})
    if length > upload.length - here:
        raise Refused(413, _("This is more than the length that was promised."))


@contextmanager
def _alone(upload: Upload) -> Iterator[int]:
    """The part file, open for writing at its end; 423 while another request writes in it."""
    path = film_store.part_of(upload)
    path.parent.mkdir(parents=True, exist_ok=True)
    part = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, settings.FILE_UPLOAD_PERMISSIONS)
    try:
        try:
            fcntl.flock(part, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise Refused(423, _("Another piece of this film is just arriving. Try again.")) from None
        yield part
    finally:
        os.close(part)


def _take(request: Any, upload: Upload, part: int, length: int) -> None:
    """Write the body behind what is here. Whatever ends it early, what came stays and is on the disk."""
    looked = film_store.arrived(upload) >= HEAD
    try:
        try:
            for chunk in _chunks(request._request, length):
                uploads.write(part, chunk)
                if not looked and film_store.arrived(upload) >= HEAD:
                    _look(request, upload)
                    looked = True
        finally:
            os.fsync(part)
    except OSError as error:
        if error.errno not in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
            raise
        sentence = _("The disk of the server is full. What has come is kept: go on once there is room again.")
        raise Refused(507, sentence) from None
    if not looked and film_store.arrived(upload) == upload.length:
        _look(request, upload)


def _look(request: Any, upload: Upload) -> None:
    """End what is no film at its first bytes, before the rest of it has come."""
    with film_store.part_of(upload).open("rb") as part:
        if extension_of(upload.name, part.read(HEAD)) is None:
            services.end_upload(by=request.user, upload=upload)
            raise Refused(415, no_film())


def _chunks(request: Any, length: int) -> Iterator[bytes]:
    connection = request.META.get("gunicorn.socket")
    if connection is not None:
        connection.settimeout(PATIENCE_S)
    while length > 0:
        try:
            chunk = request.read(min(CHUNK, length))
        except OSError:
            # The connection is gone; the client asks how far it is when it comes back.
            return
        if not chunk:
            return
        length -= len(chunk)
        yield chunk


def _number(request: Any, header: str) -> int:
    text = request.headers.get(header, "")
    if not (text.isascii() and text.isdigit() and len(text) < 20):
        raise Refused(400, _("The header %(name)s has to be a number of bytes.") % {"name": header})
    return int(text)


def _seconds(text: str) -> float | None:
    try:
        return float(text) if text else None
    except ValueError:
        raise Refused(400, _("Say when the film begins in seconds of the match.")) from None


def _metadata(header: str) -> dict[str, str]:
    """Names with values in base64, parted by commas."""
    said = {}
    for pair in filter(None, (part.strip() for part in header.split(","))):
        name, _space, value = pair.partition(" ")
        try:
            said[name] = base64.b64decode(value.strip(), validate=True).decode()
        except (binascii.Error, UnicodeDecodeError, ValueError):
            raise Refused(
                400, _("The value of %(name)s is no text in base64.") % {"name": name[:40]}
            ) from None
    return said


def _as_sent(upload: Upload) -> str:
    said = {
        "filename": upload.name,
        "match": str(upload.match.uuid),
        "slices": upload.slices,
        "offset_s": "" if upload.offset_s is None else repr(upload.offset_s),
        "visitors_agreed": "1" if upload.visitors_agreed else "",
    }
    return ",".join(
        f"{name} {base64.b64encode(text.encode()).decode()}" for name, text in said.items() if text
    )


def _match(request: Any, text: str) -> Match:
    try:
        uuid = UUID(text)
    except ValueError:
        raise Refused(400, _("Say which match the film shows.")) from None
    rows = Match.objects.seen_by(request.viewer).select_related("club").prefetch_related("seats__player")
    found = rows.filter(uuid=uuid).first()
    if found is None:
        raise Http404
    return found
