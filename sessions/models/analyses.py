"""Judgements: who was asked to look at what in a match, in which version, and how far it has come."""

import uuid
from datetime import date
from typing import ClassVar

from django.db import models
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from clubcoach.access import Can, Viewer
from clubcoach.models import Club, User
from clubcoach.retention import Keep, kept_as
from players.models import Area, CheckListVersion, Guardianship, Unit
from sessions.models.matches import Match


class Analyst(models.Model):
    """Whose eye a mark is from. Not every analyst has a login, and one who leaves stays as a pseudonym."""

    class Kind(models.TextChoices):
        PERSON = "person", _("person")
        SETTLED = "settled", _("settled by the head coach")

    club = models.ForeignKey(Club, on_delete=models.CASCADE, related_name="analysts")
    user = models.ForeignKey(User, null=True, blank=True, on_delete=models.SET_NULL, related_name="analysts")
    kind = models.CharField(max_length=8, choices=Kind.choices, default=Kind.PERSON)
    ref = models.CharField(max_length=60, blank=True)
    name = models.CharField(_("name"), max_length=160)

    kept: ClassVar[dict[str, Keep]] = kept_as(club="id club kind ref", person="user name")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["club", "user"], condition=Q(user__isnull=False), name="analyst_user_once_per_club"
            ),
            models.UniqueConstraint(
                fields=["club"], condition=Q(kind="settled"), name="analyst_settled_once"
            ),
            models.UniqueConstraint(fields=["club", "ref"], condition=~Q(ref=""), name="analyst_ref_once"),
        ]

    def __str__(self) -> str:
        return self.name


class AnalysisQuerySet(models.QuerySet["Analysis"]):
    def seen_by(self, viewer: Viewer) -> "AnalysisQuerySet":
        """The head coach sees every analysis, an assistant those that are or were hers."""
        here = self.filter(match__club=viewer.club)
        if viewer.can(Can.REVIEW):
            return here
        if viewer.can(Can.CODE):
            return here.filter(analyst__user=viewer.user)
        return here.none()

    def with_page_parts(self) -> "AnalysisQuerySet":
        return self.select_related("match__club", "analyst__user").prefetch_related(
            "covers__unit__first", "covers__unit__second", "lens__area", "match__seats__player"
        )

    def open(self) -> "AnalysisQuerySet":
        return self.filter(state__in=Analysis.OPEN)


class Analysis(models.Model):
    class Purpose(models.TextChoices):
        COUNT = "count", _("counts")
        SECOND = "second", _("second look")
        TRAINING = "training", _("training")
        EXAMPLE = "example", _("example")

    class State(models.TextChoices):
        REQUESTED = "requested", _("requested")
        ASSIGNED = "assigned", _("assigned")
        IN_PROGRESS = "in_progress", _("in progress")
        SUBMITTED = "submitted", _("submitted")
        RETURNED = "returned", _("returned")
        PUBLISHED = "published", _("published")
        CANCELLED = "cancelled", _("cancelled")
        WITHDRAWN = "withdrawn", _("withdrawn")

    class Plan(models.TextChoices):
        ALL = "all", _("every situation")
        DRAWN = "drawn", _("drawn situations")
        CHOSEN = "chosen", _("chosen by hand: never counted")

    class Extent(models.TextChoices):
        FULL = "full", _("full")
        RECHECK = "recheck", _("short re-check")

    OPEN = (State.REQUESTED, State.ASSIGNED, State.IN_PROGRESS, State.SUBMITTED, State.RETURNED)
    WRITABLE = (State.ASSIGNED, State.IN_PROGRESS, State.RETURNED)

    RALLY_FACTS = ("net_pair", "ended_by", "ended_how")

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    match = models.ForeignKey(Match, on_delete=models.CASCADE, related_name="analyses")
    analyst = models.ForeignKey(
        Analyst,
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="analyses",
        verbose_name=_("analyst"),
    )
    # What the sheets that were brought in call it.
    ref = models.CharField(_("reference"), max_length=60, blank=True)
    purpose = models.CharField(max_length=10, choices=Purpose.choices, default=Purpose.COUNT)
    plan = models.CharField(_("what counts"), max_length=8, choices=Plan.choices, default=Plan.ALL)
    extent = models.CharField(_("extent"), max_length=8, choices=Extent.choices, default=Extent.FULL)
    version = models.PositiveSmallIntegerField(default=1)
    supersedes = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.SET_NULL, related_name="superseded_by"
    )
    state = models.CharField(max_length=12, choices=State.choices, default=State.REQUESTED)
    # Which facts of a rally are asked beyond its winner: some of RALLY_FACTS.
    rally_facts = models.JSONField(_("asked of each rally"), default=list, blank=True)
    check_list = models.ForeignKey(CheckListVersion, on_delete=models.PROTECT, related_name="analyses")
    units = models.ManyToManyField(Unit, through="Cover", related_name="analyses")
    areas = models.ManyToManyField(Area, through="LensArea", related_name="analyses")
    requested_by = models.ForeignKey(User, null=True, on_delete=models.SET_NULL, related_name="+")
    requested_at = models.DateTimeField(default=timezone.now)
    due_on = models.DateField(_("due on"), null=True, blank=True)
    submitted_at = models.DateTimeField(null=True, blank=True)
    published_at = models.DateTimeField(null=True, blank=True)
    published_by = models.ForeignKey(User, null=True, blank=True, on_delete=models.SET_NULL, related_name="+")
    words = models.TextField(_("coach's words"), blank=True)

    kept: ClassVar[dict[str, Keep]] = kept_as(
        match="id uuid match analyst ref purpose plan extent version supersedes state rally_facts check_list"
        " requested_by"
        " requested_at due_on submitted_at published_at published_by words"
    )
    objects = AnalysisQuerySet.as_manager()

    class Meta:
        verbose_name_plural = "analyses"
        ordering = ["due_on", "pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["match", "ref"], condition=~Q(ref=""), name="analysis_ref_once_per_match"
            ),
            models.CheckConstraint(
                condition=~Q(state__in=["assigned", "in_progress", "submitted", "returned", "published"])
                | Q(analyst__isnull=False),
                name="analysis_at_work_has_analyst",
                violation_error_message=_("Choose who analyses it."),
            ),
            models.CheckConstraint(
                condition=~Q(state="published") | Q(published_at__isnull=False),
                name="analysis_published_when",
            ),
        ]
        indexes = [models.Index(fields=["state", "due_on"])]

    def __str__(self) -> str:
        return f"{self.match_id} v{self.version} {self.state}"

    @property
    def writable(self) -> bool:
        return self.state in self.WRITABLE

    def late(self, today: date) -> bool:
        return bool(self.due_on and self.due_on < today and self.state in self.OPEN and not self.submitted_at)


