"""Operations on what the ear proposes: a rally takes a proposal with it, another one is dismissed or opened again."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext as _

from sessions import listening
from sessions.models import RallyProposal
from sessions.ops import reading
from sessions.ops.reading import Body, Refused
from sessions.ops.rows import FINDERS, SHOWN, WRITERS, Batch, Change, Row
from sessions.ops.rules import RULES
from sessions.rally_proposals import stands

State = RallyProposal.State
# More digits are no row's key in any database.
LONGEST_KEY = 18


def proposal_set(batch: Batch, target: str, body: Body) -> Change:
    reading.only(body, ("dismissed",))
    reading.needed(body, ("dismissed",))
    dismissed = reading.flag("dismissed", body["dismissed"])
    return Change(find_proposal(batch, target), {"dismissed": dismissed})


def taken_with(batch: Batch, body: Body) -> dict[str, Any]:
    """The proposal that a new rally is made of, as what only a new row needs."""
    key = body.get("proposal")
    if key is None:
        return {}
    if isinstance(key, bool) or not isinstance(key, int):
        raise Refused("proposal", _("This is the number of a proposal."))
    return {"proposal": _open_one(batch, str(key), "proposal")}


def find_proposal(batch: Batch, id: str) -> Row:
    proposal = _open_one(batch, id, "target")
    dismissed = proposal.state == State.DISMISSED
    # A proposal keeps no revision: what it is now stands for one, since there are but two things to be.
    return Row("proposal", str(proposal.pk), proposal, int(dismissed), {"dismissed": dismissed})


def _open_one(batch: Batch, key: str, field: str) -> RallyProposal:
    match = batch.lens.analysis.match
    known = key.isascii() and key.isdigit() and len(key) <= LONGEST_KEY
    found = RallyProposal.objects.select_related("hearing__film", "rally").filter(pk=key) if known else ()
    proposal = next(iter(found), None)
    if proposal is None:
        raise Refused(field, _("This proposal is gone: the film was listened to anew. Reload the page."))
    links = listening.links_of(proposal.hearing.film)
    from_s, to_s = listening.part_of(links, match)
    if not from_s <= listening.picture_s(proposal.hearing, proposal.start_s) < to_s:
        raise Refused(field, _("This was heard in the film of another match."))
    if stands(proposal) and proposal.rally is not None:
        raise Refused(field, _("This is rally %(n)d of the match already.") % {"n": proposal.rally.number})
    return proposal


def _write(batch: Batch, change: Change) -> Row:
    proposal, dismissed = change.row.found, change.fields["dismissed"]
    proposal.state = State.DISMISSED if dismissed else State.OPEN
    proposal.decided_by = batch.by if dismissed else None
    proposal.decided_at = batch.now if dismissed else None
    proposal.save(update_fields=["state", "decided_by", "decided_at"])
    return Row("proposal", change.row.id, proposal, int(dismissed), {"dismissed": dismissed})


def _shown(row: Row) -> dict[str, Any]:
    return {"id": row.found.pk, **row.values, "rev": row.rev}


def _decided_freely(batch: Batch, change: Change) -> None:
    """Whatever it is made, it may be: that it is no rally yet was seen when it was found."""


FINDERS["proposal"] = find_proposal
WRITERS["proposal"] = _write
SHOWN["proposal"] = _shown
RULES["proposal"] = _decided_freely
