"""Facts: a match, who sat where, and its rallies. They belong to the match, whoever analyses it."""

import uuid
from typing import Any, ClassVar

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q
from django.utils import timezone
from django.utils.functional import cached_property
from django.utils.translation import gettext_lazy as _

from clubcoach.access import Can, Viewer
from clubcoach.compute.ledger import MatchFormat
from clubcoach.models import Club, User
from clubcoach.retention import Keep, kept_as
from players.consent import consent_states
from players.models import Player, Side


class PairLetter(models.TextChoices):
    A = "A", _("pair A")
    B = "B", _("pair B")


class MatchQuerySet(models.QuerySet["Match"]):
    def seen_by(self, viewer: Viewer) -> "MatchQuerySet":
        if viewer.can(Can.SEE_MATCHES):
            return self.filter(club=viewer.club)
        return self.none()


class Match(models.Model):
    class Kind(models.TextChoices):
        FRIENDLY = "friendly", _("friendly")
        LEAGUE = "league", _("league")
        LESSON = "lesson", _("lesson")

    class Place(models.TextChoices):
        INDOOR = "indoor", _("indoors")
        OUTDOOR = "outdoor", _("outdoors")

    class Walls(models.TextChoices):
        GLASS = "glass", _("glass")
        SOLID = "solid", _("solid")

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    club = models.ForeignKey(Club, on_delete=models.CASCADE, related_name="matches")
    ref = models.CharField(_("reference"), max_length=60, blank=True)
    played_on = models.DateField(_("played on"))
    kind = models.CharField(_("kind"), max_length=10, choices=Kind.choices, default=Kind.FRIENDLY)
    format = models.JSONField(_("format"), default=dict)
    first_server = models.PositiveSmallIntegerField(_("serves first"), default=1)
    first_near = models.CharField(
        _("begins at the camera's end"), max_length=1, choices=PairLetter.choices, default=PairLetter.A
    )
    place = models.CharField(_("place"), max_length=8, choices=Place.choices, default=Place.INDOOR)
    walls = models.CharField(_("walls"), max_length=8, choices=Walls.choices, default=Walls.GLASS)
    # How many rallies were played, where somebody counted them; rallies with a row may be fewer.
    rallies_played = models.PositiveIntegerField(null=True, blank=True)
    registered_by = models.ForeignKey(User, null=True, on_delete=models.SET_NULL, related_name="+")
    created_at = models.DateTimeField(default=timezone.now)

    kept: ClassVar[dict[str, Keep]] = kept_as(
        match="id uuid club ref played_on kind format first_server first_near place walls rallies_played"
        " registered_by created_at"
    )
    objects = MatchQuerySet.as_manager()

    class Meta:
        ordering = ["-played_on", "-pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["club", "ref"], condition=~Q(ref=""), name="match_ref_once_per_club"
            ),
            models.CheckConstraint(
                condition=Q(first_server__gte=1, first_server__lte=4), name="match_first_server_known"
            ),
            models.CheckConstraint(condition=Q(first_near__in=["A", "B"]), name="match_first_near_known"),
        ]

    def __str__(self) -> str:
        return f"{self.played_on} {self.kind}"

    @cached_property
    def match_format(self) -> MatchFormat:
        return MatchFormat.from_dict(self.format or {"kind": "sets", "deuce": self.club.deuce})

    @cached_property
    def seat_list(self) -> list["Seat"]:
        return sorted(self.seats.all(), key=lambda seat: seat.position)

    def player_ids(self) -> set[int]:
        return {seat.player_id for seat in self.seat_list if seat.player_id}


