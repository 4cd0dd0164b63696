"""The drill library as its pages read it: in groups, with what each drill trains and what stands next to it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any

from django.db.models import Case, IntegerField, Min, Q, Value, When
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from clubcoach.models import Club
from players.lists import checks_of, current_list
from players.models import Area, CheckWording, Drill
from players.models.lists import DrillQuerySet

LOADS = {
    "shoulder": gettext_lazy("shoulder"),
    "elbow": gettext_lazy("elbow"),
    "back": gettext_lazy("back"),
    "knee": gettext_lazy("knee"),
    "lower_leg": gettext_lazy("lower leg"),
}
STAGES = [Drill.Stage.SHADOW, Drill.Stage.FED, Drill.Stage.VARIED, Drill.Stage.IN_PLAY]
STAGE_NUMBER = Case(
    *(When(stage=stage, then=Value(number)) for number, stage in enumerate(STAGES)),
    output_field=IntegerField(),
)
PROMISE = Q(place=Drill.Place.IN_YOUR_MATCH)
NEIGHBOURS = 3


def in_order(drills: DrillQuerySet, area: Area | None = None) -> DrillQuerySet:
    """By area, then stage; promises at the end. A drill of several areas stands at its first, or the asked one."""
    wanted = Q(areas=area) if area else None
    return drills.annotate(
        is_promise=Case(When(PROMISE, then=Value(1)), default=Value(0), output_field=IntegerField()),
        stage_number=STAGE_NUMBER,
        area_position=Min("areas__position", filter=wanted),
    ).order_by("is_promise", "area_position", "stage_number", "name", "code")


@dataclass(frozen=True)
class Part:
    """The drills of one stage, or the promises of one area."""

    label: str
    drills: list[Drill]


@dataclass(frozen=True)
class Group:
    """A part of the list under one heading: an area, or the promises for a match."""

    title: str
    off: bool
    promises: bool
    parts: list[Part] = field(default_factory=list)


def groups_of(drills: Iterable[Drill], areas: Sequence[Area]) -> list[Group]:
    """Drills that come in_order, under their headings."""
    by_position = {area.position: area for area in areas}

    def area_name(position: int | None) -> str:
        area = by_position.get(position) if position is not None else None
        return area.name if area else _("Other drills")

    groups = []
    for (promises, position), rows in groupby(drills, key=_heading):
        if promises:
            # Promises of all areas stand together: they are few, and a match has all areas in it.
            parts = [Part(area_name(at), list(some)) for at, some in groupby(rows, key=_position)]
            groups.append(Group(_("Promises for a match"), False, True, parts))
        else:
            parts = [Part(stage.label, list(some)) for stage, some in groupby(rows, key=_stage)]
            area = by_position.get(position) if position is not None else None
            groups.append(Group(area_name(position), bool(area and not area.on), False, parts))
    return groups


def _heading(drill: Any) -> tuple[bool, int | None]:
    promise = bool(drill.is_promise)
    return promise, None if promise else drill.area_position


def _position(drill: Any) -> int | None:
    return drill.area_position


def _stage(drill: Drill) -> Drill.Stage:
    return Drill.Stage(drill.stage)


def wordings_now(club: Club) -> list[CheckWording]:
    """The checks of the club's current list in their words, in the order of the list."""
    version = current_list(club)
    return checks_of(version) if version else []


@dataclass(frozen=True)
class Trained:
    code: str
    name: str
    cue: str


def trained_by(drill: Drill) -> list[Trained]:
    """The checks that a drill trains, in the words of the current list; one the list has no more by its code."""
    words = {row.check_identity_id: row for row in wordings_now(drill.club)}
    found = []
    for check in drill.checks.all():
        row = words.get(check.pk)
        found.append(Trained(check.code, row.name if row else "", row.cue if row else ""))
    return found


@dataclass(frozen=True)
class Neighbours:
    easier: list[Drill]
    harder: list[Drill]


def neighbours_of(drill: Drill) -> Neighbours:
    """Drills in use for the same checks, one stage before and one after; those with most checks in common first.

    Where the next stage has none the one behind it is taken. A promise for a match is nobody's neighbour.
    """
    mine = {check.pk for check in drill.checks.all()}
    here = STAGES.index(_stage(drill))
    rows = (
        Drill.objects.filter(club=drill.club_id, retired_on=None, checks__in=mine)
        .exclude(PROMISE)
        .exclude(pk=drill.pk)
        .distinct()
        .prefetch_related("checks")
    )
    found: dict[int, list[tuple[int, str, Drill]]] = {}
    for row in rows:
        common = len(mine & {check.pk for check in row.checks.all()})
        found.setdefault(STAGES.index(_stage(row)), []).append((-common, row.code, row))
    before = next((found[n] for n in range(here - 1, -1, -1) if n in found), [])
    after = next((found[n] for n in range(here + 1, len(STAGES)) if n in found), [])
    return Neighbours(
        *([row for *_rank, row in sorted(rows_there)[:NEIGHBOURS]] for rows_there in (before, after))
    )
