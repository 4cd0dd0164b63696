"""The first look: up to three hunches before the first mark, afterwards to read."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponseBase
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from clubcoach.access import Can, club_view, insist
from players.forms import tell
from sessions.forms_first_look import FirstLookForm
from sessions.hunches import answers_of
from sessions.models import Analysis
from sessions.services import write_hunches
from sessions.services.hunches import marking_begun
from sessions.services.rules import NotNow, Standing
from sessions.views.analyses import analysis_here


@require_http_methods(["GET", "HEAD", "POST"])
@club_view(Can.CODE, Can.REVIEW)
def first_look(request: Any, analysis: UUID) -> HttpResponseBase:
    row = analysis_here(request.viewer, analysis)
    standing = Standing(request.viewer, row)
    if request.method == "POST":
        return _write(request, row, standing)
    return _page(request, row, standing)


def _write(request: Any, row: Analysis, standing: Standing) -> HttpResponseBase:
    may = standing.first_look()
    if not isinstance(may, NotNow):
        insist(may)
    form = FirstLookForm(request.POST, analysis=row)
    if form.is_valid():
        try:
            written = write_hunches(by=request.user, analysis=row, hunches=form.hunches())
        except ValidationError as error:
            tell(form, error)
        else:
            messages.success(
                request,
                _("Your hunches are written down. The situations answer them.")
                if written
                else _("No hunch stands here now."),
            )
            return redirect("analysis", slug=request.club.slug, analysis=row.uuid)
    return _page(request, row, standing, form)


def _page(request: Any, row: Analysis, standing: Standing, form: FirstLookForm | None = None) -> Any:
    begun = marking_begun(row)
    open_now = bool(standing.first_look()) and not begun
    context = {
        "analysis": row,
        "match": row.match,
        "mine": standing.mine,
        "begun": begun,
        "form": form or (FirstLookForm(analysis=row) if open_now else None),
        "open_now": open_now,
        "answers": answers_of(row, mine=standing.mine),
    }
    return render(request, "sessions/first_look.html", context, status=422 if form else 200)
