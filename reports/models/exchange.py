"""Data that come in from a club's past, and data that go out of it."""

import uuid
from typing import ClassVar

from django.db import models
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from clubcoach.access import Can, Viewer
from clubcoach.models import Club, Job, User
from clubcoach.retention import Keep, kept_as


class BatchQuerySet(models.QuerySet["Batch"]):
    def seen_by(self, viewer: Viewer) -> "BatchQuerySet":
        return self.filter(club=viewer.club) if viewer.can(Can.MOVE_DATA) else self.none()

    def alive(self) -> "BatchQuerySet":
        """Those that a job is, or may still be, at work on."""
        return self.filter(state__in=[Batch.State.ARRIVED, Batch.State.WRITING])


class Batch(models.Model):
    """One import: what arrived, what was wrong with it, and what became of it.

    While it is written its rows stand in a club of their own that nobody belongs to, so no query of the club sees
    them; then they change clubs at once.
    """

    class Kind(models.TextChoices):
        FOLDER = "folder", _("folder of files")
        WORKBOOK = "workbook", _("workbook")
        ROSTER = "roster", _("roster")

    class State(models.TextChoices):
        ARRIVED = "arrived", _("being read")
        REFUSED = "refused", _("refused")
        READ = "read", _("read, nothing written yet")
        WRITING = "writing", _("being written")
        DONE = "done", _("done")
        GONE = "gone", _("swept away")

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    club = models.ForeignKey(Club, on_delete=models.CASCADE, related_name="batches")
    holding = models.OneToOneField(
        Club, null=True, blank=True, on_delete=models.SET_NULL, related_name="holds_batch"
    )
    by = models.ForeignKey(User, null=True, on_delete=models.SET_NULL, related_name="+")
    kind = models.CharField(max_length=10, choices=Kind.choices, default=Kind.FOLDER)
    name = models.CharField(max_length=200)
    # Below the exchange folder; empty once the files are gone.
    folder = models.CharField(max_length=200, blank=True)
    state = models.CharField(max_length=10, choices=State.choices, default=State.ARRIVED)
    # {"players": {"new": 3, "there": 9}, ...}: what will be written, then what was.
    counts = models.JSONField(default=dict)
    # The first thousand as [file, line, column, value, reason]; how many there are is in problem_count.
    problems = models.JSONField(default=list)
    problem_count = models.PositiveIntegerField(default=0)
    # Sentences to look at before anything is written: people who may be twins, what the format leaves out.
    remarks = models.JSONField(default=list)
    job = models.ForeignKey(Job, null=True, blank=True, on_delete=models.SET_NULL, related_name="+")
    created_at = models.DateTimeField(default=timezone.now)
    ended_at = models.DateTimeField(null=True, blank=True)

    kept: ClassVar[dict[str, Keep]] = kept_as(
        club="id uuid club holding kind state counts problem_count job created_at ended_at",
        person="by",
        short="name folder problems remarks",
    )

    objects = BatchQuerySet.as_manager()

    class Meta:
        verbose_name_plural = "batches"
        ordering = ["-created_at", "-pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["club"],
                condition=Q(state="writing"),
                name="batch_one_writes_at_a_time",
                violation_error_message=_(
                    "Another import of this club is being written. Wait until it is done."
                ),
            )
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.uuid}"


class ParcelQuerySet(models.QuerySet["Parcel"]):
    def seen_by(self, viewer: Viewer) -> "ParcelQuerySet":
        return self.filter(club=viewer.club) if viewer.can(Can.MOVE_DATA) else self.none()


class Parcel(models.Model):
    """One export: a file that is fetched from here for a few days."""

    class Kind(models.TextChoices):
        CLUB = "club", _("everything, as a folder of files")
        SCORES = "scores", _("scores")

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    club = models.ForeignKey(Club, on_delete=models.CASCADE, related_name="parcels")
    by = models.ForeignKey(User, null=True, on_delete=models.SET_NULL, related_name="+")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    # Below the exchange folder; empty until it is made and after it is gone.
    file = models.CharField(max_length=200, blank=True)
    size = models.PositiveBigIntegerField(default=0)
    counts = models.JSONField(default=dict)
    job = models.ForeignKey(Job, null=True, blank=True, on_delete=models.SET_NULL, related_name="+")
    created_at = models.DateTimeField(default=timezone.now)
    expires_at = models.DateTimeField()

    kept: ClassVar[dict[str, Keep]] = kept_as(
        club="id uuid club kind size counts job created_at expires_at", person="by", short="file"
    )

    objects = ParcelQuerySet.as_manager()

    class Meta:
        ordering = ["-created_at", "-pk"]

    def __str__(self) -> str:
        return f"{self.kind} {self.uuid}"
