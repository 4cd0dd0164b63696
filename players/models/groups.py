"""Who trains together, and what coaches note about a player or a pair."""

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from clubcoach.models import Club
from clubcoach.retention import Keep, kept_as
from players.models.lists import Level
from players.models.people import Player, Unit


class Squad(models.Model):
    """Players who have their lessons together."""

    club = models.ForeignKey(Club, on_delete=models.CASCADE, related_name="squads")
    name = models.CharField(_("name"), max_length=60)
    level = models.ForeignKey(
        Level,
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="squads",
        verbose_name=_("level"),
    )
    coach = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        null=True,
        blank=True,
        on_delete=models.SET_NULL,
        related_name="squads",
        verbose_name=_("coach"),
    )
    players = models.ManyToManyField(Player, related_name="squads", blank=True)
    retired_on = models.DateField(null=True, blank=True)

    kept: ClassVar[dict[str, Keep]] = kept_as(club="id club name level coach retired_on")

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(
                fields=["club", "name"],
                name="squad_name_once",
                violation_error_message=_("The club has a squad of this name."),
            )
        ]

    def __str__(self) -> str:
        return self.name


class NoteQuerySet(models.QuerySet["Note"]):
    def standing(self) -> "NoteQuerySet":
        return self.filter(withdrawn_at__isnull=True)

    def told(self) -> "NoteQuerySet":
        """What the players read themselves, and with them a minor's guardians."""
        return self.standing().filter(for_players=True)


class Note(models.Model):
    """A coach's sentence about a player or a pair: for colleagues, or for the players themselves."""

    unit = models.ForeignKey(Unit, on_delete=models.CASCADE, related_name="notes")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.SET_NULL, related_name="+")
    text = models.CharField(_("note"), max_length=600)
    for_players = models.BooleanField(_("the players read it too"), default=False)
    written_at = models.DateTimeField(default=timezone.now)
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    kept: ClassVar[dict[str, Keep]] = kept_as(person="id unit by text for_players written_at withdrawn_at")
    objects = NoteQuerySet.as_manager()

    class Meta:
        ordering = ["-written_at", "-pk"]
        constraints = [
            models.CheckConstraint(condition=~models.Q(text=""), name="note_says_something"),
        ]

    def __str__(self) -> str:
        return f"note {self.pk} on {self.unit_id}"
