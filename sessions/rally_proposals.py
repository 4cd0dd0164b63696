"""Which proposal of the ear a rally of a match is made of, and what becomes of it when the rally goes or comes back."""

from __future__ import annotations

from datetime import datetime

from django.db.models import Q

from clubcoach.models import User
from sessions.models import Rally, RallyProposal

State = RallyProposal.State
# Proposals that are no rally of a match and that nobody dismissed: also where the rally was taken out since.
WAITING = (
    Q(state=State.OPEN) | Q(state=State.ACCEPTED, rally=None) | Q(state=State.ACCEPTED, rally__dropped=True)
)


def stands(proposal: RallyProposal) -> bool:
    """Whether it is a rally of a match now: what was removed there since is none."""
    accepted = proposal.state == State.ACCEPTED
    return accepted and proposal.rally is not None and not proposal.rally.dropped


def take_or_open(rally: Rally, proposal: RallyProposal | None, *, by: User, now: datetime) -> None:
    """A rally that comes takes the proposal it is made of; one that goes opens it again.

    An open proposal keeps whose it was, so that a rally that comes back finds it, unless another one has it by then.
    """
    if rally.dropped:
        mine = RallyProposal.objects.filter(rally=rally, state=State.ACCEPTED)
        mine.update(state=State.OPEN, decided_by=None, decided_at=None)
        return
    own = Q(rally=rally) if proposal is None else Q(pk=proposal.pk)
    RallyProposal.objects.filter(own).update(rally=rally, state=State.ACCEPTED, decided_by=by, decided_at=now)
