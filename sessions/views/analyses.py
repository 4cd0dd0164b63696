"""One analysis: what is asked, how far it is, what was said, and the steps that this reader may take."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from uuid import UUID

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse, HttpResponseBase, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_POST

from clubcoach.access import Can, Viewer, club_view
from players.forms import tell
from players.models import Player
from sessions import draws, services
from sessions.forms import AssignForm, PublishForm, ReturnForm, SubmitForm, SureForm, WordsForm
from sessions.hunches import answers_of
from sessions.models import Analysis, Situation
from sessions.services.hunches import marking_begun
from sessions.services.rules import Standing
from sessions.stakes import coaches_of, kin_of, with_stake


def analysis_here(viewer: Viewer, uuid: UUID) -> Analysis:
    return get_object_or_404(Analysis.objects.seen_by(viewer).with_page_parts(), uuid=uuid)


@require_GET
@club_view(Can.CODE, Can.REVIEW)
def analysis(request: Any, analysis: UUID) -> HttpResponse:
    return _page(request, analysis_here(request.viewer, analysis))


def _page(request: Any, row: Analysis, bound: dict[str, forms.Form] | None = None) -> HttpResponse:
    standing = Standing(request.viewer, row)
    context = {
        "analysis": row,
        "match": row.match,
        "late": row.late(request.club.today()),
        "mine": standing.mine,
        "reviews": bool(request.viewer.can(Can.REVIEW)),
        "people": _people(row) if request.viewer.can(Can.SEE_SCORES) else [],
        "steps": _steps(standing, bound or {}),
        "hindrance": _hindrance(standing),
        "comments": row.comments.select_related("by"),
        "versions": _versions(row, request.viewer),
        "open_areas": services.open_areas(row) if row.state in Analysis.OPEN else [],
        "counts": _counts(row),
        **_drawing(row, reviews=bool(request.viewer.can(Can.REVIEW))),
        "answers": answers_of(row, mine=standing.mine),
        "may_look": bool(standing.first_look()) and not marking_begun(row),
    }
    return render(request, "sessions/analysis.html", context, status=422 if bound else 200)


def _people(row: Analysis) -> list[Player]:
    """Whose pages it changes: every player it looks at, alone or in a pair, once."""
    both = [player for cover in row.covers.all() for player in (cover.unit.first, cover.unit.second)]
    return list({player.pk: player for player in both if player}.values())


def _steps(standing: Standing, bound: dict[str, forms.Form]) -> dict[str, Any]:
    """The forms of the steps that are open to this reader now, and one that was just tried in vain."""
    row = standing.analysis
    words = {"words": row.words}
    makers: dict[str, tuple[Any, Callable[[], forms.Form]]] = {
        "assign": (standing.assign, lambda: _assign_form(row, None)),
        "submit": (standing.submit, SubmitForm),
        "return": (standing.send_back, ReturnForm),
        "words": (standing.words, lambda: WordsForm(initial=words, auto_id="words_%s")),
        "publish": (standing.publish, lambda: PublishForm(initial=words, auto_id="publish_%s")),
        "version": (standing.new_version, SureForm),
        "withdraw": (standing.withdraw, SureForm),
        "cancel": (standing.cancel, SureForm),
    }
    return {name: bound.get(name) or make() for name, (may, make) in makers.items() if name in bound or may()}


def _hindrance(standing: Standing) -> str:
    """Why somebody whose work this would be sees no buttons."""
    if standing.viewer.can(Can.REVIEW) or standing.mine:
        return str(getattr(standing.untouched, "reason", ""))
    return ""


def _assign_form(row: Analysis, data: Any) -> AssignForm:
    coaches = coaches_of(row.match.club)
    analyst = row.analyst.user_id if row.analyst else None
    return AssignForm(
        data,
        coaches=coaches,
        barred=with_stake(kin_of(row.match.club, coaches), row.match),
        initial={"analyst": analyst, "due_on": row.due_on},
    )


def _versions(row: Analysis, viewer: Viewer) -> list[Analysis]:
    """All versions of it, newest first; an assistant sees only the links to her own."""
    chain = [row]
    while older := chain[-1].supersedes:
        chain.append(older)
    while newer := Analysis.objects.filter(supersedes=chain[0]).select_related("analyst").first():
        chain.insert(0, newer)
    reviews = bool(viewer.can(Can.REVIEW))
    for version in chain:
        own = version.analyst is not None and version.analyst.user_id == viewer.user.pk
        version.may_open = reviews or own  # type: ignore[attr-defined]
    return chain if len(chain) > 1 else []


def _drawing(row: Analysis, *, reviews: bool) -> dict[str, Any]:
    """How each area was drawn; for whoever reviews also what of it was set aside."""
    if row.plan != Analysis.Plan.DRAWN:
        return {}
    areas = [part.area for part in row.lens.all()]
    names = {area.code: area.name for area in areas}
    drawn = [{**draw, "area": names[draw["area"]]} for draw in draws.shown_draws(row.match, areas)]
    return {"draws": drawn, "set_aside": draws.set_aside(row) if reviews else []}


def _counts(row: Analysis) -> dict[str, int]:
    there = Situation.objects.kept_in(row)
    return {
        "situations": there.count(),
        "counted": Situation.objects.counted().filter(analysis=row).count(),
        "shown": Situation.objects.shown().filter(analysis=row).count(),
        "not_codable": there.exclude(not_codable="").count(),
    }


def _step(
    request: Any,
    uuid: UUID,
    name: str,
    make: Callable[[Analysis], forms.Form],
    do: Callable[..., Any],
    done: str,
) -> HttpResponseBase:
    """Take a step from its form; what the service refuses stands at the field of the same page."""
    row = analysis_here(request.viewer, uuid)
    form = make(row)
    if form.is_valid():
        try:
            result = do(by=request.user, analysis=row, **form.cleaned_data)
        except ValidationError as error:
            tell(form, error)
        else:
            return _after(request, row, name, result, done)
    if _wants_json(request):
        return JsonResponse({"errors": form.errors.get_json_data()}, status=422)
    return _page(request, analysis_here(request.viewer, uuid), {name: form})


def _wants_json(request: Any) -> bool:
    return request.get_preferred_type(["text/html", "application/json"]) == "application/json"


def _after(request: Any, row: Analysis, name: str, result: Any, done: str) -> HttpResponseBase:
    goal = result if name == "version" else row
    target = redirect("analysis", slug=request.club.slug, analysis=goal.uuid)
    told = result if name == "submit" else []
    if _wants_json(request):
        return JsonResponse({"state": goal.state, "open": told, "url": target["Location"]})
    messages.success(request, done)
    for sentence in told:
        messages.warning(request, sentence)
    return target


@require_POST
@club_view(Can.REVIEW)
def analysis_assign(request: Any, analysis: UUID) -> HttpResponseBase:
    return _step(
        request,
        analysis,
        "assign",
        lambda row: _assign_form(row, request.POST),
        services.assign,
        _("It is on their list now."),
    )


@require_POST
@club_view(Can.CODE)
def analysis_submit(request: Any, analysis: UUID) -> HttpResponseBase:
    done = _("Handed in. The head coach looks at it next.")
    return _step(request, analysis, "submit", lambda row: SubmitForm(request.POST), services.submit, done)


@require_POST
@club_view(Can.REVIEW)
def analysis_return(request: Any, analysis: UUID) -> HttpResponseBase:
    done = _("Returned with your comment.")
    return _step(request, analysis, "return", lambda row: ReturnForm(request.POST), services.send_back, done)


@require_POST
@club_view(Can.REVIEW)
def analysis_publish(request: Any, analysis: UUID) -> HttpResponseBase:
    return _step(
        request,
        analysis,
        "publish",
        lambda row: PublishForm(request.POST, auto_id="publish_%s"),
        services.publish,
        _("Published. The scores follow in a moment."),
    )


@require_POST
@club_view(Can.REVIEW)
def analysis_words(request: Any, analysis: UUID) -> HttpResponseBase:
    return _step(
        request,
        analysis,
        "words",
        lambda row: WordsForm(request.POST, auto_id="words_%s"),
        services.set_words,
        _("Your words are saved."),
    )


@require_POST
@club_view(Can.REVIEW)
def analysis_version(request: Any, analysis: UUID) -> HttpResponseBase:
    done = _("This is a new version. The one before counts until you publish this one.")
    return _step(request, analysis, "version", lambda row: SureForm(request.POST), services.new_version, done)


@require_POST
@club_view(Can.REVIEW)
def analysis_withdraw(request: Any, analysis: UUID) -> HttpResponseBase:
    done = _("Withdrawn. It does not count any more.")
    return _step(request, analysis, "withdraw", lambda row: SureForm(request.POST), services.withdraw, done)


@require_POST
@club_view(Can.REVIEW)
def analysis_cancel(request: Any, analysis: UUID) -> HttpResponseBase:
    done = _("Cancelled.")
    return _step(request, analysis, "cancel", lambda row: SureForm(request.POST), services.cancel, done)
