"""Lessons: by date, a term planned, and one with who is expected and who came."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from clubcoach import formatting
from clubcoach.access import Can, Viewer, club_view
from players.forms import tell
from players.models import Squad
from sessions import services
from sessions.forms_lessons import AttendanceForm, CallOffForm, LessonFilter, PlanForm
from sessions.models import Attendance, Lesson
from sessions.rota import span_of
from sessions.services.lessons import opens_at

PAGE = 50
OWN = 3


def lesson_here(viewer: Viewer, uuid: UUID) -> Lesson:
    rows = Lesson.objects.seen_by(viewer).select_related("club", "squad", "coach")
    return get_object_or_404(rows, uuid=uuid)


@require_GET
@club_view(Can.SEE_LESSONS)
def lessons(request: Any) -> HttpResponse:
    club, now = request.club, timezone.now()
    form = LessonFilter(request.GET or None, club=club)
    asked = {name: row for name, row in form.cleaned_data.items() if row} if form.is_valid() else {}
    today, _tomorrow = span_of(club, club.today(now))
    rows = Lesson.objects.seen_by(request.viewer)
    page = Paginator(rows.filter(**asked).with_page_parts().coming_first(today), PAGE).get_page(
        request.GET.get("page")
    )
    may_plan = bool(request.viewer.can(Can.PLAN_LESSONS))
    context = {
        "page": page,
        "coming": [row for row in page.object_list if row.starts_at >= today],
        "past": [row for row in page.object_list if row.starts_at < today],
        "own": [] if asked or page.number > 1 else _own(request, today, now),
        "now": now,
        "filter": form,
        "filtered": bool(asked),
        "may_plan": may_plan,
        "squads_there": may_plan and Squad.objects.filter(club=club, retired_on=None).exists(),
    }
    return render(request, "sessions/lessons.html", context)


def _own(request: Any, today: datetime, now: datetime) -> list[Lesson]:
    """What a coach has to do with lessons of their own: note who came, then the next ones."""
    if not request.viewer.can(Can.RUN_LESSONS):
        return []
    mine = (
        Lesson.objects.seen_by(request.viewer)
        .filter(coach=request.user, state=Lesson.State.PLANNED)
        .with_page_parts()
    )
    not_noted = mine.filter(starts_at__lt=now).order_by("-starts_at")[:OWN]
    return [*reversed(not_noted), *mine.filter(starts_at__gte=now)[:OWN]]


@require_http_methods(["GET", "POST"])
@club_view(Can.PLAN_LESSONS)
def lesson_new(request: Any) -> HttpResponse:
    club = request.club
    form = PlanForm(request.POST or None, club=club, initial={"squad": request.GET.get("squad")})
    if request.method == "POST" and form.is_valid():
        try:
            made = services.plan_lessons(by=request.user, club=club, **form.facts())
        except ValidationError as error:
            form.tell(error)
        else:
            messages.success(request, _planned_words(made))
            return redirect("lesson", slug=club.slug, lesson=made[0].uuid)
    squads = Squad.objects.filter(club=club, retired_on=None).exists()
    context = {"form": form, "squads_there": squads}
    return render(request, "sessions/lesson_new.html", context, status=422 if form.errors else 200)


def _planned_words(made: list[Lesson]) -> str:
    first = made[0]
    return ngettext(
        "One lesson of %(squad)s is planned: %(first)s.",
        "%(n)d lessons of %(squad)s are planned, %(first)s to %(last)s.",
        len(made),
    ) % {
        "n": len(made),
        "squad": first.squad.name if first.squad else "",
        "first": formatting.day(first.starts_at, first.club, weekday=True),
        "last": formatting.day(made[-1].starts_at, first.club, weekday=True),
    }


@require_GET
@club_view(Can.SEE_LESSONS)
def lesson(request: Any, lesson: UUID) -> HttpResponse:
    return _page(request, lesson_here(request.viewer, lesson))


@require_POST
@club_view(Can.RUN_LESSONS)
def lesson_attendance(request: Any, lesson: UUID) -> HttpResponse:
    row = lesson_here(request.viewer, lesson)
    form = AttendanceForm(request.POST, rows=_expected(row))
    if form.is_valid():
        try:
            services.note_attendance(by=request.user, lesson=row, states=form.states())
        except ValidationError as error:
            tell(form, error)
        else:
            messages.success(request, _noted_words(row))
            return redirect("lesson", slug=request.club.slug, lesson=row.uuid)
    return _page(request, row, attendance=form)


def _noted_words(lesson: Lesson) -> str:
    noted = list(lesson.attendances.values_list("state", flat=True))
    count = {state: noted.count(state) for state in Attendance.State.values}
    if not noted:
        return _("Noted: the lesson was held with nobody on the list.")
    words = _("Noted: %(came)d came, %(excused)d said no in time, %(missed)d did not come.") % count
    if count["expected"]:
        rest = ngettext("%(n)d is not marked yet.", "%(n)d are not marked yet.", count["expected"])
        words = f"{words} {rest % {'n': count['expected']}}"
    return words


@require_POST
@club_view(Can.PLAN_LESSONS)
def lesson_cancel(request: Any, lesson: UUID) -> HttpResponse:
    row = lesson_here(request.viewer, lesson)
    form = CallOffForm(request.POST)
    if form.is_valid():
        try:
            services.cancel_lesson(by=request.user, lesson=row, **form.cleaned_data)
        except ValidationError as error:
            tell(form, error)
        else:
            messages.success(request, _("The lesson is called off."))
            return redirect("lesson", slug=request.club.slug, lesson=row.uuid)
    return _page(request, row, call_off=form)


def _expected(lesson: Lesson) -> list[Attendance]:
    rows = list(lesson.attendances.select_related("player__level", "noted_by"))
    for row in rows:
        row.player.club = lesson.club
    return rows


def _page(
    request: Any, row: Lesson, attendance: AttendanceForm | None = None, call_off: CallOffForm | None = None
) -> HttpResponse:
    viewer, now = request.viewer, timezone.now()
    rows = attendance.rows if attendance else _expected(row)
    planned, called_off = row.state == Lesson.State.PLANNED, row.state == Lesson.State.CANCELLED
    noted = [entry for entry in rows if entry.state != Attendance.State.EXPECTED]
    context = {
        "lesson": row,
        "rows": rows,
        "noted": max(noted, key=lambda entry: entry.noted_at, default=None),
        "begun": now >= row.starts_at,
        "opens_at": opens_at(row),
        "open": now >= opens_at(row) and not called_off,
        "attendance": attendance or AttendanceForm(rows=rows),
        "call_off": call_off or CallOffForm(),
        "may_run": bool(viewer.can(Can.RUN_LESSONS)),
        "may_call_off": bool(viewer.can(Can.PLAN_LESSONS)) and planned,
    }
    wrong = (attendance and attendance.errors) or (call_off and call_off.errors)
    return render(request, "sessions/lesson.html", context, status=422 if wrong else 200)
