"""What goes with a sheet beside its marks: hunches of the first look, places on the floor, keys of a person."""

from typing import ClassVar

from django.db import models
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from clubcoach.models import User
from clubcoach.retention import Keep, kept_as
from players.models import Area, Check
from sessions.models.analyses import Analysis
from sessions.models.films import Film
from sessions.models.marks import Situation


class Hunch(models.Model):
    """What the analyst thinks before the first mark; the situations then answer it by name."""

    MOST = 3

    class Says(models.TextChoices):
        OFTEN_MISSED = "missed", _("often missed")
        OFTEN_MET = "met", _("mostly met")

    analysis = models.ForeignKey(Analysis, on_delete=models.CASCADE, related_name="hunches")
    position = models.PositiveSmallIntegerField()
    text = models.CharField(max_length=200)
    area = models.ForeignKey(Area, on_delete=models.PROTECT, related_name="+")
    # None: the area as a whole.
    check_identity = models.ForeignKey(
        Check, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    says = models.CharField(max_length=6, choices=Says.choices, default=Says.OFTEN_MISSED)
    by = models.ForeignKey(User, null=True, on_delete=models.SET_NULL, related_name="+")
    at = models.DateTimeField(default=timezone.now)

    kept: ClassVar[dict[str, Keep]] = kept_as(
        match="id analysis position text area check_identity says by at"
    )

    class Meta:
        verbose_name_plural = "hunches"
        ordering = ["position"]
        constraints = [
            models.UniqueConstraint(fields=["analysis", "position"], name="hunch_position_once"),
            models.CheckConstraint(condition=Q(position__gte=1, position__lte=3), name="hunch_at_most_three"),
            models.CheckConstraint(condition=Q(says__in=["missed", "met"]), name="hunch_says_known"),
        ]

    def __str__(self) -> str:
        return self.text


class Spot(models.Model):
    """A place on the floor that was clicked for a check: where in the picture, and where on court that is.

    ``u`` and ``v`` are shares of the picture's width and height; metres as in ``clubcoach.compute.court``, with the
    variances of the place as the court view of that moment gave them.
    """

    situation = models.ForeignKey(Situation, on_delete=models.CASCADE, related_name="spots")
    check_identity = models.ForeignKey(Check, on_delete=models.PROTECT, related_name="+")
    number = models.PositiveSmallIntegerField(default=1)
    film = models.ForeignKey(Film, null=True, on_delete=models.SET_NULL, related_name="+")
    at_s = models.FloatField()
    u = models.FloatField()
    v = models.FloatField()
    x_m = models.FloatField()
    y_m = models.FloatField()
    var_x = models.FloatField()
    cov_xy = models.FloatField()
    var_y = models.FloatField()
    rev = models.PositiveIntegerField(default=1)

    kept: ClassVar[dict[str, Keep]] = kept_as(
        match="id situation check_identity number film at_s u v x_m y_m var_x cov_xy var_y rev"
    )

    class Meta:
        ordering = ["number"]
        constraints = [
            models.UniqueConstraint(fields=["situation", "check_identity", "number"], name="spot_once"),
            models.CheckConstraint(condition=Q(number__gte=1, number__lte=2), name="spot_one_or_two"),
            models.CheckConstraint(
                condition=Q(u__gte=0, u__lte=1, v__gte=0, v__lte=1), name="spot_in_the_picture"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.situation_id} {self.check_identity_id} {self.number}"


class SheetKeys(models.Model):
    """The keys that a person changed: act to the place of a key (``KeyboardEvent.code``)."""

    user = models.OneToOneField(User, on_delete=models.CASCADE, related_name="sheet_keys")
    keys = models.JSONField(default=dict)

    kept: ClassVar[dict[str, Keep]] = kept_as(person="id user keys")

    def __str__(self) -> str:
        return str(self.user_id)
