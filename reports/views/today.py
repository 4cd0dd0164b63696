from typing import Any

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from clubcoach.access import Can, club_view
from reports.today import Today


@require_GET
@club_view(Can.SEE_SCORES)
def today(request: Any) -> HttpResponse:
    return render(request, "reports/today.html", Today(request.viewer).context())
