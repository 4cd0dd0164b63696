from datetime import date, datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from clubcoach.access import Role
from clubcoach.audit import record
from clubcoach.models import Club, Membership, User
from clubcoach.validators import formulas_in
from players.models import FilmConsent, Guardianship, Level, Player, Squad
from players.services.consent import end_consents
from players.signals import squad_changed

EDITABLE = ("given_name", "family_name", "born_on", "birth_year", "email", "hand", "side", "ref", "active")
NAMES = ("given_name", "family_name", "ref")
OLDEST = 110


@transaction.atomic
def add_player(
    *, by: Any, club: Club, level: Level | None = None, now: datetime | None = None, **fields: Any
) -> Player:
    """Put a player on the roster. Two players may share name and date of birth: twins are two."""
    player = Player(club=club, level=_own_level(club, level))
    _set(player, fields, club.today(now))
    player.save()
    record(by=by, club=club, action="player.added", target=player, fields=[*fields, "level"])
    return player


@transaction.atomic
def edit_player(*, by: Any, player: Player, now: datetime | None = None, **fields: Any) -> Player:
    row = Player.objects.select_for_update(of=("self",)).select_related("club").get(pk=player.pk)
    changed = _set(row, fields, row.club.today(now))
    if changed:
        row.save(update_fields=changed)
        record(by=by, club=row.club, action="player.changed", target=row, fields=changed)
    if "active" in changed:
        # Who leaves the programme, or comes back, is not, or is again, expected at the squad's coming lessons.
        for squad in row.squads.filter(retired_on=None):
            squad_changed.send(sender=Squad, squad=squad, by=by, now=now or timezone.now())
    return row


@transaction.atomic
def set_level(*, by: Any, player: Player, level: Level | None) -> Player:
    row = Player.objects.select_for_update(of=("self",)).select_related("club").get(pk=player.pk)
    if row.level_id != (level.pk if level else None):
        row.level = _own_level(row.club, level)
        row.save(update_fields=["level"])
        record(by=by, club=row.club, action="player.level_set", target=row, fields=["level"])
    return row


@transaction.atomic
def add_guardian(*, by: Any, player: Player, guardian: User, now: datetime | None = None) -> Guardianship:
    """Let somebody of the club look after a minor; strangers to the club are invited instead."""
    club = player.club
    moment = now or timezone.now()
    if not Membership.objects.filter(user=guardian, club=club).exists():
        raise ValidationError({"email": _("This person is not in the club yet. Send an invitation.")})
    refuse_guardian(player, guardian, moment)
    Membership.objects.get_or_create(user=guardian, club=club, role=Role.GUARDIAN)
    row, made = Guardianship.objects.get_or_create(
        guardian=guardian, player=player, defaults={"since": moment}
    )
    if made:
        record(by=by, club=club, action="guardian.added", target=row, fields=["guardian", "player"])
    return row


def refuse_guardian(player: Player, guardian: User | None, now: datetime) -> None:
    """Only a minor has guardians, and nobody looks after themselves."""
    if player.born_on is None:
        raise ValidationError(
            {"email": _("Write the date of birth first: only a minor has guardians, and we cannot tell.")}
        )
    if not player.is_minor(player.club.today(now)):
        raise ValidationError({"email": _("This player is of age and has no guardians.")})
    if guardian is not None and player.user_id == guardian.pk:
        raise ValidationError({"email": _("This is the player's own account.")})


@transaction.atomic
def remove_guardian(
    *, by: Any, player: Player, guardian: User, now: datetime | None = None
) -> Guardianship | None:
    """End a guardian's view. A consent that stands on their word ends with it: nobody else has said yes."""
    moment = now or timezone.now()
    row = Guardianship.objects.filter(player=player, guardian=guardian).first()
    if row is None:
        return None
    record(by=by, club=player.club, action="guardian.removed", target=row, fields=["guardian", "player"])
    row.delete()
    stands_on = FilmConsent.objects.in_force(player.club.today(moment)).filter(
        player=player, by=FilmConsent.By.GUARDIAN, way=FilmConsent.Way.HERE, given_by=guardian
    )
    if stands_on.exists():
        end_consents(by=by, player=player, now=moment)
    if not Guardianship.objects.filter(guardian=guardian, player__club=player.club).exists():
        Membership.objects.filter(user=guardian, club=player.club, role=Role.GUARDIAN).delete()
    return row


def _own_level(club: Club, level: Level | None) -> Level | None:
    if level is not None and level.club_id != club.pk:
        raise ValidationError({"level": _("This is no level of the club.")})
    return level


def _set(player: Player, fields: dict[str, Any], today: date) -> list[str]:
    """Write the values on the player and check them all before anything is saved; returns what differs."""
    unknown = fields.keys() - set(EDITABLE)
    if unknown:
        raise TypeError(f"not fields of a player that can be edited: {', '.join(sorted(unknown))}")
    kept, problems = _born(fields, today)
    changed = []
    for name, value in kept.items():
        tidy = " ".join(value.split()) if isinstance(value, str) else value
        if getattr(player, name) != tidy:
            setattr(player, name, tidy)
            changed.append(name)
    try:
        player.clean_fields(exclude=["club", "user", "level"])
    except ValidationError as error:
        problems |= error.update_error_dict({})
    problems |= formulas_in({name: getattr(player, name) for name in NAMES if name in changed})
    if "born_on" not in problems and player.birthday is not None:
        if player.birthday > today:
            problems["born_on"] = _("This date of birth is in the future.")
        elif today.year - player.birthday.year > OLDEST:
            problems["born_on"] = _("This date of birth is too long ago. Check the year.")
    same_ref = Player.objects.filter(club_id=player.club_id, ref=player.ref).exclude(pk=player.pk)
    if player.ref and same_ref.exists():
        problems["ref"] = _("Another player of the club has this reference.")
    if problems:
        raise ValidationError(problems)
    return changed


def _born(fields: dict[str, Any], today: date) -> tuple[dict[str, Any], dict[str, Any]]:
    """The fields as they are kept, a year alone as its last day; and what is wrong with date and year."""
    kept = {name: value for name, value in fields.items() if name != "birth_year"}
    if not {"born_on", "birth_year"} & fields.keys():
        return kept, {}
    day, year = fields.get("born_on"), fields.get("birth_year")
    if day is not None and year not in (None, day.year):
        words = _("The date of birth says another year. Correct one, or leave the year empty.")
        return kept, {"birth_year": words}
    if day is not None or year is None:
        return kept | {"born_on": day, "birthday_known": True}, {}
    if year > today.year:
        return kept, {"birth_year": _("This year is in the future.")}
    if today.year - year > OLDEST:
        return kept, {"birth_year": _("This year is too long ago. Check it.")}
    return kept | {"born_on": date(year, 12, 31), "birthday_known": False}, {}
