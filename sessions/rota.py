"""What other pages ask about lessons: whose next one is when, who came, and what a day's lessons are."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime, time, timedelta
from typing import NamedTuple

from django.db.models import Count, OuterRef, Subquery

from clubcoach.models import Club, User
from players.models import Player
from sessions.models import Attendance, Lesson, LessonQuerySet

COUNTED = (Lesson.State.PLANNED, Lesson.State.HELD)


class Turnout(NamedTuple):
    """A player's lessons in a span of days; ``expected`` are those of which nobody has noted anything yet."""

    came: int = 0
    excused: int = 0
    missed: int = 0
    expected: int = 0

    @property
    def noted(self) -> int:
        return self.came + self.excused + self.missed


def next_lessons_of(players: Iterable[Player], now: datetime) -> dict[int, Lesson]:
    """By player, the first lesson still to begin for which they are expected; two queries, who has none is left out."""
    planned = Attendance.objects.filter(
        player=OuterRef("pk"), lesson__state=Lesson.State.PLANNED, lesson__starts_at__gt=now
    ).order_by("lesson__starts_at", "lesson")
    of_player = dict(
        Player.objects.filter(pk__in=[player.pk for player in players])
        .order_by()
        .annotate(next_lesson=Subquery(planned.values("lesson")[:1]))
        .filter(next_lesson__isnull=False)
        .values_list("pk", "next_lesson")
    )
    lessons = Lesson.objects.select_related("squad", "coach", "club").in_bulk(set(of_player.values()))
    return {player: lessons[lesson] for player, lesson in of_player.items()}


def attendance_of(players: Iterable[Player], since: date, until: date) -> dict[int, Turnout]:
    """By player, what was noted of the lessons of these days (both included, on the club's calendar).

    Every player is a key; all are of one club. One query, and one for the club where it was not fetched along.
    """
    rows = list(players)
    if not rows:
        return {}
    begins, _end = span_of(rows[0].club, since)
    _begin, ends = span_of(rows[0].club, until)
    counts: dict[int, dict[str, int]] = {player.pk: {} for player in rows}
    found = (
        Attendance.objects.filter(player__in=list(counts), lesson__state__in=COUNTED)
        .filter(lesson__starts_at__gte=begins, lesson__starts_at__lt=ends)
        .order_by()
        .values_list("player", "state")
        .annotate(n=Count("pk"))
    )
    for player, state, n in found:
        counts[player][state] = n
    return {player: Turnout(**states) for player, states in counts.items()}


def lessons_of_day(club: Club, day: date, coach: User | None = None) -> LessonQuerySet:
    """The lessons of a day of the club's calendar, the first one first, called-off ones too; one query."""
    begins, ends = span_of(club, day)
    lessons = Lesson.objects.filter(club=club, starts_at__gte=begins, starts_at__lt=ends).with_page_parts()
    return lessons if coach is None else lessons.filter(coach=coach)


def span_of(club: Club, day: date) -> tuple[datetime, datetime]:
    """Where a day of the club begins and ends; it has 23 or 25 hours when the clock is changed."""
    return (
        datetime.combine(day, time.min, tzinfo=club.zone),
        datetime.combine(day + timedelta(days=1), time.min, tzinfo=club.zone),
    )
