"""The match ledger over the stored rallies: score, server, side and end follow from who won."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext as _

from clubcoach.compute.ledger import Ledger, LedgerRow, Position, RallyEntry, Score, keep_ledger
from sessions.models import Match, Rally
from sessions.ops.rows import shown_rally
from sessions.rally_marks import ending_marks, overlap_marks
from sessions.sparse import sparse

Document = dict[str, Any]


def rally_part(match: Match, rallies: list[Rally] | None = None) -> Document:
    """The rallies with their ledger, and what the rules say about the one to come."""
    rows = list(match.rallies.filter(dropped=False)) if rallies is None else rallies
    ledger = ledger_of(match, rows)
    marks = overlap_marks(rows)
    shown = []
    for rally, row in zip(rows, ledger.rows, strict=True):
        waiting = rally is rows[-1] and not rally.winner
        part = _ledger_row(row, waiting=waiting)
        part["contradictions"] += [*marks.get(rally.pk, ()), *ending_marks(rally, row.server)]
        shown.append({**sparse("rally", shown_rally(rally)), "ledger": part})
    return {"rallies": shown, "ledger_next": _position(ledger.next), "ledger_end": ledger.final.words}


def ledger_of(match: Match, rallies: list[Rally]) -> Ledger:
    """The match ledger over the rallies that are kept, in the order in which they were played."""
    return keep_ledger(
        match.match_format,
        [_entry(rally) for rally in rallies],
        first_server=match.first_server,
        first_near=match.first_near,
    )


def _entry(rally: Rally) -> RallyEntry:
    nobody = "nobody" if rally.winner == "none" else ""
    return RallyEntry(
        number=rally.number,
        winner=rally.winner if rally.winner in ("A", "B") else None,  # type: ignore[arg-type]
        server=rally.server,
        near_pair=rally.near_pair or None,  # type: ignore[arg-type]
        side=rally.side or None,
        score_set=Score.from_dict(rally.score_set) if rally.score_set else None,
        reason=rally.reason or nobody,
    )


def _ledger_row(row: LedgerRow, *, waiting: bool) -> Document:
    # A rally in progress has no winner yet: that is no contradiction.
    marks = [mark for mark in row.contradictions if not (waiting and mark.code == "winner_missing")]
    return {
        **_position(row.before),
        "server": row.server,
        "side": row.side,
        "near": row.near,
        "contradictions": [
            f"{_(mark.sentence)} {_(mark.rule)}" % {"entered": mark.entered, "due": mark.due}
            for mark in marks
        ],
    }


def _position(position: Position) -> Document:
    return {
        "before": position.words,
        "points": position.points_words,
        "over": position.over,
        "server": position.server,
        "side": position.side,
        "near": position.near,
        "deciding": position.deciding,
    }
