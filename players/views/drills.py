"""The drill library: looked through by everybody of the club, written by its coaches.

The page of one drill stands in ``reports``: it also says who has the drill this week.
"""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from clubcoach.access import Can, Viewer, club_view, insist
from players.drills import groups_of, in_order
from players.forms import tell
from players.forms_drills import DrillFilter, DrillForm, initial_of
from players.models import Area, Drill
from players.services import drills as services
from players.services.drills import BroughtIn, may_change

PAGE = 60


def drill_here(viewer: Viewer, code: str) -> Drill:
    rows = Drill.objects.seen_by(viewer).select_related("club").prefetch_related("areas", "checks__area")
    return get_object_or_404(rows, code=code)


@require_GET
@club_view(Can.BE_HERE)
def drills(request: Any) -> HttpResponse:
    club, viewer = request.club, request.viewer
    coach = bool(viewer.can(Can.ADD_DRILLS))
    form = DrillFilter(request.GET or None, club=club, coach=coach)
    form.is_valid()
    # What is wrong with one field leaves the others in force.
    asked = {name: value for name, value in getattr(form, "cleaned_data", {}).items() if value}
    found = Drill.objects.filter(club=club)
    if not asked.pop("retired", False):
        found = found.filter(retired_on=None)
    page = Paginator(in_order(_that_fit(found, asked), asked.get("area")), PAGE).get_page(
        request.GET.get("page")
    )
    context = {
        "page": page,
        "groups": groups_of(page.object_list, list(Area.objects.filter(club=club))),
        "filter": form,
        "asked": asked,
        "widen": [_without(request, form, name) for name in asked],
        "any": bool(page.paginator.count) or found.exists(),
        "coach": coach,
        "may_edit": bool(viewer.can(Can.EDIT_LISTS)),
    }
    return render(request, "players/drills.html", context)


def _without(request: Any, form: DrillFilter, name: str) -> tuple[Any, str]:
    """The same question with one thing less."""
    query = request.GET.copy()
    for gone in (name, "page"):
        query.pop(gone, None)
    return form.fields[name].label, f"{request.path}?{query.urlencode()}"


def _that_fit(found: Any, asked: dict[str, Any]) -> Any:
    for name in ("stage", "place"):
        if name in asked:
            found = found.filter(**{name: asked[name]})
    if "area" in asked:
        found = found.filter(areas=asked["area"])
    if "check" in asked:
        found = found.filter(checks__code=asked["check"])
    if "players" in asked:
        found = found.for_players(asked["players"])
    return found.saying(asked.get("word", ""))


@require_http_methods(["GET", "POST"])
@club_view(Can.ADD_DRILLS)
def drill_new(request: Any) -> HttpResponse:
    return _written(request, None)


@require_http_methods(["GET", "POST"])
@club_view(Can.ADD_DRILLS, Can.EDIT_LISTS)
def drill_edit(request: Any, drill: str) -> HttpResponse:
    row = drill_here(request.viewer, drill)
    insist(may_change(request.viewer, row))
    return _written(request, row)


def _written(request: Any, drill: Drill | None) -> HttpResponse:
    club = request.club
    sent = request.POST if request.method == "POST" else None
    form = DrillForm(sent, club=club, drill=drill, initial=initial_of(drill) if drill else None)
    if form.is_valid():
        try:
            row = services.save_drill(by=request.user, club=club, drill=drill, **form.drill_values())
        except ValidationError as error:
            tell(form, error)
        else:
            messages.success(request, _("“%(drill)s” is saved.") % {"drill": row.name})
            return redirect("drill", slug=club.slug, drill=row.code)
    status = 200 if sent is None else 422
    return render(request, "players/drill_form.html", {"form": form, "drill": drill}, status=status)


@require_POST
@club_view(Can.ADD_DRILLS)
def drill_copy(request: Any, drill: str) -> HttpResponse:
    row = services.copy_drill(by=request.user, drill=drill_here(request.viewer, drill))
    messages.success(request, _("This is your copy: change what you like, and give it a name of its own."))
    return redirect("drill_edit", slug=request.club.slug, drill=row.code)


@require_POST
@club_view(Can.EDIT_LISTS)
def drills_standard(request: Any) -> HttpResponse:
    try:
        told = services.bring_in_standard(by=request.user, club=request.club)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    else:
        messages.success(request, _standard_words(told))
    return redirect("drills", slug=request.club.slug)


def _standard_words(told: BroughtIn) -> str:
    if told.added or told.updated:
        words = [
            ngettext("%(n)d drill is new here.", "%(n)d drills are new here.", told.added),
            ngettext("%(n)d was brought up to date.", "%(n)d were brought up to date.", told.updated),
        ]
    else:
        words = [_("All standard drills are here already, as they should be."), ""]
    words += [
        ngettext(
            "%(n)d is changed by the club and stays as it is.",
            "%(n)d are changed by the club and stay as they are.",
            told.left_own,
        ),
        ngettext(
            "%(n)d is left out: the club's check list does not have what it trains.",
            "%(n)d are left out: the club's check list does not have what they train.",
            told.left_out,
        ),
    ]
    counts = [told.added, told.updated, told.left_own, told.left_out]
    # The first sentence is said in any case, the others where there is something to say.
    return " ".join(
        text % {"n": n} for place, (text, n) in enumerate(zip(words, counts, strict=True)) if n or not place
    )
