"""Films: what they are, how they come in, what they show, and where their camera stood."""

import uuid
from typing import ClassVar

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from clubcoach.access import Can, Viewer
from clubcoach.models import Club, User
from clubcoach.retention import Keep, kept_as
from sessions.models.matches import Match


class CameraPlace(models.Model):
    """Where a phone stands again and again, so that a court view is placed once and copied to the next film."""

    club = models.ForeignKey(Club, on_delete=models.CASCADE, related_name="camera_places")
    name = models.CharField(_("name"), max_length=80)
    words = models.CharField(_("where it stands"), max_length=200, blank=True)
    made_by = models.ForeignKey(User, null=True, on_delete=models.SET_NULL, related_name="+")
    made_at = models.DateTimeField(default=timezone.now)
    # What the court sounds like from here, learnt from what was heard and corrected.
    sound = models.JSONField(default=dict, blank=True)

    kept: ClassVar[dict[str, Keep]] = kept_as(club="id club name words made_by made_at sound")

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(
                fields=["club", "name"],
                name="camera_place_once_per_club",
                violation_error_message=_("A place of this name is there already."),
            )
        ]

    def __str__(self) -> str:
        return self.name


class FilmQuerySet(models.QuerySet["Film"]):
    def seen_by(self, viewer: Viewer) -> "FilmQuerySet":
        """Films that the person may open the page of; the bytes ask for everybody's consent too."""
        if viewer.can(Can.WATCH_FILM):
            return self.filter(club=viewer.club)
        return self.none()


