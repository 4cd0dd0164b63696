from datetime import date
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.db.models import Prefetch, Q
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from clubcoach.access import Can, Viewer, club_view
from clubcoach.models import Club, User
from players import services
from players.consent import consent_state, consent_states
from players.forms import EditPlayerForm, GoalForm, LevelForm, NewPlayerForm, RosterFilter, tell
from players.models import Goal, Guardianship, Player, PlayerQuerySet, Squad, Unit

PAGE = 50
FEW = 5


def player_here(viewer: Viewer, uuid: UUID) -> Player:
    return get_object_or_404(Player.objects.filter(club=viewer.club).with_level(), uuid=uuid)


@require_GET
@club_view(Can.SEE_ROSTER)
def roster(request: Any) -> HttpResponse:
    club, today = request.club, request.club.today()
    form = RosterFilter(request.GET or None, club=club)
    asked = form.cleaned_data if form.is_valid() else {}
    squads = Prefetch("squads", Squad.objects.filter(retired_on=None))
    players = _asked_for(club, today, asked).select_related("level").prefetch_related(squads)
    page = Paginator(players, PAGE).get_page(request.GET.get("page"))
    states = consent_states(page.object_list, club, today)
    for player in page.object_list:
        player.club = club
    may_edit = bool(request.viewer.can(Can.EDIT_ROSTER))
    context = {
        "page": page,
        "rows": [(player, player.age_on(today), states[player.pk]) for player in page.object_list],
        "filter": form,
        "filtered": any(asked.values()),
        "alone": _minors_alone(club, today) if may_edit else None,
        "may_edit": may_edit,
        "may_invite": bool(request.viewer.can(Can.INVITE)),
        "may_bring": bool(request.viewer.can(Can.MOVE_DATA)),
    }
    return render(request, "players/roster.html", context)


def _asked_for(club: Club, today: date, asked: dict[str, Any]) -> PlayerQuerySet:
    players = Player.objects.filter(club=club).called(asked.get("name", ""))
    if not asked.get("left"):
        players = players.filter(active=True)
    if asked.get("level"):
        players = players.filter(level=asked["level"])
    if asked.get("squad"):
        players = players.filter(squads=asked["squad"])
    return players.lacking(asked["lack"], club, today) if asked.get("lack") else players


def _minors_alone(club: Club, today: date) -> dict[str, Any]:
    """Minors of whom no guardian is known: nobody can agree for them, and nobody is told."""
    rows = Player.objects.filter(club=club, active=True).minors(club, today).without_guardian()
    rows = rows.select_related("club")
    n = rows.count()
    return {"n": n, "first": list(rows[:FEW]) if n else [], "more": max(0, n - FEW)}


@require_http_methods(["GET", "POST"])
@club_view(Can.EDIT_ROSTER)
def player_new(request: Any) -> HttpResponse:
    form = NewPlayerForm(request.POST or None, club=request.club)
    if request.method == "POST" and form.is_valid():
        try:
            player = services.add_player(by=request.user, club=request.club, **form.cleaned_data)
        except ValidationError as error:
            tell(form, error)
        else:
            messages.success(request, _("%(name)s is on the roster.") % {"name": player.name})
            return redirect("player", slug=request.club.slug, player=player.uuid)
    return _form_page(request, form, "players/player_new.html", {})


@require_GET
@club_view(Can.SEE_ROSTER)
def player(request: Any, player: UUID) -> HttpResponse:
    viewer, row = request.viewer, player_here(request.viewer, player)
    today = request.club.today()
    goals = Goal.objects.filter(Q(unit__first=row) | Q(unit__second=row), closed_at__isnull=True)
    context = {
        "player": row,
        "age": row.age_on(today),
        "minor": row.is_minor(today),
        "state": consent_state(row, today),
        "unit": Unit.objects.get(first=row, kind=Unit.Kind.PLAYER),
        "guardians": Guardianship.objects.filter(player=row).select_related("guardian").order_by("since"),
        "goals": goals.select_related("area", "unit__first", "unit__second"),
        "level_form": LevelForm(club=request.club, initial={"level": row.level_id}),
        "sees_scores": bool(viewer.can(Can.SEE_SCORES)),
        "may_edit": bool(viewer.can(Can.EDIT_ROSTER)),
        "may_invite": bool(viewer.can(Can.INVITE)),
        "may_set_goals": bool(viewer.can(Can.SET_FOCUS)),
    }
    return render(request, "players/player.html", context)


@require_http_methods(["GET", "POST"])
@club_view(Can.EDIT_ROSTER)
def player_edit(request: Any, player: UUID) -> HttpResponse:
    row = player_here(request.viewer, player)
    initial = {name: getattr(row, name) for name in EditPlayerForm.base_fields}
    # Where only the year is known there is no date to show, and none to save by mistake.
    initial["born_on"] = row.birthday
    form = EditPlayerForm(request.POST or None, initial=initial)
    if request.method == "POST" and form.is_valid():
        try:
            services.edit_player(by=request.user, player=row, **form.cleaned_data)
        except ValidationError as error:
            tell(form, error)
        else:
            messages.success(request, _("Saved."))
            return redirect("player", slug=request.club.slug, player=row.uuid)
    return _form_page(request, form, "players/player_edit.html", {"player": row})


@require_POST
@club_view(Can.EDIT_ROSTER)
def player_level(request: Any, player: UUID) -> HttpResponse:
    row = player_here(request.viewer, player)
    form = LevelForm(request.POST, club=request.club)
    if form.is_valid():
        services.set_level(by=request.user, player=row, level=form.cleaned_data["level"])
        messages.success(request, _("The level is saved."))
    else:
        messages.error(request, _("This is no level of the club. Nothing was saved."))
    return redirect("player", slug=request.club.slug, player=row.uuid)


@require_POST
@club_view(Can.EDIT_ROSTER)
def guardian_remove(request: Any, player: UUID, guardian: int) -> HttpResponse:
    row = player_here(request.viewer, player)
    person = get_object_or_404(User, guardianships__player=row, pk=guardian)
    services.remove_guardian(by=request.user, player=row, guardian=person)
    messages.success(request, _("%(name)s is no guardian of this player any more.") % {"name": person.name})
    return redirect("player", slug=request.club.slug, player=row.uuid)


@require_http_methods(["GET", "POST"])
@club_view(Can.SET_FOCUS)
def goal_set(request: Any, player: UUID) -> HttpResponse:
    row = player_here(request.viewer, player)
    form = GoalForm(request.POST or None, player=row)
    if request.method == "POST" and form.is_valid():
        try:
            services.set_goal(by=request.user, **form.cleaned_data)
        except ValidationError as error:
            tell(form, error)
        else:
            messages.success(request, _("The goal is set."))
            return redirect("player", slug=request.club.slug, player=row.uuid)
    return _form_page(request, form, "players/goal_set.html", {"player": row})


def _form_page(request: Any, form: Any, template: str, context: dict[str, Any]) -> HttpResponse:
    status = 422 if form.is_bound and form.errors else 200
    return render(request, template, {"form": form, **context}, status=status)
