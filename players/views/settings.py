from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.db.models import Count, Q
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods

from clubcoach import formatting
from clubcoach.access import Can, club_view
from clubcoach.compute.checklist_edit import Change, differences, unit_of
from clubcoach.models import AuditEvent, Club
from players import services
from players.forms import tell
from players.forms_settings import CheckListForm, ClubForm
from players.lists import current_list, default_data, install_check_list
from players.models import Area, CheckListVersion
from players.services.settings import AgeEffect, age_effect

VERSIONS = 10
# An analysis in one of these states is over; in every other one somebody may still mark by its version of the list.
OVER = ("published", "cancelled", "withdrawn")


@require_http_methods(["GET", "POST"])
@club_view(Can.EDIT_CLUB)
def club_settings(request: Any) -> HttpResponse:
    club = Club.objects.get(pk=request.club.pk)
    form = ClubForm(request.POST or None, club=club)
    concerns: list[str] = []
    if request.method == "POST" and form.is_valid():
        effect = _effect(club, form)
        concerns = effect_words(effect)
        if not concerns or form.cleaned_data["ages_seen"] == form.ages:
            fields = {name: value for name, value in form.cleaned_data.items() if name != "ages_seen"}
            try:
                services.edit_club(by=request.user, club=club, **fields)
            except ValidationError as error:
                tell(form, error)
            else:
                messages.success(request, " ".join([_("Saved."), *concerns]))
                return redirect("club_settings", slug=club.slug)
    asks = bool(concerns) and not form.errors
    context = {
        "form": form,
        "concerns": concerns if asks else [],
        "ages": form.ages if asks else "",
        "may_edit_lists": bool(request.viewer.can(Can.EDIT_LISTS)),
    }
    wrong = form.is_bound and (form.errors or asks)
    return render(request, "players/club_settings.html", context, status=422 if wrong else 200)


def _effect(club: Club, form: ClubForm) -> AgeEffect:
    own, of_age = form.cleaned_data["own_consent_age"], form.cleaned_data["majority_age"]
    if own > of_age:
        # The service refuses this pair: there is nothing to ask about.
        return AgeEffect()
    return age_effect(club, own_consent_age=own, majority_age=of_age)


def effect_words(effect: AgeEffect) -> list[str]:
    """Whom new ages concern, one sentence each; nobody, no sentence."""
    said = []
    if n := effect.need_guardian:
        said.append(
            ngettext(
                "%(n)d player needs a guardian's consent too from now on: until it is there, films with this player"
                " stay closed.",
                "%(n)d players need a guardian's consent too from now on: until it is there, films with these players"
                " stay closed.",
                n,
            )
            % {"n": n}
        )
    if n := effect.decide_alone:
        said.append(
            ngettext(
                "%(n)d player decides alone about films from now on.",
                "%(n)d players decide alone about films from now on.",
                n,
            )
            % {"n": n}
        )
    if n := effect.become_minors:
        said.append(
            ngettext(
                "%(n)d player counts as a minor from now on.", "%(n)d players count as minors from now on.", n
            )
            % {"n": n}
        )
    if n := effect.come_of_age:
        said.append(
            ngettext(
                "%(n)d player is of age from now on: guardians do not see the page any more.",
                "%(n)d players are of age from now on: guardians do not see their pages any more.",
                n,
            )
            % {"n": n}
        )
    return said


@require_http_methods(["GET", "POST"])
@club_view(Can.EDIT_LISTS)
def check_list(request: Any) -> HttpResponse:
    club = request.club
    latest = current_list(club)
    if latest is None:
        return _without_list(request)
    on = set(Area.objects.filter(club=club, on=True).values_list("code", flat=True))
    form = CheckListForm(request.POST or None, data=latest.data, number=latest.number, on=on)
    if request.method == "POST" and form.is_valid():
        try:
            version = services.edit_check_list(by=request.user, club=club, **form.chosen())
        except ValidationError as error:
            form.tell(error)
        else:
            messages.success(request, _saved(latest, version))
            return redirect("check_list", slug=club.slug)
    page = Paginator(CheckListVersion.objects.of(club), VERSIONS).get_page(request.GET.get("page"))
    context = {
        "version": latest,
        "form": form,
        "parts": form.parts(),
        "at_work": at_work(club),
        "page": page,
        "history": history(club, list(page.object_list)),
    }
    return render(request, "players/check_list.html", context, status=422 if form.errors else 200)