class Film(models.Model):
    class State(models.TextChoices):
        ARRIVED = "arrived", _("waiting to be read")
        MAKING = "making", _("being made playable")
        PAUSED = "paused", _("paused")
        READY = "ready", _("ready")
        AWAY = "away", _("on a coach's own disk")
        REFUSED = "refused", _("refused")
        GONE = "gone", _("deleted")

    class Gone(models.TextChoices):
        RULE = "rule", _("its time was over")
        CONSENT = "consent", _("somebody in it no longer agrees")
        HAND = "hand", _("somebody deleted it")

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    club = models.ForeignKey(Club, on_delete=models.CASCADE, related_name="films")
    # What is served. Empty while there is nothing to serve: refused, on a coach's disk, deleted.
    file = models.FileField(upload_to="films/", max_length=200, blank=True)
    # As it came, while a playable copy is being made of it.
    original = models.FileField(upload_to="films/", max_length=200, blank=True)
    name = models.CharField(max_length=120)
    size = models.PositiveBigIntegerField()
    # SHA-256 of the film as it came; empty until somebody has read it whole.
    digest = models.CharField(max_length=64, blank=True)
    # SHA-256 of the bytes that are served: the same, or that of the playable copy.
    served = models.CharField(max_length=64, blank=True)
    # SHA-256 of three slices, which a page can work out of a file that stays where it is.
    slices = models.CharField(max_length=64, blank=True)
    state = models.CharField(max_length=10, choices=State.choices, default=State.ARRIVED)
    problem = models.CharField(max_length=300, blank=True)
    # What a viewer of it should know: that its end is missing, that a second sound track was left out.
    remark = models.CharField(max_length=300, blank=True)
    container = models.CharField(max_length=40, blank=True)
    video_codec = models.CharField(max_length=40, blank=True)
    audio_codec = models.CharField(max_length=40, blank=True)
    duration_s = models.FloatField(null=True, blank=True)
    frame_rate = models.FloatField(null=True, blank=True)
    # False: phones that lengthen a frame in the dark.
    steady = models.BooleanField(default=True)
    width = models.PositiveIntegerField(null=True, blank=True)
    height = models.PositiveIntegerField(null=True, blank=True)
    rotation = models.PositiveSmallIntegerField(default=0)
    # Film times in seconds of the small pictures for finding a place; the first one is the poster's.
    strip = models.JSONField(default=list, blank=True)
    camera = models.ForeignKey(
        CameraPlace, null=True, blank=True, on_delete=models.SET_NULL, related_name="films"
    )
    uploaded_by = models.ForeignKey(User, null=True, on_delete=models.SET_NULL, related_name="+")
    uploaded_at = models.DateTimeField(default=timezone.now)
    # Kept longer than the club's rule says, with the reason.
    held = models.BooleanField(default=False)
    held_by = models.ForeignKey(User, null=True, blank=True, on_delete=models.SET_NULL, related_name="+")
    held_why = models.CharField(_("reason"), max_length=200, blank=True)
    gone_at = models.DateTimeField(null=True, blank=True)
    gone_why = models.CharField(max_length=8, choices=Gone.choices, blank=True)

    kept: ClassVar[dict[str, Keep]] = kept_as(
        consent="id uuid club file original name size digest served slices state problem remark container"
        " video_codec audio_codec duration_s frame_rate steady width height rotation strip camera uploaded_by"
        " uploaded_at held held_by held_why gone_at gone_why"
    )
    objects = FilmQuerySet.as_manager()

    class Meta:
        ordering = ["-uploaded_at"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(state="ready") | Q(duration_s__gt=0), name="film_ready_has_duration"
            ),
            models.CheckConstraint(
                condition=~Q(state="away") | Q(duration_s__gt=0) & ~Q(slices="") & Q(file="", original=""),
                name="film_away_has_fingerprint_and_no_file",
            ),
            models.CheckConstraint(
                condition=~Q(state="gone")
                | Q(gone_at__isnull=False) & ~Q(gone_why="") & Q(file="", original=""),
                name="film_gone_says_when_and_why",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class MatchFilm(models.Model):
    """Which part of a match a film shows: match time = film time + offset."""

    match = models.ForeignKey(Match, on_delete=models.CASCADE, related_name="match_films")
    film = models.ForeignKey(Film, on_delete=models.CASCADE, related_name="match_films")
    offset_s = models.FloatField(default=0)

    kept: ClassVar[dict[str, Keep]] = kept_as(consent="id match film offset_s")

    class Meta:
        ordering = ["offset_s"]
        constraints = [models.UniqueConstraint(fields=["match", "film"], name="match_film_once")]

    def __str__(self) -> str:
        return f"{self.match_id} {self.film_id}"


class Upload(models.Model):
    """A film on its way in pieces. How much of it is here is the length of its part file, which no row repeats."""

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    club = models.ForeignKey(Club, on_delete=models.CASCADE, related_name="uploads")
    match = models.ForeignKey(Match, on_delete=models.CASCADE, related_name="uploads")
    by = models.ForeignKey(User, on_delete=models.CASCADE, related_name="+")
    name = models.CharField(max_length=120)
    length = models.PositiveBigIntegerField(validators=[MinValueValidator(1)])
    slices = models.CharField(max_length=64, blank=True)
    # The match time at which the film begins; None: where the films before it end.
    offset_s = models.FloatField(null=True, blank=True)
    visitors_agreed = models.BooleanField(default=False)
    created_at = models.DateTimeField(default=timezone.now)
    # When the last piece came; who stays away for long has their piece removed.
    touched_at = models.DateTimeField(default=timezone.now)
    # Once it is whole.
    film = models.ForeignKey(Film, null=True, blank=True, on_delete=models.CASCADE, related_name="uploads")

    kept: ClassVar[dict[str, Keep]] = kept_as(
        short="id uuid club match by name length slices offset_s visitors_agreed created_at touched_at film"
    )

    class Meta:
        ordering = ["-touched_at"]
        constraints = [models.CheckConstraint(condition=Q(length__gt=0), name="upload_has_a_length")]

    def __str__(self) -> str:
        return self.name


class CourtView(models.Model):
    """Where the court lies in a film's picture, from a moment on until the next view or the film's end.

    ``landmarks`` maps names of ``clubcoach.compute.court.LANDMARKS`` to ``[u, v]``, pixels of a picture of
    ``width`` x ``height``. What follows from them is worked out anew each time.
    """

    film = models.ForeignKey(Film, on_delete=models.CASCADE, related_name="court_views")
    from_s = models.FloatField(default=0)
    # The moment of the picture on which the landmarks were clicked.
    at_s = models.FloatField(default=0)
    width = models.PositiveIntegerField(validators=[MinValueValidator(2), MaxValueValidator(8192)])
    height = models.PositiveIntegerField(validators=[MinValueValidator(2), MaxValueValidator(8192)])
    landmarks = models.JSONField(default=dict)
    rms_px = models.FloatField()
    rms_m = models.FloatField()
    copied_from = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    placed_by = models.ForeignKey(User, null=True, on_delete=models.SET_NULL, related_name="+")
    placed_at = models.DateTimeField(default=timezone.now)
    # Somebody has seen the court's lines drawn back into the picture and found that they lie on it.
    looked_by = models.ForeignKey(User, null=True, blank=True, on_delete=models.SET_NULL, related_name="+")
    looked_at = models.DateTimeField(null=True, blank=True)

    kept: ClassVar[dict[str, Keep]] = kept_as(
        consent="id film from_s at_s width height landmarks rms_px rms_m copied_from placed_by placed_at"
        " looked_by looked_at"
    )

    class Meta:
        ordering = ["from_s"]
        constraints = [
            models.UniqueConstraint(fields=["film", "from_s"], name="court_view_once_from_a_moment"),
            models.CheckConstraint(condition=Q(from_s__gte=0, at_s__gte=0), name="court_view_in_the_film"),
        ]

    def __str__(self) -> str:
        return f"{self.film_id} from {self.from_s}"
