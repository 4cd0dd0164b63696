"""What of films is stored, how large, until when and why; keeping one for longer, and deleting one now."""

from __future__ import annotations

from datetime import timedelta
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_safe

from clubcoach.access import Can, club_view
from players.forms import tell
from sessions import film_store as store
from sessions import film_terms, services
from sessions.forms_films import HoldForm
from sessions.models import Film
from sessions.services.film_care import open_analyses
from sessions.views.film_page import film_here

PAGE = 50
SOON = timedelta(days=14)


@require_safe
@club_view(Can.KEEP_FILMS)
def film_store(request: Any) -> HttpResponse:
    club, now = request.club, timezone.now()
    here = Film.objects.filter(club=club).exclude(file="", original="")
    films = list(here.select_related("held_by").prefetch_related("match_films__match"))
    terms = film_terms.terms(club, films, now)

    def order(film: Film) -> tuple[int, Any, int]:
        at = terms[film.pk].at
        if at is not None and at <= now + SOON:
            return 0, at, film.pk
        return 1, -film.uploaded_at.timestamp(), film.pk

    films.sort(key=order)
    page = Paginator(films, PAGE).get_page(request.GET.get("page"))
    sizes, used, most = store.sizes(club), store.used(club), store.quota(club)
    context = {
        "page": page,
        "rows": [_row(film, terms[film.pk], sizes, now) for film in page],
        "n": len(films),
        "soon": sum(order(film)[0] == 0 for film in films),
        "used": used,
        "most": most,
        "free": max(0, most - used),
        "over": max(0, used - most),
        "percent": min(100, round(100 * used / most)),
        "may_watch": bool(request.viewer.can(Can.WATCH_FILM)),
        "may_edit_club": bool(request.viewer.can(Can.EDIT_CLUB)),
    }
    return render(request, "sessions/film_store.html", context)


def _row(film: Film, term: film_terms.Term, sizes: dict[str, int], now: Any) -> dict[str, Any]:
    return {
        "film": film,
        "days": sorted({link.match.played_on for link in film.match_films.all()}),
        "size": film.size + sizes.get(f"making/{film.uuid}", 0),
        "term": term,
        "soon": term.at is not None and term.at <= now + SOON,
    }


def _back(request: Any, film: Film) -> HttpResponse:
    """To where the person may go: a manager keeps films and watches none."""
    if request.viewer.can(Can.WATCH_FILM):
        return redirect("film", slug=request.club.slug, film=film.uuid)
    return redirect("film_store", slug=request.club.slug)


@require_http_methods(["GET", "POST"])
@club_view(Can.KEEP_FILMS)
def film_hold(request: Any, film: UUID) -> HttpResponse:
    """Keep a film beyond the rule with a reason, or leave it to the rule again."""
    row = film_here(request.viewer, film)
    form = HoldForm(request.POST if request.method == "POST" else None, initial={"why": row.held_why})
    if request.method == "POST" and request.POST.get("act") == "let_go":
        try:
            services.let_go(by=request.user, film=row)
        except ValidationError as error:
            messages.error(request, " ".join(error.messages))
        else:
            messages.success(request, _("The film is left to the club's rule again."))
        return _back(request, row)
    if request.method == "POST" and form.is_valid():
        try:
            services.hold_film(by=request.user, film=row, why=form.cleaned_data["why"])
        except ValidationError as error:
            tell(form, error)
        else:
            messages.success(request, _("The film is kept until somebody lets it go."))
            return _back(request, row)
    return _ask(request, row, "sessions/film_hold.html", form=form, status=422 if form.errors else 200)


@require_http_methods(["GET", "POST"])
@club_view(Can.KEEP_FILMS)
def film_remove(request: Any, film: UUID) -> HttpResponse:
    """Delete a film now. Asked twice: the first time it says what goes with it."""
    row = film_here(request.viewer, film)
    n = open_analyses(row)
    problem = ""
    if request.method == "POST" and request.POST.get("sure"):
        try:
            services.remove_film(
                by=request.user, film=row, although_open=bool(request.POST.get("although_open"))
            )
        except ValidationError as error:
            problem = " ".join(error.messages)
        else:
            messages.success(request, _("The film is deleted. Its times and marks stay."))
            return redirect("film_store", slug=request.club.slug)
    return _ask(
        request, row, "sessions/film_remove.html", n=n, problem=problem, status=422 if problem else 200
    )


def _ask(request: Any, film: Film, template: str, *, status: int, **context: Any) -> HttpResponse:
    links = film.match_films.select_related("match").order_by("match__played_on")
    context |= {
        "film": film,
        "days": sorted({link.match.played_on for link in links}),
        "term": film_terms.until(film, timezone.now()),
        "may_watch": bool(request.viewer.can(Can.WATCH_FILM)),
        "gone": film.state == Film.State.GONE,
    }
    return render(request, template, context, status=status)
