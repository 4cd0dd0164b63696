"""Lists of the club as spreadsheets, for whoever moves its data and signed in again lately."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from django.views.decorators.http import require_GET

from clubcoach import audit
from clubcoach.access import Can, club_view
from reports.exchange.people_lists import FORMS, LISTS, as_csv, as_xlsx
from reports.views.data_out import signed_in_lately


@require_GET
@club_view(Can.MOVE_DATA)
@signed_in_lately
def data_list(request: Any, what: str, form: str) -> HttpResponse:
    club, found = request.club, LISTS[what]
    columns, rows = found.columns(), found.rows(club)
    content = as_csv(columns, rows) if form == "csv" else as_xlsx(str(found.name), columns, rows)
    audit.record(by=request.user, club=club, action=f"data.list_{what}", target=club)
    answer = HttpResponse(content, content_type=FORMS[form])
    answer["Content-Disposition"] = f'attachment; filename="{club.slug}-{what}-{club.today()}.{form}"'
    answer["Cache-Control"] = "private, no-store"
    return answer
