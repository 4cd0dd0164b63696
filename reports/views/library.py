"""The page of a drill, for everybody of the club, and taking it out of use."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db.models import Q
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from clubcoach.access import Can, Viewer, club_view
from players.drills import LOADS, neighbours_of, trained_by
from players.models import Drill, own_player_ids
from players.services.drills import may_change
from reports import library
from reports.homework import given_now

CHOICES = {"yes": True, "no": False}


def drill_here(viewer: Viewer, code: str) -> Drill:
    """What the list shows, and what a player still has although it went out of use."""
    mine = given_now(viewer.club.today()).filter(player__in=own_player_ids(viewer)).values("drill")
    seen = Drill.objects.seen_by(viewer).values("pk")
    rows = Drill.objects.filter(Q(pk__in=seen) | Q(pk__in=mine), club=viewer.club)
    return get_object_or_404(
        rows.select_related("club", "written_by").prefetch_related("areas", "checks"), code=code
    )


@require_GET
@club_view(Can.BE_HERE)
def drill(request: Any, drill: str) -> HttpResponse:
    viewer, row = request.viewer, drill_here(request.viewer, drill)
    held = library.held_now(row) if viewer.can(Can.SEE_SCORES) else []
    context = {
        "drill": row,
        "trained": trained_by(row),
        "loads": [LOADS.get(load, load) for load in row.loads],
        "half": row.overheads // 2,
        "near": neighbours_of(row),
        "sees_use": bool(viewer.can(Can.SEE_SCORES)),
        "this_week": len({holder.row.player_id for holder in held if not holder.later}),
        "later": len({holder.row.player_id for holder in held if holder.later}),
        "may_copy": bool(viewer.can(Can.ADD_DRILLS)),
        "may_change": bool(may_change(viewer, row)),
        "may_retire": bool(viewer.can(Can.EDIT_LISTS)),
    }
    return render(request, "players/drill.html", context)


@require_http_methods(["GET", "POST"])
@club_view(Can.EDIT_LISTS)
def drill_retire(request: Any, drill: str) -> HttpResponse:
    row = drill_here(request.viewer, drill)
    if request.method == "GET":
        return _asked(request, row)
    take_back = CHOICES.get(request.POST.get("take_back", ""))
    try:
        library.retire_drill(by=request.user, drill=row, take_back=take_back)
    except ValidationError as error:
        return _asked(request, row, wrong=error.messages)
    said = _("“%(drill)s” is out of use.") % {"drill": row.name}
    if take_back:
        said += " " + _("It is taken back from everybody who had it; what they logged stays.")
    messages.success(request, said)
    return redirect("drill", slug=request.club.slug, drill=row.code)


def _asked(request: Any, row: Drill, wrong: list[str] | None = None) -> HttpResponse:
    held = library.held_now(row)
    players = len({holder.row.player_id for holder in held})
    context = {"drill": row, "held": held, "players": players, "wrong": wrong}
    return render(request, "reports/drill_retire.html", context, status=422 if wrong else 200)


@require_POST
@club_view(Can.EDIT_LISTS)
def drill_restore(request: Any, drill: str) -> HttpResponse:
    row = drill_here(request.viewer, drill)
    try:
        library.restore_drill(by=request.user, drill=row)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    else:
        messages.success(request, _("“%(drill)s” is in use again.") % {"drill": row.name})
    return redirect("drill", slug=request.club.slug, drill=row.code)
