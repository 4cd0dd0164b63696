from typing import Any

from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from clubcoach.access import Can, club_view
from reports.programme import programme_of

PAGE = 50


@require_GET
@club_view(Can.SEE_PROGRAMME)
def programme(request: Any) -> HttpResponse:
    found = programme_of(request.club, request.club.today())
    page = Paginator(found.rows, PAGE).get_page(request.GET.get("page"))
    context = {"sentences": found.sentences if found.rows else [], "page": page, "rows": page.object_list}
    return render(request, "reports/programme.html", context)
