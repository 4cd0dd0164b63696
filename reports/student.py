"""Everything that a student's page shows, gathered in a number of queries that does not grow with the matches."""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from django.db.models import Max, Q

from clubcoach.access import Can, Viewer
from clubcoach.models import Club
from players.models import Area, CheckWording, Goal, Player, Unit, own_player_ids
from reports.evidence import Seen, evidence, newest_wordings
from reports.focus import points_of
from reports.forms import FocusForm, HomeworkForm, LogForm, RewordForm
from reports.homework import current_homework
from reports.models import FocusPoint, Homework, Score
from reports.news import TERM, attendance_words, news_of, notes_told
from reports.pictures import Picture, pictures
from reports.reading import read
from reports.sets import sets_of
from reports.trend import AskedSince, Trend, add_what_is_behind, tell_changes, trends
from sessions.models import Analysis
from sessions.services.lessons import attendance_of, next_lessons_of

CHARTS, PAIRS = 3, 3
# Praise wants evidence too: as often seen as the focus rule asks for.
PRAISE_SEEN, PRAISE_SHARE = 8, 0.6


@dataclass(frozen=True)
class PointShown:
    point: FocusPoint
    wording: CheckWording | None
    seen: Seen | None
    missed: list[Picture]
    met: list[Picture]
    reword: RewordForm | None


@dataclass(frozen=True)
class HomeworkShown:
    row: Homework
    form: LogForm | None

    @property
    def promise(self) -> bool:
        return bool(self.row.drill.place == self.row.drill.Place.IN_YOUR_MATCH)


@dataclass(frozen=True)
class Praise:
    wording: CheckWording
    seen: Seen


@dataclass
class Group:
    """What is about the player alone, or about one of the player's pairs."""

    unit: Unit
    partner: str = ""
    points: list[PointShown] = field(default_factory=list)
    trends: list[Trend] = field(default_factory=list)


