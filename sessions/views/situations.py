"""One situation: in words, with its picture, and with the few seconds of film round it."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from clubcoach.access import Can, club_view, insist
from sessions import clips, stills
from sessions.models import Clip, Situation
from sessions.views.films import file_answer, note_watching
from sessions.views.situation_words import clip_part, marks_of, neighbours, on_court, whose_page

PARTS = ("analysis__match__club", "rally__match__club", "area", "unit__first__club", "unit__second__club")


def _here(request: Any, pk: int) -> Situation:
    return get_object_or_404(stills.situations_seen_by(request.viewer).select_related(*PARTS), pk=pk)


@require_http_methods(["GET", "HEAD", "POST"])
@club_view(Can.SEE_SCORES, Can.OWN_PADEL)
def situation(request: Any, situation: int) -> HttpResponse:
    """The page, and with POST: try once more to cut a clip that could not be cut."""
    row = _here(request, situation)
    here = request.get_full_path()
    if request.method == "POST":
        clips.try_again(situation=row, by=request.user)
        return redirect(here)
    context = {"situation": row, "here": here, **clip_part(row, request.viewer)}
    if request.htmx:
        return render(request, "sessions/parts/clip.html", context)
    marks = marks_of(row, request.viewer)
    codes = {said.mark.check_identity.code: said.name for said in marks or []}
    check = request.GET.get("check", "")
    check = check if check in codes else ""
    context |= {
        "rally": row.rally,
        "match": row.rally.match,
        "marks": marks,
        "check": check,
        "among": codes.get(check) or row.area.name,
        "player": whose_page(row, request.viewer),
        "court": on_court(row),
        "beside": neighbours(row, request.viewer, check),
    }
    return render(request, "sessions/situation.html", context)


@require_safe
@club_view(Can.SEE_SCORES, Can.OWN_PADEL)
def clip(request: Any, situation: int) -> HttpResponseBase:
    """The clip's bytes; 404 until it is there. It is the page that has it cut."""
    row = _here(request, situation)
    place = clips.place_of(row)
    if place is None:
        raise Http404
    insist(stills.may_be_shown(place.film))
    found = get_object_or_404(Clip, digest=place.digest, state=Clip.State.READY)
    path = clips.path_of(found.digest)
    if not path.is_file():
        raise Http404
    response = file_answer(request, path, found.digest)
    if response.status_code in (200, 206) and request.method == "GET":
        # The situation stays when the clip goes with a consent, and says who was to be seen.
        note_watching(request, "clip.watched", row, since=timezone.now() - timedelta(hours=1))
    return response
