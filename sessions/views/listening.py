"""Rallies found by ear: the film beside the plain list of proposals, and what a coach decides about them."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from typing import Any
from urllib.parse import urlencode
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_POST, require_safe

from clubcoach.access import Can, club_view
from clubcoach.formatting import clock
from sessions import listening as hearings
from sessions import services
from sessions.forms_films import OffsetField
from sessions.models import Film, Hearing, Match, MatchFilm, RallyProposal
from sessions.views.listening_page import (
    chosen_of,
    list_context,
    page_context,
    picture,
    script_words,
    work_context,
)
from sessions.views.parts import film_here

MOST_AT_ONCE = 1000
# Of those that were passed over so many are named with their reasons.
NAMED = 5
State, Way = RallyProposal.State, Hearing.Way
Steps = list[dict[str, Any]]


def links_of(film: Film) -> list[MatchFilm]:
    """The matches the film shows, by when they begin in it, with what a line about each needs."""
    rows = MatchFilm.objects.filter(film=film).select_related("match__club")
    return list(rows.prefetch_related("match__seats__player").order_by("-offset_s", "pk"))


@require_safe
@club_view(Can.WATCH_FILM)
def listening(request: Any, film: UUID) -> HttpResponse:
    row = film_here(request.viewer, film)
    if request.htmx:
        return _work(request, row)
    return _page(request, row)


def _work(request: Any, film: Film) -> HttpResponse:
    context = work_context(request, film, hearings.hearing_of(film))
    response = render(request, "sessions/parts/listening_work.html", context)
    if not context["going"]:
        # What was heard stands outside of this part.
        response["HX-Refresh"] = "true"
    return response


def _page(request: Any, film: Film, problems: list[str] | None = None) -> HttpResponse:
    asked = request.POST or request.GET
    row = asked.get("id", "") or asked.get("row", "")
    context = page_context(request, film, links_of(film), asked.get("match", ""), row)
    if problems:
        # What was typed stays in its fields.
        typed = {name: request.POST.get(name, "") for name in ("start", "end")}
        act = request.POST.get("act", "")
        context |= {"times": typed} if act == "correct" else {"added": typed} if act == "add" else {}
        if act == "delay":
            context["delay"] = request.POST.get("seconds", "")
    context |= {"problems": problems, "words": script_words()}
    return render(request, "sessions/listening.html", context, status=422 if problems else 200)


@require_POST
@club_view(Can.EDIT_MATCHES)
def listening_act(request: Any, film: UUID) -> HttpResponse:
    """One decision; a script gets the list anew, and what takes it back again."""
    row = film_here(request.viewer, film)
    act, _colon, one = request.POST.get("act", "").partition(":")
    before = _snapshot(row)
    try:
        if act not in ACTS:
            raise ValidationError(_("Say what is to be done with the proposals."))
        said = ACTS[act](request, row, [one] if one else request.POST.getlist("ids"))
    except ValidationError as error:
        return _refused(request, row, error.messages)
    if request.htmx:
        return _list(request, row, {"acted": said, "undo": json.dumps(_way_back(row, before))})
    messages.success(request, said)
    place = "" if act in ("again", "by_motion") else "#listening-list"
    return redirect(_address(request, row, one or request.POST.get("id", "")) + place)


def _refused(request: Any, film: Film, problems: list[str]) -> HttpResponse:
    if request.htmx:
        return _list(request, film, {"problems": problems}, status=422)
    return _page(request, film, problems)


def _list(request: Any, film: Film, more: dict[str, Any], status: int = 200) -> HttpResponse:
    link = chosen_of(links_of(film), request.POST.get("match", ""))
    context = {**list_context(request, film, link), **more}
    return render(request, "sessions/parts/listening_list.html", context, status=status)


def _address(request: Any, film: Film, row: str) -> str:
    path = reverse("listening", args=[film.club.slug, film.uuid])
    asked = {name: value for name, value in (("match", request.POST.get("match", "")), ("row", row)) if value}
    return f"{path}?{urlencode(asked)}" if asked else path


# What is done; each gives the sentence that says so.


def _again(request: Any, film: Film, ids: list[str]) -> str:
    services.ask_to_listen(by=request.user, film=film, way=Way.SOUND)
    return _("The film is listened to. What was accepted or corrected stays.")


def _by_motion(request: Any, film: Film, ids: list[str]) -> str:
    services.ask_to_listen(by=request.user, film=film, way=Way.MOTION)
    return _("It is looked for what moves in the picture. What was accepted or corrected stays.")


def _delay(request: Any, film: Film, ids: list[str]) -> str:
    services.set_delay(by=request.user, film=film, seconds=_seconds(request.POST.get("seconds", "")))
    return _("The times are those of the picture now.")


def _accept(request: Any, film: Film, ids: list[str]) -> str:
    match = _match(request, film)
    chosen = _chosen(film, ids) if ids else _above(request, film, match)
    if not chosen:
        raise ValidationError(_("No open rally is that sure. Nothing was accepted."))
    done = services.accept_rallies(by=request.user, film=film, match=match, proposals=chosen)
    passed_over = _passed_over(done)
    if not done.rallies:
        raise ValidationError([_("Nothing was accepted."), *passed_over])
    n = len(done.rallies)
    said = ngettext("%(n)d rally accepted.", "%(n)d rallies accepted.", n) % {"n": n}
    return " ".join([said, *passed_over])


def _passed_over(done: Any) -> list[str]:
    """Which were not accepted and why; of many the first ones."""
    told = [
        _("Passed over, at %(at)s: %(why)s")
        % {"at": clock(picture(one.proposal.hearing, one.proposal.start_s)), "why": one.why}
        for one in done.skipped[:NAMED]
    ]
    more = len(done.skipped) - NAMED
    if more > 0:
        told.append(
            ngettext("%(n)d more was passed over.", "%(n)d more were passed over.", more) % {"n": more}
        )
    return told


def _above(request: Any, film: Film, match: Match) -> list[RallyProposal]:
    """The open ones of a match that are at least so sure."""
    least = _share(request.POST.get("above", ""))
    groups = hearings.by_game(film, match)
    rows = [row for group in groups for row in group.proposals]
    return [row for row in rows if row.state == State.OPEN and row.confidence >= least]


def _dismiss(request: Any, film: Film, ids: list[str]) -> str:
    chosen = _chosen(film, ids)
    services.dismiss_rallies(by=request.user, film=film, proposals=chosen)
    return ngettext("%(n)d rally dismissed.", "%(n)d rallies dismissed.", len(chosen)) % {"n": len(chosen)}


def _reopen(request: Any, film: Film, ids: list[str]) -> str:
    chosen = _chosen(film, ids)
    services.reopen_rallies(by=request.user, film=film, proposals=chosen)
    return ngettext("%(n)d rally is open again.", "%(n)d rallies are open again.", len(chosen)) % {
        "n": len(chosen)
    }


def _correct(request: Any, film: Film, ids: list[str]) -> str:
    (proposal,) = _chosen(film, [request.POST.get("id", "")])
    start_s, end_s = _times(request, film, proposal)
    services.correct_rally(by=request.user, proposal=proposal, start_s=start_s, end_s=end_s)
    return _("The times are corrected.")


def _add(request: Any, film: Film, ids: list[str]) -> str:
    start_s, end_s = _times(request, film)
    services.add_rally_by_hand(by=request.user, film=film, start_s=start_s, end_s=end_s)
    return _("The rally is added. Accept it to make it one of the match.")


ACTS: dict[str, Callable[[Any, Film, list[str]], str]] = {
    "again": _again,
    "by_motion": _by_motion,
    "delay": _delay,
    "accept": _accept,
    "dismiss": _dismiss,
    "reopen": _reopen,
    "correct": _correct,
    "add": _add,
}


# What was sent, read.


def _match(request: Any, film: Film) -> Match:
    asked = request.POST.get("match", "")
    links = links_of(film)
    found = [link.match for link in links if str(link.match.uuid) == asked]
    if not found and not asked and len(links) == 1:
        found = [links[0].match]
    if not found:
        raise ValidationError(_("Say whose rallies these are: choose a match that the film shows."))
    return found[0]


def _chosen(film: Film, ids: list[str]) -> list[RallyProposal]:
    """The proposals that were named, all of this film; in the order of time."""
    if not ids or ids == [""]:
        raise ValidationError(_("Choose a rally of the list first."))
    if len(ids) > MOST_AT_ONCE:
        raise ValidationError(_("At most %(n)d rallies at once.") % {"n": MOST_AT_ONCE})
    wanted = {int(pk) for pk in ids if pk.isascii() and pk.isdigit() and len(pk) < 16}
    rows = list(
        RallyProposal.objects.filter(hearing__film=film, pk__in=wanted).select_related(
            "hearing__film", "rally"
        )
    )
    if len(rows) != len(set(ids)):
        raise ValidationError(
            _("The list has changed meanwhile: what you chose is no longer in it. Look at it again.")
        )
    return rows


def _share(text: str) -> float:
    value = _number(text)
    if not 0 <= value <= 1:
        raise ValidationError(_("Say how sure they have to be: a figure between 0 and 1."))
    return value


def _seconds(text: str) -> float:
    value = _number(text)
    if not math.isfinite(value):
        raise ValidationError(
            _("Write the delay in seconds, such as 0.25, or -0.1 where the sound comes first.")
        )
    return value


def _number(text: str) -> float:
    """NaN, which fits no bound, for what is no number."""
    try:
        return float(text.strip().replace(",", ".").replace("\N{MINUS SIGN}", "-"))
    except ValueError:
        return math.nan


def _times(request: Any, film: Film, proposal: RallyProposal | None = None) -> tuple[float, float]:
    """Start and end as they are seen, given as they are heard; an end that was left as it was stays exactly so."""
    hearing = proposal.hearing if proposal else hearings.hearing_of(film)
    read: list[float] = []
    for name, said in (("start", _("Begins at: %(why)s")), ("end", _("Ends at: %(why)s"))):
        try:
            seen = OffsetField().clean(request.POST.get(name, ""))
        except ValidationError as error:
            raise ValidationError(said % {"why": " ".join(error.messages)}) from None
        now = getattr(proposal, f"{name}_s", None)
        if hearing and now is not None and abs(picture(hearing, now) - seen) < 0.001:
            read.append(now)
        else:
            read.append(_heard(film, hearing, seen))
    return read[0], read[1]


def _heard(film: Film, hearing: Hearing | None, seen_s: float) -> float:
    """Inside the film what is seen stays inside, also where the sound is late."""
    if hearing is None or not 0 <= seen_s <= (film.duration_s or 0):
        return seen_s
    return min(max(0.0, hearings.heard_s(hearing, seen_s)), film.duration_s or seen_s)


# What takes a decision back.


def _snapshot(film: Film) -> tuple[float | None, dict[int, tuple[str, float, float]]]:
    hearing = hearings.hearing_of(film)
    if hearing is None:
        return None, {}
    rows = hearing.proposals.values_list("pk", "state", "start_s", "end_s")
    return hearing.delay_s, {pk: (state, start, end) for pk, state, start, end in rows}


def _way_back(film: Film, before: tuple[float | None, dict[int, tuple[str, float, float]]]) -> Steps:
    """What the page's script sends to have everything as it was before."""
    delay_s, was = before
    now_delay, now = _snapshot(film)
    steps: Steps = []
    if delay_s is not None and now_delay != delay_s:
        steps.append({"act": "delay", "seconds": f"{delay_s:.3f}"})
    turned: dict[str, list[int]] = {}
    for pk, (state, start, end) in now.items():
        old_state, old_start, old_end = was.get(pk, (State.DISMISSED, start, end))
        if (start, end) != (old_start, old_end):
            seen = {"start": _field(old_start, now_delay), "end": _field(old_end, now_delay)}
            steps.append({"act": "correct", "id": pk, **seen})
        if state != old_state:
            turned.setdefault(BACK[State(old_state)] if state == State.OPEN else "reopen", []).append(pk)
    return steps + [{"act": act, "ids": ids} for act, ids in turned.items()]


BACK = {State.OPEN: "reopen", State.ACCEPTED: "accept", State.DISMISSED: "dismiss"}


def _field(heard_s: float, delay_s: float | None) -> str:
    minutes, seconds = divmod(max(0.0, round(heard_s - (delay_s or 0), 3)), 60)
    return f"{int(minutes)}:{seconds:06.3f}"
