"""Rules of deciding about what was heard: who may when, which rows are meant, and what stands in a match already."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _

from clubcoach.access import Can, insist, viewer_of
from clubcoach.models import User
from sessions import listening, stills
from sessions.models import Closure, Film, Hearing, Rally, RallyProposal, Situation

Proposal = RallyProposal.State
# A serve that nobody returns is one hit; the ball is in the air for about so long.
LEAST_S = 0.5


def held(by: User, film: Film, *states: Any) -> Film:
    """The film's row, which whoever hears it or decides about it holds; refused without rights or consent."""
    viewer_of(by, film.club).must(Can.EDIT_MATCHES)
    insist(stills.may_be_shown(film))
    row = Film.objects.select_for_update(of=("self",)).select_related("club").get(pk=film.pk)
    if row.state not in (states or (Film.State.READY, Film.State.AWAY)):
        raise ValidationError(
            _("This film is %(state)s: that cannot be done now.") % {"state": row.get_state_display()}
        )
    return row


def chosen_of(film: Film, proposals: Iterable[RallyProposal]) -> tuple[Hearing, list[RallyProposal]]:
    """The proposals as they are now, in the order of time; refused where they are not this film's any more."""
    wanted = {proposal.pk for proposal in proposals}
    hearing = listening.hearing_of(film)
    if hearing is None:
        raise ValidationError(_("Nobody has listened to this film yet."))
    if not wanted:
        raise ValidationError({"ids": _("Choose a rally first.")})
    found = [row for row in listening.proposals_of(hearing) if row.pk in wanted]
    if len(found) < len(wanted):
        raise ValidationError(
            {"ids": _("The film was listened to anew meanwhile. Reload the page and choose again.")}
        )
    return hearing, found


def times(proposal: RallyProposal, hearing: Hearing, offset_s: float) -> tuple[float, float]:
    """When in the match a proposal begins and ends."""
    start_s = listening.match_s(hearing, offset_s, proposal.start_s)
    end_s = listening.match_s(hearing, offset_s, proposal.end_s)
    return start_s, max(end_s, round(start_s + LEAST_S, 3))


def in_use(rallies: Iterable[int | None]) -> set[int]:
    """Those in which somebody has noted a situation, or that an area is done."""
    pks = list(rallies)
    noted = set(Situation.objects.filter(rally__in=pks, dropped=False).values_list("rally", flat=True))
    return noted | set(Closure.objects.filter(rally__in=pks).values_list("rally", flat=True))


def has_facts(rally: Rally) -> bool:
    facts = (rally.winner, rally.server, rally.near_pair, rally.side, rally.score_set, rally.reason)
    asked = (rally.net_pair, rally.ended_by, rally.ended_how)
    return any(fact not in ("", None) for fact in (*facts, *asked))


def save(proposals: list[RallyProposal], *names: str) -> None:
    RallyProposal.objects.bulk_update(proposals, names, batch_size=200)
