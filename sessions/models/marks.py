"""What an analyst saw: situations with marks, the operations that wrote them, and the tallies that scoring reads."""

import uuid
from typing import ClassVar

from django.db import models
from django.db.models import Exists, F, OuterRef, Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from clubcoach.models import User
from clubcoach.retention import Keep, kept_as
from players.models import Area, Check, Unit
from sessions.models.analyses import Analysis, Analyst
from sessions.models.matches import Rally


class Closure(models.Model):
    """The analyst is done with an area in a rally: a rally counts for the area only then."""

    analysis = models.ForeignKey(Analysis, on_delete=models.CASCADE, related_name="closures")
    rally = models.ForeignKey(Rally, on_delete=models.CASCADE, related_name="closures")
    area = models.ForeignKey(Area, on_delete=models.PROTECT, related_name="+")
    situations = models.PositiveSmallIntegerField(default=0)
    rev = models.PositiveIntegerField(default=1)

    kept: ClassVar[dict[str, Keep]] = kept_as(match="id analysis rally area situations rev")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["analysis", "rally", "area"], name="closure_once")]

    def __str__(self) -> str:
        return f"{self.rally_id} {self.area_id}"


class SituationQuerySet(models.QuerySet["Situation"]):
    def kept_in(self, analysis: Analysis) -> "SituationQuerySet":
        return self.filter(analysis=analysis, dropped=False)

    def counted(self) -> "SituationQuerySet":
        """The only place that says what counts: found by the rule, drawn, codable, in a closed rally and area."""
        closed = Closure.objects.filter(
            analysis=OuterRef("analysis"), rally=OuterRef("rally"), area=OuterRef("area")
        )
        return (
            self.filter(dropped=False, shown_only=False, not_codable="", rally__dropped=False)
            .filter(Q(analysis__plan=Analysis.Plan.ALL) | Q(analysis__plan=Analysis.Plan.DRAWN, drawn=True))
            .filter(Exists(closed))
        )

    def shown(self) -> "SituationQuerySet":
        return self.filter(dropped=False).filter(Q(shown_only=True) | Q(analysis__plan=Analysis.Plan.CHOSEN))


class Situation(models.Model):
    class Ball(models.TextChoices):
        EASY = "easy", _("easy")
        NORMAL = "normal", _("normal")
        HARD = "hard", _("hard")

    class Outcome(models.TextChoices):
        IN_PLAY = "in_play", _("play went on")
        POINT_WON = "point_won", _("point won")
        POINT_LOST = "point_lost", _("point lost")

    class End(models.TextChoices):
        NEAR = "near", _("near end")
        FAR = "far", _("far end")

    uuid = models.UUIDField()
    analysis = models.ForeignKey(Analysis, on_delete=models.CASCADE, related_name="situations")
    rally = models.ForeignKey(Rally, on_delete=models.CASCADE, related_name="situations")
    unit = models.ForeignKey(Unit, on_delete=models.CASCADE, related_name="situations")
    area = models.ForeignKey(Area, on_delete=models.PROTECT, related_name="situations")
    hit_s = models.FloatField()
    # False: a sheet without times. Then hit_s only keeps the order.
    timed = models.BooleanField(default=True)
    # Its number in its rally, where the sheets that were brought in give one.
    number = models.PositiveIntegerField(null=True, blank=True)
    end = models.CharField(max_length=4, choices=End.choices)
    trigger = models.CharField(max_length=20, blank=True)
    ball = models.CharField(max_length=6, choices=Ball.choices, default=Ball.NORMAL)
    outcome = models.CharField(max_length=10, choices=Outcome.choices, blank=True)
    choice = models.CharField(max_length=20, blank=True)
    drawn = models.BooleanField(default=False)
    shown_only = models.BooleanField(default=False)
    not_codable = models.CharField(max_length=40, blank=True)
    note = models.CharField(max_length=200, blank=True)
    dropped = models.BooleanField(default=False)
    rev = models.PositiveIntegerField(default=1)

    kept: ClassVar[dict[str, Keep]] = kept_as(
        match="id uuid analysis rally unit area hit_s timed number end trigger ball outcome choice drawn shown_only"
        " not_codable note dropped rev"
    )
    objects = SituationQuerySet.as_manager()

    class Meta:
        ordering = ["hit_s", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["analysis", "uuid"], name="situation_uuid_once"),
            models.CheckConstraint(
                condition=Q(ball__in=["easy", "normal", "hard"]), name="situation_ball_known"
            ),
            models.CheckConstraint(condition=Q(end__in=["near", "far"]), name="situation_end_known"),
            models.CheckConstraint(
                condition=~Q(drawn=True, shown_only=True),
                name="situation_drawn_or_shown",
                violation_error_message=_("A situation is either drawn or picked by hand to be shown."),
            ),
        ]
        indexes = [models.Index(fields=["unit", "area"])]

    def __str__(self) -> str:
        return f"{self.analysis_id} {self.hit_s:.1f}"


