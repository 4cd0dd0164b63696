"""Where the sheet sends somebody who may place the court in a film."""

from __future__ import annotations

from typing import Any

from django.urls import reverse

from clubcoach.access import Can
from sessions.models import Analysis, Film


def court_urls(request: Any, analysis: Analysis) -> dict[str, str]:
    """By film; nothing for those who may not place a court."""
    if not request.viewer.can(Can.EDIT_MATCHES):
        return {}
    watched = [Film.State.READY, Film.State.AWAY]
    films = Film.objects.filter(match_films__match=analysis.match_id, state__in=watched)
    return {
        str(uuid): reverse("court_view", args=[request.club.slug, uuid])
        for uuid in films.values_list("uuid", flat=True)
    }
