"""A roster alone: read first, shown like any other import, and written when somebody says so."""

from __future__ import annotations

from functools import wraps
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.http import HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.utils.translation import gettext_lazy as _
from django.views.decorators.csrf import csrf_exempt, csrf_protect
from django.views.decorators.http import require_http_methods

from clubcoach.access import Can, club_view
from players.forms import tell
from reports.exchange import services, shelf
from reports.exchange.roster_in import ROSTER
from reports.models import Batch
from sessions.uploads import NotTooLarge


class RosterForm(forms.Form):
    files = forms.FileField(
        label=_("The list"),
        help_text=_("One CSV file, or one workbook (.xlsx)."),
        max_length=200,
        # A file without a line is told of by the reader, as any other mistake.
        allow_empty_file=True,
        widget=forms.ClearableFileInput(attrs={"accept": ".csv,.xlsx"}),
    )

    def clean_files(self) -> Any:
        upload = self.cleaned_data["files"]
        if not upload.name.lower().endswith((".csv", ".xlsx")):
            raise ValidationError(_("Save the list as CSV or as .xlsx, and choose that file."))
        return upload


def _page(request: Any, form: RosterForm) -> HttpResponse:
    context = {"form": form, "columns": ROSTER.columns}
    return render(request, "reports/roster_in.html", context, status=422 if form.errors else 200)


@csrf_protect
def _bring_in(request: Any) -> HttpResponse:
    form = RosterForm(request.POST, request.FILES)
    if any(getattr(handler, "skipped", False) for handler in request.upload_handlers):
        # The file was let past unread, so that the form only knows that it is missing.
        form.errors.pop("files", None)
        form.add_error("files", shelf.too_large())
    elif form.is_valid():
        try:
            batch = services.bring_in(
                by=request.user,
                club=request.club,
                uploads=[form.cleaned_data["files"]],
                kind=Batch.Kind.ROSTER,
            )
        except ValidationError as error:
            tell(form, error)
        else:
            return redirect("batch", slug=request.club.slug, batch=batch.uuid)
    return _page(request, form)


@require_http_methods(["GET", "POST"])
@club_view(Can.MOVE_DATA)
def _with_the_right(request: Any) -> HttpResponse:
    if request.method == "GET":
        return _page(request, RosterForm())
    request.upload_handlers[0].most = shelf.most()
    return _bring_in(request)


@csrf_exempt  # the token is asked for inside: reading it here would read the file before its size is known
@wraps(_with_the_right)
def roster_in(request: Any, *args: Any, **kwargs: Any) -> HttpResponseBase:
    request.upload_handlers.insert(0, NotTooLarge(0))
    return _with_the_right(request, *args, **kwargs)
