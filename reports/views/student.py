"""A student's page, for the student, a guardian and coaches, and what each may write on it."""

from __future__ import annotations

from typing import Any
from uuid import UUID, uuid4

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_POST

from clubcoach.access import Can, Viewer, club_view
from players.forms import tell
from players.models import Player, own_player_ids
from reports import focus, homework
from reports.family import household
from reports.forms import FocusForm, HomeworkForm, LogForm, RewordForm
from reports.models import FocusPoint, Homework
from reports.student import StudentPage, units_of


def player_here(viewer: Viewer, uuid: UUID) -> Player:
    return get_object_or_404(Player.objects.seen_by(viewer).with_level(), uuid=uuid)


def page(request: Any, player: Player, *, status: int = 200, **bound: Any) -> HttpResponse:
    since = request.GET.get("since", "")
    shown = StudentPage(request.viewer, player, now=timezone.now(), since=since, **bound)
    return render(request, "reports/student_page.html", shown.context(), status=status)


def back(request: Any, player: Player, place: str) -> HttpResponse:
    return redirect(f"{reverse('student_page', args=[request.club.slug, player.uuid])}#{place}")


@require_GET
@club_view(Can.OWN_PADEL)
def my_padel(request: Any) -> HttpResponse:
    """One's own page at once; for a guardian what each child is about, one's own page first."""
    home = household(request.viewer, now=timezone.now())
    players = home["players"]
    if len(players) == 1 and not home["guards"] and not home["grown"]:
        return redirect("student_page", slug=request.club.slug, player=players[0].uuid)
    return render(request, "reports/my_padel.html", home)


@require_GET
@club_view(Can.OWN_PADEL, Can.SEE_SCORES)
def student_page(request: Any, player: UUID) -> HttpResponse:
    return page(request, player_here(request.viewer, player))


@require_POST
@club_view(Can.OWN_PADEL)
def homework_log(request: Any, homework: UUID) -> HttpResponse:
    own = own_player_ids(request.viewer)
    rows = Homework.objects.filter(player__in=own, player__club=request.club)
    row = get_object_or_404(rows.select_related("player__club", "player__level", "drill"), uuid=homework)
    form = LogForm(request.POST, homework=row, today=request.club.today(), uuid=uuid4())
    if form.is_valid():
        try:
            _log(request, row, form)
        except ValidationError as error:
            tell(form, error)
        else:
            messages.success(request, _("Written down: %(drill)s.") % {"drill": row.drill.name})
            return back(request, row.player, "homework")
    # Some fields are hidden, and a drill of another week is not on the page: say it where it is read.
    wrong = " ".join(str(text) for texts in form.errors.values() for text in texts)
    messages.error(request, _("Nothing was written down. %(why)s") % {"why": wrong})
    return page(request, row.player, status=422, log=form)


def _log(request: Any, row: Homework, form: LogForm) -> None:
    homework.log_homework(by=request.user, homework=row, **form.cleaned_data)


@require_POST
@club_view(Can.SET_FOCUS)
def focus_set(request: Any, player: UUID) -> HttpResponse:
    row = player_here(request.viewer, player)
    form = FocusForm(request.POST, units=units_of(row), club=request.club)
    if form.is_valid():
        unit, check = form.chosen()
        said = {"words": form.cleaned_data["words"], "cue": form.cleaned_data["cue"]}
        try:
            focus.set_focus(by=request.user, unit=unit, check=check, **said)
        except ValidationError as error:
            tell(form, error)
        else:
            messages.success(request, _("The focus point is set."))
            return back(request, row, "focus")
    return page(request, row, status=422, focus=form)


def _point_here(request: Any, player: Player, point: int) -> FocusPoint:
    rows = FocusPoint.objects.filter(unit__in=units_of(player)).select_related("unit__club")
    return get_object_or_404(rows, pk=point)


@require_POST
@club_view(Can.SET_FOCUS)
def focus_drop(request: Any, player: UUID, point: int) -> HttpResponse:
    row = player_here(request.viewer, player)
    done = request.POST.get("how") == "done"
    try:
        focus.drop_focus(by=request.user, point=_point_here(request, row, point), done=done)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    else:
        messages.success(request, _("Done with it.") if done else _("The focus point is dropped."))
    return back(request, row, "focus")


@require_POST
@club_view(Can.SET_FOCUS)
def focus_reword(request: Any, player: UUID, point: int) -> HttpResponse:
    row = player_here(request.viewer, player)
    found = _point_here(request, row, point)
    form = RewordForm(request.POST, point=found)
    if form.is_valid():
        try:
            focus.reword_focus(by=request.user, point=found, **form.cleaned_data)
        except ValidationError as error:
            tell(form, error)
        else:
            messages.success(request, _("The words are saved."))
            return back(request, row, "focus")
    return page(request, row, status=422, reword=form)


@require_POST
@club_view(Can.SET_FOCUS)
def homework_give(request: Any, player: UUID) -> HttpResponse:
    row = player_here(request.viewer, player)
    form = HomeworkForm(request.POST, player=row)
    if form.is_valid():
        try:
            homework.give_homework(by=request.user, player=row, **form.cleaned_data)
        except ValidationError as error:
            tell(form, error)
        else:
            messages.success(request, _("The drill is given for this week."))
            return back(request, row, "homework")
    return page(request, row, status=422, give=form)


@require_POST
@club_view(Can.SET_FOCUS)
def homework_withdraw(request: Any, homework: UUID) -> HttpResponse:
    rows = Homework.objects.filter(player__club=request.club).select_related("player__club")
    row = get_object_or_404(rows, uuid=homework)
    try:
        _withdraw(request, row)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    else:
        messages.success(request, _("The drill is taken back."))
    return back(request, row.player, "homework")


def _withdraw(request: Any, row: Homework) -> None:
    homework.withdraw_homework(by=request.user, row=row)
