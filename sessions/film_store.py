"""Where the bytes of films are kept: named by what is in them, counted against what a club may keep.

A file is written under a name of its own first (``incoming/``), linked to the name of its content, and only then named
by a row; what no row names is removed by the sweep. So a process may be killed at any line and nothing is lost or left.
"""

from __future__ import annotations

from pathlib import Path
from uuid import UUID

from django.conf import settings
from django.db.models import Sum

from clubcoach.models import Club
from sessions.models import Film, Upload

GB = 10**9


def incoming() -> Path:
    return Path(settings.MEDIA_ROOT) / "incoming"


def name_incoming(uuid: UUID) -> str:
    """The name below the media of bytes that came just now."""
    return f"incoming/{uuid.hex}"


def part_of(upload: Upload) -> Path:
    """The pieces of an upload that have come; its length is how far the upload is."""
    return incoming() / upload.uuid.hex


def arrived(upload: Upload) -> int:
    """How many bytes of an upload are here."""
    try:
        return part_of(upload).stat().st_size
    except FileNotFoundError:
        return 0


def quota(club: Club) -> int:
    """Bytes that all films of a club may take together."""
    return (club.film_quota_gb or settings.FILM_QUOTA_GB) * GB


def used(club: Club) -> int:
    """Bytes that films take, with what open uploads will; one content counts once."""
    films = Film.objects.filter(club=club).exclude(state__in=[Film.State.AWAY, Film.State.GONE])
    sizes = {digest or uuid: size for digest, uuid, size in films.values_list("digest", "uuid", "size")}
    coming = Upload.objects.filter(club=club, film=None).aggregate(n=Sum("length"))["n"] or 0
    return sum(sizes.values()) + coming
