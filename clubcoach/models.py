"""Who there is, in which club and as what; who did what; and which work is waiting."""

import secrets
import uuid
import zoneinfo
from datetime import date, datetime, timedelta
from hashlib import sha256
from typing import Any, ClassVar

from allauth.account.models import EmailAddress
from django.conf import settings
from django.contrib.auth.models import AbstractBaseUser, BaseUserManager, PermissionsMixin
from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q
from django.db.models.functions import Lower
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from clubcoach.access import Role
from clubcoach.retention import Keep, kept_as


class UserManager(BaseUserManager["User"]):
    def create_user(self, email: str, password: str | None = None, **fields: Any) -> "User":
        user = self.model(email=self.normalize_email(email).lower(), **fields)
        user.set_password(password)
        user.save(using=self._db)
        # People come in by a mail sent to this address, so it is known to be theirs; a second step at login needs that.
        EmailAddress.objects.create(user=user, email=user.email, verified=True, primary=True)
        return user

    def create_superuser(self, email: str, password: str | None = None, **fields: Any) -> "User":
        return self.create_user(email, password, is_staff=True, is_superuser=True, **fields)


class User(AbstractBaseUser, PermissionsMixin):
    email = models.EmailField(_("e-mail"), unique=True)
    given_name = models.CharField(_("given name"), max_length=80)
    family_name = models.CharField(_("family name"), max_length=80, blank=True)
    language = models.CharField(_("language"), max_length=8, default="en")
    is_active = models.BooleanField(default=True)
    is_staff = models.BooleanField(default=False)
    joined_at = models.DateTimeField(default=timezone.now)

    kept: ClassVar[dict[str, Keep]] = kept_as(
        person="id email given_name family_name language is_active is_staff is_superuser joined_at password",
        security="last_login",
    )
    objects = UserManager()

    USERNAME_FIELD = "email"
    EMAIL_FIELD = "email"
    REQUIRED_FIELDS = ["given_name"]

    class Meta:
        constraints = [models.UniqueConstraint(Lower("email"), name="user_email_any_case")]

    def __str__(self) -> str:
        return self.name

    @property
    def name(self) -> str:
        return f"{self.given_name} {self.family_name}".strip()

    @property
    def initials(self) -> str:
        return "".join(part[0].upper() for part in (self.given_name, self.family_name) if part)


def validate_zone(value: str) -> None:
    if value not in zoneinfo.available_timezones():
        raise ValidationError(
            _("“%(zone)s” is no time zone. Use a name such as Europe/Madrid."), params={"zone": value}
        )


class Club(models.Model):
    class Deuce(models.TextChoices):
        ADVANTAGE = "advantage", _("advantage")
        GOLDEN = "golden", _("one deciding point at 40-40")
        STAR = "star", _("at most two advantages, then a deciding point")

    class Feet(models.TextChoices):
        BOTH = "both", _("both feet behind the line")
        ONE = "one", _("one foot behind the line")

    slug = models.SlugField(_("address"), unique=True)
    name = models.CharField(_("name"), max_length=120)
    time_zone = models.CharField(
        _("time zone"), max_length=64, default="Europe/Madrid", validators=[validate_zone]
    )
    language = models.CharField(_("language"), max_length=8, default="en")
    deuce = models.CharField(_("deuce"), max_length=12, choices=Deuce.choices, default=Deuce.ADVANTAGE)
    feet_rule = models.CharField(
        _("feet at the serve"), max_length=8, choices=Feet.choices, default=Feet.BOTH
    )
    own_consent_age = models.PositiveSmallIntegerField(
        _("age of own consent"), default=16, validators=[MinValueValidator(13), MaxValueValidator(18)]
    )
    majority_age = models.PositiveSmallIntegerField(
        _("age of majority"), default=18, validators=[MinValueValidator(16), MaxValueValidator(21)]
    )
    welfare_contact = models.CharField(_("welfare contact"), max_length=200, blank=True)
    # How long a film stays after the last analysis of it was published.
    film_months = models.PositiveSmallIntegerField(
        _("months that a film is kept"), default=12, validators=[MinValueValidator(1), MaxValueValidator(60)]
    )
    # None: what the deployment gives every club.
    film_quota_gb = models.PositiveIntegerField(null=True, blank=True, validators=[MinValueValidator(1)])
    created_at = models.DateTimeField(default=timezone.now)

    kept: ClassVar[dict[str, Keep]] = kept_as(
        club="id slug name time_zone language deuce feet_rule own_consent_age majority_age"
        " welfare_contact film_months film_quota_gb created_at"
    )

    def __str__(self) -> str:
        return self.name

    @property
    def zone(self) -> zoneinfo.ZoneInfo:
        return zoneinfo.ZoneInfo(self.time_zone)

    def day_of(self, moment: datetime) -> date:
        """The calendar day of a moment where the club is."""
        return moment.astimezone(self.zone).date()

    def today(self, now: datetime | None = None) -> date:
        return self.day_of(now or timezone.now())


class Membership(models.Model):
    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="memberships")
    club = models.ForeignKey(Club, on_delete=models.CASCADE, related_name="memberships")
    role = models.CharField(_("role"), max_length=16, choices=[(role.value, role.label) for role in Role])
    since = models.DateTimeField(default=timezone.now)

    kept: ClassVar[dict[str, Keep]] = kept_as(person="id user club role since")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["user", "club", "role"],
                name="membership_once",
                violation_error_message=_("This person has that role here already."),
            ),
            models.CheckConstraint(
                condition=Q(role__in=[role.value for role in Role]), name="membership_role_known"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.user_id} {self.role} {self.club_id}"