def _without_list(request: Any) -> HttpResponse:
    if request.method == "POST":
        install_check_list(by=request.user, club=request.club, data=default_data("check_list"))
        messages.success(
            request, _("The standard check list is the club's own now. Change in it what you like.")
        )
        return redirect("check_list", slug=request.club.slug)
    return render(request, "players/check_list.html", {"version": None})


def _saved(before: CheckListVersion, after: CheckListVersion) -> str:
    if before.pk == after.pk:
        return _("Nothing was different; version %(n)d stays.") % {"n": after.number}
    return _("Saved as version %(n)d. New analyses are asked with it.") % {"n": after.number}


def at_work(club: Club) -> list[str]:
    """Analyses that are not over, by the version of the list that they keep."""
    under_way = Count("analyses", filter=~Q(analyses__state__in=OVER))
    rows = (
        CheckListVersion.objects.filter(club=club)
        .annotate(under_way=under_way)
        .filter(under_way__gt=0)
        .order_by("-number")
        .values_list("number", "under_way")
    )
    return [
        ngettext(
            "%(n)d analysis is being worked on with version %(version)d; it keeps it.",
            "%(n)d analyses are being worked on with version %(version)d; they keep it.",
            n,
        )
        % {"n": n, "version": number}
        for number, n in rows
    ]


def history(club: Club, versions: list[CheckListVersion]) -> list[dict[str, Any]]:
    """Each version of the page with who made it and what it changed against the one before."""
    if not versions:
        return []
    older = CheckListVersion.objects.of(club).filter(number__lt=versions[-1].number).first()
    events = AuditEvent.objects.filter(
        club=club,
        action="check_list.installed",
        target_type=CheckListVersion._meta.label_lower,
        target_id__in=[str(version.pk) for version in versions],
    ).select_related("actor")
    makers = {event.target_id: event.actor.name for event in events if event.actor}
    rows = []
    for version, before in zip(versions, [*versions[1:], older], strict=True):
        changes = differences(before.data, version.data) if before else ()
        rows.append(
            {
                "version": version,
                "by": makers.get(str(version.pk), ""),
                "first": before is None,
                "changes": [change_words(change, version.data, before) for change in changes],
            }
        )
    return rows


def change_words(change: Change, data: Any, before: CheckListVersion | None) -> str:
    rows = [*data["areas"], *data["checks"]]
    rows += [*before.data["areas"], *before.data["checks"]] if before else []
    checks = {row["code"] for row in data["checks"]}
    named = next((row["name"] for row in rows if row["code"] == change.code), change.code)
    what = f"{change.code} {named}" if change.code in checks else named
    if change.kind == "bound":
        unit = unit_of(change.name)
        return _("%(what)s: %(name)s is %(after)s, was %(before)s") % {
            "what": what,
            "name": change.name.rsplit("_", 1)[0].replace("_", " "),
            "after": _figure(change.after, unit),
            "before": _figure(change.before, unit),
        }
    said = {
        "on": _("%(what)s: switched on"),
        "off": _("%(what)s: switched off"),
        "new": _("%(what)s: new on the list"),
        "gone": _("%(what)s: no longer on the list"),
        "words": _("%(what)s: other words, now “%(after)s”"),
    }
    return said[change.kind] % {"what": what, "after": change.after}


def _figure(value: Any, unit: str) -> str:
    return formatting.measure(float(value), unit) if value is not None else _("none")
