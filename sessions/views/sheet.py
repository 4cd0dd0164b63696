"""The sheet: the page on which an analysis is coded. Its rows are drawn in the browser from the state document."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django.middleware.csrf import get_token
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.http import require_GET

from clubcoach.access import Can, club_view
from sessions import sheet_keys
from sessions.models import Analysis, Film
from sessions.stakes import why_closed
from sessions.views.sheet_courts import court_urls
from sessions.views.sheet_words import sheet_words


@require_GET
@club_view(Can.CODE, Can.REVIEW)
def sheet(request: Any, analysis: UUID) -> HttpResponse:
    """Read-only for everybody but the analyst, and for her too once it was submitted."""
    found = get_object_or_404(Analysis.objects.seen_by(request.viewer).with_page_parts(), uuid=analysis)
    mine = found.analyst is not None and found.analyst.user_id == request.user.pk
    writable = mine and not why_closed(request.user, found)
    shown = [Film.State.READY, Film.State.AWAY]
    unseen = Film.objects.filter(match_films__match=found.match_id).exclude(state__in=shown)
    return render(
        request,
        "sessions/sheet.html",
        {
            "analysis": found,
            "match": found.match,
            "unseen": unseen,
            "writable": writable,
            "comments": found.comments.select_related("by") if writable else [],
            "sheet_config": _config(request, found),
            "sheet_words": sheet_words(),
        },
    )


def _config(request: Any, analysis: Analysis) -> dict[str, Any]:
    def api(name: str) -> str:
        return reverse(f"api:{name}", args=[request.club.slug, analysis.uuid])

    return {
        "user": request.user.pk,
        "analysis": str(analysis.uuid),
        "state": api("analysis_state"),
        "ops": api("analysis_ops"),
        "draw": api("analysis_draw"),
        "token": get_token(request),
        "keys": {
            **sheet_keys.for_sheet(request.user),
            "url": reverse("sheet_keys", args=[request.club.slug]),
        },
        "courts": court_urls(request, analysis),
        "logout": reverse("account_logout"),
    }
