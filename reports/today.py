"""A coach's day: whom to meet, what to analyse, what waits, and who must not be forgotten."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from django.db.models import (
    Case,
    Count,
    DateField,
    F,
    Max,
    OuterRef,
    Prefetch,
    Q,
    Subquery,
    Sum,
    When,
)
from django.utils import timezone
from django.utils.translation import ngettext

from clubcoach.access import Can, Viewer
from clubcoach.models import Club
from players.models import CheckWording, Player
from reports.evidence import newest_wordings
from reports.first_steps import Step, open_steps
from reports.focus import ACTIVE
from reports.models import FocusPoint, Homework, HomeworkLog
from reports.roster import FEW, Few, consents_ending, few, unguarded, unseen
from sessions.models import Analysis, Attendance, Lesson, Tally
from sessions.services.lessons import lessons_of_day, span_of
from sessions.views.desk import LATE, REVIEW, UNASSIGNED, in_parts

URGENT, LOGGED = 3, 12
# Common practice: about four weeks of lessons until a short new look can show anything.
LOOK_AGAIN, WEEK = timedelta(days=28), timedelta(days=7)


@dataclass(frozen=True)
class Desk:
    """What waits for the head coach: how many of each, in words, and the most urgent by name."""

    said: list[str]
    urgent: list[Analysis]


@dataclass(frozen=True)
class Running:
    """A focus point and the day since which nobody has looked whether it got better."""

    point: FocusPoint
    wording: CheckWording | None
    since: date


@dataclass(frozen=True)
class Done:
    """What was logged of one drill in the last week."""

    homework: Homework
    times: int
    good: int
    tried: int
    last: date


class Today:
    """One coach's first page, in a number of queries that grows with nobody."""

    def __init__(self, viewer: Viewer, *, now: datetime | None = None) -> None:
        self.viewer, self.now = viewer, now or timezone.now()
        self.club: Club = viewer.club
        self.today = self.club.today(self.now)
        self.reviews = bool(viewer.can(Can.REVIEW))

    def context(self) -> dict[str, Any]:
        own = {
            "today": self.today,
            "reviews": self.reviews,
            "lessons": self._lessons(),
            "elsewhere": self._elsewhere(),
            "unnoted": self._unnoted(),
            "own": self._own(),
            "unseen": few(unseen(self.club, self.today)),
            "running": self._running(),
            "homework": self._homework(),
        }
        return own | (self._head() if self.reviews else {})

    def _head(self) -> dict[str, Any]:
        """What only the head coach looks after."""
        ending = consents_ending(self.club, self.today)
        steps: list[Step] = open_steps(self.club, self.viewer, now=self.now)
        return {
            "desk": self._desk(),
            "unguarded": few(unguarded(self.club, self.today)),
            "ending": Few(ending[:FEW], len(ending)),
            "steps": steps,
            "next_step": next((step for step in steps if step.url and not step.done), None),
        }

    def _lessons(self) -> list[Lesson]:
        """The head coach answers for the whole day, an assistant for lessons of their own."""
        coach = None if self.reviews else self.viewer.user
        expected = Attendance.objects.select_related("player__club")
        return list(
            lessons_of_day(self.club, self.today, coach).prefetch_related(Prefetch("attendances", expected))
        )

    def _elsewhere(self) -> int:
        """Lessons of colleagues today."""
        if self.reviews:
            return 0
        return lessons_of_day(self.club, self.today).exclude(coach=self.viewer.user).order_by().count()

    def _unnoted(self) -> Few:
        """Lessons of the last days that are over, of which nobody has written down who came."""
        begins, _end = span_of(self.club, self.today)
        lessons = Lesson.objects.filter(
            club=self.club,
            state=Lesson.State.PLANNED,
            starts_at__gte=begins - WEEK,
            starts_at__lt=begins,
        )
        if not self.reviews:
            lessons = lessons.filter(coach=self.viewer.user)
        return few(lessons.select_related("squad", "coach").order_by("-starts_at", "pk"))

    def _own(self) -> Few:
        mine = Analysis.objects.filter(
            match__club=self.club, analyst__user=self.viewer.user, state__in=Analysis.WRITABLE
        ).order_by(F("due_on").asc(nulls_last=True), "pk")
        found = few(mine.with_page_parts())
        return Few([(row, row.late(self.today)) for row in found.rows], found.total)

    def _desk(self) -> Desk:
        waiting = in_parts(Analysis.objects.seen_by(self.viewer), self.today)
        counts = Counter(dict(waiting.order_by().values_list("part").annotate(Count("pk"))))
        urgent = waiting.filter(part__in=(LATE, REVIEW, UNASSIGNED)).with_page_parts()[:URGENT]
        said = [
            (LATE, ngettext("%(n)d late", "%(n)d late", counts[LATE])),
            (
                REVIEW,
                ngettext("%(n)d waiting for your review", "%(n)d waiting for your review", counts[REVIEW]),
            ),
            (
                UNASSIGNED,
                ngettext("%(n)d not given to anybody", "%(n)d not given to anybody", counts[UNASSIGNED]),
            ),
        ]
        return Desk([words % {"n": counts[part]} for part, words in said if counts[part]], list(urgent))

    def _running(self) -> list[Running]:
        """Focus points that ran longest without a new look at them."""
        looks = Tally.objects.current().filter(
            unit=OuterRef("unit"), check_identity=OuterRef("check_identity")
        )
        last = Subquery(looks.order_by("-day").values("day")[:1], output_field=DateField())
        points = list(
            FocusPoint.objects.filter(unit__club=self.club, state=ACTIVE)
            .filter(Q(unit__first__active=True) & (Q(unit__second=None) | Q(unit__second__active=True)))
            .annotate(last=last)
            .annotate(since=Case(When(last__gt=F("started_on"), then=F("last")), default=F("started_on")))
            .filter(since__lte=self.today - LOOK_AGAIN)
            .select_related("unit__first__club", "unit__second__club", "check_identity__area")
            .order_by("since", "pk")[:FEW]
        )
        wordings = newest_wordings(point.check_identity_id for point in points)
        return [Running(point, wordings.get(point.check_identity_id), point.since) for point in points]

    def _homework(self) -> Few:
        """What players of one's squads logged in the last week; for the head coach of everybody."""
        logs = HomeworkLog.objects.filter(
            homework__player__club=self.club, done_on__gt=self.today - WEEK, done_on__lte=self.today
        )
        if not self.reviews:
            mine = Player.objects.filter(squads__coach=self.viewer.user, squads__retired_on=None)
            logs = logs.filter(homework__player__in=mine.order_by().values("pk"))
        found = few(
            logs.order_by()
            .values("homework")
            .annotate(times=Count("pk"), done=Sum("good"), asked=Sum("tried"), last=Max("done_on"))
            .order_by("-last", "-homework"),
            LOGGED,
        )
        given = Homework.objects.select_related("player__club", "drill").in_bulk(
            [row["homework"] for row in found.rows]
        )
        rows = [
            Done(given[row["homework"]], row["times"], row["done"], row["asked"], row["last"])
            for row in found.rows
        ]
        return Few(rows, found.total)
