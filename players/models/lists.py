"""What the club looks at and expects: levels with their standards, the check list, the drills."""

import unicodedata
from typing import ClassVar

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from clubcoach.access import Can, Viewer
from clubcoach.models import Club, User
from clubcoach.retention import Keep, kept_as

SHARE = [MinValueValidator(0), MaxValueValidator(100)]


class Level(models.Model):
    club = models.ForeignKey(Club, on_delete=models.CASCADE, related_name="levels")
    position = models.PositiveSmallIntegerField(_("order"))
    name = models.CharField(_("name"), max_length=60)
    description = models.TextField(_("description"), blank=True)

    kept: ClassVar[dict[str, Keep]] = kept_as(club="id club position name description")

    class Meta:
        ordering = ["position"]
        constraints = [
            models.UniqueConstraint(fields=["club", "position"], name="level_position_once"),
            models.UniqueConstraint(fields=["club", "name"], name="level_name_once"),
        ]

    def __str__(self) -> str:
        return self.name


class Area(models.Model):
    """A skill area of the club's check list."""

    club = models.ForeignKey(Club, on_delete=models.CASCADE, related_name="areas")
    code = models.SlugField(max_length=20)
    position = models.PositiveSmallIntegerField()
    name = models.CharField(_("name"), max_length=60)
    for_pair = models.BooleanField(_("looked at as a pair"), default=False)
    trigger = models.TextField(_("when it is looked at"), blank=True)
    key = models.CharField(_("key on the sheet"), max_length=1, blank=True)
    ball_easy = models.CharField(max_length=200, blank=True)
    ball_hard = models.CharField(max_length=200, blank=True)
    on = models.BooleanField(_("in use this term"), default=True)

    kept: ClassVar[dict[str, Keep]] = kept_as(
        club="id club code position name for_pair trigger key ball_easy ball_hard on"
    )

    class Meta:
        ordering = ["position"]
        constraints = [models.UniqueConstraint(fields=["club", "code"], name="area_code_once")]

    def __str__(self) -> str:
        return self.name


class LevelStandard(models.Model):
    """The progression score that a level expects in an area."""

    level = models.ForeignKey(Level, on_delete=models.CASCADE, related_name="standards")
    area = models.ForeignKey(Area, on_delete=models.CASCADE, related_name="standards")
    score = models.PositiveSmallIntegerField(_("expected score"), validators=SHARE)

    kept: ClassVar[dict[str, Keep]] = kept_as(club="id level area score")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["level", "area"], name="standard_once"),
            models.CheckConstraint(condition=Q(score__lte=100), name="standard_is_a_share"),
        ]

    def __str__(self) -> str:
        return f"{self.level_id} {self.area_id} {self.score}"


class Check(models.Model):
    """The lasting identity of a check; its words change from list version to list version."""

    class Kind(models.TextChoices):
        DOING = "doing", _("doing")
        RESULT = "result", _("result")

    class UnitKind(models.TextChoices):
        PLAYER = "player", _("player")
        PAIR = "pair", _("pair")

    club = models.ForeignKey(Club, on_delete=models.CASCADE, related_name="checks")
    code = models.CharField(max_length=12)
    area = models.ForeignKey(Area, on_delete=models.PROTECT, related_name="checks")
    unit = models.CharField(max_length=8, choices=UnitKind.choices)
    kind = models.CharField(max_length=8, choices=Kind.choices)
    phase = models.PositiveSmallIntegerField()
    retired_on = models.DateField(null=True, blank=True)

    kept: ClassVar[dict[str, Keep]] = kept_as(club="id club code area unit kind phase retired_on")

    class Meta:
        ordering = ["area__position", "phase"]
        constraints = [models.UniqueConstraint(fields=["club", "code"], name="check_code_once")]

    def __str__(self) -> str:
        return self.code


class CheckListQuerySet(models.QuerySet["CheckListVersion"]):
    def of(self, club: Club) -> "CheckListQuerySet":
        """The club's list through time, newest first; without lists that came in with older sheets."""
        return self.filter(club=club, past=False).order_by("-number")


class CheckListVersion(models.Model):
    club = models.ForeignKey(Club, on_delete=models.CASCADE, related_name="check_list_versions")
    number = models.PositiveSmallIntegerField()
    name = models.CharField(max_length=60, default="default")
    # The whole list as it was validated: triggers, bounds, choices and which checks are asked when.
    data = models.JSONField(default=dict)
    # An older list that came in with older sheets: new analyses never begin from it.
    past = models.BooleanField(default=False)
    created_at = models.DateTimeField(default=timezone.now)

    kept: ClassVar[dict[str, Keep]] = kept_as(club="id club number name data past created_at")

    objects = CheckListQuerySet.as_manager()

    class Meta:
        ordering = ["-number"]
        constraints = [models.UniqueConstraint(fields=["club", "number"], name="check_list_number_once")]

    def __str__(self) -> str:
        return f"{self.name} {self.number}"


