from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db.models import Count
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from clubcoach.access import Can, club_view
from players import services
from players.forms import tell
from players.forms_settings import LevelEditForm, LevelWordsForm, RemoveLevelForm
from players.models import Area, Level
from players.services.levels import used_words, who_has


def level_here(request: Any, pk: int) -> Level:
    return get_object_or_404(Level.objects.select_related("club"), club=request.club, pk=pk)


@require_GET
@club_view(Can.SEE_ROSTER)
def levels(request: Any) -> HttpResponse:
    """From the lowest to the highest, as they are counted."""
    counted = Level.objects.filter(club=request.club).annotate(
        n_players=Count("players", distinct=True), n_squads=Count("squads", distinct=True)
    )
    rows = list(counted.prefetch_related("standards").order_by("position"))
    areas = list(Area.objects.filter(club=request.club))
    context = {
        "levels": rows,
        "areas": areas,
        "sheet": [(level, _scores(level, areas)) for level in rows],
        "may_edit": bool(request.viewer.can(Can.EDIT_LISTS)),
    }
    return render(request, "players/levels.html", context)


def _scores(level: Level, areas: list[Area]) -> list[tuple[Area, int | None]]:
    have = {row.area_id: row.score for row in level.standards.all()}
    return [(area, have.get(area.pk)) for area in areas]


@require_http_methods(["GET", "POST"])
@club_view(Can.EDIT_LISTS)
def level_new(request: Any) -> HttpResponse:
    form = LevelWordsForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            level = services.add_level(by=request.user, club=request.club, **form.cleaned_data)
        except ValidationError as error:
            tell(form, error)
        else:
            messages.success(
                request, _("“%(level)s” is there. Now say what it expects.") % {"level": level.name}
            )
            return redirect("level", slug=request.club.slug, level=level.pk)
    return _page(request, "players/level.html", {"form": form, "may_edit": True})


@require_http_methods(["GET", "POST"])
@club_view(Can.SEE_ROSTER)
def level(request: Any, level: int) -> HttpResponse:
    row = level_here(request, level)
    if request.method == "POST":
        request.viewer.must(Can.EDIT_LISTS)
    areas = list(Area.objects.filter(club=request.club))
    form = LevelEditForm(request.POST or None, level=row, areas=areas)
    if request.method == "POST" and form.is_valid():
        words = {name: form.cleaned_data[name] for name in ("name", "description")}
        try:
            services.edit_level(by=request.user, level=row, standards=form.standards(), **words)
        except ValidationError as error:
            tell(form, error)
        else:
            messages.success(request, _("Saved."))
            return redirect("levels", slug=request.club.slug)
    players, squads = who_has(row)
    context = {
        "level": row,
        "form": form,
        "scores": _scores(row, areas),
        "players": players,
        "squads": squads,
        "may_edit": bool(request.viewer.can(Can.EDIT_LISTS)),
    }
    return _page(request, "players/level.html", context)


@require_POST
@club_view(Can.EDIT_LISTS)
def level_move(request: Any, level: int) -> HttpResponse:
    row = level_here(request, level)
    up = request.POST.get("way") == "up"
    try:
        moved = services.move_level(by=request.user, level=row, up=up)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    else:
        if moved:
            messages.success(request, _("“%(level)s” has moved.") % {"level": row.name})
        else:
            messages.error(request, _("“%(level)s” stands at the end already.") % {"level": row.name})
    return redirect("levels", slug=request.club.slug)


@require_http_methods(["GET", "POST"])
@club_view(Can.EDIT_LISTS)
def level_remove(request: Any, level: int) -> HttpResponse:
    row = level_here(request, level)
    players, squads = who_has(row)
    used = used_words(row, players, squads) if players or squads else ""
    form = RemoveLevelForm(request.POST if request.method == "POST" else None, level=row, used=used)
    if request.method == "POST" and form.is_valid():
        try:
            moved = services.remove_level(by=request.user, level=row, **form.cleaned_data)
        except ValidationError as error:
            tell(form, error)
        else:
            messages.success(request, _removed(row.name, form.cleaned_data["move_to"], *moved))
            return redirect("levels", slug=request.club.slug)
    others = form.fields["move_to"].queryset.exists()  # type: ignore[attr-defined]
    context = {"level": row, "form": form, "used": used, "others": others}
    return _page(request, "players/level_remove.html", context)


def _removed(name: str, to: Level | None, players: int, squads: int) -> str:
    if to is None or not (players or squads):
        return _("“%(level)s” is gone.") % {"level": name}
    return ngettext(
        "“%(level)s” is gone; %(n)d player and the squads that had it are at “%(to)s” now.",
        "“%(level)s” is gone; %(n)d players and the squads that had it are at “%(to)s” now.",
        players,
    ) % {"level": name, "n": players, "to": to.name}


def _page(request: Any, template: str, context: dict[str, Any]) -> HttpResponse:
    form = context["form"]
    return render(request, template, context, status=422 if form.is_bound and form.errors else 200)
