"""A player's or a pair's page for coaches: what was seen in each area, what it led to, and what was noted."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any

from django.core.paginator import Paginator
from django.db.models import Q, QuerySet

from clubcoach.access import Can, Viewer
from clubcoach.compute.intervals import wilson_bounds
from clubcoach.models import Club
from players.models import Area, Check, CheckWording, Goal, Note, Player, Unit
from players.services.notes import may_withdraw
from reports.differs import Difference, difference
from reports.evidence import Seen, area_standards, evidence, newest_wordings
from reports.focus import ACTIVE
from reports.forecast import chance_words, chances
from reports.forms import NoteForm
from reports.models import FocusPoint, Score
from reports.next_looks import look_next
from reports.pictures import Picture, pictures
from reports.reading import Reading, read
from reports.sets import sets_of
from reports.trend import (
    AskedSince,
    Standing,
    Trend,
    add_what_is_behind,
    days_seen,
    tell_changes,
    trends,
)
from sessions.models import Analysis, Cover

SHEETS, OVER, NOTES, MOMENTS = 8, 6, 20, 3


@dataclass(frozen=True)
class Counted:
    """The doing checks of an area together."""

    seen: int
    met: int
    low: float
    high: float


@dataclass(frozen=True)
class AreaRow:
    area: Area
    counted: Counted | None
    standing: Standing | None
    standard: float | None
    # Of an area of which too little was seen.
    look_next: list[CheckWording] = field(default_factory=list)

    @property
    def share(self) -> float | None:
        """The standard as a share, for the small rule."""
        return None if self.standard is None else self.standard / 100

    @property
    def said(self) -> bool:
        return self.standing is not None and self.standing.enough


@dataclass(frozen=True)
class CheckRow:
    """One check of the area that was opened, with situations to look at."""

    name: str
    seen: Seen
    missed: list[Picture]
    met: list[Picture]


@dataclass
class AreaOpened:
    area: Area
    trend: Trend
    asked: AskedSince | None
    differs: Difference | None
    look_next: list[CheckWording]
    checks: list[CheckRow] = field(default_factory=list)


@dataclass(frozen=True)
class PointRow:
    """A focus point with what was seen when it began (on the row itself) and what is seen now."""

    point: FocusPoint
    name: str
    now: Seen | None


@dataclass(frozen=True)
class GoalRow:
    goal: Goal
    now: Standing | None
    # The day has come and nobody has set a new one.
    over: bool
    chance: str = ""


@dataclass(frozen=True)
class SheetRow:
    analysis: Analysis
    current: bool
    may_open: bool


@dataclass(frozen=True)
class NoteRow:
    note: Note
    may_withdraw: bool


class UnitPage:
    """Everything of one unit for one coach, in a number of queries that grows with nothing."""

    def __init__(
        self,
        viewer: Viewer,
        unit: Unit,
        *,
        area: str = "",
        since: str = "",
        page: Any = 1,
        note: NoteForm | None = None,
    ) -> None:
        self.viewer, self.unit, self.club = viewer, unit, viewer.club
        self.area, self.since, self.page, self.note = area, since, page, note
        self.players = players_of(unit)
        self.minors = minors_of(unit)

    def context(self) -> dict[str, Any]:
        seen = evidence(club=self.club, units=[self.unit])[self.unit.pk]
        points = self._points()
        wordings = newest_wordings([*seen, *(point.check_identity_id for point in points)])
        standings = standings_of(self.unit)
        reading, sets = read(club=self.club, units=[self.unit]), sets_of(self.club)
        rows = self._areas(seen, standings, reading)
        focus = self._point_rows(points, seen, wordings)
        notes = self._notes()
        return {
            "unit": self.unit,
            "players": self.players,
            "minors": self.minors,
            "others": self._others(),
            "areas": rows,
            "analysed": any(row.counted or row.standing for row in rows),
            "opened": self._opened(rows, seen, wordings, reading, one_eye=sets.one_eye),
            "set_told": sets.sentence_of(self.unit.pk),
            "one_eye": sets.one_eye,
            "sheets": self._sheets(),
            "points": [row for row in focus if row.point.state == ACTIVE],
            "over": [row for row in focus if row.point.state != ACTIVE],
            "goals": self._goals(standings, reading),
            "page": notes,
            "notes": self._note_rows(notes),
            "note_form": self.note or NoteForm(minors=self.minors),
            "may_ask": bool(self.viewer.can(Can.REQUEST_ANALYSIS)),
            "may_set": bool(self.viewer.can(Can.SET_FOCUS)),
        }

    def _areas(
        self, seen: dict[int, Seen], standings: dict[int, Standing], reading: Reading | None
    ) -> list[AreaRow]:
        areas = Area.objects.filter(club=self.club, for_pair=self.unit.kind == Unit.Kind.PAIR)
        asked = area_standards([self.unit])[self.unit.pk]
        # An area that is off this term stays where something was seen of it.
        rows = [
            row
            for area in areas
            for row in [AreaRow(area, counted(area, seen), standings.get(area.pk), asked.get(area.pk))]
            if area.on or row.standing
        ]
        unsaid = [row.area for row in rows if row.area.on and row.standing and not row.said]
        wanted = look_next(club=self.club, reading=reading, unit=self.unit.pk, areas=unsaid)
        return [replace(row, look_next=wanted.get(row.area.pk, [])) for row in rows]

    def _opened(
        self,
        rows: list[AreaRow],
        seen: dict[int, Seen],
        wordings: dict[int, CheckWording],
        reading: Reading | None,
        *,
        one_eye: bool,
    ) -> AreaOpened | None:
        """The one area that was asked for: a chart each would make the page heavy."""
        row = next((row for row in rows if row.area.code == self.area), None)
        if row is None:
            return None
        shown = trends(club=self.club, wanted=[(self.unit, row.area)], tenths=False)
        asked = tell_changes(shown, reading, asked=self.since, counts=True, area=row.area.code)
        add_what_is_behind(shown, reading, counts=True, one_eye=one_eye)
        return AreaOpened(
            row.area,
            shown[0],
            asked,
            self._differs(row, seen, reading),
            row.look_next,
            self._checks(row.area, seen, wordings),
        )

    def _differs(self, row: AreaRow, seen: dict[int, Seen], reading: Reading | None) -> Difference | None:
        if reading is None or row.counted is None or row.standing is None or not row.said:
            return None
        return difference(
            reading,
            self.unit.pk,
            row.area.pk,
            share=row.counted.met / row.counted.seen,
            score=row.standing.score.score,
            checks=[check.check for check in seen.values() if check.area == row.area.pk],
        )

    def _checks(self, area: Area, seen: dict[int, Seen], wordings: dict[int, CheckWording]) -> list[CheckRow]:
        mine = [row for row in seen.values() if row.area == area.pk and row.check in wordings]
        phases = dict(Check.objects.filter(area=area).values_list("pk", "phase"))
        mine.sort(key=lambda row: phases[row.check])
        shown = pictures(club=self.club, wanted=[(self.unit, row.check) for row in mine], each=MOMENTS)
        return [
            CheckRow(
                wordings[row.check].name,
                row,
                shown.get((self.unit.pk, row.check, "missed"), []),
                shown.get((self.unit.pk, row.check, "met"), []),
            )
            for row in mine
        ]

    def _sheets(self) -> list[SheetRow]:
        """What counts now, and what is being worked on as far as this coach may know of it."""
        mine = Analysis.objects.seen_by(self.viewer)
        covers = (
            Cover.objects.filter(unit=self.unit)
            .filter(
                Q(current=True, analysis__state=Analysis.State.PUBLISHED)
                | Q(analysis__state__in=Analysis.OPEN, analysis__in=mine)
            )
            .select_related("analysis__match", "analysis__analyst")
            .order_by("-match__played_on", "-analysis")[:SHEETS]
        )
        rows = list(covers)
        may_open = set(mine.filter(pk__in=[row.analysis_id for row in rows]).values_list("pk", flat=True))
        return [SheetRow(row.analysis, row.current, row.analysis_id in may_open) for row in rows]

    def _points(self) -> list[FocusPoint]:
        points = FocusPoint.objects.filter(unit=self.unit).select_related("check_identity__area", "set_by")
        active = list(points.filter(state=ACTIVE).order_by("rank", "pk"))
        return active + list(points.exclude(state=ACTIVE).order_by("-ended_on", "-pk")[:OVER])

    def _point_rows(
        self, points: Iterable[FocusPoint], seen: dict[int, Seen], wordings: dict[int, CheckWording]
    ) -> list[PointRow]:
        return [
            PointRow(
                point,
                wordings[point.check_identity_id].name
                if point.check_identity_id in wordings
                else point.check_identity.code,
                seen.get(point.check_identity_id),
            )
            for point in points
        ]

    def _goals(self, standings: dict[int, Standing], reading: Reading | None) -> list[GoalRow]:
        goals = list(
            Goal.objects.filter(unit=self.unit, closed_at__isnull=True).select_related("area", "set_by")
        )
        today = self.club.today()
        rows = [GoalRow(goal, standings.get(goal.area_id), goal.due_on < today) for goal in goals]
        # Nobody tells a child's chances, and of what was hardly seen there is none to tell.
        told = [row.goal for row in rows if not row.over and row.now and row.now.enough]
        found = chances(reading, told) if reading and not self.minors else {}
        return [
            replace(row, chance=chance_words(found[row.goal.pk])) if row.goal.pk in found else row
            for row in rows
        ]

    def _notes(self) -> Any:
        notes = Note.objects.standing().filter(unit=self.unit).select_related("by")
        return Paginator(notes, NOTES).get_page(self.page)

    def _note_rows(self, notes: Iterable[Note]) -> list[NoteRow]:
        reviews = bool(self.viewer.can(Can.REVIEW))
        return [NoteRow(note, may_withdraw(self.viewer.user, note, reviews=reviews)) for note in notes]

    def _others(self) -> list[Unit]:
        """A player's pairs; of a pair, each of the two alone."""
        units = Unit.objects.filter(club=self.club).select_related("first", "second")
        if self.unit.second_id:
            return list(units.filter(kind=Unit.Kind.PLAYER, first__in=self.unit.player_ids).order_by("first"))
        either = Q(first=self.unit.first_id) | Q(second=self.unit.first_id)
        return list(units.filter(either, kind=Unit.Kind.PAIR).order_by("pk"))


def counted(area: Area, seen: dict[int, Seen]) -> Counted | None:
    mine = [row for row in seen.values() if row.area == area.pk]
    if not mine:
        return None
    n, met = sum(row.seen for row in mine), sum(row.met for row in mine)
    low, high = wilson_bounds([met], [n])
    return Counted(n, met, float(low[0]), float(high[0]))


def standings_of(unit: Unit) -> dict[int, Standing]:
    """By area the unit's latest score, with on how many days something was seen of it; one query."""
    rows: dict[int, list[Score]] = {}
    for score in Score.objects.filter(unit=unit, series=Score.Series.NOW).order_by("day"):
        rows.setdefault(score.area_id, []).append(score)
    return {area: Standing(scores[-1], days_seen(scores)) for area, scores in rows.items()}


def players_of(unit: Unit) -> list[Player]:
    return [player for player in (unit.first, unit.second) if player is not None]


def minors_of(unit: Unit) -> list[Player]:
    return [player for player in players_of(unit) if player.is_minor()]


def units_here(club: Club) -> QuerySet[Unit]:
    return Unit.objects.filter(club=club).select_related(
        "club", "first__level", "first__club", "second__level", "second__club"
    )