class StudentPage:
    """One player's page for one viewer: coaches read counts, students and guardians tenths."""

    def __init__(
        self,
        viewer: Viewer,
        player: Player,
        *,
        now: datetime,
        since: str = "",
        log: LogForm | None = None,
        focus: FocusForm | None = None,
        reword: RewordForm | None = None,
        give: HomeworkForm | None = None,
    ) -> None:
        self.viewer, self.player, self.now, self.since = viewer, player, now, since
        self.club: Club = viewer.club
        self.today = self.club.today(now)
        self.minor = player.is_minor(self.today)
        self.counts = bool(viewer.can(Can.SEE_SCORES))
        self.may_set = bool(viewer.can(Can.SET_FOCUS))
        self.own = player.pk in own_player_ids(viewer)
        self.bound = {"log": log, "focus": focus, "reword": reword, "give": give}

    def context(self) -> dict[str, Any]:
        units = units_of(self.player)
        mine = next(unit for unit in units if unit.kind == Unit.Kind.PLAYER)
        told = _told(units)
        points = points_of(self.player)
        since = self.today - TERM
        shown = self._units_shown(mine, units, points)
        seen = evidence(club=self.club, units=shown)
        named = [point.check_identity_id for point in points]
        wordings = newest_wordings([*named, *(check for of_unit in seen.values() for check in of_unit)])
        groups = self._groups(shown, points, seen, wordings)
        one_eye = sets_of(self.club).one_eye
        asked = self._tell_trends([trend for group in groups for trend in group.trends], one_eye=one_eye)
        return {
            "player": self.player,
            "minor": self.minor,
            "counts": self.counts,
            "asked": asked,
            "one_eye": one_eye,
            "own": self.own,
            "may_set": self.may_set,
            "told": told,
            "last": told[0] if told else None,
            "lesson": next_lessons_of([self.player], self.now).get(self.player.pk),
            "attendance": attendance_words(
                self.club, attendance_of([self.player], since, self.today)[self.player.pk], since
            ),
            "news": news_of(self.club, units, told, points, minor=self.minor),
            "notes": notes_told([self.player])[self.player.pk],
            "words": next((row for row in told if row.words), None),
            "praise": self._praise(seen.get(mine.pk, {}), points, wordings),
            "alone": groups[0],
            "pairs": groups[1:],
            "homework": self._homework(),
            "goals": [] if self.minor else _goals(units),
            "focus_form": self._focus_form(units),
            "give_form": self._give_form(),
        }

    def _units_shown(self, mine: Unit, units: list[Unit], points: list[FocusPoint]) -> list[Unit]:
        """The player first, then pairs with something to work on, then those that were looked at last."""
        busy = {point.unit_id for point in points}
        pairs = [unit for unit in units if unit.pk != mine.pk]
        if self.minor:
            pairs = [unit for unit in pairs if unit.pk in busy]
        pairs.sort(key=lambda unit: (unit.pk not in busy, -_last_day(unit).toordinal(), unit.pk))
        return [mine, *pairs[:PAIRS]]

    def _groups(
        self,
        units: list[Unit],
        points: list[FocusPoint],
        seen: dict[int, dict[int, Seen]],
        wordings: dict[int, CheckWording],
    ) -> list[Group]:
        stills = pictures(
            club=self.club,
            wanted=[(point.unit, point.check_identity_id) for point in points],
        )
        groups = {unit.pk: Group(unit, self._partner(unit)) for unit in units}
        for point in points:
            if point.unit_id in groups:
                groups[point.unit_id].points.append(self._point(point, seen, wordings, stills))
        for trend in trends(
            club=self.club,
            wanted=self._charted(units, points),
            tenths=not self.counts,
            minor=self.minor and not self.counts,
        ):
            groups[trend.unit.pk].trends.append(trend)
        return list(groups.values())

    def _tell_trends(self, shown: list[Trend], *, one_eye: bool) -> AskedSince | None:
        """What changed, and what is behind; of a minor the family is told no change that chance has a part in."""
        reading = read(club=self.club, units={trend.unit.pk: trend.unit for trend in shown}.values())
        add_what_is_behind(shown, reading, counts=self.counts, one_eye=one_eye)
        if self.minor and not self.counts:
            return None
        return tell_changes(shown, reading, asked=self.since, counts=self.counts)

    def _partner(self, unit: Unit) -> str:
        if unit.second is None:
            return ""
        other = unit.second if unit.first_id == self.player.pk else unit.first
        return other.shown_name

    def _point(
        self,
        point: FocusPoint,
        seen: dict[int, dict[int, Seen]],
        wordings: dict[int, CheckWording],
        stills: dict[tuple[int, int, str], list[Picture]],
    ) -> PointShown:
        check = point.check_identity_id
        reword = None
        if self.may_set:
            bound = self.bound["reword"]
            same = bound is not None and bound.point.pk == point.pk
            reword = bound if same else RewordForm(point=point)
        return PointShown(
            point,
            wordings.get(check),
            seen[point.unit_id].get(check),
            stills.get((point.unit_id, check, "missed"), []),
            stills.get((point.unit_id, check, "met"), []),
            reword,
        )

    def _charted(self, units: list[Unit], points: list[FocusPoint]) -> list[tuple[Unit, Area]]:
        """The areas of the focus points; of a unit without any, those that were looked at most."""
        by_unit: dict[int, dict[int, Area]] = {unit.pk: {} for unit in units}
        for point in points:
            if point.unit_id in by_unit:
                area = point.check_identity.area
                by_unit[point.unit_id].setdefault(area.pk, area)
        bare = [unit for unit in units if not by_unit[unit.pk]]
        if bare:
            rows = (
                Score.objects.filter(unit__in=bare, series=Score.Series.NOW)
                .select_related("area")
                .order_by("-n", "area__position")
            )
            for row in rows:
                if len(by_unit[row.unit_id]) < (1 if self.minor else CHARTS):
                    by_unit[row.unit_id].setdefault(row.area_id, row.area)
        return [(unit, area) for unit in units for area in by_unit[unit.pk].values()]

    def _praise(
        self, seen: dict[int, Seen], points: Iterable[FocusPoint], wordings: dict[int, CheckWording]
    ) -> list[Praise]:
        """What goes well: surely at the level's standard, else what is done most often."""
        busy = {point.check_identity_id for point in points}
        able = [
            row
            for row in seen.values()
            if row.seen >= PRAISE_SEEN and row.check not in busy and row.check in wordings
        ]
        sure = [row for row in able if row.standard is not None and row.low >= row.standard]
        able = sure or [row for row in able if row.share >= PRAISE_SHARE]
        able.sort(key=lambda row: (-(row.low - (row.standard or 0.0)), row.check))
        return [Praise(wordings[row.check], row) for row in able[:2]]

    def _homework(self) -> list[HomeworkShown]:
        rows = current_homework(self.player, self.today)
        bound = self.bound["log"]
        shown = []
        for row in rows:
            form = None
            if self.own:
                same = bound is not None and bound.homework.pk == row.pk
                form = bound if same else LogForm(homework=row, today=self.today, uuid=uuid.uuid4())
            shown.append(HomeworkShown(row, form))
        return sorted(shown, key=lambda row: row.promise)

    def _focus_form(self, units: list[Unit]) -> FocusForm | None:
        return (self.bound["focus"] or FocusForm(units=units, club=self.club)) if self.may_set else None

    def _give_form(self) -> HomeworkForm | None:
        return (self.bound["give"] or HomeworkForm(player=self.player)) if self.may_set else None


def units_of(player: Player) -> list[Unit]:
    """The player, and the pairs in which the player was looked at."""
    rows = (
        Unit.objects.filter(Q(first=player) | Q(second=player))
        .select_related("first__club", "second__club")
        .annotate(last_day=Max("covers__match__played_on", filter=Q(covers__current=True)))
        .order_by("pk")
    )
    return [unit for unit in rows if unit.kind == Unit.Kind.PLAYER or unit.last_day]


def _last_day(unit: Any) -> date:
    return unit.last_day or date.min


def _told(units: list[Unit]) -> list[Analysis]:
    """The latest published analyses that count for the player or a pair, newest first."""
    return list(
        Analysis.objects.filter(covers__unit__in=units, covers__current=True, state=Analysis.State.PUBLISHED)
        .select_related("match", "published_by")
        .distinct()
        .order_by("-published_at", "-pk")[:5]
    )


def _goals(units: list[Unit]) -> list[Goal]:
    return list(
        Goal.objects.filter(unit__in=units, closed_at__isnull=True).select_related(
            "area", "unit__first", "unit__second"
        )
    )