class Invitation(models.Model):
    """An address that somebody was asked to open; only a digest of its secret is stored."""

    club = models.ForeignKey(Club, on_delete=models.CASCADE, related_name="invitations")
    email = models.EmailField(_("e-mail"))
    role = models.CharField(_("role"), max_length=16, choices=[(role.value, role.label) for role in Role])
    person = models.UUIDField(_("player this is about"), null=True, blank=True)
    digest = models.CharField(max_length=64, unique=True)
    invited_by = models.ForeignKey(User, null=True, on_delete=models.SET_NULL, related_name="+")
    created_at = models.DateTimeField(default=timezone.now)
    expires_at = models.DateTimeField()
    accepted_at = models.DateTimeField(null=True, blank=True)
    accepted_by = models.ForeignKey(User, null=True, blank=True, on_delete=models.SET_NULL, related_name="+")

    kept: ClassVar[dict[str, Keep]] = kept_as(
        short="id email digest person",
        security="club role invited_by created_at expires_at accepted_at accepted_by",
    )

    def __str__(self) -> str:
        return f"invitation {self.pk} to {self.club_id}"

    @staticmethod
    def digest_of(secret: str) -> str:
        return sha256(secret.encode()).hexdigest()

    @classmethod
    def issue(
        cls, *, days: int | None = None, now: datetime | None = None, **fields: Any
    ) -> tuple["Invitation", str]:
        secret = secrets.token_urlsafe(32)
        moment = now or timezone.now()
        invitation = cls(
            digest=cls.digest_of(secret),
            created_at=moment,
            expires_at=moment + timedelta(days=settings.INVITATION_DAYS if days is None else days),
            **fields,
        )
        invitation.save()
        return invitation, secret

    def problem(self, now: datetime) -> str:
        """Why it cannot be accepted any more, as a sentence; empty if it can."""
        if self.accepted_at:
            return str(_("This invitation was used already. Sign in instead, or ask the club for a new one."))
        if self.expires_at <= now:
            return str(_("This invitation has expired. Ask the club to send a new one."))
        return ""


class AuditEvent(models.Model):
    """Who did what to which row: ids and names of fields, never their values."""

    club = models.ForeignKey(Club, null=True, on_delete=models.CASCADE, related_name="audit_events")
    actor = models.ForeignKey(User, null=True, on_delete=models.SET_NULL, related_name="+")
    at = models.DateTimeField(default=timezone.now, db_index=True)
    action = models.CharField(max_length=60)
    target_type = models.CharField(max_length=60)
    target_id = models.CharField(max_length=64)
    fields = models.JSONField(default=list)

    kept: ClassVar[dict[str, Keep]] = kept_as(security="id club actor at action target_type target_id fields")

    class Meta:
        indexes = [models.Index(fields=["club", "-at"])]

    def __str__(self) -> str:
        return f"{self.action} {self.target_type} {self.target_id}"


class Job(models.Model):
    """The truth about a piece of background work; a message to a worker is only a nudge to look here."""

    class State(models.TextChoices):
        WAITING = "waiting", _("waiting")
        RUNNING = "running", _("at work")
        DONE = "done", _("done")
        FAILED = "failed", _("failed")
        STOPPED = "stopped", _("stopped")

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    club = models.ForeignKey(Club, null=True, on_delete=models.CASCADE, related_name="jobs")
    kind = models.CharField(max_length=60)
    args = models.JSONField(default=dict)
    key = models.CharField(max_length=120, blank=True)
    state = models.CharField(max_length=10, choices=State.choices, default=State.WAITING)
    progress = models.PositiveSmallIntegerField(default=0)
    note = models.CharField(max_length=300, blank=True)
    attempt = models.PositiveSmallIntegerField(default=0)
    attempts_allowed = models.PositiveSmallIntegerField(default=3)
    lease_until = models.DateTimeField(null=True, blank=True)
    owner = models.CharField(max_length=80, blank=True)
    asked_by = models.ForeignKey(User, null=True, blank=True, on_delete=models.SET_NULL, related_name="+")
    created_at = models.DateTimeField(default=timezone.now)
    finished_at = models.DateTimeField(null=True, blank=True)

    kept: ClassVar[dict[str, Keep]] = kept_as(
        short="id uuid club kind args key state progress note attempt attempts_allowed lease_until owner"
        " asked_by created_at finished_at"
    )

    class Meta:
        indexes = [models.Index(fields=["state", "lease_until"])]
        constraints = [
            models.CheckConstraint(condition=Q(progress__lte=100), name="job_progress_percent"),
            # Two waiting jobs for the same thing would only do the same work twice.
            models.UniqueConstraint(
                fields=["kind", "key"], condition=Q(state="waiting") & ~Q(key=""), name="job_waiting_once"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.state}"

    @property
    def over(self) -> bool:
        return self.state in (self.State.DONE, self.State.FAILED, self.State.STOPPED)


class ApiToken(models.Model):
    """A person's key to the JSON interface; shown once, kept as a digest."""

    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="api_tokens")
    name = models.CharField(_("what it is for"), max_length=80)
    digest = models.CharField(max_length=64, unique=True)
    created_at = models.DateTimeField(default=timezone.now)
    last_used_at = models.DateTimeField(null=True, blank=True)
    expires_at = models.DateTimeField()

    kept: ClassVar[dict[str, Keep]] = kept_as(
        person="id user name digest created_at expires_at", security="last_used_at"
    )

    def __str__(self) -> str:
        return self.name

    @classmethod
    def issue(cls, *, user: User, name: str, days: int = 365) -> tuple["ApiToken", str]:
        secret = secrets.token_urlsafe(32)
        token = cls.objects.create(
            user=user,
            name=name,
            digest=sha256(secret.encode()).hexdigest(),
            expires_at=timezone.now() + timedelta(days=days),
        )
        return token, secret