class Cover(models.Model):
    """A unit that an analysis covers. ``current`` marks the one published version that counts for match and unit."""

    analysis = models.ForeignKey(Analysis, on_delete=models.CASCADE, related_name="covers")
    match = models.ForeignKey(Match, on_delete=models.CASCADE, related_name="+")
    unit = models.ForeignKey(Unit, on_delete=models.CASCADE, related_name="covers")
    current = models.BooleanField(default=False)

    kept: ClassVar[dict[str, Keep]] = kept_as(match="id analysis match unit current")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["analysis", "unit"], name="cover_once"),
            models.UniqueConstraint(
                fields=["match", "unit"],
                condition=Q(current=True),
                name="one_current_count_per_match_and_unit",
                violation_error_message=_(
                    "Another published analysis of this match counts for this unit already."
                ),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.analysis_id} {self.unit_id}"


class LensArea(models.Model):
    analysis = models.ForeignKey(Analysis, on_delete=models.CASCADE, related_name="lens")
    area = models.ForeignKey(Area, on_delete=models.PROTECT, related_name="+")

    kept: ClassVar[dict[str, Keep]] = kept_as(match="id analysis area")

    class Meta:
        ordering = ["area__position"]
        constraints = [models.UniqueConstraint(fields=["analysis", "area"], name="lens_area_once")]

    def __str__(self) -> str:
        return f"{self.analysis_id} {self.area_id}"


class Draw(models.Model):
    """A random order of a match's situations. It belongs to the match, so that two analyses share it.

    A later wave holds the situations of units that were listed by nobody when the earlier ones were made. Without a
    list of rallies beforehand there is no frame: then every ``every``-th rally is looked at, from ``first`` on.
    """

    match = models.ForeignKey(Match, on_delete=models.CASCADE, related_name="draws")
    area = models.ForeignKey(Area, on_delete=models.PROTECT, related_name="+")
    wave = models.PositiveSmallIntegerField(default=1)
    every = models.PositiveSmallIntegerField(null=True, blank=True)
    first = models.PositiveSmallIntegerField(null=True, blank=True)
    seed = models.PositiveBigIntegerField()
    # What was listed when the draw was made: [{"situation", "rally", "unit", "hit_s", "stratum"}].
    frame = models.JSONField(default=list)
    order = models.JSONField(default=list)
    weights = models.JSONField(default=dict)
    planned = models.PositiveIntegerField()
    made_by = models.ForeignKey(User, null=True, on_delete=models.SET_NULL, related_name="+")
    made_at = models.DateTimeField(default=timezone.now)

    kept: ClassVar[dict[str, Keep]] = kept_as(
        match="id match area wave every first seed frame order weights planned made_by made_at"
    )

    class Meta:
        ordering = ["wave"]
        constraints = [
            models.UniqueConstraint(
                fields=["match", "area", "wave"], name="draw_once_per_match_area_and_wave"
            ),
            models.CheckConstraint(
                condition=Q(every__isnull=True, first__isnull=True)
                | Q(every__gte=2, first__gte=1, first__lte=models.F("every")),
                name="draw_every_has_a_first",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.match_id} {self.area_id}"


class AnalysisComment(models.Model):
    """What the head coach writes when she returns an analysis, and what is answered."""

    analysis = models.ForeignKey(Analysis, on_delete=models.CASCADE, related_name="comments")
    by = models.ForeignKey(User, null=True, on_delete=models.SET_NULL, related_name="+")
    at = models.DateTimeField(default=timezone.now)
    text = models.TextField(_("comment"), max_length=2000)

    kept: ClassVar[dict[str, Keep]] = kept_as(season="id analysis by at text")

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return f"{self.analysis_id} {self.at}"


def has_stake(user: User, match: Match) -> bool:
    """Whether the person or somebody of their family played: then they neither analyse nor review the match.

    Family is what the club knows: a guardian's children and their other guardians, a player's guardians, and other
    children of those guardians.
    """
    playing = match.player_ids()
    own = set(user.players.filter(club=match.club_id).values_list("pk", flat=True))
    wards = set(Guardianship.objects.filter(guardian=user).values_list("player", flat=True))
    other_parents = set(
        Guardianship.objects.filter(player__in=wards, guardian__players__in=playing).values_list(
            "guardian__players", flat=True
        )
    )
    my_guardians = Guardianship.objects.filter(player__in=own).values("guardian")
    siblings = set(Guardianship.objects.filter(guardian__in=my_guardians).values_list("player", flat=True))
    guardians_who_play = set(
        Guardianship.objects.filter(player__in=own, guardian__players__in=playing).values_list(
            "guardian__players", flat=True
        )
    )
    return bool(playing & (own | wards | other_parents | siblings | guardians_who_play))
