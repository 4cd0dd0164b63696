"""People and pairs, who looks after whom, who may be on film, and what they aim at."""

import calendar
import uuid
from datetime import date
from typing import Any, ClassVar

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Exists, F, OuterRef, Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from clubcoach.access import Can, Role, Viewer
from clubcoach.models import Club, User
from clubcoach.retention import Keep, kept_as
from players.models.lists import SHARE, Area, Level


def years_after(day: date, years: int) -> date:
    """The same day some years later; the 29th of February becomes the 28th where there is none."""
    year = day.year + years
    return day.replace(year=year, day=min(day.day, calendar.monthrange(year, day.month)[1]))


class Side(models.TextChoices):
    LEFT = "left", _("left side")
    RIGHT = "right", _("right side")


class PlayerQuerySet(models.QuerySet["Player"]):
    def seen_by(self, viewer: Viewer) -> "PlayerQuerySet":
        """Whose own page this person may open: coaches all, others themselves and the children they look after."""
        here = self.filter(club=viewer.club)
        if viewer.can(Can.SEE_SCORES):
            return here
        return here.filter(pk__in=own_player_ids(viewer))

    def with_level(self) -> "PlayerQuerySet":
        return self.select_related("level", "user", "club")

    def called(self, words: str) -> "PlayerQuerySet":
        """Whose given or family name has each of the words in it."""
        found = self
        for word in words.split():
            found = found.filter(Q(given_name__icontains=word) | Q(family_name__icontains=word))
        return found

    def younger_than(self, age: int, day: date) -> "PlayerQuerySet":
        """Who is known not to have reached this age; an unknown date of birth is nobody's proof of youth."""
        return self.filter(born_on__gt=years_after(day, -age))

    def minors(self, club: Club, day: date) -> "PlayerQuerySet":
        return self.younger_than(club.majority_age, day)

    def lacking(self, what: str, club: Club, day: date) -> "PlayerQuerySet":
        """Of whom the club does not know or have something: a level, a minor's guardian, consent to be filmed."""
        if what == "level":
            return self.filter(level=None)
        if what == "guardian":
            return self.minors(club, day).without_guardian()
        if what == "consent":
            return self.without_consent(club, day)
        raise ValueError(f"nothing that a player may lack: {what}")

    def without_guardian(self) -> "PlayerQuerySet":
        return self.filter(~Exists(Guardianship.objects.filter(player=OuterRef("pk"))))

    def without_consent(self, club: Club, day: date) -> "PlayerQuerySet":
        """Who may not be filmed on this day: the same rule as ``players.consent``, asked of all rows at once."""
        given = FilmConsent.objects.in_force(day).filter(player=OuterRef("pk"))
        young = Q(born_on__gt=years_after(day, -club.own_consent_age))
        return self.filter(
            ~Exists(given.filter(by=FilmConsent.By.PLAYER))
            | (young & ~Exists(given.filter(by=FilmConsent.By.GUARDIAN)))
        )


def own_player_ids(viewer: Viewer) -> set[int]:
    """The players that this person is or looks after here; a guardian's view ends at the age of majority."""
    mine: set[int] = set()
    if Role.STUDENT in viewer.roles:
        mine |= set(Player.objects.filter(club=viewer.club, user=viewer.user).values_list("pk", flat=True))
    if Role.GUARDIAN in viewer.roles:
        wards = Player.objects.filter(club=viewer.club, guardianships__guardian=viewer.user).select_related(
            "club"
        )
        mine |= {player.pk for player in wards if player.is_minor()}
    return mine


