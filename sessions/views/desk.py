"""The head coach's desk, an assistant's queue, and asking for an analysis."""

from __future__ import annotations

from collections import Counter
from datetime import date
from typing import Any
from uuid import UUID

from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.db.models import Case, Count, F, IntegerField, Prefetch, Q, QuerySet, Value, When
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_GET, require_http_methods

from clubcoach.access import Can, club_view
from players.forms import tell
from sessions import services
from sessions.forms import AssignForm, RequestForm
from sessions.models import Analysis, AnalysisComment, Match
from sessions.stakes import coaches_of, kin_of, with_stake
from sessions.views.matches import match_here

PAGE = 50
LATE, REVIEW, AT_WORK, UNASSIGNED = range(4)
PARTS = {
    LATE: gettext_lazy("Late"),
    REVIEW: gettext_lazy("Waiting for your review"),
    AT_WORK: gettext_lazy("Being analysed"),
    UNASSIGNED: gettext_lazy("Not given to anybody yet"),
}


def in_parts(analyses: QuerySet[Analysis], today: date) -> QuerySet[Analysis]:
    """Open analyses with the part of the desk they belong on, the most urgent first."""
    late = Q(due_on__lt=today, submitted_at__isnull=True)
    part = Case(
        When(late, then=Value(LATE)),
        When(state=Analysis.State.SUBMITTED, then=Value(REVIEW)),
        When(state=Analysis.State.REQUESTED, then=Value(UNASSIGNED)),
        default=Value(AT_WORK),
        output_field=IntegerField(),
    )
    due = F("due_on").asc(nulls_last=True)
    return analyses.filter(state__in=Analysis.OPEN).annotate(part=part).order_by("part", due, "pk")


@require_GET
@club_view(Can.REVIEW)
def desk(request: Any) -> HttpResponse:
    club, viewer = request.club, request.viewer
    everything = in_parts(Analysis.objects.seen_by(viewer), club.today())
    counts = Counter(dict(everything.order_by().values_list("part").annotate(Count("pk"))))
    page = Paginator(everything.with_page_parts(), PAGE).get_page(request.GET.get("page"))
    coaches = coaches_of(club)
    kin = kin_of(club, coaches)
    rows = [
        {
            "analysis": analysis,
            "part": PARTS[analysis.part],
            "late": analysis.part == LATE,
            "form": _inline_form(analysis, coaches, kin),
        }
        for analysis in page.object_list
    ]
    context = {"page": page, "rows": rows, "sentence": _counts(counts)}
    return render(request, "sessions/desk.html", context)


def _inline_form(analysis: Analysis, coaches: list[Any], kin: dict[int, set[int]]) -> AssignForm | None:
    if analysis.state != Analysis.State.REQUESTED:
        return None
    return AssignForm(
        coaches=coaches,
        barred=with_stake(kin, analysis.match),
        initial={"due_on": analysis.due_on},
        auto_id=f"a{analysis.pk}_%s",
    )


def _counts(counts: Counter[int]) -> str:
    """'2 late, 1 to review, 3 being analysed.': what stands on the desk, in one sentence."""
    said = [
        (LATE, ngettext("%(n)d late", "%(n)d late", counts[LATE])),
        (REVIEW, ngettext("%(n)d to review", "%(n)d to review", counts[REVIEW])),
        (AT_WORK, ngettext("%(n)d being analysed", "%(n)d being analysed", counts[AT_WORK])),
        (UNASSIGNED, ngettext("%(n)d not given out", "%(n)d not given out", counts[UNASSIGNED])),
    ]
    parts = [words % {"n": counts[part]} for part, words in said if counts[part]]
    return ", ".join(parts) + "." if parts else _("Nothing is open.")


@require_GET
@club_view(Can.CODE)
def queue(request: Any) -> HttpResponse:
    """One's own analyses: what is to do by its day, then what waits for review."""
    today = request.club.today()
    last_words = AnalysisComment.objects.select_related("by").order_by("-pk")
    mine = (
        in_parts(Analysis.objects.filter(match__club=request.club, analyst__user=request.user), today)
        .order_by(
            Case(When(state=Analysis.State.SUBMITTED, then=Value(1)), default=Value(0)),
            F("due_on").asc(nulls_last=True),
            "pk",
        )
        .with_page_parts()
        .prefetch_related(Prefetch("comments", queryset=last_words))
    )
    page = Paginator(mine, PAGE).get_page(request.GET.get("page"))
    rows = [{"analysis": row, "late": row.late(today), "said": _last_words(row)} for row in page.object_list]
    return render(request, "sessions/queue.html", {"page": page, "rows": rows})


def _last_words(analysis: Analysis) -> AnalysisComment | None:
    """Why it came back; once it is handed in again, that is answered."""
    if analysis.state == Analysis.State.SUBMITTED:
        return None
    return next(iter(analysis.comments.all()), None)


@require_http_methods(["GET", "POST"])
@club_view(Can.REQUEST_ANALYSIS)
def request_analysis(request: Any) -> HttpResponse:
    """First the match, then who and what is looked at in it."""
    asked = request.GET.get("match") or request.POST.get("match")
    if not asked:
        if request.method == "POST":
            return redirect("request_analysis", slug=request.club.slug)
        return _choose_match(request)
    try:
        match = match_here(request.viewer, UUID(asked))
    except ValueError:
        raise Http404 from None
    coaches = coaches_of(request.club)
    barred = with_stake(kin_of(request.club, coaches), match)
    form = RequestForm(request.POST or None, match=match, coaches=coaches, barred=barred)
    if request.method == "POST" and form.is_valid():
        try:
            analysis = services.request_analysis(by=request.user, match=match, **form.cleaned_data)
        except ValidationError as error:
            tell(form, error)
        else:
            return redirect("analysis", slug=request.club.slug, analysis=analysis.uuid)
    context = {"match": match, "form": form}
    return render(request, "sessions/request.html", context, status=422 if form.errors else 200)


def _choose_match(request: Any) -> HttpResponse:
    matches = Match.objects.seen_by(request.viewer).prefetch_related("seats__player")
    page = Paginator(matches, PAGE).get_page(request.GET.get("page"))
    return render(request, "sessions/request_match.html", {"page": page})
