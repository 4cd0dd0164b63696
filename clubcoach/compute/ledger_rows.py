"""The rows of a ledger: where the match stood before a rally, the rally itself, and the end."""

from __future__ import annotations

from dataclasses import dataclass

from clubcoach.compute.ledger_rules import Pair, RallyEntry, Score, Tiebreak, Two
from clubcoach.compute.ledger_words import Contradiction


@dataclass(frozen=True)
class Position:
    """Where the match stands before a rally, and what the rules say about it.

    Attributes
    ----------
    score : Score
    words, points_words : str
        The whole score and the points alone ("30-40", "AD-40", "5-3"), pair A first.
    tiebreak : {"", "set", "match"}
    over : bool
        No rally is due.
    server : int or None
        The player who should serve; None in a free match and when the match is over.
    server_known : bool
        False while the order of the set rests on an assumption.
    side : {"right", "left", None}
        Where to serve from; None also at a deciding point, where the receivers choose.
    near : {"A", "B", None}
        The pair that should be at the near end.
    deciding : bool
        The point decides a game at deuce.
    break_point : bool
        The receivers win the game if they win this point (not in a tie-break).
    set_points, match_points : tuple of {"A", "B"}
        The pairs that win the set, the match, with this point; both, at the
        last point of a match to points.
    """

    score: Score
    words: str
    points_words: str
    tiebreak: Tiebreak = ""
    over: bool = False
    server: int | None = None
    server_known: bool = False
    side: str | None = None
    near: Pair | None = None
    deciding: bool = False
    break_point: bool = False
    set_points: tuple[Pair, ...] = ()
    match_points: tuple[Pair, ...] = ()

    @property
    def sets(self) -> tuple[Two, ...]:
        """Games of the sets that are over."""
        return self.score.sets

    @property
    def games(self) -> Two:
        """Games of the set in play."""
        return self.score.games

    @property
    def points(self) -> Two:
        """Counted points of the game, the tie-break or the match to points."""
        return self.score.points


@dataclass(frozen=True)
class LedgerRow:
    """One rally of the ledger.

    Attributes
    ----------
    entry : RallyEntry
        As it was entered.
    before : Position
        Before the rally; a score set at this rally is in it.
    winner, server, side, near
        What counts for this rally: entered where it could be read, else due.
    counts : bool
        The rally moved the score.
    game_won, set_won, match_won : {"A", "B", None}
        By whom, with this rally.
    score_set : bool
        A score was set by hand before it.
    contradictions : tuple of Contradiction
    """

    entry: RallyEntry
    before: Position
    winner: Pair | None
    server: int | None
    side: str | None
    near: Pair | None
    counts: bool
    game_won: Pair | None
    set_won: Pair | None
    match_won: Pair | None
    score_set: bool
    contradictions: tuple[Contradiction, ...]

    @property
    def number(self) -> int:
        """The rally's number."""
        return self.entry.number

    @property
    def reason(self) -> str:
        """Why the score was set, or why there is no winner."""
        return self.entry.reason


@dataclass(frozen=True)
class Final:
    """How the ledger ends.

    Attributes
    ----------
    score : Score
    words : str
    finished : bool
        The format's end was reached, or the clock ended a time-limited match.
    winner : {"A", "B", None}
        None: unfinished, or a draw.
    leader : {"A", "B", None}
        Ahead by sets, then games (points, in a match to points and a free one); None: level.
    ended : {"won", "drawn", "time", "unfinished", "free"}
    """

    score: Score
    words: str
    finished: bool
    winner: Pair | None
    leader: Pair | None
    ended: str