class CheckWording(models.Model):
    """What a check says in one version of the list. Never changed once an analysis uses the version."""

    version = models.ForeignKey(CheckListVersion, on_delete=models.CASCADE, related_name="wordings")
    check_identity = models.ForeignKey(Check, on_delete=models.PROTECT, related_name="wordings")
    name = models.CharField(_("name"), max_length=120)
    met = models.CharField(_("met when"), max_length=240)
    missed = models.CharField(_("missed when"), max_length=240)
    cue = models.CharField(_("cue for the student"), max_length=160, blank=True)
    instant = models.CharField(max_length=120, blank=True)
    decides = models.CharField(max_length=60, blank=True)
    end = models.CharField(max_length=8, default="both")
    trigger = models.CharField(max_length=240, blank=True)
    applies = models.CharField(max_length=240, blank=True)
    bounds = models.JSONField(default=dict)
    asked = models.BooleanField(default=True)

    kept: ClassVar[dict[str, Keep]] = kept_as(
        club="id version check_identity name met missed cue instant decides end trigger applies bounds asked"
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["version", "check_identity"], name="wording_once_per_version"),
            models.CheckConstraint(condition=Q(end__in=["near", "far", "both"]), name="wording_end_known"),
        ]

    def __str__(self) -> str:
        return self.name


def folded(text: str) -> str:
    """A text as a search compares it: without case and accents, alike on every database."""
    parts = unicodedata.normalize("NFKD", text.casefold())
    return "".join(part for part in parts if not unicodedata.combining(part))


class DrillQuerySet(models.QuerySet["Drill"]):
    def seen_by(self, viewer: Viewer) -> "DrillQuerySet":
        """Everybody of the club sees what is in use; coaches also what was taken out of use."""
        drills = self.filter(club=viewer.club)
        return drills if viewer.can(Can.ADD_DRILLS) else drills.filter(retired_on=None)

    def for_players(self, n: int) -> "DrillQuerySet":
        return self.filter(players_min__lte=n, players_max__gte=n)

    def saying(self, words: str) -> "DrillQuerySet":
        """Those with every one of the words in their name, steps or dose."""
        wanted = folded(words).split()
        if not wanted:
            return self
        # The databases differ in case and accents, and neither looks into a list of steps as text.
        texts = self.order_by().values_list("pk", "name", "dose", "steps")
        found = [
            pk
            for pk, name, dose, steps in texts
            if all(word in folded(" ".join([name, dose, *map(str, steps)])) for word in wanted)
        ]
        return self.filter(pk__in=found)


class Drill(models.Model):
    class Stage(models.TextChoices):
        SHADOW = "shadow", _("without a ball")
        FED = "fed", _("fed balls")
        VARIED = "varied", _("varied balls")
        IN_PLAY = "in_play", _("in play")

    class Place(models.TextChoices):
        HOME = "home", _("at home")
        WALL = "wall", _("at a wall")
        COURT = "court", _("on court")
        BEFORE_LESSON = "before_lesson", _("before a lesson")
        IN_YOUR_MATCH = "in_your_match", _("in your match")

    club = models.ForeignKey(Club, on_delete=models.CASCADE, related_name="drills")
    code = models.SlugField(max_length=40)
    name = models.CharField(_("name"), max_length=120)
    areas = models.ManyToManyField(Area, related_name="drills")
    checks = models.ManyToManyField(Check, related_name="drills")
    stage = models.CharField(_("stage"), max_length=10, choices=Stage.choices)
    place = models.CharField(_("place"), max_length=16, choices=Place.choices)
    players_min = models.PositiveSmallIntegerField(default=1)
    players_max = models.PositiveSmallIntegerField(default=4)
    kit = models.JSONField(default=list)
    minutes = models.PositiveSmallIntegerField(_("minutes"))
    dose = models.CharField(_("dose"), max_length=200)
    passing = models.CharField(_("passed when"), max_length=200)
    overheads = models.PositiveSmallIntegerField(_("overheads"), default=0)
    loads = models.JSONField(default=list)
    cautions = models.JSONField(default=list)
    steps = models.JSONField(default=list)
    # A small plan of the court as data: clubcoach.compute.diagram says what a valid one is.
    court = models.JSONField(default=dict, blank=True)
    source = models.CharField(max_length=200, blank=True)
    # Written or changed by the club: the library that comes with the program leaves it alone.
    own = models.BooleanField(_("the club's own"), default=False)
    copied_from = models.SlugField(max_length=40, blank=True)
    # Whoever wrote it may go on changing it; empty for the library that comes with the program.
    written_by = models.ForeignKey(User, null=True, blank=True, on_delete=models.SET_NULL, related_name="+")
    retired_on = models.DateField(null=True, blank=True)

    kept: ClassVar[dict[str, Keep]] = kept_as(
        club="id club code name stage place players_min players_max kit minutes dose passing overheads"
        " loads cautions steps court source own copied_from written_by retired_on"
    )

    objects = DrillQuerySet.as_manager()

    class Meta:
        ordering = ["code"]
        constraints = [
            models.UniqueConstraint(fields=["club", "code"], name="drill_code_once"),
            models.CheckConstraint(
                condition=Q(players_min__lte=F("players_max")) & Q(players_min__gte=1),
                name="drill_players_in_order",
            ),
        ]

    def __str__(self) -> str:
        return self.name
