"""Taking data out: only for somebody who signed in again a moment ago."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any, NamedTuple
from uuid import UUID

from allauth.account.internal.flows.reauthentication import did_recently_reauthenticate
from allauth.core.exceptions import ReauthenticationRequired
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import FileResponse, Http404, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods
from django_htmx.http import HttpResponseClientRefresh

from clubcoach import audit
from clubcoach.access import Can, club_view
from clubcoach.models import Job
from reports.exchange import services, shelf
from reports.exchange.people_lists import LISTS
from reports.models import Parcel

View = Callable[..., HttpResponseBase]


def ask_again(request: Any) -> HttpResponse | None:
    """Where somebody goes who did not say lately who they are; None for who did.

    It is the page that everything is fetched from: behind a password a file would begin to come while the browser
    still shows the password's page.
    """
    if did_recently_reauthenticate(request):
        return None
    if request.htmx:
        return HttpResponseClientRefresh()
    if request.method == "GET" and request.resolver_match.url_name == "data_out":
        raise ReauthenticationRequired
    return redirect("data_out", slug=request.club.slug)


def signed_in_lately(view: View) -> View:
    """For what leaves the club; goes under `club_view`, so that nobody is asked for what they may not have."""

    @wraps(view)
    def inner(request: Any, *args: Any, **kwargs: Any) -> HttpResponseBase:
        return ask_again(request) or view(request, *args, **kwargs)

    return inner


class State(NamedTuple):
    name: str
    words: str


def state_of(parcel: Parcel) -> State:
    if parcel.expires_at <= timezone.now():
        return State("gone", _("no longer here"))
    if parcel.file:
        return State("ready", _("can be fetched"))
    if parcel.job is None or parcel.job.state in (Job.State.FAILED, Job.State.STOPPED):
        return State("failed", _("could not be made"))
    return State("making", _("being made"))


@require_http_methods(["GET", "POST"])
@club_view(Can.MOVE_DATA)
@signed_in_lately
def data_out(request: Any) -> HttpResponse:
    wrong = ""
    if request.method == "POST":
        kind = request.POST.get("kind", "")
        if kind not in Parcel.Kind.values:
            wrong = _("Choose what is to be taken out.")
        else:
            try:
                services.take_out(by=request.user, club=request.club, kind=kind)
            except ValidationError as error:
                wrong = " ".join(error.messages)
            else:
                messages.success(request, _("It is being made. The club's managers are told by mail."))
                return redirect("data_out", slug=request.club.slug)
    here = list(
        Parcel.objects.seen_by(request.viewer)
        .filter(expires_at__gt=timezone.now())
        .select_related("job", "by")[:20]
    )
    parcels = [{"row": row, "state": state_of(row)} for row in here]
    context = {
        "parcels": parcels,
        "making": any(item["state"].name == "making" for item in parcels),
        "wrong": wrong,
        "lists": [(what, found.name) for what, found in LISTS.items()],
    }
    template = "reports/data_out.html#parcels" if request.htmx else "reports/data_out.html"
    return render(request, template, context, status=422 if wrong else 200)


@require_GET
@club_view(Can.MOVE_DATA)
def parcel(request: Any, parcel: UUID) -> HttpResponseBase:
    row = get_object_or_404(
        Parcel.objects.seen_by(request.viewer).filter(expires_at__gt=timezone.now()).exclude(file=""),
        uuid=parcel,
    )
    # Only after the file was found: whether there is one for this club is no matter of a password.
    if asked := ask_again(request):
        return asked
    path = shelf.place(row.file)
    try:
        file = path.open("rb")
    except FileNotFoundError:
        raise Http404 from None
    audit.record(by=request.user, club=request.club, action="data.fetched", target=row)
    answer = FileResponse(file, as_attachment=True, filename=path.name)
    answer["Cache-Control"] = "private, no-store"
    return answer
