"""What follows from published analyses: scores, focus points, drills to do and what was done."""

import uuid
from typing import ClassVar

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from clubcoach.models import Club, User
from clubcoach.retention import Keep, kept_as
from players.models import Area, Check, Drill, Player, Unit
from sessions.models import Analysis


class SharedFit(models.Model):
    """What a club's units have in common, as the last full fit found it: checks, analysts, balls, drift."""

    club = models.ForeignKey(Club, on_delete=models.CASCADE, related_name="shared_fits")
    made_at = models.DateTimeField(default=timezone.now)
    shared = models.JSONField()
    highest_tally = models.BigIntegerField(default=0)

    kept: ClassVar[dict[str, Keep]] = kept_as(club="id club made_at shared highest_tally")

    class Meta:
        ordering = ["-pk"]

    def __str__(self) -> str:
        return f"{self.club_id} {self.made_at}"


class Score(models.Model):
    class Series(models.TextChoices):
        NOW = "now", _("as seen now")
        THEN = "then", _("as told then")

    club = models.ForeignKey(Club, on_delete=models.CASCADE, related_name="scores")
    unit = models.ForeignKey(Unit, on_delete=models.CASCADE, related_name="scores")
    area = models.ForeignKey(Area, on_delete=models.CASCADE, related_name="+")
    series = models.CharField(max_length=4, choices=Series.choices)
    day = models.DateField()
    score = models.FloatField()
    low = models.FloatField()
    high = models.FloatField()
    # Checks seen up to that day.
    n = models.PositiveIntegerField()
    # Posterior probability of being better than on the first day; empty on the first day itself.
    better_than_first = models.FloatField(null=True, blank=True)
    fit = models.ForeignKey(SharedFit, on_delete=models.CASCADE, related_name="scores")

    kept: ClassVar[dict[str, Keep]] = kept_as(
        person="id club unit area series day score low high n better_than_first fit"
    )

    class Meta:
        ordering = ["day"]
        constraints = [
            models.UniqueConstraint(fields=["unit", "area", "series", "day"], name="score_once"),
            models.CheckConstraint(
                condition=Q(score__gte=0, score__lte=100) & Q(low__lte=models.F("high")),
                name="score_in_range",
            ),
        ]
        indexes = [models.Index(fields=["club", "series", "area"])]

    def __str__(self) -> str:
        return f"{self.unit_id} {self.area_id} {self.day} {self.score:.0f}"


class FocusPoint(models.Model):
    """Something to work on. The proposal with its evidence stays readable beside what the coach made of it."""

    class State(models.TextChoices):
        PROPOSED = "proposed", _("proposed")
        ACTIVE = "active", _("being worked on")
        ENDED = "ended", _("ended")
        DROPPED = "dropped", _("dropped by the coach")

    unit = models.ForeignKey(Unit, on_delete=models.CASCADE, related_name="focus_points")
    check_identity = models.ForeignKey(Check, on_delete=models.PROTECT, related_name="+")
    state = models.CharField(max_length=10, choices=State.choices, default=State.ACTIVE)
    rank = models.PositiveSmallIntegerField(default=1)
    words = models.CharField(_("in the coach's words"), max_length=300, blank=True)
    cue = models.CharField(_("cue"), max_length=160, blank=True)
    by_rule = models.BooleanField(default=True)
    # Evidence when it was proposed: counted situations, met, the level's standard and the interval.
    seen = models.PositiveIntegerField()
    met = models.PositiveIntegerField()
    low = models.FloatField()
    high = models.FloatField()
    standard = models.FloatField()
    analysis = models.ForeignKey(Analysis, null=True, on_delete=models.SET_NULL, related_name="focus_points")
    set_by = models.ForeignKey(User, null=True, blank=True, on_delete=models.SET_NULL, related_name="+")
    started_on = models.DateField()
    ended_on = models.DateField(null=True, blank=True)

    kept: ClassVar[dict[str, Keep]] = kept_as(
        person="id unit check_identity state rank words cue by_rule seen met low high standard analysis"
        " set_by started_on ended_on"
    )

    class Meta:
        ordering = ["rank", "pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["unit", "check_identity"], condition=Q(state="active"), name="focus_active_once"
            ),
            models.CheckConstraint(condition=Q(met__lte=models.F("seen")), name="focus_met_of_seen"),
        ]

    def __str__(self) -> str:
        return f"{self.unit_id} {self.check_identity_id} {self.state}"


class Homework(models.Model):
    """A drill that a player was given for a focus point."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    player = models.ForeignKey(Player, on_delete=models.CASCADE, related_name="homework")
    drill = models.ForeignKey(Drill, on_delete=models.PROTECT, related_name="+")
    focus = models.ForeignKey(
        FocusPoint, null=True, blank=True, on_delete=models.SET_NULL, related_name="homework"
    )
    week_of = models.DateField(_("week of"))
    times = models.PositiveSmallIntegerField(_("times a week"), default=3)
    given_by = models.ForeignKey(User, null=True, blank=True, on_delete=models.SET_NULL, related_name="+")
    given_at = models.DateTimeField(default=timezone.now)
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    kept: ClassVar[dict[str, Keep]] = kept_as(
        person="id uuid player drill focus week_of times given_by given_at withdrawn_at"
    )

    class Meta:
        ordering = ["week_of", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["player", "drill", "week_of"], name="homework_once_a_week")
        ]

    def __str__(self) -> str:
        return f"{self.player_id} {self.drill_id} {self.week_of}"


class HomeworkLog(models.Model):
    class Felt(models.TextChoices):
        EASY = "easy", _("easy")
        RIGHT = "right", _("about right")
        HARD = "hard", _("hard")

    homework = models.ForeignKey(Homework, on_delete=models.CASCADE, related_name="logs")
    # Sent by the device, so that a form sent twice is one entry.
    uuid = models.UUIDField(default=uuid.uuid4, unique=True)
    done_on = models.DateField()
    good = models.PositiveSmallIntegerField(_("how many went well"), validators=[MaxValueValidator(100)])
    tried = models.PositiveSmallIntegerField(
        _("of how many"), validators=[MinValueValidator(1), MaxValueValidator(100)]
    )
    felt = models.CharField(_("it felt"), max_length=6, choices=Felt.choices, blank=True)
    logged_by = models.ForeignKey(User, null=True, on_delete=models.SET_NULL, related_name="+")
    logged_at = models.DateTimeField(default=timezone.now)

    kept: ClassVar[dict[str, Keep]] = kept_as(
        person="id homework uuid done_on good tried felt logged_by logged_at"
    )

    class Meta:
        ordering = ["-done_on", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(good__lte=models.F("tried")) & Q(tried__gte=1),
                name="log_good_of_tried",
                violation_error_message=_("More went well than were tried."),
            )
        ]

    def __str__(self) -> str:
        return f"{self.homework_id} {self.done_on}"
