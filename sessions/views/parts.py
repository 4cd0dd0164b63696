"""What several pages show: the films of a match with how far each is, and what they need to take one in."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.middleware.csrf import get_token
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils import timezone

from clubcoach.access import Viewer
from clubcoach.models import Job
from sessions import film_store, film_terms
from sessions.api_films import uploads_waiting
from sessions.api_uploads import expires_at
from sessions.models import Film, Match
from sessions.views.film_words import arrival_words

# Large enough to cost few requests, small enough that a bad line loses little.
PIECE = 8 * 1024 * 1024
AT_WORK = {Film.State.ARRIVED, Film.State.MAKING, Film.State.PAUSED}


def film_here(viewer: Viewer, uuid: UUID) -> Film:
    """A film that the person may watch, for pages and the JSON interface alike."""
    return get_object_or_404(Film.objects.seen_by(viewer).select_related("club", "camera"), uuid=uuid)


def films_of(match: Match) -> list[dict[str, Any]]:
    """The films of a match in playing order; one that somebody is at work on comes with its job."""
    rows = list(match.match_films.select_related("film", "film__uploaded_by"))
    waiting = {str(row.film.uuid) for row in rows if row.film.state in AT_WORK}
    jobs: dict[str, Job] = {}
    if waiting:
        kinds = ["film.read", "film.make"]
        found = Job.objects.filter(kind__in=kinds, club=match.club_id, key__in=waiting).order_by("pk")
        jobs = {job.key: job for job in found}
    ready = [row.film for row in rows if row.film.state == Film.State.READY]
    # A link that leads to a refusal helps nobody.
    lacking = film_terms.lacking(match.club, ready, timezone.now()) if ready else set()
    return [_shown(row, jobs.get(str(row.film.uuid)), row.film_id in lacking) for row in rows]


def _shown(row: Any, job: Job | None, lacking: bool) -> dict[str, Any]:
    film = row.film
    failed = job is not None and job.over and job.state != Job.State.DONE
    broken = film.state == Film.State.REFUSED or (failed and film.state != Film.State.PAUSED)
    again = broken and bool(film.original or film.file)
    return {"row": row, "film": film, "job": job, "again": again, "lacking": lacking}


def still_reading(films: list[dict[str, Any]]) -> bool:
    """Whether it is worth looking again in a second."""
    going = {Film.State.ARRIVED, Film.State.MAKING}
    return any(film["film"].state in going and film["job"] and not film["job"].over for film in films)


def arrival(request: Any, match: Match) -> dict[str, Any]:
    """What the form for a film needs: the person's uploads that wait, and addresses and words for its script."""
    now = timezone.now()
    waiting = [upload for upload in uploads_waiting(request.user, match) if expires_at(upload) > now]
    return {
        "uploads": [_waiting(upload) for upload in waiting],
        "arrival_words": arrival_words(),
        "arrival_config": {
            "match": str(match.uuid),
            "piece": PIECE,
            "uploads": reverse("api:uploads", args=[match.club.slug]),
            "films": reverse("api:match_films", args=[match.club.slug, match.uuid]),
            "page": reverse("film_upload", args=[match.club.slug, match.uuid]),
            "token": get_token(request),
        },
    }


def _waiting(upload: Any) -> dict[str, Any]:
    here = film_store.arrived(upload)
    percent = 100 * here // upload.length
    return {"row": upload, "arrived": here, "percent": percent, "until": expires_at(upload)}
