"""A match on the record: when it was played, to what, and who sat where."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any, NamedTuple

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _

from clubcoach import audit
from clubcoach.access import Can, viewer_of
from clubcoach.compute.ledger import MatchFormat
from clubcoach.models import Club, User
from clubcoach.validators import formulas_in
from players.models import Player
from sessions.models import Match, Seat
from sessions.services.rules import in_time


class SeatEntry(NamedTuple):
    """Somebody on court; without a player it is a visitor, whose consent the club has on paper or not."""

    player: Player | None = None
    side: str = ""
    visitor_consent: bool = False


# Sheets go back some years; a day before that is a slip of the pen, and scores could make nothing of it.
OLDEST_YEARS = 30


@transaction.atomic
def register_match(
    *,
    by: User,
    club: Club,
    played_on: date,
    seats: Sequence[SeatEntry],
    format: Mapping[str, Any] | None = None,
    kind: str = "friendly",
    first_server: int = 1,
    first_near: str = "A",
    place: str = "indoor",
    walls: str = "glass",
    ref: str = "",
    now: datetime | None = None,
) -> Match:
    """Seats 1 and 2 are pair A, 3 and 4 pair B. ``format`` as `MatchFormat.as_dict` writes it."""
    viewer_of(by, club).must(Can.EDIT_MATCHES)
    moment = in_time(now)
    _check_seats(club, seats)
    if played_on > club.day_of(moment):
        raise ValidationError(
            {"played_on": _("This day lies ahead. Register a match when it has been played.")}
        )
    if played_on.year < club.day_of(moment).year - OLDEST_YEARS:
        raise ValidationError({"played_on": _("This day is too long ago. Check the year.")})
    match = Match(
        club=club,
        played_on=played_on,
        kind=kind,
        format=_format(club, format),
        first_server=first_server,
        first_near=first_near,
        place=place,
        walls=walls,
        ref=ref,
        registered_by=by,
        created_at=moment,
    )
    if problems := formulas_in({"ref": ref}):
        raise ValidationError(problems)
    match.full_clean()
    match.save()
    Seat.objects.bulk_create(
        Seat(
            match=match,
            position=position,
            player=seat.player,
            side=seat.side,
            visitor_consent=seat.visitor_consent and seat.player is None,
        )
        for position, seat in enumerate(seats, 1)
    )
    audit.record(by=by, club=club, action="match.registered", target=match)
    return match


def _check_seats(club: Club, seats: Sequence[SeatEntry]) -> None:
    if len(seats) != 4:
        raise ValidationError({"seats": _("A match has four places: say who or which visitor sat on each.")})
    wrong: dict[str, str] = {}
    taken: dict[int, int] = {}
    for position, seat in enumerate(seats, 1):
        if seat.player is None:
            continue
        if seat.player.club_id != club.pk:
            wrong[f"seat_{position}"] = _("This player belongs to another club.")
        elif seat.player.pk in taken:
            wrong[f"seat_{position}"] = _("%(player)s sits on place %(n)d already.") % {
                "player": seat.player.name,
                "n": taken[seat.player.pk],
            }
        else:
            taken[seat.player.pk] = position
    for second in (2, 4):
        if seats[second - 1].side and seats[second - 1].side == seats[second - 2].side:
            wrong.setdefault(f"seat_{second}", _("Two partners cannot play on the same side."))
    if wrong:
        raise ValidationError(wrong)


def _format(club: Club, format: Mapping[str, Any] | None) -> dict[str, Any]:
    try:
        return MatchFormat.from_dict(format or {"kind": "sets", "deuce": club.deuce}).as_dict()
    except (TypeError, ValueError) as error:
        raise ValidationError({"format": str(error)}) from None
