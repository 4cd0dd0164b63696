"""Pieces cut out of films, one for each moment that somebody may look at."""

from typing import ClassVar

from django.db import models
from django.db.models import F, Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from clubcoach.retention import Keep, kept_as
from sessions.models.films import Film


class Clip(models.Model):
    """A piece of a film. Its name follows from what is in it, so that two situations at one moment share one file."""

    class State(models.TextChoices):
        WAITING = "waiting", _("being cut")
        READY = "ready", _("ready")
        FAILED = "failed", _("could not be cut")

    film = models.ForeignKey(Film, on_delete=models.CASCADE, related_name="clips")
    # Of the film's content, the two times and the way of cutting.
    digest = models.CharField(max_length=64, unique=True)
    from_s = models.FloatField()
    to_s = models.FloatField()
    state = models.CharField(max_length=10, choices=State.choices, default=State.WAITING)
    problem = models.CharField(max_length=300, blank=True)
    frames = models.PositiveIntegerField(default=0)
    size = models.PositiveBigIntegerField(default=0)
    asked_at = models.DateTimeField(default=timezone.now)
    made_at = models.DateTimeField(null=True, blank=True)

    kept: ClassVar[dict[str, Keep]] = kept_as(
        consent="id film digest from_s to_s state problem frames size asked_at made_at"
    )

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(from_s__gte=0) & Q(to_s__gt=F("from_s")), name="clip_times_in_order"
            ),
            models.CheckConstraint(
                condition=~Q(state="ready") | Q(frames__gt=0, size__gt=0), name="clip_ready_has_frames"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.digest[:12]} {self.state}"
