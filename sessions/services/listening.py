"""What a coach does with what was heard in a film: asks for it, accepts and dismisses rallies, takes that back."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from uuid import uuid4

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _

from clubcoach import audit, jobs
from clubcoach.formatting import clock
from clubcoach.models import Job, User
from sessions import listening
from sessions.models import Film, Hearing, Match, Rally, RallyProposal
from sessions.rally_proposals import stands
from sessions.services.listening_rules import chosen_of, has_facts, held, in_use, save, times
from sessions.services.rally_line import RallyLine
from sessions.services.rules import in_time

Proposal = RallyProposal.State
WAYS = (Hearing.Way.SOUND, Hearing.Way.MOTION)


@dataclass(frozen=True)
class Skipped:
    proposal: RallyProposal
    why: str


@dataclass
class Accepted:
    """The rallies that are in the match now, and the proposals that are not, each with the reason."""

    rallies: list[Rally] = field(default_factory=list)
    skipped: list[Skipped] = field(default_factory=list)


@transaction.atomic
def ask_to_listen(*, by: User, film: Film, way: str = "sound") -> Job:
    """Have a film heard, or looked through for movement, once more. What was accepted or corrected stays."""
    row = held(by, film, Film.State.READY)
    if way not in WAYS:
        raise ValidationError({"way": _("A film is listened to, or looked through for movement.")})
    at_work = Job.objects.filter(kind=listening.JOB, key=str(row.uuid))
    if at_work.filter(state__in=[Job.State.WAITING, Job.State.RUNNING]).exists():
        raise ValidationError(_("This film is being listened to already. Wait until that is done."))
    if way == Hearing.Way.SOUND and not row.audio_codec and _is_without_sound(row):
        raise ValidationError({"way": _("The film has no sound. Rallies can be looked for by movement.")})
    audit.record(by=by, club=row.club, action="film.listen", target=row, fields=[str(way)])
    return jobs.enqueue(listening.JOB, club=row.club, by=by, key=str(row.uuid), film=row.pk, way=str(way))


def _is_without_sound(film: Film) -> bool:
    hearing = listening.hearing_of(film)
    return hearing is not None and "no_sound" in hearing.reasons


@transaction.atomic
def accept_rallies(
    *, by: User, film: Film, match: Match, proposals: Iterable[RallyProposal], now: datetime | None = None
) -> Accepted:
    """Make rallies of a match out of proposals, as if somebody had pressed start and end in their picture.

    What cannot be one is passed over and named: over another rally, outside the match, accepted a moment ago.
    """
    row, moment = held(by, film), in_time(now)
    link = next((link for link in listening.links_of(row) if link.match_id == match.pk), None)
    if link is None:
        raise ValidationError({"match": _("The film does not show this match.")})
    hearing, chosen = chosen_of(row, proposals)
    line = RallyLine(match)
    if line.untimed:
        raise ValidationError(
            {
                "match": _(
                    "Rallies of this match came from a sheet without times. Say there when each begins, or remove"
                    " them; then others can be put between them."
                )
            }
        )
    done = Accepted()
    part = listening.part_of(listening.links_of(row), match)
    for proposal in chosen:
        start_s, end_s = times(proposal, hearing, link.offset_s)
        if why := _why_not(proposal, hearing, line, part, start_s, end_s):
            done.skipped.append(Skipped(proposal, why))
            continue
        rally = Rally(uuid=uuid4(), match=line.match, start_s=start_s, end_s=end_s, number=0)
        line.put_in(rally)
        proposal.rally, proposal.state = rally, Proposal.ACCEPTED
        proposal.decided_by, proposal.decided_at = by, moment
        done.rallies.append(rally)
    if done.rallies:
        line.write(by, moment)
        accepted = [proposal for proposal in chosen if proposal.rally in done.rallies]
        save(accepted, "state", "rally", "decided_by", "decided_at")
        audit.record(by=by, club=row.club, action="hearing.accepted", target=hearing, fields=["rallies"])
    return done


def _why_not(
    proposal: RallyProposal,
    hearing: Hearing,
    line: RallyLine,
    part: tuple[float, float],
    start_s: float,
    end_s: float,
) -> str:
    if stands(proposal):
        return _("It was accepted already.")
    if start_s < 0:
        return _("It lies before the match begins.")
    if not part[0] <= listening.picture_s(hearing, proposal.start_s) < part[1]:
        return _("It lies in the part of the film that shows another match.")
    if end_s > 86_400:
        return _("It lies more than a day after the match began.")
    there = line.over(start_s, end_s)
    if there is not None:
        said = {"n": there.number, "at": clock(there.start_s)}
        return _("Rally %(n)d of the match is there already, from %(at)s on.") % said
    return ""


@transaction.atomic
def dismiss_rallies(
    *, by: User, film: Film, proposals: Iterable[RallyProposal], now: datetime | None = None
) -> list[RallyProposal]:
    """Say that proposals are no rallies. What was accepted has to be opened again first."""
    row = held(by, film)
    hearing, chosen = chosen_of(row, proposals)
    if any(stands(proposal) for proposal in chosen):
        raise ValidationError(
            {"ids": _("What was accepted is a rally of the match. Open it again before it is dismissed.")}
        )
    for proposal in chosen:
        proposal.state, proposal.rally = Proposal.DISMISSED, None
        proposal.decided_by, proposal.decided_at = by, in_time(now)
    save(chosen, "state", "rally", "decided_by", "decided_at")
    audit.record(by=by, club=row.club, action="hearing.dismissed", target=hearing, fields=["state"])
    return chosen


@transaction.atomic
def reopen_rallies(
    *, by: User, film: Film, proposals: Iterable[RallyProposal], now: datetime | None = None
) -> list[RallyProposal]:
    """Take decisions back. The rally of an accepted one goes, while nobody has noted anything in it; else none does."""
    row, moment = held(by, film), in_time(now)
    hearing, chosen = chosen_of(row, proposals)
    standing = [proposal for proposal in chosen if stands(proposal)]
    lines = {pk: RallyLine(Match(pk=pk)) for pk in sorted({p.rally.match_id for p in standing if p.rally})}
    found = [(line, line.find(p.rally_id or 0)) for p in standing for line in lines.values()]
    going = [(line, rally) for line, rally in found if rally is not None]
    _nobody_built_on([rally for _line, rally in going])
    for line, rally in going:
        line.take_out(rally)
    for line in lines.values():
        line.write(by, moment)
    for proposal in chosen:
        proposal.state, proposal.rally = Proposal.OPEN, None
        proposal.decided_by, proposal.decided_at = None, None
    save(chosen, "state", "rally", "decided_by", "decided_at")
    audit.record(by=by, club=row.club, action="hearing.reopened", target=hearing, fields=["state"])
    return chosen


def _nobody_built_on(rallies: list[Rally]) -> None:
    used = in_use([rally.pk for rally in rallies])
    for rally in rallies:
        if rally.pk in used or has_facts(rally):
            said = {"n": rally.number, "at": clock(rally.start_s)}
            raise ValidationError(
                {
                    "ids": _(
                        "Somebody has noted something in rally %(n)d (%(at)s) already. Remove that in the match"
                        " first."
                    )
                    % said
                }
            )
