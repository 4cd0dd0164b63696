"""What several pages show: the films of a match with how far each has been read."""

from __future__ import annotations

from typing import Any

from clubcoach.models import Job
from sessions.models import Film, Match


def films_of(match: Match) -> list[dict[str, Any]]:
    """The films of a match in playing order; one that is still being read comes with its job."""
    rows = list(match.match_films.select_related("film", "film__uploaded_by"))
    waiting = {str(row.film.uuid) for row in rows if row.film.state == Film.State.ARRIVED}
    jobs: dict[str, Job] = {}
    if waiting:
        found = Job.objects.filter(kind="film.read", club=match.club_id, key__in=waiting).order_by("pk")
        jobs = {job.key: job for job in found}
    return [{"row": row, "film": row.film, "job": jobs.get(str(row.film.uuid))} for row in rows]


def still_reading(films: list[dict[str, Any]]) -> bool:
    """Whether it is worth looking again in a second."""
    return any(
        film["film"].state == Film.State.ARRIVED and film["job"] and not film["job"].over for film in films
    )