class Player(models.Model):
    class Hand(models.TextChoices):
        RIGHT = "right", _("right-handed")
        LEFT = "left", _("left-handed")

    uuid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    club = models.ForeignKey(Club, on_delete=models.CASCADE, related_name="players")
    user = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.SET_NULL, related_name="players"
    )
    ref = models.CharField(_("reference"), max_length=60, blank=True)
    given_name = models.CharField(_("given name"), max_length=80)
    family_name = models.CharField(_("family name"), max_length=80, blank=True)
    born_on = models.DateField(_("date of birth"), null=True, blank=True)
    # False: only the year was told, and born_on is its last day, so that protection of minors ends late and not early.
    birthday_known = models.BooleanField(default=True)
    # Where the club may write to somebody who has no account yet.
    email = models.EmailField(_("e-mail"), blank=True)
    level = models.ForeignKey(
        Level,
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="players",
        verbose_name=_("level"),
    )
    hand = models.CharField(_("hand"), max_length=8, choices=Hand.choices, default=Hand.RIGHT)
    side = models.CharField(_("usual side"), max_length=8, choices=Side.choices, blank=True)
    active = models.BooleanField(_("in the programme"), default=True)
    created_at = models.DateTimeField(default=timezone.now)

    kept: ClassVar[dict[str, Keep]] = kept_as(
        person="id uuid club user ref given_name family_name born_on birthday_known email level hand side active"
        " created_at"
    )
    objects = PlayerQuerySet.as_manager()

    class Meta:
        ordering = ["family_name", "given_name", "pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["club", "user"], condition=Q(user__isnull=False), name="player_user_once_per_club"
            ),
            models.UniqueConstraint(
                fields=["club", "ref"], condition=~Q(ref=""), name="player_ref_once_per_club"
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def save(self, **kwargs: Any) -> None:
        fresh = self.pk is None
        super().save(**kwargs)
        if fresh:
            Unit.objects.create(club_id=self.club_id, kind=Unit.Kind.PLAYER, first=self)

    @property
    def name(self) -> str:
        return f"{self.given_name} {self.family_name}".strip()

    @property
    def initials(self) -> str:
        return "".join(f"{part[0].upper()}." for part in (self.given_name, self.family_name) if part)

    @property
    def birthday(self) -> date | None:
        return self.born_on if self.birthday_known else None

    @property
    def birth_year(self) -> int | None:
        """Where no more than the year is known."""
        return None if self.birthday_known or self.born_on is None else self.born_on.year

    def age_on(self, day: date) -> int | None:
        if self.born_on is None:
            return None
        before_birthday = (day.month, day.day) < (self.born_on.month, self.born_on.day)
        return day.year - self.born_on.year - before_birthday

    def is_minor(self, day: date | None = None) -> bool:
        age = self.age_on(day or self.club.today())
        return age is not None and age < self.club.majority_age

    @property
    def shown_name(self) -> str:
        """Beside a picture a minor has no full name."""
        return self.given_name if self.is_minor() else self.name


class UnitQuerySet(models.QuerySet["Unit"]):
    def known_pair(self, one: Player, other: Player) -> "Unit | None":
        """The pair of two players if there is one, in whichever order they are named."""
        first, second = sorted((one.pk, other.pk))
        return self.filter(kind=Unit.Kind.PAIR, first=first, second=second).first()

    def pair_of(self, one: Player, other: Player) -> "Unit":
        """The pair of two players, made when it is first needed; the order in which they are named is no matter."""
        if one.pk == other.pk:
            raise ValidationError(_("A pair needs two different players."))
        if one.club_id != other.club_id:
            raise ValidationError(_("Both players of a pair belong to one club."))
        first, second = sorted((one, other), key=lambda player: player.pk)
        pair, _made = self.get_or_create(
            kind=Unit.Kind.PAIR, first=first, second=second, defaults={"club_id": one.club_id}
        )
        if pair.club_id != one.club_id:
            # An import that is still being written has made it: the pair is the club's own from now on.
            pair.club_id = one.club_id
            pair.save(update_fields=["club"])
        return pair


class Unit(models.Model):
    """What a situation is about and a score belongs to: one player, or a pair as a pair."""

    class Kind(models.TextChoices):
        PLAYER = "player", _("player")
        PAIR = "pair", _("pair")

    club = models.ForeignKey(Club, on_delete=models.CASCADE, related_name="units")
    kind = models.CharField(max_length=8, choices=Kind.choices)
    first = models.ForeignKey(Player, on_delete=models.CASCADE, related_name="+")
    second = models.ForeignKey(Player, null=True, blank=True, on_delete=models.CASCADE, related_name="+")

    kept: ClassVar[dict[str, Keep]] = kept_as(person="id club kind first second")
    objects = UnitQuerySet.as_manager()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(kind="player", second__isnull=True) | Q(kind="pair", first__lt=F("second")),
                name="unit_player_or_ordered_pair",
                violation_error_message=_("A pair needs two different players."),
            ),
            models.UniqueConstraint(fields=["first"], condition=Q(kind="player"), name="unit_player_once"),
            models.UniqueConstraint(
                fields=["first", "second"], condition=Q(kind="pair"), name="unit_pair_once"
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def name(self) -> str:
        if self.second is None:
            return self.first.name
        return str(_("%(one)s and %(other)s")) % {"one": self.first.name, "other": self.second.name}

    @property
    def player_ids(self) -> list[int]:
        return [pk for pk in (self.first_id, self.second_id) if pk]


class Guardianship(models.Model):
    guardian = models.ForeignKey(User, on_delete=models.CASCADE, related_name="guardianships")
    player = models.ForeignKey(Player, on_delete=models.CASCADE, related_name="guardianships")
    since = models.DateTimeField(default=timezone.now)

    kept: ClassVar[dict[str, Keep]] = kept_as(person="id guardian player since")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["guardian", "player"], name="guardianship_once")]

    def __str__(self) -> str:
        return f"{self.guardian_id} for {self.player_id}"


