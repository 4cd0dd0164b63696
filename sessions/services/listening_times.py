"""Times of what was heard: how late the sound is, when a rally really was, and rallies that nobody heard."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _

from clubcoach import audit
from clubcoach.formatting import clock
from clubcoach.models import User
from sessions import listening
from sessions.models import Film, Hearing, Match, Rally, RallyProposal, Situation
from sessions.rally_proposals import stands
from sessions.services.listening_rules import chosen_of, has_facts, held, in_use, times
from sessions.services.rally_line import RallyLine
from sessions.services.rules import in_time

Proposal = RallyProposal.State
# Sound that is further off belongs to another film.
FARTHEST_S = 5.0
# Times of rallies are kept to the millisecond.
SAME_S = 0.0015
# No match has more rallies; whoever adds more by hand is no coach.
MOST = 2000


@dataclass
class Moved:
    """What a new delay did: accepted rallies that moved with it, and those that stay, since somebody built on them."""

    hearing: Hearing
    moved: list[Rally] = field(default_factory=list)
    stayed: list[Rally] = field(default_factory=list)


@transaction.atomic
def set_delay(*, by: User, film: Film, seconds: float, now: datetime | None = None) -> Moved:
    """Say how much later the sound of a film is than its picture.

    Accepted rallies move with it, unless a winner or anything else was noted in them, somebody changed their times,
    or they would come to lie over another one: those stay, and are named.
    """
    row = held(by, film)
    hearing = listening.hearing_of(row)
    if hearing is None:
        raise ValidationError({"seconds": _("Nobody has listened to this film yet.")})
    if hearing.way == Hearing.Way.MOTION:
        raise ValidationError(
            {"seconds": _("These rallies were found by movement: there is no sound that could be late.")}
        )
    if not _is_number(seconds) or not -FARTHEST_S <= seconds <= FARTHEST_S:
        raise ValidationError(
            {"seconds": _("Say the delay in seconds, from −%(most)d to %(most)d.") % {"most": FARTHEST_S}}
        )
    done = Moved(hearing)
    delay_s = round(float(seconds), 3)
    _move_accepted(row, delay_s - hearing.delay_s, done, by, in_time(now))
    hearing.delay_s = delay_s
    hearing.save(update_fields=["delay_s"])
    audit.record(by=by, club=row.club, action="hearing.delay", target=hearing, fields=["delay_s"])
    return done


def _move_accepted(film: Film, by_s: float, done: Moved, by: User, now: datetime) -> None:
    links = {link.match_id: link for link in listening.links_of(film)}
    accepted = [row for row in listening.proposals_of(done.hearing) if stands(row)]
    for match_id in sorted({row.rally.match_id for row in accepted if row.rally}):
        mine = [row for row in accepted if row.rally and row.rally.match_id == match_id]
        line = RallyLine(Match(pk=match_id))
        link, used = links.get(match_id), in_use([row.rally_id for row in mine])
        movers: list[Rally] = []
        for row in mine:
            rally = line.find(row.rally_id or 0)
            if rally is None:
                continue
            free = link is not None and rally.pk not in used and not has_facts(rally)
            if free and link is not None and _as_accepted(rally, row, done.hearing, link.offset_s):
                movers.append(rally)
            else:
                done.stayed.append(rally)
        movers = _able_to_move(line, movers, -by_s, done)
        for rally in movers:
            line.change(
                rally, start_s=round(rally.start_s - by_s, 3), end_s=round((rally.end_s or 0.0) - by_s, 3)
            )
        line.write(by, now)
        done.moved += movers


def _able_to_move(line: RallyLine, movers: list[Rally], by_s: float, done: Moved) -> list[Rally]:
    """Those that would still lie in the match and over no other; one that stays may be in the way of the next."""
    while True:
        stuck = [
            rally
            for rally in movers
            if rally.start_s + by_s < 0
            or line.over(rally.start_s + by_s, (rally.end_s or rally.start_s) + by_s, but=movers)
        ]
        if not stuck:
            return movers
        done.stayed += stuck
        movers = [rally for rally in movers if rally not in stuck]


def _as_accepted(rally: Rally, row: RallyProposal, hearing: Hearing, offset_s: float) -> bool:
    """Whether a rally lies where accepting it has put it, so that nobody has set its times since."""
    start_s, end_s = times(row, hearing, offset_s)
    return (
        rally.end_s is not None
        and abs(rally.start_s - start_s) < SAME_S
        and abs(rally.end_s - end_s) < SAME_S
    )


@transaction.atomic
def correct_rally(
    *, by: User, proposal: RallyProposal, start_s: float, end_s: float, now: datetime | None = None
) -> RallyProposal:
    """Say when a rally really began and ended, in seconds as heard; an accepted one moves in its match too."""
    row = held(by, proposal.hearing.film)
    hearing, rows = chosen_of(row, [proposal])
    mine = rows[0]
    if mine.state == Proposal.DISMISSED:
        raise ValidationError(_("It was dismissed. Open it again before its times are corrected."))
    start_s, end_s = _clean_times(row, hearing, start_s, end_s, but=mine)
    old = mine.start_s, mine.end_s
    mine.start_s, mine.end_s = start_s, end_s
    if stands(mine):
        _correct_accepted(row, hearing, mine, by, in_time(now))
    if mine.heard_start_s is None and not mine.by_hand:
        mine.heard_start_s, mine.heard_end_s = old
    mine.decided_by, mine.decided_at = by, in_time(now)
    names = ["start_s", "end_s", "heard_start_s", "heard_end_s", "decided_by", "decided_at"]
    mine.save(update_fields=names)
    audit.record(by=by, club=row.club, action="hearing.corrected", target=mine, fields=["start_s", "end_s"])
    return mine


def _correct_accepted(film: Film, hearing: Hearing, proposal: RallyProposal, by: User, now: datetime) -> None:
    line = RallyLine(Match(pk=proposal.rally.match_id))  # type: ignore[union-attr]
    rally = line.find(proposal.rally_id or 0)
    link = next((link for link in listening.links_of(film) if link.match_id == line.match.pk), None)
    if rally is None or link is None:
        return
    start_s, end_s = times(proposal, hearing, link.offset_s)
    if start_s < 0:
        raise ValidationError({"start": _("It would begin before the match does.")})
    there = line.over(start_s, end_s, but=[rally]) or line.over(
        min(start_s, rally.start_s), max(end_s, rally.end_s or rally.start_s), but=[rally]
    )
    if there is not None:
        said = {"n": there.number, "at": clock(there.start_s)}
        raise ValidationError(
            {"start": _("It would lie over rally %(n)d of the match, which begins at %(at)s.") % said}
        )
    inside = Situation.objects.filter(rally=rally, dropped=False, timed=True)
    if inside.exclude(hit_s__gte=start_s, hit_s__lte=end_s).exists():
        raise ValidationError({"start": _("A situation of this rally would lie outside it.")})
    line.change(rally, start_s=start_s, end_s=end_s)
    line.write(by, now)


@transaction.atomic
def add_rally_by_hand(
    *, by: User, film: Film, start_s: float, end_s: float, now: datetime | None = None
) -> RallyProposal:
    """A rally that nobody heard but the coach, in seconds as heard; it waits to be accepted like the others."""
    row, moment = held(by, film), in_time(now)
    hearing = listening.hearing_of(row) or Hearing(
        film=row, way=Hearing.Way.HAND, verdict=Hearing.Verdict.USELESS, made_at=moment
    )
    start_s, end_s = _clean_times(row, hearing, start_s, end_s)
    if hearing.pk is None:
        hearing.save()
    elif hearing.proposals.filter(by_hand=True).count() >= MOST:
        raise ValidationError(_("No film has more than %(most)d rallies.") % {"most": MOST})
    proposal = RallyProposal.objects.create(
        hearing=hearing, start_s=start_s, end_s=end_s, by_hand=True, decided_by=by, decided_at=moment
    )
    audit.record(by=by, club=row.club, action="hearing.added", target=proposal, fields=["start_s", "end_s"])
    return proposal


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _clean_times(
    film: Film, hearing: Hearing, start_s: Any, end_s: Any, but: RallyProposal | None = None
) -> tuple[float, float]:
    """Times of a rally in a film, as heard, to the millisecond."""
    for name, value in (("start", start_s), ("end", end_s)):
        if not _is_number(value) or not 0 <= value <= (film.duration_s or 0.0) + max(0.0, hearing.delay_s):
            raise ValidationError(
                {name: _("The film lasts from 0:00 to %(end)s.") % {"end": clock(film.duration_s or 0.0)}}
            )
    start_s, end_s = round(float(start_s), 3), round(float(end_s), 3)
    if end_s <= start_s:
        raise ValidationError({"end": _("A rally ends after it starts.")})
    others = RallyProposal.objects.filter(start_s__lt=end_s, end_s__gt=start_s)
    if hearing.pk is not None:
        mine = others.filter(hearing=hearing).exclude(state=Proposal.DISMISSED)
        there = mine.exclude(pk=but.pk if but else None).first()
        if there is not None:
            at = clock(max(0.0, listening.picture_s(hearing, there.start_s)))
            raise ValidationError(
                {"start": _("It would lie over another rally, which begins at %(at)s.") % {"at": at}}
            )
    return start_s, end_s
