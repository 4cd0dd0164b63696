from datetime import datetime
from typing import Any

from django.core.exceptions import PermissionDenied, ValidationError
from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from clubcoach.access import Can, viewer_of
from clubcoach.audit import record
from players.models import Note, Unit

MOST = Note._meta.get_field("text").max_length or 0


@transaction.atomic
def write_note(
    *, by: Any, unit: Unit, text: str, for_players: bool = False, now: datetime | None = None
) -> Note:
    """A coach's sentence. One for the players is read by a minor's guardians in the same words."""
    club = unit.club
    viewer_of(by, club).must(Can.WRITE_NOTES)
    said = text.strip()
    if not said:
        raise ValidationError({"text": _("Write what you saw or what you want to keep in mind.")})
    if len(said) > MOST:
        words = ngettext(
            "This has %(n)d character; %(most)d are the most.",
            "This has %(n)d characters; %(most)d are the most.",
            len(said),
        )
        raise ValidationError({"text": words % {"n": len(said), "most": MOST}})
    note = Note.objects.create(
        unit=unit, by=by, text=said, for_players=for_players, written_at=now or timezone.now()
    )
    record(by=by, club=club, action="note.written", target=note, fields=["text", "for_players"])
    return note


def may_withdraw(by: Any, note: Note, *, reviews: bool) -> bool:
    """Whoever wrote it, and the head coach."""
    return reviews or note.by_id == by.pk


@transaction.atomic
def withdraw_note(*, by: Any, note: Note, now: datetime | None = None) -> Note:
    """Nobody reads it from now on; that it was written stays on record."""
    viewer = viewer_of(by, note.unit.club)
    viewer.must(Can.WRITE_NOTES)
    if not may_withdraw(by, note, reviews=bool(viewer.can(Can.REVIEW))):
        raise PermissionDenied(_("Only whoever wrote a note, and the head coach, take it back."))
    moment = now or timezone.now()
    if not Note.objects.standing().filter(pk=note.pk).update(withdrawn_at=moment):
        raise ValidationError(_("This note was taken back already. Reload the page."))
    note.withdrawn_at = moment
    record(by=by, club=viewer.club, action="note.withdrawn", target=note, fields=["withdrawn_at"])
    return note
