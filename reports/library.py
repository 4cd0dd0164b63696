"""Drills out of use and back: who has one this week decides what has to be said first."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from clubcoach.access import Can, viewer_of
from clubcoach.audit import record
from clubcoach.models import User
from players.models import Drill, Player
from reports.homework import given_now, monday_of
from reports.models import Homework


@dataclass(frozen=True)
class Holder:
    """A player who has a drill this week or a coming one; a minor by initials."""

    name: str
    row: Homework
    later: bool


def held_now(drill: Drill, now: datetime | None = None) -> list[Holder]:
    """Who has the drill, this week first."""
    club = drill.club
    today = club.today(now)
    next_week = monday_of(today) + timedelta(days=7)
    rows = (
        given_now(today)
        .filter(drill=drill)
        .select_related("player__club")
        .order_by("week_of", "player__family_name", "player__given_name", "pk")
    )
    return [Holder(listed_name(row.player), row, row.week_of >= next_week) for row in rows]


def listed_name(player: Player) -> str:
    """How a player stands in a list: a minor by initials."""
    return player.initials if player.is_minor() else player.name


@transaction.atomic
def retire_drill(
    *, by: User, drill: Drill, take_back: bool | None = None, now: datetime | None = None
) -> Drill:
    """Take a drill out of use. Where somebody has it, whether they keep it until their week ends has to be said.

    With ``take_back`` it is withdrawn from them; what was logged stays.
    """
    moment = now or timezone.now()
    # Whoever gives the drill meanwhile locks the same row: they come first and are asked about, or come too late.
    row = Drill.objects.select_for_update(of=("self",)).select_related("club").get(pk=drill.pk)
    viewer_of(by, row.club).must(Can.EDIT_LISTS)
    if row.retired_on is not None:
        raise ValidationError(_("This drill is out of use already."))
    held = [holder.row for holder in held_now(row, moment)]
    if held and take_back is None:
        players = len({homework.player_id for homework in held})
        raise ValidationError(
            {
                "take_back": ngettext(
                    "%(n)d player has this drill. Choose what becomes of it; nothing is done yet.",
                    "%(n)d players have this drill. Choose what becomes of it; nothing is done yet.",
                    players,
                )
                % {"n": players}
            }
        )
    row.retired_on = row.club.today(moment)
    row.save(update_fields=["retired_on"])
    record(by=by, club=row.club, action="drill.retired", target=row, fields=["retired_on"])
    for homework in held if take_back else []:
        homework.withdrawn_at = moment
        homework.save(update_fields=["withdrawn_at"])
        record(by=by, club=row.club, action="homework.withdrawn", target=homework, fields=["withdrawn_at"])
    return row


@transaction.atomic
def restore_drill(*, by: User, drill: Drill) -> Drill:
    """Bring a drill back into use. What was taken back from players is not given to them again."""
    row = Drill.objects.select_for_update(of=("self",)).select_related("club").get(pk=drill.pk)
    viewer_of(by, row.club).must(Can.EDIT_LISTS)
    if row.retired_on is None:
        raise ValidationError(_("This drill is in use."))
    row.retired_on = None
    row.save(update_fields=["retired_on"])
    record(by=by, club=row.club, action="drill.restored", target=row, fields=["retired_on"])
    return row