class Seat(models.Model):
    """One of the four places on court. 1 and 2 are pair A, 3 and 4 pair B; a visitor has no player."""

    match = models.ForeignKey(Match, on_delete=models.CASCADE, related_name="seats")
    position = models.PositiveSmallIntegerField()
    player = models.ForeignKey(Player, null=True, blank=True, on_delete=models.CASCADE, related_name="seats")
    side = models.CharField(max_length=8, choices=Side.choices, blank=True)
    # A visitor's agreement to be filmed is on paper: the club says that it has it.
    visitor_consent = models.BooleanField(default=False)

    kept: ClassVar[dict[str, Keep]] = kept_as(match="id match position player side visitor_consent")

    class Meta:
        ordering = ["position"]
        constraints = [
            models.UniqueConstraint(fields=["match", "position"], name="seat_once"),
            models.CheckConstraint(condition=Q(position__gte=1, position__lte=4), name="seat_one_to_four"),
            models.UniqueConstraint(
                fields=["match", "player"],
                condition=Q(player__isnull=False),
                name="seat_player_once",
                violation_error_message=_("The same player cannot sit on two places of one match."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.match_id} {self.position}"

    @property
    def pair(self) -> str:
        return "A" if self.position <= 2 else "B"


class EndedHow(models.TextChoices):
    """How the last hit of a rally ended it, seen from who hit it."""

    WINNER = "winner", _("a ball nobody reached")
    FORCED = "forced", _("a fault under pressure")
    ERROR = "error", _("a fault without need")
    DOUBLE = "double", _("a double fault")


class Rally(models.Model):
    """One point played. Times are match times in seconds; a winner may be nobody (a let, film that is missing)."""

    uuid = models.UUIDField(unique=True)
    match = models.ForeignKey(Match, on_delete=models.CASCADE, related_name="rallies")
    number = models.PositiveIntegerField()
    start_s = models.FloatField(validators=[MinValueValidator(0), MaxValueValidator(86400)])
    end_s = models.FloatField(null=True, blank=True)
    server = models.PositiveSmallIntegerField(null=True, blank=True)
    winner = models.CharField(max_length=4, choices=[*PairLetter.choices, ("none", _("nobody"))], blank=True)
    near_pair = models.CharField(max_length=1, choices=PairLetter.choices, blank=True)
    side = models.CharField(max_length=8, choices=Side.choices, blank=True)
    score_set = models.JSONField(null=True, blank=True)
    reason = models.CharField(max_length=200, blank=True)
    # Asked only where an analysis of the match wants them: who held the net when it ended, and whose hit ended it how.
    net_pair = models.CharField(
        max_length=4, choices=[*PairLetter.choices, ("none", _("nobody"))], blank=True
    )
    ended_by = models.PositiveSmallIntegerField(null=True, blank=True)
    ended_how = models.CharField(max_length=12, choices=EndedHow.choices, blank=True)
    # False: a sheet without times. Then start_s only keeps the order, and no film is stopped there.
    timed = models.BooleanField(default=True)
    dropped = models.BooleanField(default=False)
    rev = models.PositiveIntegerField(default=1)

    kept: ClassVar[dict[str, Keep]] = kept_as(
        match="id uuid match number start_s end_s server winner near_pair side score_set reason net_pair ended_by"
        " ended_how timed dropped rev"
    )

    class Meta:
        ordering = ["start_s", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(end_s__isnull=True) | Q(end_s__gt=F("start_s")),
                name="rally_ends_after_start",
                violation_error_message=_("A rally ends after it starts."),
            ),
            models.CheckConstraint(
                condition=Q(server__isnull=True) | Q(server__gte=1, server__lte=4), name="rally_server_known"
            ),
            models.CheckConstraint(condition=Q(winner__in=["", "A", "B", "none"]), name="rally_winner_known"),
            models.CheckConstraint(
                condition=Q(net_pair__in=["", "A", "B", "none"]), name="rally_net_pair_known"
            ),
            models.CheckConstraint(
                condition=Q(ended_by__isnull=True) | Q(ended_by__gte=1, ended_by__lte=4),
                name="rally_ended_by_known",
            ),
            models.CheckConstraint(
                condition=Q(ended_how__in=["", *EndedHow.values]), name="rally_ended_how_known"
            ),
        ]
        indexes = [models.Index(fields=["match", "start_s"])]

    def __str__(self) -> str:
        return f"{self.match_id} {self.number}"


class RallyEdit(models.Model):
    """The edit history of a fact: what it was before, what it became, who changed it."""

    rally = models.ForeignKey(Rally, on_delete=models.CASCADE, related_name="edits")
    by = models.ForeignKey(User, null=True, on_delete=models.SET_NULL, related_name="+")
    at = models.DateTimeField(default=timezone.now)
    before = models.JSONField(default=dict)
    after = models.JSONField(default=dict)

    kept: ClassVar[dict[str, Keep]] = kept_as(match="id rally by at before after")

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return f"{self.rally_id} {self.at}"


def players_without_consent(match: Match, day: Any) -> list[Player]:
    """Registered players of the match whose consent to be filmed is missing, ended or withdrawn."""
    players = [seat.player for seat in match.seat_list if seat.player]
    states = consent_states(players, match.club, day)
    return [player for player in players if not states[player.pk].complete]