class FilmConsentQuerySet(models.QuerySet["FilmConsent"]):
    def in_force(self, day: date) -> "FilmConsentQuerySet":
        return self.filter(withdrawn_at__isnull=True, expires_on__gte=day)


class FilmConsent(models.Model):
    """That a player may be filmed and the film looked at; for a minor both the guardian and the child say so."""

    class By(models.TextChoices):
        PLAYER = "player", _("the player")
        GUARDIAN = "guardian", _("a guardian")

    class Way(models.TextChoices):
        HERE = "here", _("on this page")
        PAPER = "paper", _("on paper")

    player = models.ForeignKey(Player, on_delete=models.CASCADE, related_name="film_consents")
    by = models.CharField(max_length=10, choices=By.choices)
    given_by = models.ForeignKey(User, null=True, on_delete=models.SET_NULL, related_name="+")
    way = models.CharField(max_length=8, choices=Way.choices, default=Way.HERE)
    witness = models.CharField(_("witness"), max_length=120, blank=True)
    purpose = models.CharField(_("purpose"), max_length=200)
    given_at = models.DateTimeField(default=timezone.now)
    expires_on = models.DateField(_("ends on"))
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    kept: ClassVar[dict[str, Keep]] = kept_as(
        person="id player by given_by way witness purpose given_at expires_on withdrawn_at"
    )
    objects = FilmConsentQuerySet.as_manager()

    class Meta:
        constraints = [
            # Asking twice changes nothing: one consent in force for each person who has to give it.
            models.UniqueConstraint(
                fields=["player", "by"], condition=Q(withdrawn_at__isnull=True), name="consent_once_in_force"
            )
        ]

    def __str__(self) -> str:
        return f"{self.by} for {self.player_id}"


class Goal(models.Model):
    """A score in an area by a date. A missed goal gets a new date; the old one stays readable."""

    unit = models.ForeignKey(Unit, on_delete=models.CASCADE, related_name="goals")
    area = models.ForeignKey(Area, on_delete=models.PROTECT, related_name="+")
    target = models.PositiveSmallIntegerField(_("target"), validators=SHARE)
    due_on = models.DateField(_("by"))
    set_by = models.ForeignKey(User, null=True, on_delete=models.SET_NULL, related_name="+")
    set_at = models.DateTimeField(default=timezone.now)
    closed_at = models.DateTimeField(null=True, blank=True)

    kept: ClassVar[dict[str, Keep]] = kept_as(person="id unit area target due_on set_by set_at closed_at")

    class Meta:
        ordering = ["due_on"]
        constraints = [
            models.CheckConstraint(condition=Q(target__lte=100), name="goal_is_a_share"),
            models.UniqueConstraint(
                fields=["unit", "area"], condition=Q(closed_at__isnull=True), name="goal_open_once"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.unit_id} {self.area_id} {self.target}"
