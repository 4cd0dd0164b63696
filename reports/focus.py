"""What to work on: proposed by a simple rule from published analyses, decided by the head coach."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from datetime import date, datetime, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from clubcoach import audit
from clubcoach.access import Can, viewer_of
from clubcoach.compute.standards import Candidate, simple_focus
from clubcoach.models import User
from players.models import Check, CheckWording, Player, Unit
from reports import homework
from reports.evidence import WINDOW_DAYS, Seen, evidence
from reports.models import FocusPoint
from sessions.models import Analysis

MOST, MOST_MINOR, MOST_PAIR, OF_ONE_AREA = 3, 1, 1, 2
ACTIVE = FocusPoint.State.ACTIVE


def most_for(unit: Unit, day: date) -> int:
    """How many points a unit works on at once: a minor one, and a pair one beside what each has alone."""
    if unit.kind == Unit.Kind.PAIR:
        return MOST_PAIR
    return MOST_MINOR if unit.first.is_minor(day) else MOST


@transaction.atomic
def propose(*, analysis: Analysis, now: datetime | None = None) -> list[FocusPoint]:
    """Focus points for the units of a published analysis, with a drill each and one promise for the next match.

    The rule is simple: the widest gap to what the level expects that was seen often enough. Points that are being
    worked on stay, and what the coach took away is not brought back within the same term.
    """
    club = analysis.match.club
    if analysis.state != Analysis.State.PUBLISHED or analysis.purpose != Analysis.Purpose.COUNT:
        return []
    today = club.today(now)
    covers = analysis.covers.filter(current=True).select_related("unit__first__club", "unit__second__club")
    units = sorted((cover.unit for cover in covers), key=lambda unit: unit.pk)
    seen = evidence(club=club, units=units)
    made = []
    for unit in units:
        for candidate in _choose(unit, seen[unit.pk].values(), today):
            made.append(_point(unit, seen[unit.pk][candidate.check], today, analysis=analysis))
    for point in made:
        homework.suggest(point=point, by=None, now=now)
    return made


def _choose(unit: Unit, seen: Iterable[Seen], today: date) -> list[Candidate]:
    points = list(FocusPoint.objects.filter(unit=unit).select_related("check_identity"))
    active = [point for point in points if point.state in (ACTIVE, FocusPoint.State.PROPOSED)]
    since = today - timedelta(days=WINDOW_DAYS)
    over = [point for point in points if point.ended_on and point.ended_on > since]
    known = {point.check_identity_id for point in (*active, *over)}
    rows = [row for row in seen if row.standard is not None and row.check not in known]
    found = simple_focus(
        [row.check for row in rows],
        [row.area for row in rows],
        [row.seen for row in rows],
        [row.met for row in rows],
        [row.standard or 0.0 for row in rows],
    )
    taken = Counter(point.check_identity.area_id for point in active)
    free = most_for(unit, today) - len(active)
    chosen: list[Candidate] = []
    for candidate in found.candidates:
        if candidate.supported and len(chosen) < free and taken[candidate.area] < OF_ONE_AREA:
            chosen.append(candidate)
            taken[candidate.area] += 1
    return chosen


def _point(unit: Unit, row: Seen, today: date, **more: Any) -> FocusPoint:
    ranks = FocusPoint.objects.filter(unit=unit, state=ACTIVE).values_list("rank", flat=True)
    fields: dict[str, Any] = {"cue": cue_of(row.check), **more}
    return FocusPoint.objects.create(
        unit=unit,
        check_identity_id=row.check,
        rank=max(ranks, default=0) + 1,
        seen=row.seen,
        met=row.met,
        low=row.low,
        high=row.high,
        standard=row.standard or 0.0,
        started_on=today,
        **fields,
    )


def cue_of(check: int) -> str:
    wording = CheckWording.objects.filter(check_identity=check).order_by("-version__number").first()
    return wording.cue if wording else ""


@transaction.atomic
def set_focus(
    *, by: User, unit: Unit, check: Check, words: str = "", cue: str = "", now: datetime | None = None
) -> FocusPoint:
    """The head coach's own choice. Its evidence is written beside it, also where there is little."""
    club = unit.club
    viewer_of(by, club).must(Can.SET_FOCUS)
    # Two choices at once would both find the same free place.
    unit = Unit.objects.select_for_update(of=("self",)).get(pk=unit.pk)
    today = club.today(now)
    active = list(FocusPoint.objects.filter(unit=unit, state=ACTIVE).select_related("check_identity"))
    _may_be_set(unit, check, active, today)
    said = _texts(words, cue)
    row = evidence(club=club, units=[unit])[unit.pk].get(check.pk) or Seen(
        check.pk, check.area_id, 0, 0, 0.0, 1.0, None
    )
    more = {**said, "cue": said["cue"] or cue_of(check.pk), "by_rule": False, "set_by": by}
    point = _point(unit, row, today, **more)
    audit.record(
        by=by, club=club, action="focus.set", target=point, fields=["check_identity", "words", "cue"]
    )
    homework.suggest(point=point, by=by, now=now)
    return point


