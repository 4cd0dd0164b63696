"""What a club manager reads: where the roster stands, who comes, how many hours, and which papers are missing.

No film and no single match is behind any of it.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

from django.db.models import Count, Q

from clubcoach.models import Club
from players.consent import consent_states
from players.models import Area, Level, Player
from reports.homework import monday_of
from reports.roster import RosterRow, everybody, few, overview, standings, unguarded, unseen
from reports.sets import sets_of
from sessions.models import Attendance, Lesson
from sessions.services.lessons import span_of

BACK, AHEAD, UNSEEN = 4, 3, 10
WEEK = timedelta(days=7)


@dataclass
class Gap:
    """Of the players of one level with enough seen in one area, how many are below what it expects."""

    known: int = 0
    below: int = 0
    clearly: int = 0


@dataclass(frozen=True)
class GapRow:
    area: Area
    cells: list[Gap]


@dataclass(frozen=True)
class LevelCount:
    level: Level | None
    players: int


@dataclass
class SquadRow:
    """A squad's lessons held in the last weeks, and how many of those expected came."""

    name: str
    lessons: int = 0
    came: int = 0
    expected: int = 0


@dataclass
class WeekRow:
    """Hours of lessons in a week; one that is over and of which nothing was noted still counts as planned."""

    monday: date
    now: bool = False
    held: float = 0.0
    planned: float = 0.0


@dataclass
class Hours:
    weeks: list[WeekRow] = field(default_factory=list)

    @property
    def held(self) -> float:
        return sum(week.held for week in self.weeks)

    @property
    def planned(self) -> float:
        return sum(week.planned for week in self.weeks)


class Programme:
    """The manager's home; the same number of queries for three players and for five hundred."""

    def __init__(self, club: Club, *, now: datetime) -> None:
        self.club, self.today = club, club.today(now)
        self.rows = standings(club, everybody(club))
        self.levels = list(Level.objects.filter(club=club))
        self.sets = sets_of(club)
        for row in self.rows:
            row.set_mark = self.sets.mark(row.unit)

    def context(self) -> dict[str, Any]:
        players = [row.player for row in self.rows]
        return {
            "overview": overview(self.rows, today=self.today),
            "set_told": self.sets.sentence(),
            "levels": self._counts(),
            "ranks": self.levels,
            "gaps": gap_table(self.rows, self.levels, self._areas()),
            "squads": attendance_by_squad(self.club, self.today),
            "hours": hours_by_week(self.club, self.today),
            "unseen": few(unseen(self.club, self.today), UNSEEN),
            "unguarded": unguarded(self.club, self.today).order_by().count(),
            "without_consent": self._without_consent(players),
        }

    def _areas(self) -> list[Area]:
        """What is looked at player by player; a pair has no level."""
        return list(Area.objects.filter(club=self.club, on=True, for_pair=False))

    def _counts(self) -> list[LevelCount]:
        counts = Counter(row.player.level_id for row in self.rows)
        found = [LevelCount(level, counts[level.pk]) for level in self.levels]
        return [*found, LevelCount(None, counts[None])] if counts[None] else found

    def _without_consent(self, players: list[Player]) -> int:
        states = consent_states(players, self.club, self.today)
        return sum(not state.complete for state in states.values())


def gap_table(rows: Iterable[RosterRow], levels: list[Level], areas: list[Area]) -> list[GapRow]:
    cells: dict[tuple[int, int | None], Gap] = defaultdict(Gap)
    for row in rows:
        for group in ("reached", "a_little_below", "clearly_below"):
            for area in getattr(row, group):
                cell = cells[area.pk, row.player.level_id]
                cell.known += 1
                cell.below += group != "reached"
                cell.clearly += group == "clearly_below"
    return [GapRow(area, [cells[area.pk, level.pk] for level in levels]) for area in areas]


def attendance_by_squad(club: Club, today: date) -> list[SquadRow]:
    """Lessons held in the last four weeks, squads by name; two queries."""
    _begin, ends = span_of(club, today)
    begins, _end = span_of(club, today - BACK * WEEK + timedelta(days=1))
    held = Lesson.objects.filter(
        club=club, state=Lesson.State.HELD, starts_at__gte=begins, starts_at__lt=ends
    )
    found: dict[int | None, SquadRow] = {}
    lessons = held.order_by("squad__name").values_list("squad", "squad__name").annotate(n=Count("pk"))
    for squad, name, n in lessons:
        found[squad] = SquadRow(name or "", lessons=n)
    noted = (
        Attendance.objects.filter(lesson__in=held.order_by().values("pk"))
        .order_by()
        .values_list("lesson__squad")
        .annotate(came=Count("pk", filter=Q(state=Attendance.State.CAME)), n=Count("pk"))
    )
    for squad, came, n in noted:
        found[squad].came, found[squad].expected = came, n
    return list(found.values())


def hours_by_week(club: Club, today: date) -> Hours:
    """The last four weeks, this one and three to come, on the club's calendar; one query."""
    this = monday_of(today)
    weeks = {
        monday: WeekRow(monday, now=monday == this)
        for monday in (this + number * WEEK for number in range(-BACK, AHEAD + 1))
    }
    begins, _end = span_of(club, min(weeks))
    ends, _end = span_of(club, max(weeks) + WEEK)
    lessons = Lesson.objects.filter(club=club, starts_at__gte=begins, starts_at__lt=ends)
    for starts, minutes, state in lessons.order_by().values_list("starts_at", "minutes", "state"):
        week = weeks[monday_of(club.day_of(starts))]
        if state == Lesson.State.HELD:
            week.held += minutes / 60
        elif state == Lesson.State.PLANNED:
            week.planned += minutes / 60
    return Hours(list(weeks.values()))
