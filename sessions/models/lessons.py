"""Lessons as they are planned and held, and who came."""

import uuid
from datetime import datetime, timedelta
from typing import ClassVar

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q
from django.db.models.functions import Coalesce
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from clubcoach.access import Can, Viewer
from clubcoach.models import Club, User
from clubcoach.retention import Keep, kept_as
from players.models import Player, Squad


class LessonQuerySet(models.QuerySet["Lesson"]):
    def seen_by(self, viewer: Viewer) -> "LessonQuerySet":
        if viewer.can(Can.SEE_LESSONS):
            return self.filter(club=viewer.club)
        return self.none()

    def with_page_parts(self) -> "LessonQuerySet":
        """With squad and coach, and how many are expected in all and how many of them are noted to have come."""
        here = Attendance.objects.filter(lesson=models.OuterRef("pk")).order_by().values("lesson")

        def how_many(rows: models.QuerySet["Attendance"]) -> Coalesce:
            return Coalesce(models.Subquery(rows.annotate(n=models.Count("pk")).values("n")), 0)

        return self.select_related("squad", "coach", "club").annotate(
            listed=how_many(here), came=how_many(here.filter(state=Attendance.State.CAME))
        )

    def coming_first(self, since: datetime) -> "LessonQuerySet":
        """From ``since`` on in the order of the calendar, then what is over, the latest first."""
        over = models.Case(models.When(starts_at__lt=since, then=1), default=0)
        moment = models.F("starts_at")
        return self.annotate(over=over).order_by(
            "over",
            models.Case(models.When(over=0, then=moment)),
            models.Case(models.When(over=1, then=moment)).desc(),
            "pk",
        )


class Lesson(models.Model):
    class State(models.TextChoices):
        PLANNED = "planned", _("planned")
        HELD = "held", _("held")
        CANCELLED = "cancelled", _("called off")

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    club = models.ForeignKey(Club, on_delete=models.CASCADE, related_name="lessons")
    squad = models.ForeignKey(Squad, null=True, on_delete=models.PROTECT, related_name="lessons")
    coach = models.ForeignKey(User, null=True, on_delete=models.SET_NULL, related_name="lessons")
    starts_at = models.DateTimeField(_("begins"))
    minutes = models.PositiveSmallIntegerField(
        _("minutes"), default=60, validators=[MinValueValidator(15), MaxValueValidator(240)]
    )
    court = models.CharField(_("court"), max_length=40, blank=True)
    plan = models.TextField(_("plan"), max_length=2000, blank=True)
    state = models.CharField(_("state"), max_length=10, choices=State.choices, default=State.PLANNED)
    reason = models.CharField(_("why it was called off"), max_length=200, blank=True)

    kept: ClassVar[dict[str, Keep]] = kept_as(
        season="id uuid club squad coach starts_at minutes court plan state reason"
    )
    objects = LessonQuerySet.as_manager()

    class Meta:
        ordering = ["starts_at", "pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["squad", "starts_at"],
                # One that was called off stays on record beside the one that took its time.
                condition=~Q(state="cancelled"),
                name="lesson_once_at_a_time",
                violation_error_message=_("This squad has a lesson at that time already."),
            ),
            models.CheckConstraint(condition=Q(minutes__gte=15, minutes__lte=240), name="lesson_length"),
        ]
        indexes = [models.Index(fields=["club", "starts_at"])]

    def __str__(self) -> str:
        return f"{self.squad_id} {self.starts_at}"

    @property
    def ends_at(self) -> datetime:
        return self.starts_at + timedelta(minutes=self.minutes)


class Attendance(models.Model):
    """One player at one lesson; who is expected is written down with it, so that a later move changes no history."""

    class State(models.TextChoices):
        EXPECTED = "expected", _("expected")
        CAME = "came", _("came")
        EXCUSED = "excused", _("said no in time")
        MISSED = "missed", _("did not come")

    lesson = models.ForeignKey(Lesson, on_delete=models.CASCADE, related_name="attendances")
    player = models.ForeignKey(Player, on_delete=models.CASCADE, related_name="attendances")
    state = models.CharField(max_length=10, choices=State.choices, default=State.EXPECTED)
    noted_by = models.ForeignKey(User, null=True, on_delete=models.SET_NULL, related_name="+")
    noted_at = models.DateTimeField(default=timezone.now)

    kept: ClassVar[dict[str, Keep]] = kept_as(season="id lesson player state noted_by noted_at")

    class Meta:
        ordering = ["player__family_name", "player__given_name", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["lesson", "player"], name="attendance_once"),
            models.CheckConstraint(
                condition=Q(state__in=["expected", "came", "excused", "missed"]),
                name="attendance_state_known",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.player_id} {self.state}"