def _may_be_set(unit: Unit, check: Check, active: list[FocusPoint], today: date) -> None:
    most = most_for(unit, today)
    problem = ""
    if check.club_id != unit.club_id or check.retired_on:
        problem = _("This is no check of the club's list.")
    elif check.kind != Check.Kind.DOING:
        problem = _("This check says what came of it. Choose one that says how it was played.")
    elif check.unit != unit.kind:
        problem = (
            _("This check is about a pair. Choose the pair first.")
            if check.unit == Check.UnitKind.PAIR
            else _("This check is about one player. Choose the player first.")
        )
    elif any(point.check_identity_id == check.pk for point in active):
        problem = _("This is being worked on already.")
    elif len(active) >= most:
        problem = ngettext(
            "There is %(n)d focus point already, which is the most here. End it first.",
            "There are %(n)d focus points already, which is the most here. End one first.",
            most,
        ) % {"n": most}
    elif sum(point.check_identity.area_id == check.area_id for point in active) >= OF_ONE_AREA:
        problem = _(
            "Two of this area are being worked on already. Choose from another area, or end one first."
        )
    if problem:
        raise ValidationError({"check": problem})


@transaction.atomic
def drop_focus(*, by: User, point: FocusPoint, done: bool = False, now: datetime | None = None) -> FocusPoint:
    """It is over: done with, or no good choice. Its homework from this week on goes with it."""
    club = point.unit.club
    viewer_of(by, club).must(Can.SET_FOCUS)
    state = FocusPoint.State.ENDED if done else FocusPoint.State.DROPPED
    ended = {"state": state, "ended_on": club.today(now)}
    _change(point, **ended)
    homework.withdraw_of(point=point, now=now or timezone.now())
    audit.record(by=by, club=club, action=f"focus.{state}", target=point, fields=list(ended))
    return point


@transaction.atomic
def reword_focus(*, by: User, point: FocusPoint, words: str, cue: str) -> FocusPoint:
    """Say it in the coach's own words; an empty cue goes back to that of the list."""
    viewer_of(by, point.unit.club).must(Can.SET_FOCUS)
    said = _texts(words, cue)
    said["cue"] = said["cue"] or cue_of(point.check_identity_id)
    _change(point, **said)
    audit.record(by=by, club=point.unit.club, action="focus.reworded", target=point, fields=list(said))
    return point


def _change(point: FocusPoint, **fields: Any) -> None:
    if not FocusPoint.objects.filter(pk=point.pk, state=ACTIVE).update(**fields):
        raise ValidationError(_("This focus point is over already. Reload the page."))
    for name, value in fields.items():
        setattr(point, name, value)


def _texts(words: str, cue: str) -> dict[str, str]:
    said, problems = {"words": words.strip(), "cue": cue.strip()}, {}
    for name, text in said.items():
        most = FocusPoint._meta.get_field(name).max_length or 0
        if len(text) > most:
            problems[name] = _("This has %(n)d characters; %(most)d are the most.") % {
                "n": len(text),
                "most": most,
            }
    if problems:
        raise ValidationError(problems)
    return said


def points_of(player: Player) -> list[FocusPoint]:
    """What a player works on, alone and in pairs. A minor sees one thing: the own one first."""
    rows = list(
        FocusPoint.objects.filter(Q(unit__first=player) | Q(unit__second=player), state=ACTIVE)
        .select_related("check_identity__area", "unit__first__club", "unit__second__club", "set_by")
        .order_by("rank", "pk")
    )
    rows.sort(key=lambda point: point.unit.kind == Unit.Kind.PAIR)
    return rows[:MOST_MINOR] if player.is_minor() else rows
