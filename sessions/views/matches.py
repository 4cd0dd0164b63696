"""Matches: the list, a new one, and one with its seats, films and analyses."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.db.models import Count, OuterRef, Subquery
from django.db.models.functions import Coalesce
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods

from clubcoach.access import Can, Viewer, club_view
from players.forms import tell
from sessions import services
from sessions.forms import FilmForm, MatchForm
from sessions.ledger import ledger_of
from sessions.models import Analysis, Match, MatchFilm, Seat
from sessions.models.matches import players_without_consent
from sessions.services.films import visitors_without_consent
from sessions.views.parts import arrival, films_of

PAGE = 50


def match_here(viewer: Viewer, uuid: UUID) -> Match:
    rows = Match.objects.seen_by(viewer).select_related("club").prefetch_related("seats__player")
    return get_object_or_404(rows, uuid=uuid)


@require_GET
@club_view(Can.SEE_MATCHES)
def match_list(request: Any) -> HttpResponse:
    over = [Analysis.State.CANCELLED, Analysis.State.WITHDRAWN]
    matches = (
        Match.objects.seen_by(request.viewer)
        .annotate(
            films=_how_many(MatchFilm.objects.all()),
            looked_at=_how_many(Analysis.objects.exclude(state__in=over)),
        )
        .prefetch_related("seats__player")
    )
    page = Paginator(matches, PAGE).get_page(request.GET.get("page"))
    may_edit = bool(request.viewer.can(Can.EDIT_MATCHES))
    return render(request, "sessions/match_list.html", {"page": page, "may_edit": may_edit})


def _how_many(rows: Any) -> Coalesce:
    """Counted for the matches of the page only, not for all of the club."""
    of_match = rows.filter(match=OuterRef("pk")).order_by().values("match")
    return Coalesce(Subquery(of_match.annotate(n=Count("pk")).values("n")), 0)


@require_http_methods(["GET", "POST"])
@club_view(Can.EDIT_MATCHES)
def match_new(request: Any) -> HttpResponse:
    form = MatchForm(request.POST or None, club=request.club)
    if request.method == "POST" and form.is_valid():
        try:
            match = services.register_match(by=request.user, club=request.club, **form.facts())
        except ValidationError as error:
            tell(form, error)
        else:
            messages.success(request, _("The match is registered. A film can be added now."))
            return redirect("match", slug=request.club.slug, match=match.uuid)
    return render(request, "sessions/match_new.html", {"form": form}, status=422 if form.errors else 200)


@require_GET
@club_view(Can.SEE_MATCHES)
def match(request: Any, match: UUID) -> HttpResponse:
    viewer, row = request.viewer, match_here(request.viewer, match)
    today = request.club.today()
    lacking = {player.pk for player in players_without_consent(row, today)}
    rallies = list(row.rallies.filter(dropped=False))
    analyses = list(row.analyses.seen_by(viewer).with_page_parts())
    for analysis in analyses:
        analysis.is_late = analysis.late(today)  # type: ignore[attr-defined]
    context = {
        "match": row,
        "seats": [(seat, _agreed(seat, lacking)) for seat in row.seat_list],
        "films": films_of(row),
        "film_form": FilmForm(ask_visitors=visitors_without_consent(row)),
        "rallies": len(rallies),
        "ledger": ledger_of(row, rallies) if rallies else None,
        "analyses": analyses,
        "may_edit": bool(viewer.can(Can.EDIT_MATCHES)),
        "may_watch": bool(viewer.can(Can.WATCH_FILM)),
        "may_request": bool(viewer.can(Can.REQUEST_ANALYSIS)),
        **arrival(request, row),
    }
    return render(request, "sessions/match.html", context)


def _agreed(seat: Seat, lacking: set[int]) -> bool:
    return seat.visitor_consent if seat.player_id is None else seat.player_id not in lacking
