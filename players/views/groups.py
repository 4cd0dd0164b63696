"""Pairs, and squads that have their lessons together."""

from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.db.models import Count, Q
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from clubcoach.access import Can, Viewer, club_view
from players import services
from players.forms import tell
from players.forms_groups import PairFilter, PairForm, RetireForm, SquadFilter, SquadForm
from players.models import Squad, Unit

PAGE = 50


@require_http_methods(["GET", "POST"])
@club_view(Can.SEE_ROSTER)
def pairs(request: Any) -> HttpResponse:
    if request.method == "POST":
        request.viewer.must(Can.EDIT_ROSTER)
    form, there = PairForm(request.POST or None, club=request.club), None
    if request.method == "POST" and form.is_valid():
        one, other = form.cleaned_data["one"], form.cleaned_data["other"]
        there = Unit.objects.known_pair(one, other)
        try:
            pair = there or services.make_pair(by=request.user, one=one, other=other)
        except ValidationError as error:
            tell(form, error)
        else:
            if there is None:
                messages.success(request, _("%(pair)s are a pair now.") % {"pair": pair.name})
                return redirect("pairs", slug=request.club.slug)
    asked = PairFilter(request.GET or None)
    name = asked.cleaned_data["name"] if asked.is_valid() else ""
    page = Paginator(_pairs_of(request.viewer, name), PAGE).get_page(request.GET.get("page"))
    for pair in page.object_list:
        for player in (pair.first, pair.second):
            player.club = request.club
    context = {
        "page": page,
        "form": form,
        "there": there,
        "filter": asked,
        "filtered": bool(name),
        "may_edit": bool(request.viewer.can(Can.EDIT_ROSTER)),
        "sees_scores": bool(request.viewer.can(Can.SEE_SCORES)),
    }
    return render(request, "players/pairs.html", context, status=422 if form.errors or there else 200)


def _pairs_of(viewer: Viewer, name: str) -> Any:
    rows = Unit.objects.filter(club=viewer.club, kind=Unit.Kind.PAIR)
    for word in name.split():
        rows = rows.filter(
            Q(first__given_name__icontains=word)
            | Q(first__family_name__icontains=word)
            | Q(second__given_name__icontains=word)
            | Q(second__family_name__icontains=word)
        )
    return rows.select_related("first__level", "second__level").order_by(
        "first__family_name", "first__given_name", "second__family_name", "pk"
    )


def squad_here(viewer: Viewer, pk: int) -> Squad:
    return get_object_or_404(
        Squad.objects.filter(club=viewer.club).select_related("club", "level", "coach"), pk=pk
    )


@require_GET
@club_view(Can.SEE_ROSTER)
def squads(request: Any) -> HttpResponse:
    form = SquadFilter(request.GET or None)
    rows = Squad.objects.filter(club=request.club)
    retired = rows.filter(retired_on__isnull=False).exists()
    if not (form.is_valid() and form.cleaned_data["retired"]):
        rows = rows.filter(retired_on=None)
    rows = rows.select_related("level", "coach").annotate(
        n=Count("players", filter=Q(players__active=True), distinct=True)
    )
    rows = rows.order_by("name", "pk")
    page = Paginator(rows, PAGE).get_page(request.GET.get("page"))
    context = {
        "page": page,
        "filter": form if retired else None,
        "may_edit": bool(request.viewer.can(Can.EDIT_ROSTER)),
    }
    return render(request, "players/squads.html", context)


@require_http_methods(["GET", "POST"])
@club_view(Can.EDIT_ROSTER)
def squad_new(request: Any) -> HttpResponse:
    return _squad_form(request, None)


@require_http_methods(["GET", "POST"])
@club_view(Can.SEE_ROSTER)
def squad(request: Any, squad: int) -> HttpResponse:
    row = squad_here(request.viewer, squad)
    if request.method == "POST" or "change" in request.GET:
        request.viewer.must(Can.EDIT_ROSTER)
        return _squad_form(request, row)
    return _squad_page(request, row)


@require_POST
@club_view(Can.EDIT_ROSTER)
def squad_retire(request: Any, squad: int) -> HttpResponse:
    row = squad_here(request.viewer, squad)
    if "restore" in request.POST:
        services.restore_squad(by=request.user, squad=row)
        messages.success(request, _("%(squad)s is in use again.") % {"squad": row.name})
        return redirect("squad", slug=request.club.slug, squad=row.pk)
    form = RetireForm(request.POST)
    if form.is_valid():
        try:
            services.retire_squad(by=request.user, squad=row, **form.cleaned_data)
        except ValidationError as error:
            tell(form, error)
        else:
            messages.success(
                request, _("%(squad)s is retired. Its lessons stay on record.") % {"squad": row.name}
            )
            return redirect("squads", slug=request.club.slug)
    return _squad_page(request, row, form)


def _squad_form(request: Any, row: Squad | None) -> HttpResponse:
    form = SquadForm(request.POST or None, club=request.club, squad=row)
    if request.method == "POST" and form.is_valid():
        try:
            saved = services.save_squad(by=request.user, club=request.club, squad=row, **form.facts())
        except ValidationError as error:
            tell(form, error)
        else:
            messages.success(request, _("%(squad)s is saved.") % {"squad": saved.name})
            return redirect("squad", slug=request.club.slug, squad=saved.pk)
    return render(
        request,
        "players/squad_form.html",
        {"form": form, "squad": row},
        status=422 if form.errors else 200,
    )


def _squad_page(request: Any, row: Squad, retire: RetireForm | None = None) -> HttpResponse:
    viewer, today = request.viewer, request.club.today()
    members = list(row.players.select_related("level"))
    for player in members:
        player.club = request.club
    minors = [player for player in members if player.is_minor(today)]
    unknown = [player for player in members if player.born_on is None]
    context = {
        "squad": row,
        "members": [(player, player.age_on(today)) for player in members],
        "minors": len(minors),
        "mixed": bool(minors) and len(minors) + len(unknown) < len(members),
        "retire": retire or RetireForm(),
        "may_edit": bool(viewer.can(Can.EDIT_ROSTER)),
        "may_plan": bool(viewer.can(Can.PLAN_LESSONS)),
        "sees_lessons": bool(viewer.can(Can.SEE_LESSONS)),
    }
    return render(request, "players/squad.html", context, status=422 if retire and retire.errors else 200)
