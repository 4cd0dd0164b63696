"""The court view of a film, the places where cameras stand, and the page that says where a phone is put."""

from __future__ import annotations

import math
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.db.models import Count
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from clubcoach.access import Can, Refusal, club_view
from clubcoach.formatting import clock
from sessions import court_phone, court_plan, court_reading, services, stills
from sessions.models import CameraPlace, Film
from sessions.services.court import last_view_from, may_be_placed
from sessions.views.court_draft import Draft, exact, marks_of
from sessions.views.court_page import page_config, page_words
from sessions.views.parts import film_here

PAGE = 50
State = Film.State


@require_http_methods(["GET", "POST"])
@club_view(Can.WATCH_FILM)
def court_view(request: Any, film: UUID) -> HttpResponse:
    row = film_here(request.viewer, film)
    if request.method == "GET":
        return _page(request, row, Draft.of(row, request.GET.get("from", ""), request.GET.get("at", "")))
    request.viewer.must(Can.EDIT_MATCHES)
    act = request.POST.get("act", "")
    if act == "remove":
        return _remove(request, row)
    if act == "camera":
        return _set_camera(request, row)
    draft = Draft.sent(row, request.POST)
    if act == "save" and not draft.problems:
        try:
            view = services.place_court(by=request.user, film=row, looked=draft.looked, **draft.values())
        except ValidationError as error:
            draft.tell(error)
        else:
            messages.success(request, _("The court view is saved."))
            return redirect(_address(row, view.from_s))
    return _page(request, row, draft)


def _address(film: Film, from_s: float | None = None) -> str:
    path = reverse("court_view", args=[film.club.slug, film.uuid])
    return path if from_s is None else f"{path}?from={exact(from_s)}"


def _number(text: str) -> float:
    """A number of a field that the page filled itself; what is none fits no row."""
    try:
        return float(text)
    except ValueError:
        return math.nan


def _remove(request: Any, film: Film) -> HttpResponse:
    from_s = _number(request.POST.get("from_s", ""))
    try:
        services.remove_court(by=request.user, film=film, from_s=from_s)
    except ValidationError as error:
        _say(request, error)
    else:
        messages.success(request, _("The court view is removed."))
    return redirect(_address(film))


def _set_camera(request: Any, film: Film) -> HttpResponse:
    """A place that is there, none, or a new one by its name."""
    name = request.POST.get("name", "").strip()
    sent = request.POST.get("camera", "")
    try:
        if name:
            camera: CameraPlace | None = services.save_camera(
                by=request.user, club=request.club, name=name, words=request.POST.get("words", "")
            )
        else:
            camera = _camera_here(request, sent) if sent else None
        services.set_camera(by=request.user, film=film, camera=camera)
    except ValidationError as error:
        _say(request, error)
    else:
        messages.success(request, _("The film's camera place is saved."))
    return redirect(_address(film))


def _camera_here(request: Any, pk: str) -> CameraPlace:
    places = CameraPlace.objects.filter(club=request.club)
    return get_object_or_404(places, pk=int(pk) if pk.isascii() and pk.isdigit() and len(pk) < 10 else 0)


def _say(request: Any, error: ValidationError) -> None:
    for sentence in error.messages:
        messages.error(request, sentence)


def _page(request: Any, film: Film, draft: Draft) -> HttpResponse:
    shown = stills.may_be_shown(film)
    # Of a film that is deleted or could not be read the numbers stand here, and nothing changes them any more.
    over = film.state in (State.GONE, State.REFUSED)
    may_edit = bool(request.viewer.can(Can.EDIT_MATCHES)) and not over
    refusal = str(shown.reason) if isinstance(shown, Refusal) else ""
    result = draft.result()
    views = list(film.court_views.select_related("placed_by", "looked_by", "copied_from__film"))
    source = last_view_from(film) if may_edit and not views else None
    config = page_config(film, draft, result, shown=not refusal, may_edit=may_edit)
    context = {
        "film": film,
        "views": [(view, exact(view.from_s)) for view in views],
        "draft": draft,
        "marks": marks_of(draft, result),
        "result": result,
        "plan": court_plan.plan(),
        "drawn": court_plan.lines_drawn(result["lines"]) if result else "",
        "refusal": refusal,
        "why_not": may_be_placed(film),
        "may_edit": may_edit,
        "poster": config["poster"],
        "moments": [(exact(row["at"]), row["words"]) for row in config["strip"]],
        "config": config,
        "words": page_words(),
        "places": CameraPlace.objects.filter(club=request.club) if may_edit else [],
        "source": source,
    }
    return render(request, "sessions/court.html", context, status=422 if draft.problems else 200)


@require_POST
@club_view(Can.EDIT_MATCHES)
def court_copy(request: Any, film: UUID) -> HttpResponse:
    row = film_here(request.viewer, film)
    try:
        view = services.copy_court(by=request.user, film=row)
    except ValidationError as error:
        _say(request, error)
        return redirect(_address(row))
    messages.success(
        request,
        _(
            "The court view is copied; it holds from %(start)s on. Look whether the lines lie on the court, then say"
            " so."
        )
        % {"start": clock(view.from_s)},
    )
    return redirect(_address(row, view.from_s))


@require_http_methods(["GET", "POST"])
@club_view(Can.EDIT_MATCHES)
def camera_places(request: Any) -> HttpResponse:
    sent: dict[str, str] = {}
    problems: list[str] = []
    if request.method == "POST":
        sent = {name: request.POST.get(name, "") for name in ("name", "words")}
        try:
            _keep_place(request, sent)
        except ValidationError as error:
            problems = error.messages
        else:
            return redirect("camera_places", slug=request.club.slug)
    places = CameraPlace.objects.filter(club=request.club).annotate(film_count=Count("films"))
    context = {
        "page": Paginator(places.order_by("name", "pk"), PAGE).get_page(request.GET.get("page")),
        "sent": sent,
        "problems": problems,
    }
    return render(request, "sessions/court_cameras.html", context, status=422 if problems else 200)


def _keep_place(request: Any, sent: dict[str, str]) -> None:
    pk = request.POST.get("place", "")
    place = _camera_here(request, pk) if pk else None
    if place is not None and request.POST.get("act") == "remove":
        services.remove_camera(by=request.user, place=place)
        messages.success(request, _("The camera place is removed; its films keep their court views."))
        return
    services.save_camera(by=request.user, club=request.club, place=place, **sent)
    messages.success(request, _("The camera place is saved."))


@require_safe
@club_view(Can.BE_HERE)
def phone_place(request: Any) -> HttpResponse:
    return render(
        request,
        "sessions/phone_place.html",
        {
            "rows": court_phone.rows(court_reading.check_list_of(request.club)),
            "side": court_phone.side_view(),
            "frame": court_phone.frame_view(),
        },
    )
