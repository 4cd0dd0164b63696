"""What a club decides for itself: its rules and ages, and what of the check list is looked at this term."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.validators import validate_email, validate_slug
from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from clubcoach.access import Can, Role, viewer_of
from clubcoach.audit import record
from clubcoach.compute.checklist_edit import CannotChange, with_asked, with_bounds
from clubcoach.models import Club, Invitation, User
from clubcoach.validators import formulas_in
from players.lists import default_data, install_check_list, install_defaults
from players.models import Area, CheckListVersion, Player
from players.services.invitations import issue_invitation

CLUB_FIELDS = (
    "name",
    "time_zone",
    "language",
    "deuce",
    "feet_rule",
    "own_consent_age",
    "majority_age",
    "welfare_contact",
    "film_months",
)


@transaction.atomic
def edit_club(*, by: Any, club: Club, **fields: Any) -> Club:
    """Change some of the club's settings, all of them or none."""
    viewer_of(by, club).must(Can.EDIT_CLUB)
    row = Club.objects.select_for_update().get(pk=club.pk)
    changed = _set(row, fields)
    if changed:
        row.save(update_fields=changed)
        record(by=by, club=row, action="club.changed", target=row, fields=changed)
    return row


def _set(club: Club, fields: Mapping[str, Any]) -> list[str]:
    if unknown := fields.keys() - set(CLUB_FIELDS):
        raise TypeError(f"not settings of a club: {', '.join(sorted(unknown))}")
    changed = []
    for name, value in fields.items():
        tidy = " ".join(value.split()) if isinstance(value, str) else value
        if getattr(club, name) != tidy:
            setattr(club, name, tidy)
            changed.append(name)
    problems: dict[str, Any] = {}
    try:
        club.clean_fields()
    except ValidationError as error:
        problems = error.update_error_dict({})
    if "name" in changed:
        problems |= formulas_in({"name": club.name})
    if club.language not in dict(settings.LANGUAGES):
        problems["language"] = _("This language is not offered.")
    ages = {"own_consent_age", "majority_age"}
    if not ages & problems.keys() and club.own_consent_age > club.majority_age:
        problems["own_consent_age"] = _(
            "Nobody comes of age before they decide alone: use %(age)d at most, or raise the age of majority."
        ) % {"age": club.majority_age}
    if problems:
        raise ValidationError(problems)
    return changed


@dataclass(frozen=True)
class AgeEffect:
    """How many players in the programme another pair of ages would change something for."""

    need_guardian: int = 0
    decide_alone: int = 0
    become_minors: int = 0
    come_of_age: int = 0

    @property
    def anybody(self) -> bool:
        return bool(self.need_guardian or self.decide_alone or self.become_minors or self.come_of_age)


def age_effect(
    club: Club, *, own_consent_age: int, majority_age: int, now: datetime | None = None
) -> AgeEffect:
    """Whom new ages would concern today; the same one query for any number of players."""
    today = club.today(now or timezone.now())
    known = Player.objects.filter(club=club, active=True, born_on__isnull=False).only("born_on")
    ages = [age for player in known if (age := player.age_on(today)) is not None]

    def between(low: int, high: int) -> int:
        return sum(low <= age < high for age in ages)

    return AgeEffect(
        need_guardian=between(club.own_consent_age, own_consent_age),
        decide_alone=between(own_consent_age, club.own_consent_age),
        become_minors=between(club.majority_age, majority_age),
        come_of_age=between(majority_age, club.majority_age),
    )


def bound_field(code: str, name: str) -> str:
    """The name under which a refusal of a bound is told; codes have no dot in them."""
    return f"{code}.{name}"


@transaction.atomic
def edit_check_list(
    *,
    by: Any,
    club: Club,
    areas_on: Iterable[str],
    checks_on: Iterable[str],
    bounds: Mapping[str, Mapping[str, float]],
    seen: int | None = None,
) -> CheckListVersion:
    """What is looked at from now on, and from which figure a check is met: a new version where anything differs.

    `seen` is the version that the person had before them. Analyses under way keep the version they were begun with.
    """
    viewer_of(by, club).must(Can.EDIT_LISTS)
    # Two people who save at once: the second is told, instead of undoing what the first did.
    Club.objects.select_for_update().get(pk=club.pk)
    versions = list(CheckListVersion.objects.of(club))
    if not versions:
        raise ValidationError(_("The club has no check list yet. Install one first."))
    latest = versions[0]
    if seen is not None and seen != latest.number:
        raise ValidationError(
            _("Somebody saved version %(n)d of the list in the meantime. Reload the page and look again.")
            % {"n": latest.number}
        )
    on = set(areas_on)
    earlier = [version.data for version in versions[1:]]
    try:
        data = with_bounds(latest.data, bounds, earlier)
        data = with_asked(data, on, checks_on, [*earlier, default_data("check_list")])
    except CannotChange as error:
        raise ValidationError(_told(error)) from None
    version = install_check_list(by=by, club=club, data=data)
    # A switch that was set past the list is put right here too.
    Area.objects.filter(club=club, code__in=on).exclude(on=True).update(on=True)
    Area.objects.filter(club=club).exclude(code__in=on).filter(on=True).update(on=False)
    return version


def _told(error: CannotChange) -> dict[str, list[str]]:
    told: dict[str, list[str]] = {}
    for problem in error.problems:
        sentence = f"{problem.what[:1].upper()}{problem.what[1:]}: {problem.what_to_do}."
        told.setdefault(problem.where, []).append(sentence)
    return told


@dataclass(frozen=True)
class Founded:
    """A new club, the invitation of its head coach, and the secret that stands in its address."""

    club: Club
    invitation: Invitation
    secret: str


@transaction.atomic
def found_club(
    *,
    name: str,
    slug: str,
    time_zone: str,
    head_coach: str,
    language: str = "en",
    now: datetime | None = None,
) -> Founded:
    """A club with the standard check list, levels and drills, and an invitation for its first head coach."""
    club = Club(slug=slug.strip())
    problems: dict[str, Any] = {}
    try:
        validate_slug(club.slug)
    except ValidationError:
        problems["slug"] = _("“%(slug)s” is no address: use small letters, digits and hyphens.") % {
            "slug": slug
        }
    if club.slug != club.slug.lower():
        problems["slug"] = _("“%(slug)s” is no address: use small letters, digits and hyphens.") % {
            "slug": slug
        }
    elif Club.objects.filter(slug=club.slug).exists():
        problems["slug"] = _("A club has the address “%(slug)s” already.") % {"slug": slug}
    address = User.objects.normalize_email(head_coach.strip()).lower()
    try:
        validate_email(address)
    except ValidationError:
        problems["head_coach"] = _("“%(email)s” is no e-mail address.") % {"email": head_coach}
    try:
        _set(club, {"name": name, "time_zone": time_zone, "language": language})
    except ValidationError as error:
        problems |= {key: value for key, value in error.error_dict.items() if key not in problems}
    if problems:
        raise ValidationError(problems)
    club.save()
    record(by=None, club=club, action="club.founded", target=club, fields=["name", "slug", "time_zone"])
    install_defaults(by=None, club=club)
    invitation, secret = issue_invitation(
        by=None, club=club, address=address, role=Role.HEAD_COACH, now=now or timezone.now(), keep_unsent=True
    )
    return Founded(club, invitation, secret)
