"""Bringing data in: what came and went, what an import would write, and what was wrong with it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Page, Paginator
from django.db.models import CharField, Value
from django.http import HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.csrf import csrf_exempt, csrf_protect
from django.views.decorators.http import require_GET, require_POST
from django_htmx.http import HttpResponseClientRefresh

from clubcoach.access import Can, Viewer, club_view
from players.forms import tell
from reports.exchange import services, shelf
from reports.exchange.columns import FILES, PLAYERS
from reports.exchange.people_lists import FORMS, as_csv
from reports.exchange.workbook import blank_workbook
from reports.forms_data import BringForm
from reports.models import Batch, Parcel
from reports.views.data_out import state_of
from sessions.uploads import NotTooLarge

A_PAGE, PROBLEMS_A_PAGE = 20, 100
OPEN = (Batch.State.ARRIVED, Batch.State.READ, Batch.State.WRITING)


@dataclass(frozen=True)
class Passage:
    """Something that came in or went out, as the list shows it."""

    row: Batch | Parcel
    inward: bool
    state: str
    n: int
    fetch: bool = False


@require_GET
@club_view(Can.MOVE_DATA)
def data(request: Any) -> HttpResponse:
    return _data(request, BringForm())


def _data(request: Any, form: BringForm) -> HttpResponse:
    page = Paginator(_passages(request.viewer), A_PAGE).get_page(request.GET.get("page"))
    page.object_list = _told(request.viewer, page)
    context = {"form": form, "page": page, "files": FILES.values()}
    return render(request, "reports/data.html", context, status=422 if form.errors else 200)


def _passages(viewer: Viewer) -> Any:
    """Both kinds in one order: which page a row stands on is for the database to say."""
    inward = Batch.objects.seen_by(viewer).order_by()
    outward = Parcel.objects.seen_by(viewer).order_by()
    columns = ("created_at", "pk", "way")
    return (
        inward.annotate(way=Value("in", CharField()))
        .values(*columns)
        .union(outward.annotate(way=Value("out", CharField())).values(*columns))
        .order_by("-created_at", "way", "-pk")
    )


def _told(viewer: Viewer, page: Page) -> list[Passage]:
    keys: dict[str, list[int]] = {"in": [], "out": []}
    for row in page.object_list:
        keys[row["way"]].append(row["pk"])
    batches = Batch.objects.seen_by(viewer).defer("problems", "remarks").in_bulk(keys["in"])
    parcels = Parcel.objects.seen_by(viewer).select_related("job").in_bulk(keys["out"])
    told = []
    for row in page.object_list:
        if row["way"] == "in":
            batch = batches[row["pk"]]
            n = batch.problem_count or sum(kind["new"] for kind in batch.counts.values())
            told.append(Passage(batch, True, batch.get_state_display(), n))
        else:
            parcel = parcels[row["pk"]]
            state = state_of(parcel)
            n = sum(parcel.counts.values())
            told.append(Passage(parcel, False, state.words, n, fetch=state.name == "ready"))
    return told


@csrf_protect
def _bring_in(request: Any) -> HttpResponse:
    form = BringForm(request.POST, request.FILES)
    if any(getattr(handler, "skipped", False) for handler in request.upload_handlers):
        # The files were let past unread, so that the form only knows that they are missing.
        form.errors.pop("files", None)
        form.add_error("files", shelf.too_large())
    elif form.is_valid():
        try:
            batch = services.bring_in(by=request.user, club=request.club, uploads=form.cleaned_data["files"])
        except ValidationError as error:
            tell(form, error)
        else:
            return redirect("batch", slug=request.club.slug, batch=batch.uuid)
    return _data(request, form)


@require_POST
@club_view(Can.MOVE_DATA)
def _with_the_right(request: Any) -> HttpResponse:
    request.upload_handlers[0].most = shelf.most()
    return _bring_in(request)


@csrf_exempt  # the token is asked for inside: reading it here would read the files before their size is known
@wraps(_with_the_right)
def data_in(request: Any, *args: Any, **kwargs: Any) -> HttpResponseBase:
    # Until the right is found nothing is kept: the page of a refusal looks for a token too, and so reads the body.
    request.upload_handlers.insert(0, NotTooLarge(0))
    return _with_the_right(request, *args, **kwargs)


def batch_here(viewer: Viewer, batch: UUID) -> Batch:
    return get_object_or_404(Batch.objects.seen_by(viewer).select_related("club", "job"), uuid=batch)


@require_GET
@club_view(Can.MOVE_DATA)
def batch(request: Any, batch: UUID) -> HttpResponse:
    row = batch_here(request.viewer, batch)
    at_work = row.state in (Batch.State.ARRIVED, Batch.State.WRITING)
    if request.htmx and not (at_work and row.job and not row.job.over):
        # It came to its end: everything on the page is new, not only the progress.
        return HttpResponseClientRefresh()
    page = Paginator(row.problems, PROBLEMS_A_PAGE).get_page(request.GET.get("page"))
    context = {
        "batch": row,
        "job": row.job if at_work else None,
        "counts": counts_of(row.counts),
        "page": page,
        "shown": len(row.problems),
        "open": row.state in OPEN,
    }
    return render(request, "reports/batch.html#progress" if request.htmx else "reports/batch.html", context)


def counts_of(counts: dict[str, dict[str, int]]) -> list[tuple[str, dict[str, int]]]:
    """By what a kind of row is called, in the order of the files; squads stand in that of the players."""
    names: dict[str, Any] = {}
    for file, spec in FILES.items():
        names[file.removesuffix(".csv")] = spec.what
        if spec is PLAYERS:
            names["squads"] = _("squads")
    return [(str(name), counts[kind]) for kind, name in names.items() if kind in counts]


@require_POST
@club_view(Can.MOVE_DATA)
def batch_write(request: Any, batch: UUID) -> HttpResponse:
    row = batch_here(request.viewer, batch)
    try:
        services.write_batch(by=request.user, batch=row)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    return redirect("batch", slug=request.club.slug, batch=row.uuid)


@require_POST
@club_view(Can.MOVE_DATA)
def batch_drop(request: Any, batch: UUID) -> HttpResponse:
    row = batch_here(request.viewer, batch)
    try:
        services.drop_batch(by=request.user, batch=row)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
        return redirect("batch", slug=request.club.slug, batch=row.uuid)
    messages.success(request, _("The import is thrown away; nothing of it is in the club."))
    return redirect("data", slug=request.club.slug)


@require_GET
@club_view(Can.MOVE_DATA)
def batch_problems(request: Any, batch: UUID) -> HttpResponse:
    row = batch_here(request.viewer, batch)
    columns = ["file", "line", "column", "value", "reason"]
    answer = HttpResponse(as_csv(columns, row.problems), content_type=FORMS["csv"])
    answer["Content-Disposition"] = f'attachment; filename="problems-{row.uuid}.csv"'
    answer["Cache-Control"] = "private, no-store"
    return answer


@require_GET
@club_view(Can.MOVE_DATA)
def data_workbook(request: Any) -> HttpResponse:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "blank.xlsx"
        blank_workbook(request.club, path)
        answer = HttpResponse(path.read_bytes(), content_type=FORMS["xlsx"])
    answer["Content-Disposition"] = f'attachment; filename="{request.club.slug}.xlsx"'
    # Its drop-downs name the club's players.
    answer["Cache-Control"] = "private, no-store"
    return answer
