"""What was heard in the films of a match, in match time, for the sheet: rallies to confirm, and hits to snap to."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Any

from sessions import listening
from sessions.listening_words import FAIRLY_SURE, SURE
from sessions.models import Film, Hearing, Match, MatchFilm, RallyProposal
from sessions.rally_proposals import WAITING
from sessions.services.listening_rules import times

Document = dict[str, Any]
SHOWN = (Film.State.READY, Film.State.AWAY)


def proposal_part(match: Match) -> Document:
    """``proposals`` that wait for a word, and ``hits`` of a racket; the same few queries however much was heard."""
    parts = _parts(match)
    return {"proposals": _proposals(parts), "hits": _hits(parts)}


def open_proposals(match: Match) -> list[Document]:
    """Only what can be decided: it changes with each decision, which hits do not."""
    return _proposals(_parts(match, Hearing.objects.defer("hits")))


class _Part:
    """The part of one film that shows the match, and what was heard in that film."""

    def __init__(self, match: Match, hearing: Hearing, links: Sequence[MatchFilm]) -> None:
        self.hearing = hearing
        self.offset_s = next(link.offset_s for link in links if link.match_id == match.pk)
        self.from_s, self.to_s = listening.part_of(links, match)

    def holds(self, heard_s: float) -> bool:
        return self.from_s <= listening.picture_s(self.hearing, heard_s) < self.to_s


def _parts(match: Match, hearings: Any = None) -> list[_Part]:
    rows = Hearing.objects.all() if hearings is None else hearings
    here = MatchFilm.objects.filter(match=match, film__state__in=SHOWN).values("film")
    heard = list(rows.filter(film__in=here).select_related("film"))
    links: dict[int, list[MatchFilm]] = defaultdict(list)
    for link in MatchFilm.objects.filter(film__in=[row.film_id for row in heard]):
        links[link.film_id].append(link)
    return [_Part(match, row, links[row.film_id]) for row in heard]


def _proposals(parts: list[_Part]) -> list[Document]:
    of = {part.hearing.pk: part for part in parts}
    shown = []
    for row in RallyProposal.objects.filter(WAITING, hearing__in=of):
        part = of[row.hearing_id]
        start_s, end_s = times(row, part.hearing, part.offset_s)
        if part.holds(row.start_s) and start_s >= 0:
            shown.append(
                {
                    "id": row.pk,
                    "start_s": start_s,
                    "end_s": end_s,
                    "sure": _sure(row.confidence),
                    "film": str(part.hearing.film.uuid),
                }
            )
    return sorted(shown, key=lambda row: (row["start_s"], row["id"]))


def _sure(confidence: float) -> str:
    if confidence >= SURE:
        return "sure"
    return "likely" if confidence >= FAIRLY_SURE else "guess"


def _hits(parts: list[_Part]) -> list[float]:
    """Those between proposals too: a rally that nobody proposed has hits as well."""
    found = (
        round(listening.match_s(part.hearing, part.offset_s, at), 2)
        for part in parts
        for at, kind, *_rest in part.hearing.hits
        if kind == "racket" and part.holds(at)
    )
    return sorted(at_s for at_s in found if at_s >= 0)
