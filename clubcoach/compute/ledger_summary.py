"""Counts of a kept ledger: rallies, points, games, service, break points, deciding points."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from clubcoach.compute.ledger_rows import LedgerRow
from clubcoach.compute.ledger_rules import PAIRS, PLAYERS, MatchFormat, Pair, Two, other, pair_of


@dataclass(frozen=True)
class Summary:
    """Counts of a match; every pair of numbers is A, B.

    Attributes
    ----------
    rallies, counted, without_winner, after_end : int
        All rows; those that moved the score; those without a winner; those after the match was over.
    points, games : (int, int)
        Won in counted rallies (games given by a score set by hand are not among them).
    served : dict of int to (int, int)
        For each player: points served, points won by the serving pair.
    break_points : dict of pair to (int, int)
        For the receiving pair: had, won.
    deciding_points : (int, int)
        Won at a deciding point.
    player_points : dict of int to int, or None
        Points of each player's pair, where partners change; else None.
    scores_set : int
        Scores set by hand.
    marks : dict of str to int
        Contradictions by code.
    """

    rallies: int
    counted: int
    without_winner: int
    after_end: int
    points: Two
    games: Two
    served: dict[int, Two]
    break_points: dict[Pair, Two]
    deciding_points: Two
    player_points: dict[int, int] | None
    scores_set: int
    marks: dict[str, int]


def summarise(form: MatchFormat, rows: Sequence[LedgerRow]) -> Summary:
    """Count a ledger's rows.

    Parameters
    ----------
    form : MatchFormat
    rows : sequence of LedgerRow

    Returns
    -------
    Summary
    """
    counted = [row for row in rows if row.counts]
    points = _by_pair([row.winner for row in counted])
    credit = {player: points[pair_of(player) == "B"] for player in PLAYERS}
    return Summary(
        rallies=len(rows),
        counted=len(counted),
        without_winner=sum(row.winner is None for row in rows),
        after_end=sum(row.winner is not None and not row.counts for row in rows),
        points=points,
        games=_by_pair([row.game_won for row in counted]),
        served={player: _served(counted, player) for player in PLAYERS},
        break_points={pair: _break_points(counted, pair) for pair in PAIRS},
        deciding_points=_by_pair([row.winner for row in counted if row.before.deciding]),
        player_points=credit if form.partners_change else None,
        scores_set=sum(row.score_set for row in rows),
        marks=dict(Counter(mark.code for row in rows for mark in row.contradictions)),
    )


def _by_pair(pairs: Sequence[Pair | None]) -> Two:
    return pairs.count("A"), pairs.count("B")


def _served(rows: Sequence[LedgerRow], player: int) -> Two:
    won = [row.winner == pair_of(player) for row in rows if row.server == player]
    return len(won), sum(won)


def _break_points(rows: Sequence[LedgerRow], pair: Pair) -> Two:
    serving = other(pair)
    chances = [
        row.winner == pair
        for row in rows
        if row.before.break_point and row.server is not None and pair_of(row.server) == serving
    ]
    return len(chances), sum(chances)
