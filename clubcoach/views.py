from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.db import connection
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods

from clubcoach.access import Can, Role, club_view
from clubcoach.forms import TokenForm
from clubcoach.models import ApiToken, Club, Job

# Where each role begins, the most urgent work first.
FIRST_PAGE = [
    (Can.SEE_SCORES, "today"),
    (Can.SEE_PROGRAMME, "programme"),
    (Can.OWN_PADEL, "my_padel"),
]


@require_GET
def home(request: HttpRequest) -> HttpResponse:
    clubs = list(Club.objects.filter(memberships__user=request.user).distinct().order_by("name"))
    if len(clubs) == 1:
        return redirect("club_home", slug=clubs[0].slug)
    return render(request, "clubcoach/home.html", {"clubs": clubs})


@login_not_required
@require_GET
def healthz(request: HttpRequest) -> HttpResponse:
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1")
    return JsonResponse({"ok": True})


@require_GET
@club_view(Can.BE_HERE)
def club_home(request: Any) -> HttpResponse:
    for right, name in FIRST_PAGE:
        if request.viewer.can(right):
            return redirect(name, slug=request.club.slug)
    raise Http404


@require_GET
@club_view(Can.BE_HERE)
def job(request: Any, job: Any) -> HttpResponse:
    jobs = Job.objects.filter(club=request.club)
    if Role.HEAD_COACH not in request.viewer.roles:
        jobs = jobs.filter(asked_by=request.user)
    template = "clubcoach/job.html#progress" if request.htmx else "clubcoach/job.html"
    return render(request, template, {"job": get_object_or_404(jobs.select_related("club"), uuid=job)})


@require_http_methods(["GET", "POST"])
def tokens(request: Any) -> HttpResponse:
    """Keys to the JSON interface: the secret is on this one answer and nowhere else."""
    secret = ""
    form = TokenForm(request.POST or None)
    if request.method == "POST" and "end" in request.POST:
        own = {str(token.pk): token for token in ApiToken.objects.filter(user=request.user)}
        if ended := own.get(request.POST["end"]):
            ended.delete()
            messages.success(request, _("The key is gone; what used it is locked out."))
        return redirect("tokens")
    if request.method == "POST" and form.is_valid():
        _token, secret = ApiToken.issue(user=request.user, name=form.cleaned_data["name"])
        form = TokenForm()
    keys = ApiToken.objects.filter(user=request.user).order_by("-created_at")
    return render(request, "clubcoach/tokens.html", {"form": form, "tokens": keys, "secret": secret})
