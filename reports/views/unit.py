"""A player's or a pair's page for coaches, and the notes on it."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_POST

from clubcoach.access import Can, club_view
from players import services
from players.forms import tell
from players.models import Note, Unit
from reports.forms import NoteForm
from reports.unit import UnitPage, minors_of, units_here


def page(request: Any, row: Unit, *, status: int = 200, **bound: Any) -> HttpResponse:
    asked = request.GET
    shown = UnitPage(
        request.viewer,
        row,
        area=asked.get("area", ""),
        since=asked.get("since", ""),
        page=asked.get("page"),
        **bound,
    )
    return render(request, "reports/unit.html", shown.context(), status=status)


def back(request: Any, unit: Unit) -> HttpResponse:
    return redirect(f"{reverse('unit', args=[request.club.slug, unit.pk])}#notes")


@require_GET
@club_view(Can.SEE_SCORES)
def unit(request: Any, unit: int) -> HttpResponse:
    return page(request, get_object_or_404(units_here(request.club), pk=unit))


@require_POST
@club_view(Can.WRITE_NOTES)
def note_write(request: Any, unit: int) -> HttpResponse:
    row = get_object_or_404(units_here(request.club), pk=unit)
    form = NoteForm(request.POST, minors=minors_of(row))
    if form.is_valid():
        try:
            services.write_note(by=request.user, unit=row, **form.cleaned_data)
        except ValidationError as error:
            tell(form, error)
        else:
            messages.success(request, _("The note is written down."))
            return back(request, row)
    return page(request, row, status=422, note=form)


@require_POST
@club_view(Can.WRITE_NOTES)
def note_withdraw(request: Any, note: int) -> HttpResponse:
    notes = Note.objects.filter(unit__club=request.club).select_related("unit__club")
    row = get_object_or_404(notes, pk=note)
    try:
        services.withdraw_note(by=request.user, note=row)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    else:
        messages.success(request, _("The note is taken back. Nobody reads it any more."))
    return back(request, row.unit)