class Mark(models.Model):
    class Value(models.TextChoices):
        MET = "met", _("met")
        MISSED = "missed", _("missed")
        NOT_SEEN = "not_seen", _("not seen")

    situation = models.ForeignKey(Situation, on_delete=models.CASCADE, related_name="marks")
    check_identity = models.ForeignKey(Check, on_delete=models.PROTECT, related_name="marks")
    value = models.CharField(max_length=8, choices=Value.choices)
    rev = models.PositiveIntegerField(default=1)
    marked_at = models.DateTimeField(default=timezone.now)

    kept: ClassVar[dict[str, Keep]] = kept_as(match="id situation check_identity value rev marked_at")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["situation", "check_identity"], name="mark_once"),
            models.CheckConstraint(condition=Q(value__in=["met", "missed", "not_seen"]), name="mark_known"),
        ]

    def __str__(self) -> str:
        return f"{self.situation_id} {self.check_identity_id} {self.value}"


class Op(models.Model):
    """One operation as a device sent it, with what it led to: a repeat gets the same answer."""

    uuid = models.UUIDField(default=uuid.uuid4)
    analysis = models.ForeignKey(Analysis, on_delete=models.CASCADE, related_name="ops")
    device = models.UUIDField()
    seq = models.PositiveIntegerField()
    by = models.ForeignKey(User, null=True, on_delete=models.SET_NULL, related_name="+")
    kind = models.CharField(max_length=24)
    target = models.CharField(max_length=120)
    base_rev = models.PositiveIntegerField(null=True, blank=True)
    body = models.JSONField(default=dict)
    # What undoing it restores; empty when it changed nothing.
    before = models.JSONField(null=True, blank=True)
    result = models.JSONField(default=dict)
    applied_at = models.DateTimeField(default=timezone.now)

    kept: ClassVar[dict[str, Keep]] = kept_as(
        match="id uuid analysis device seq by kind target base_rev body before result applied_at"
    )

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["analysis", "uuid"], name="op_once"),
            models.UniqueConstraint(fields=["analysis", "device", "seq"], name="op_seq_once"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.seq}"


class TallyQuerySet(models.QuerySet["Tally"]):
    def current(self) -> "TallyQuerySet":
        """The tallies of current versions: what scoring reads."""
        from sessions.models.analyses import Cover

        current = Cover.objects.filter(analysis=OuterRef("analysis"), unit=OuterRef("unit"), current=True)
        return self.filter(Exists(current))


class Tally(models.Model):
    """How often a check was seen and met: written once when a version is published, never updated.

    Two things delete tallies: erasure of a player and removal of a match.
    """

    analysis = models.ForeignKey(Analysis, on_delete=models.CASCADE, related_name="tallies")
    unit = models.ForeignKey(Unit, on_delete=models.CASCADE, related_name="tallies")
    day = models.DateField()
    check_identity = models.ForeignKey(Check, on_delete=models.PROTECT, related_name="tallies")
    analyst = models.ForeignKey(Analyst, on_delete=models.PROTECT, related_name="tallies")
    ball = models.CharField(max_length=6, choices=Situation.Ball.choices)
    seen = models.PositiveIntegerField()
    met = models.PositiveIntegerField()

    kept: ClassVar[dict[str, Keep]] = kept_as(
        match="id analysis unit day check_identity analyst ball seen met"
    )
    objects = TallyQuerySet.as_manager()

    class Meta:
        verbose_name_plural = "tallies"
        constraints = [
            models.UniqueConstraint(
                fields=["analysis", "unit", "check_identity", "analyst", "ball"], name="tally_once"
            ),
            models.CheckConstraint(
                condition=Q(met__lte=F("seen")) & Q(seen__gte=1), name="tally_met_of_seen"
            ),
        ]
        indexes = [models.Index(fields=["unit", "day"])]

    def __str__(self) -> str:
        return f"{self.unit_id} {self.check_identity_id} {self.met}/{self.seen}"
