"""Who plays as a pair, and who has lessons together."""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from clubcoach.access import Can, viewer_of
from clubcoach.audit import record
from clubcoach.models import Club, User
from clubcoach.validators import formulas_in
from players.models import Level, Player, Squad, Unit
from players.signals import squad_changed, squad_retiring


@transaction.atomic
def make_pair(*, by: Any, one: Player, other: Player) -> Unit:
    """The pair of two players; one that is there already is given back and nothing is written."""
    if one.pk == other.pk:
        raise ValidationError(
            {
                "other": _("A pair needs two different players: %(name)s stands in both places.")
                % {"name": one.name}
            }
        )
    if one.club_id != other.club_id:
        raise ValidationError({"other": _("Both players of a pair belong to one club.")})
    there = Unit.objects.known_pair(one, other)
    if there is not None:
        return there
    pair = Unit.objects.pair_of(one, other)
    record(by=by, club=pair.club, action="pair.made", target=pair, fields=["first", "second"])
    return pair


@transaction.atomic
def save_squad(
    *,
    by: Any,
    club: Club,
    name: str,
    level: Level | None = None,
    coach: User | None = None,
    players: Iterable[Player] = (),
    squad: Squad | None = None,
    now: datetime | None = None,
) -> Squad:
    """Make a squad or change one. Nobody in it is allowed: a club may write down its groups before it has players."""
    row = Squad(club=club) if squad is None else _locked(squad)
    members = list({player.pk: player for player in players}.values())
    tidy = " ".join(name.split())
    _refuse(club, row, tidy, level, coach, members)
    changed = [
        field
        for field, value in (("name", tidy), ("level", level), ("coach", coach))
        if getattr(row, field) != value
    ]
    row.name, row.level, row.coach = tidy, level, coach
    fresh = row.pk is None
    if fresh or changed:
        _save(row, None if fresh else changed)
    before = set() if fresh else set(row.players.values_list("pk", flat=True))
    if before != {player.pk for player in members}:
        row.players.set(members)
        changed.append("players")
        squad_changed.send(sender=Squad, squad=row, by=by, now=now or timezone.now())
    if fresh or changed:
        action = "squad.added" if fresh else "squad.changed"
        record(by=by, club=club, action=action, target=row, fields=changed)
    return row


@transaction.atomic
def retire_squad(*, by: Any, squad: Squad, call_off: bool = False, now: datetime | None = None) -> Squad:
    """Take a squad out of use; its lessons stay on record. ``call_off`` ends those that are planned ahead with it."""
    moment = now or timezone.now()
    row = _locked(squad)
    if row.retired_on is None:
        squad_retiring.send(sender=Squad, squad=row, by=by, now=moment, call_off=call_off)
        row.retired_on = row.club.today(moment)
        row.save(update_fields=["retired_on"])
        record(by=by, club=row.club, action="squad.retired", target=row, fields=["retired_on"])
    return row


@transaction.atomic
def restore_squad(*, by: Any, squad: Squad) -> Squad:
    row = _locked(squad)
    if row.retired_on is not None:
        row.retired_on = None
        row.save(update_fields=["retired_on"])
        record(by=by, club=row.club, action="squad.restored", target=row, fields=["retired_on"])
    return row


def _locked(squad: Squad) -> Squad:
    return (
        Squad.objects.select_for_update(of=("self",))
        .select_related("club", "level", "coach")
        .get(pk=squad.pk)
    )


def _refuse(
    club: Club, row: Squad, name: str, level: Level | None, coach: User | None, members: list[Player]
) -> None:
    problems: dict[str, Any] = {}
    same = Squad.objects.filter(club=club, name__iexact=name).exclude(pk=row.pk).first()
    if not name:
        problems["name"] = _("Give the squad a name.")
    elif len(name) > Squad._meta.get_field("name").max_length:  # type: ignore[operator]
        problems["name"] = _("Use at most 60 characters.")
    elif same is not None:
        problems["name"] = _taken(same)
    elif row.name != name:
        problems |= formulas_in({"name": name})
    if row.retired_on is not None:
        problems["name"] = _("This squad is retired. Bring it back into use before changing it.")
    if level is not None and level.club_id != club.pk:
        problems["level"] = _("This is no level of the club.")
    if coach is not None and not viewer_of(coach, club).can(Can.RUN_LESSONS):
        problems["coach"] = _("%(name)s is no coach of the club.") % {"name": coach.name}
    if any(player.club_id != club.pk for player in members):
        problems["players"] = _("Somebody chosen is no player of the club.")
    if problems:
        raise ValidationError(problems)


def _taken(squad: Squad) -> str:
    if squad.retired_on is not None:
        return _("A retired squad is called “%(name)s”. Bring it back into use, or choose another name.") % {
            "name": squad.name
        }
    return _("The club has a squad called “%(name)s”. Choose another name.") % {"name": squad.name}


def _save(row: Squad, fields: list[str] | None) -> None:
    """Two people may write the same name at once; the database lets one of them."""
    try:
        with transaction.atomic():
            row.save(update_fields=fields)
    except IntegrityError:
        raise ValidationError({"name": _taken(row)}) from None
