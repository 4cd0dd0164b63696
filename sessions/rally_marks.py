"""What is odd about a rally beside the rules of the score: it lies over another one, or ended as it cannot have."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from clubcoach.compute.ledger_rules import pair_of
from sessions.models import Match, Rally
from sessions.models.matches import EndedHow

# Of a rally that lies over many others so many are named.
MOST_NAMED = 3


def overlapping(rallies: Iterable[Rally]) -> list[tuple[Rally, Rally]]:
    """Pairs of timed rallies that share more than a moment, in the order of time; one without an end is a moment.

    No more than `MOST_NAMED` are looked for from each: a rally that lasts over everything is wrong once.
    """
    found = []
    running: list[Rally] = []
    timed = (row for row in rallies if row.timed)
    for rally in sorted(timed, key=lambda row: (row.start_s, row.end_s is None)):
        running = [row for row in running if row.end_s is not None and row.end_s > rally.start_s]
        found += [(row, rally) for row in running[-MOST_NAMED:]]
        running.append(rally)
    return found


def overlap_marks(rallies: Iterable[Rally]) -> dict[int, list[str]]:
    """A sentence for each other rally that one lies over, by primary key; both are kept."""
    marks: dict[int, list[str]] = defaultdict(list)
    for one, other in overlapping(rallies):
        for rally, there in ((one, other), (other, one)):
            if len(marks[rally.pk]) < MOST_NAMED:
                marks[rally.pk].append(_("It overlaps rally %(n)d.") % {"n": there.number})
    return marks


def told_of_overlaps(match: Match) -> list[str]:
    """One sentence at submitting, where there is something to tell."""
    pairs = overlapping(match.rallies.filter(dropped=False))
    if not pairs:
        return []
    first = ", ".join(_("%(one)d and %(other)d") % {"one": a.number, "other": b.number} for a, b in pairs[:6])
    return [
        ngettext(
            "Rallies %(which)s overlap: see which of them was played.",
            "%(n)d pairs of rallies overlap (%(which)s): see which of them were played.",
            len(pairs),
        )
        % {"n": len(pairs), "which": first + (" …" if len(pairs) > 6 else "")}
    ]


def ending_marks(rally: Rally, server: int | None) -> list[str]:
    """Where winner, whose hit it was and how it ended cannot all be true; what is not said contradicts nothing."""
    marks = []
    if rally.ended_how == EndedHow.DOUBLE and server and rally.ended_by not in (None, server):
        marks.append(_("Only who serves can serve a double fault."))
    if rally.ended_how and rally.ended_by and rally.winner in ("A", "B"):
        own = pair_of(rally.ended_by) == rally.winner
        if own and rally.ended_how != EndedHow.WINNER:
            marks.append(_("Whoever ended it by a fault lost it, yet that pair is said to have won."))
        if not own and rally.ended_how == EndedHow.WINNER:
            marks.append(
                _("Whoever hit a ball that nobody reached won it, yet the other pair is said to have won.")
            )
    return marks
