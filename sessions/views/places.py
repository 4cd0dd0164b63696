"""Places of an analysis on a printed plan: numbers in zones, with a table beside."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_GET

from clubcoach.access import Can, club_view
from sessions import court_plan
from sessions import places as counting
from sessions.models import Analysis
from sessions.ops.lens import Lens, lens_of
from sessions.views.analyses import analysis_here


@require_GET
@club_view(Can.CODE, Can.REVIEW)
def places(request: Any, analysis: UUID) -> HttpResponse:
    row = analysis_here(request.viewer, analysis)
    lens = lens_of(row)
    options = counting.choices(lens)
    chosen, unit, wrong = _wanted(request, options, lens)
    rules = counting.rules_chosen(lens, chosen)
    counts = counting.count(row, rules, unit)
    theirs = any(rule.theirs for rule in rules.values())
    context = {
        "analysis": row,
        "match": row.match,
        "options": [(code, name, code == chosen) for code, name in options],
        "units": [(str(pk), one.name, pk == unit) for pk, one in lens.units.items()],
        "wrong": wrong,
        "askable": bool(counting.checks_of(lens)),
        "columns": counting.COLUMNS,
        "rows": counting.table(counts),
        "counts": counts,
        "words": _words(row, counts),
        "theirs": theirs,
        "plan": _plan(counts, counts.counted if counts.n else counts.shown),
        "plan_shown": not counts.n and bool(counts.n_shown),
    }
    return render(request, "sessions/places.html", context)


def _wanted(request: Any, options: list[counting.Choice], lens: Lens) -> tuple[str, int | None, str]:
    """What was chosen; a choice that is none says so and leaves everything standing."""
    chosen, unit = request.GET.get("of", ""), request.GET.get("unit", "")
    wrong = ""
    if chosen not in dict(options):
        wrong, chosen = _("There is no such check or area in this analysis. Everything is shown."), ""
    units = {str(pk): pk for pk in lens.units}
    if unit and unit not in units:
        wrong = _("The analysis does not cover this player or pair. Everything is shown.")
    return chosen, units.get(unit), wrong


def _plan(counts: counting.Counts, numbers: Any) -> Any:
    grid = [[numbers[band, column] for column in range(3)] for band in range(3)]
    label = _("One half of the court from above, the net on top, with the number of places in nine zones.")
    return (
        court_plan.places_plan(grid, counting.BANDS, counting.THIRD, label)
        if counts.n + counts.n_shown
        else ""
    )


def _words(row: Analysis, counts: counting.Counts) -> list[str]:
    """How many places, of which situations, and what is left out."""
    words = []
    if counts.n:
        every = ngettext(
            "%(n)d place, of situations that count.", "%(n)d places, of situations that count.", counts.n
        )
        drawn = ngettext(
            "%(n)d place, of drawn situations only.", "%(n)d places, of drawn situations only.", counts.n
        )
        words.append((drawn if row.plan == Analysis.Plan.DRAWN else every) % {"n": counts.n})
    if counts.n_shown:
        words.append(
            ngettext(
                "%(n)d place of a situation that is only shown stands apart.",
                "%(n)d places of situations that are only shown stand apart.",
                counts.n_shown,
            )
            % {"n": counts.n_shown}
        )
    if counts.undrawn:
        words.append(
            ngettext(
                "%(n)d place of a situation that was not drawn is left out.",
                "%(n)d places of situations that were not drawn are left out.",
                counts.undrawn,
            )
            % {"n": counts.undrawn}
        )
    return words
