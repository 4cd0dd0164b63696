"""An analysis on its way to review: asked for, given to somebody, handed in, sent back, cancelled."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from clubcoach import audit
from clubcoach.access import Can, viewer_of
from clubcoach.models import Club, User
from players.lists import current_list
from players.models import Area, Unit
from sessions.models import (
    Analysis,
    AnalysisComment,
    Analyst,
    Closure,
    Cover,
    LensArea,
    Match,
    Rally,
    Situation,
)
from sessions.models.analyses import has_stake
from sessions.rally_marks import told_of_overlaps
from sessions.services.rules import (
    Standing,
    State,
    all_arrived,
    hold,
    in_time,
    lock,
    long_enough,
    move,
)

WORDS_MOST = 4000


@transaction.atomic
def request_analysis(
    *,
    by: User,
    match: Match,
    units: Iterable[Unit],
    areas: Iterable[Area],
    analyst: User | None = None,
    due_on: date | None = None,
    purpose: str = "count",
    plan: str = "all",
    extent: str = "full",
    rally_facts: Iterable[str] = (),
    now: datetime | None = None,
) -> Analysis:
    """Ask for a look at some units of a match; with an analyst it is assigned at once."""
    club = match.club
    viewer_of(by, club).must(Can.REQUEST_ANALYSIS)
    moment = in_time(now)
    chosen, lens = list(dict.fromkeys(units)), list(dict.fromkeys(areas))
    _check_units(match, chosen)
    _check_areas(club, chosen, lens)
    _check_due(club, due_on, moment)
    if analyst is not None:
        _may_analyse(match, analyst)
    check_list = current_list(club)
    if check_list is None:
        raise ValidationError({"areas": _("The club has no check list yet. Install one first.")})
    analysis = Analysis(
        match=match,
        analyst=analyst_row(club, analyst) if analyst else None,
        state=State.ASSIGNED if analyst else State.REQUESTED,
        purpose=purpose,
        plan=plan,
        extent=extent,
        rally_facts=_clean_facts(rally_facts),
        check_list=check_list,
        requested_by=by,
        requested_at=moment,
        due_on=due_on,
    )
    analysis.full_clean()
    analysis.save()
    Cover.objects.bulk_create(Cover(analysis=analysis, match=match, unit=unit) for unit in chosen)
    LensArea.objects.bulk_create(LensArea(analysis=analysis, area=area) for area in lens)
    audit.record(by=by, club=club, action="analysis.requested", target=analysis)
    return analysis


def _check_units(match: Match, units: list[Unit]) -> None:
    if not units:
        raise ValidationError({"units": _("Choose at least one player or pair.")})
    seated = {seat.player_id: seat.pair for seat in match.seat_list if seat.player_id}
    for unit in units:
        places = {seated.get(player) for player in unit.player_ids}
        if None in places:
            raise ValidationError({"units": _("%(unit)s did not play in this match.") % {"unit": unit.name}})
        if len(places) > 1:
            raise ValidationError(
                {"units": _("%(unit)s played against each other in this match.") % {"unit": unit.name}}
            )


def _check_areas(club: Club, units: list[Unit], areas: list[Area]) -> None:
    if not areas:
        raise ValidationError({"areas": _("Choose at least one area.")})
    for area in areas:
        if area.club_id != club.pk:
            raise ValidationError({"areas": _("An area of another club cannot be looked at here.")})
        if not area.on:
            raise ValidationError({"areas": _("“%(area)s” is not in use this term.") % {"area": area.name}})
    for unit in units:
        pair = unit.kind == Unit.Kind.PAIR
        if not any(area.for_pair == pair for area in areas):
            sentence = (
                _("Nothing is asked about %(unit)s as a pair: choose an area for pairs too.")
                if pair
                else _("Nothing is asked about %(unit)s: choose an area for single players too.")
            )
            raise ValidationError({"areas": sentence % {"unit": unit.name}})


def _clean_facts(wanted: Iterable[str]) -> list[str]:
    names = set(wanted)
    if names - set(Analysis.RALLY_FACTS):
        raise ValidationError(
            {"rally_facts": _("A rally can be asked three things more: choose from the list.")}
        )
    return [name for name in Analysis.RALLY_FACTS if name in names]


def _check_due(club: Club, due_on: date | None, now: datetime) -> None:
    if due_on and due_on < club.day_of(now):
        raise ValidationError({"due_on": _("This day is past.")})


def _may_analyse(match: Match, person: User) -> None:
    if not person.is_active or not viewer_of(person, match.club).can(Can.CODE):
        raise ValidationError(
            {"analyst": _("%(person)s is no coach of this club.") % {"person": person.name}}
        )
    if has_stake(person, match):
        raise ValidationError(
            {
                "analyst": _("%(person)s or their family played in this match: choose somebody else.")
                % {"person": person.name}
            }
        )


def analyst_row(club: Club, person: User) -> Analyst:
    """The eye that marks are kept under."""
    return Analyst.objects.get_or_create(club=club, user=person, defaults={"name": person.name})[0]


@transaction.atomic
def assign(
    *,
    by: User,
    analysis: Analysis,
    analyst: User,
    due_on: date | None = None,
    now: datetime | None = None,
) -> Analysis:
    """Give it to somebody, or to somebody else, with a day; marks are from one eye, so not once it was begun."""
    lock(analysis)
    club = analysis.match.club
    hold(Standing(viewer_of(by, club), analysis).assign())
    _may_analyse(analysis.match, analyst)
    if due_on != analysis.due_on:
        _check_due(club, due_on, in_time(now))
    chosen = analyst_row(club, analyst)
    other = analysis.analyst_id not in (None, chosen.pk)
    if other and Situation.objects.filter(analysis=analysis).exists():
        raise ValidationError(
            {
                "analyst": _("%(person)s has begun already. Cancel this analysis and ask for a new one.")
                % {"person": analysis.analyst}
            }
        )
    fresh = other or analysis.state == State.REQUESTED
    state = State.ASSIGNED if fresh else analysis.state
    move(analysis, (analysis.state,), analyst=chosen, due_on=due_on, state=state)
    audit.record(
        by=by, club=club, action="analysis.assigned", target=analysis, fields=["analyst", "due_on", "state"]
    )
    return analysis


@dataclass(frozen=True)
class OpenArea:
    """Rallies in which an area was not closed: they do not count for it."""

    area: Area
    numbers: tuple[int, ...]
    rallies: int

    def __str__(self) -> str:
        first = ", ".join(str(number) for number in self.numbers[:12])
        if len(self.numbers) > 12:
            first += " …"
        return ngettext(
            "%(area)s: still open in %(n)d of %(all)d rally (%(numbers)s).",
            "%(area)s: still open in %(n)d of %(all)d rallies (%(numbers)s).",
            self.rallies,
        ) % {"area": self.area.name, "n": len(self.numbers), "all": self.rallies, "numbers": first}


def open_areas(analysis: Analysis) -> list[OpenArea]:
    """The areas of the lens with rallies that are not closed yet; three queries."""
    rallies = list(
        Rally.objects.filter(match=analysis.match_id, dropped=False)
        .order_by("start_s", "pk")
        .values_list("pk", "number")
    )
    closed: dict[int, set[int]] = defaultdict(set)
    for area, rally in Closure.objects.filter(analysis=analysis).values_list("area", "rally"):
        closed[area].add(rally)
    found = []
    for area in _lens(analysis):
        numbers = tuple(number for pk, number in rallies if pk not in closed[area.pk])
        if numbers:
            found.append(OpenArea(area, numbers, len(rallies)))
    return found


def _lens(analysis: Analysis) -> list[Area]:
    return [row.area for row in LensArea.objects.filter(analysis=analysis).select_related("area")]


@transaction.atomic
def submit(
    *, by: User, analysis: Analysis, devices: dict[str, int], now: datetime | None = None
) -> list[str]:
    """Hand it in for review. ``devices`` says the last number that each device has given out.

    Returns a sentence for each area that has open rallies, and one about rallies that overlap: they are told, not
    refused.
    """
    lock(analysis)
    club = analysis.match.club
    hold(Standing(viewer_of(by, club), analysis).submit())
    all_arrived(analysis, devices)
    move(analysis, Analysis.WRITABLE, state=State.SUBMITTED, submitted_at=in_time(now))
    audit.record(
        by=by, club=club, action="analysis.submitted", target=analysis, fields=["state", "submitted_at"]
    )
    return [*(str(area) for area in open_areas(analysis)), *told_of_overlaps(analysis.match)]


@transaction.atomic
def send_back(*, by: User, analysis: Analysis, text: str, now: datetime | None = None) -> AnalysisComment:
    """Return it to the analyst with what is to be done."""
    lock(analysis)
    club = analysis.match.club
    hold(Standing(viewer_of(by, club), analysis).send_back())
    said = long_enough("text", text, 2000)
    if not said:
        raise ValidationError({"text": _("Say what should be looked at again.")})
    # Not handed in any more: from its due day on it is late again.
    move(analysis, (State.SUBMITTED,), state=State.RETURNED, submitted_at=None)
    comment = AnalysisComment.objects.create(analysis=analysis, by=by, at=in_time(now), text=said)
    audit.record(
        by=by, club=club, action="analysis.returned", target=analysis, fields=["state", "submitted_at"]
    )
    return comment


@transaction.atomic
def cancel(*, by: User, analysis: Analysis) -> Analysis:
    """Nobody needs it any more; a cancelled correction leaves room for another one."""
    lock(analysis)
    club = analysis.match.club
    hold(Standing(viewer_of(by, club), analysis).cancel())
    changed: dict[str, Any] = {"state": State.CANCELLED, "supersedes": None}
    move(analysis, Analysis.OPEN, **changed)
    audit.record(by=by, club=club, action="analysis.cancelled", target=analysis, fields=list(changed))
    return analysis


@transaction.atomic
def set_words(*, by: User, analysis: Analysis, words: str) -> Analysis:
    """What the head coach says to the student; also after it was published."""
    lock(analysis)
    club = analysis.match.club
    hold(Standing(viewer_of(by, club), analysis).words())
    move(analysis, (analysis.state,), words=long_enough("words", words, WORDS_MOST))
    audit.record(by=by, club=club, action="analysis.words_set", target=analysis, fields=["words"])
    return analysis
