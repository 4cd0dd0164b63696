from typing import Any

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from clubcoach.access import Can, club_view
from reports.first_steps import first_steps


@require_GET
@club_view(Can.EDIT_CLUB, Can.EDIT_LISTS)
def start(request: Any) -> HttpResponse:
    steps = first_steps(request.club, request.viewer)
    left = [step for step in steps if not step.done]
    context = {
        "steps": steps,
        "done": len(steps) - len(left),
        # One primary button a page: that of the first step which this person can take.
        "next_step": next((step for step in left if step.url), None),
    }
    return render(request, "reports/start.html", context)
