"""What was heard in a film: hits, and rallies that somebody accepts, corrects or dismisses."""

from typing import ClassVar

from django.db import models
from django.db.models import F, Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from clubcoach.models import User
from clubcoach.retention import Keep, kept_as
from sessions.models.films import Film
from sessions.models.matches import Rally


class Hearing(models.Model):
    class Way(models.TextChoices):
        SOUND = "sound", _("by ear")
        MOTION = "motion", _("by what moves in the picture")
        HAND = "hand", _("by hand")

    class Verdict(models.TextChoices):
        GOOD = "good", _("clear")
        POOR = "poor", _("hard to hear")
        USELESS = "useless", _("of no use")

    film = models.OneToOneField(Film, on_delete=models.CASCADE, related_name="hearing")
    way = models.CharField(max_length=8, choices=Way.choices, default=Way.SOUND)
    verdict = models.CharField(max_length=8, choices=Verdict.choices)
    reasons = models.JSONField(default=list, blank=True)
    # [[seconds as heard, kind, confidence], ...] in the order of time.
    hits = models.JSONField(default=list, blank=True)
    # How much later the sound is than the picture: picture time = heard time - delay.
    delay_s = models.FloatField(default=0)
    recipe = models.PositiveSmallIntegerField(default=1)
    made_at = models.DateTimeField(default=timezone.now)

    kept: ClassVar[dict[str, Keep]] = kept_as(
        consent="id film way verdict reasons hits delay_s recipe made_at"
    )

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(delay_s__gte=-5, delay_s__lte=5), name="hearing_delay_small")
        ]

    def __str__(self) -> str:
        return f"{self.film_id} {self.verdict}"


class RallyProposal(models.Model):
    """A rally as it was heard or entered; times are film times as heard."""

    class State(models.TextChoices):
        OPEN = "open", _("open")
        ACCEPTED = "accepted", _("accepted")
        DISMISSED = "dismissed", _("dismissed")

    hearing = models.ForeignKey(Hearing, on_delete=models.CASCADE, related_name="proposals")
    start_s = models.FloatField()
    end_s = models.FloatField()
    confidence = models.FloatField(default=1)
    state = models.CharField(max_length=10, choices=State.choices, default=State.OPEN)
    by_hand = models.BooleanField(default=False)
    # What the ear said before somebody corrected it.
    heard_start_s = models.FloatField(null=True, blank=True)
    heard_end_s = models.FloatField(null=True, blank=True)
    rally = models.ForeignKey(
        Rally, null=True, blank=True, on_delete=models.SET_NULL, related_name="proposals"
    )
    decided_by = models.ForeignKey(User, null=True, blank=True, on_delete=models.SET_NULL, related_name="+")
    decided_at = models.DateTimeField(null=True, blank=True)

    kept: ClassVar[dict[str, Keep]] = kept_as(
        consent="id hearing start_s end_s confidence state by_hand heard_start_s heard_end_s rally decided_by"
        " decided_at"
    )

    class Meta:
        ordering = ["start_s", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(start_s__gte=0) & Q(end_s__gte=F("start_s")), name="proposal_times_in_order"
            ),
            models.CheckConstraint(
                condition=Q(confidence__gte=0, confidence__lte=1), name="proposal_confidence_is_a_share"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.start_s} to {self.end_s}"
