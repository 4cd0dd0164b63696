"""What was heard in a film, as pages and services read it: which proposals belong to which match, game by game.

A hearing's times are seconds of the film as heard. The picture stands `Hearing.delay_s` earlier, and a match's own
clock is the picture's plus the offset at which the film shows the match.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from django.db.models import QuerySet
from django.utils.translation import gettext as _

from clubcoach.compute.ledger import LedgerRow
from clubcoach.models import Job
from sessions.ledger import ledger_of
from sessions.models import Film, Hearing, Match, MatchFilm, Rally, RallyProposal

JOB = "film.listen"
# Goes up when the way of hearing changes.
RECIPE = 1
# Between two games players change ends and drink; within one nobody waits for so long.
PAUSE_S = 40.0
State = RallyProposal.State


def hearing_of(film: Film) -> Hearing | None:
    return Hearing.objects.filter(film=film).first()


def picture_s(hearing: Hearing, heard_s: float) -> float:
    """Where in the picture a moment is that was heard."""
    return heard_s - hearing.delay_s


def heard_s(hearing: Hearing, picture_s: float) -> float:
    """Where in the sound a moment is that was seen."""
    return picture_s + hearing.delay_s


def match_s(hearing: Hearing, offset_s: float, heard_s: float) -> float:
    """When in a match a moment is that was heard, to the millisecond as rallies keep it."""
    return round(heard_s - hearing.delay_s + offset_s, 3)


def proposals_of(hearing: Hearing) -> QuerySet[RallyProposal]:
    """All of a hearing, in the order of time, with what a list shows of each."""
    return hearing.proposals.select_related("rally", "decided_by")


def open_above(hearing: Hearing, confidence: float) -> QuerySet[RallyProposal]:
    """Those that nobody has decided on and that are at least so sure."""
    return hearing.proposals.filter(state=State.OPEN, confidence__gte=confidence)


def job_of(film: Film) -> Job | None:
    """The latest work on hearing this film, waiting, done or failed; its note says how far it is, or why not."""
    return Job.objects.filter(kind=JOB, key=str(film.uuid)).order_by("-pk").first()


def links_of(film: Film) -> list[MatchFilm]:
    """The matches that a film shows, in the order in which they begin in it."""
    rows = MatchFilm.objects.filter(film=film).select_related("match__club")
    return sorted(rows, key=lambda row: (-row.offset_s, row.pk))


def part_of(links: Sequence[MatchFilm], match: Match) -> tuple[float, float]:
    """From when to when the picture of a film shows a match: to where the next one begins.

    What comes before the first match counts to it, since nobody knows how exactly its beginning was said.
    """
    own = next((row.offset_s for row in links if row.match_id == match.pk), None)
    if own is None:
        return math.inf, math.inf
    begins = sorted(-row.offset_s for row in links)
    later = [begin for begin in begins if begin > -own]
    return (-math.inf if -own <= begins[0] else -own), (later[0] if later else math.inf)


@dataclass
class Group:
    """Proposals of one game, or of one part of play between two long pauses."""

    name: str
    proposals: list[RallyProposal] = field(default_factory=list)


def by_game(film: Film, match: Match) -> list[Group]:
    """A match's proposals in the order of time, by game where winners say which, else by part of play."""
    hearing = hearing_of(film)
    if hearing is None:
        return []
    links = links_of(film)
    from_s, to_s = part_of(links, match)
    mine = [row for row in proposals_of(hearing) if from_s <= picture_s(hearing, row.start_s) < to_s]
    offset_s = next((row.offset_s for row in links if row.match_id == match.pk), 0.0)
    games = _games(match) if mine else []
    groups: list[Group] = []
    part, game, last_end = 0, None, -math.inf
    for row in mine:
        at = _game_at(games, match_s(hearing, offset_s, row.start_s))
        if at is not None:
            if at is not game:
                groups.append(Group(at.name))
        elif game is not None or row.start_s - last_end >= PAUSE_S:
            part += 1
            groups.append(Group(_("Part %(n)d") % {"n": part}))
        game, last_end = at, max(last_end, row.end_s)
        groups[-1].proposals.append(row)
    return groups


@dataclass
class _Game:
    name: str
    from_s: float
    to_s: float


def _game_at(games: Iterable[_Game], at_s: float) -> _Game | None:
    return next((game for game in games if game.from_s <= at_s < game.to_s), None)


def _games(match: Match) -> list[_Game]:
    """Games as the match's ledger knows them, each up to where the next one begins; the last one up to what is known.

    None where nobody has said who won, where rallies have no times, and in a match that knows no games.
    """
    rallies = list(match.rallies.filter(dropped=False))
    if match.match_format.kind in ("points", "free") or not any(rally.winner for rally in rallies):
        return []
    games: list[_Game] = []
    over = True
    for rally, row in zip(rallies, ledger_of(match, rallies).rows, strict=True):
        if not row.counts or not rally.timed:
            continue
        name = _game_name(row)
        if over or (row.score_set and games[-1].name != name):
            if games:
                games[-1].to_s = rally.start_s
            games.append(_Game(name, rally.start_s, rally.start_s))
        games[-1].to_s = max(games[-1].to_s, _end_of(rally))
        over = row.game_won is not None
    return games


def _end_of(rally: Rally) -> float:
    return rally.start_s + 0.001 if rally.end_s is None else rally.end_s


def _game_name(row: LedgerRow) -> str:
    said = {"set": len(row.before.sets) + 1, "game": sum(row.before.games) + 1}
    if row.before.tiebreak == "match":
        return _("Match tie-break")
    if row.before.tiebreak:
        return _("Set %(set)d, tie-break") % said
    return _("Set %(set)d, game %(game)d") % said
