"""The match ledger: from one winner per rally to score, server, side, end and what it meant.

`keep_ledger` never refuses a rally. What the rules contradict is kept, marked with the rule's name,
and the entered fact holds. Unfinished is a normal end. `ledger_turns` says how the order of service
and the ends go on after a contradiction.

References
----------
International Padel Federation, *Rules of Padel*: score, order of service, ends; the 2026 rule for
deuce (two advantages, then a deciding point).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

from clubcoach.compute.ledger_rows import Final, LedgerRow, Position
from clubcoach.compute.ledger_rules import (
    PAIRS,
    PLAYERS,
    SIDES,
    MatchFormat,
    Pair,
    RallyEntry,
    Score,
    Step,
    Tiebreak,
    after_point,
    ahead,
    is_deciding,
    is_over,
    other,
    pair_of,
    tiebreak_in_play,
)
from clubcoach.compute.ledger_summary import Summary, summarise
from clubcoach.compute.ledger_turns import (
    Ends,
    ServiceOrder,
    end_changes,
    games_and_turns,
    side_due,
    turn_in_set,
)
from clubcoach.compute.ledger_words import (
    RULE_ENDS_POINTS,
    Contradiction,
    contradiction,
    point_words,
    score_can_occur,
    score_words,
)

__all__ = ["Final", "Keeper", "Ledger", "LedgerRow", "MatchFormat", "Position", "RallyEntry", "Score"]
__all__ += ["Summary", "keep_ledger"]


@dataclass(frozen=True)
class Ledger:
    """Rows, end and counts of a match; `next` is what the rules say about the rally to come."""

    format: MatchFormat
    rows: tuple[LedgerRow, ...]
    next: Position
    final: Final
    summary: Summary

    @property
    def contradictions(self) -> tuple[Contradiction, ...]:
        """All marks, in the order of the rows."""
        return tuple(mark for row in self.rows for mark in row.contradictions)


def keep_ledger(
    format: MatchFormat,
    entries: Iterable[RallyEntry],
    *,
    first_server: int = 1,
    first_near: Pair = "A",
    time_up: bool = False,
) -> Ledger:
    """Play the entries through the format.

    Parameters
    ----------
    format : MatchFormat
    entries : iterable of RallyEntry
        In the order of the sheet.
    first_server : {1, 2, 3, 4}
        Expected to serve first; a server entered at the first rally overrules it, and the first
        service turn of each pair in a set shows the order of that set.
    first_near : {"A", "B"}
        Expected at the near end first; overruled in the same way.
    time_up : bool
        The clock ended a time-limited match: the pair ahead by sets, then games, has won; level is a
        draw; a game in play does not count (common practice).

    Returns
    -------
    Ledger

    Raises
    ------
    ValueError
        If `first_server` or `first_near` is unknown, or time is up in a match without a time limit.

    References
    ----------
    International Padel Federation, *Rules of Padel*.
    """
    if time_up and not format.time_limited:
        raise ValueError("Only a time-limited match is ended by the clock.")
    keeper = Keeper(format, first_server=first_server, first_near=first_near)
    for entry in entries:
        keeper.add(entry)
    rows = tuple(keeper.rows)
    final = _final(format, keeper.score, time_up)
    return Ledger(format, rows, keeper.position(), final, summarise(format, rows))


class Keeper:
    """The ledger one rally at a time; `keep_ledger` is made of it.

    Parameters
    ----------
    form : MatchFormat
    first_server, first_near
        As in `keep_ledger`.
    """

    def __init__(self, form: MatchFormat, *, first_server: int = 1, first_near: Pair = "A") -> None:
        if first_server not in PLAYERS:
            raise ValueError(f"The first server is player 1, 2, 3 or 4, not {first_server!r}.")
        if first_near not in PAIRS:
            raise ValueError(f"The first pair at the near end is A or B, not {first_near!r}.")
        self.format = form
        self.score = Score()
        self.rows: list[LedgerRow] = []
        self._service = ServiceOrder(first_server)
        self._ends = Ends(first_near, by_rule=form.kind == "sets" or form.ends_every is not None)

    def add(self, entry: RallyEntry) -> LedgerRow:
        """Play one entry and return its row."""
        last = self.rows[-1].entry.number if self.rows else None
        read, marks = _read(entry, last)
        if read.score_set is not None:
            if not score_can_occur(self.format, read.score_set):
                words = score_words(self.format, read.score_set)
                marks.append(contradiction(entry.number, "score_impossible", words))
            self._move(read.score_set, seen=False)
        over = is_over(self.format, self.score)
        if over and read.winner is not None:
            marks.append(contradiction(entry.number, "after_end"))
        if read.winner is None and not entry.reason and read.score_set is None:
            marks.append(contradiction(entry.number, "winner_missing"))
        row = self._row(entry, read, over, marks)
        self.rows.append(row)
        return row

    def _row(self, entry: RallyEntry, read: RallyEntry, over: bool, marks: list[Contradiction]) -> LedgerRow:
        counts = read.winner is not None and not over
        near, server, side = read.near_pair, read.server, read.side
        if not over:
            near = self._enter_end(read, counts, marks)
            server = self._enter_server(read, counts, marks)
        before = self.position(server)
        if not over and before.side is not None:
            if side is not None and side != before.side:
                marks.append(contradiction(entry.number, "side", side, before.side))
            side = side or before.side
        step = Step(self.score)
        if counts and read.winner is not None:
            step = after_point(self.format, self.score, read.winner)
            self._move(step.score, seen=True)
        return LedgerRow(
            entry=entry,
            before=before,
            winner=read.winner,
            server=server,
            side=side,
            near=near,
            counts=counts,
            game_won=step.game_won,
            set_won=step.set_won,
            match_won=step.match_won,
            score_set=read.score_set is not None,
            contradictions=tuple(marks),
        )

    def _enter_server(self, read: RallyEntry, played: bool, marks: list[Contradiction]) -> int | None:
        if self.format.kind == "free":
            return read.server
        server, code = self._service.enter(read.server, played=played)
        if code:
            marks.append(contradiction(read.number, code, server, self._service.due))
        return server

    def _enter_end(self, read: RallyEntry, played: bool, marks: list[Contradiction]) -> Pair:
        near, wrong = self._ends.enter(read.near_pair, played=played)
        if wrong:
            mark = contradiction(read.number, "end", near, self._ends.due)
            if self.format.kind == "points":
                mark = replace(mark, rule=RULE_ENDS_POINTS)
            marks.append(mark)
        return near

    def _move(self, score: Score, *, seen: bool) -> None:
        """Go to a new score; turns and ends follow from the difference. `seen`: by one point played."""
        was, self.score = self.score, score
        form = self.format
        self._ends.change(end_changes(form, score) - end_changes(form, was))
        turns = turn_in_set(form, score) - turn_in_set(form, was)
        if len(score.sets) == len(was.sets):
            self._service.skip(turns)
            return
        passed = games_and_turns(form, score) - games_and_turns(form, was)
        if seen:
            # One point that ends a set ends one turn; in a tie-break the turns inside it were odd or
            # even in number, and the pair that received first in it serves first in the next set.
            inside = turn_in_set(form, was) - sum(was.games)
            pair = self._service.end_turn()
            self._service.new_set(other(pair) if inside % 2 == 0 else pair)
        else:
            self._service.new_set(self._service.pair if passed % 2 == 0 else other(self._service.pair))

    def position(self, server: int | None = None) -> Position:
        """Return where the match stands; `server` is who serves in fact, if not the one due."""
        form, score = self.format, self.score
        tiebreak = tiebreak_in_play(form, score)
        words, points_words = score_words(form, score), point_words(score.points, tiebreak or _raw(form))
        if is_over(form, score):
            return Position(score, words, points_words, over=True)
        if form.kind == "free":
            return Position(score, words, points_words, near=self._ends.due)
        steps = {pair: after_point(form, score, pair) for pair in PAIRS}
        deciding = is_deciding(form, score)
        receivers = other(pair_of(server or self._service.expected))
        return Position(
            score=score,
            words=words,
            points_words=points_words,
            tiebreak=tiebreak,
            server=self._service.due,
            server_known=self._service.known,
            side=None if deciding else side_due(form, score),
            near=self._ends.due,
            deciding=deciding,
            break_point=not tiebreak and steps[receivers].game_won == receivers,
            set_points=tuple(pair for pair in PAIRS if steps[pair].set_won == pair),
            match_points=tuple(pair for pair in PAIRS if steps[pair].match_won == pair),
        )


def _raw(form: MatchFormat) -> Tiebreak:
    """Points outside games are said as plain numbers, as in a tie-break."""
    return "" if form.kind == "sets" else "match"


def _read(entry: RallyEntry, last: int | None) -> tuple[RallyEntry, list[Contradiction]]:
    """Return the entry with unknown values taken out, and the marks for them."""
    marks: list[Contradiction] = []
    known: dict[str, tuple[object, ...]] = {
        "winner": PAIRS,
        "server": PLAYERS,
        "near_pair": PAIRS,
        "side": SIDES,
    }
    drop: dict[str, Any] = {}
    for name, allowed in known.items():
        value = getattr(entry, name)
        if value is not None and value not in allowed:
            marks.append(contradiction(entry.number, "value_unknown", value))
            drop[name] = None
    if entry.score_set is not None:
        if not isinstance(entry.score_set, Score):
            marks.append(contradiction(entry.number, "score_unreadable", entry.score_set))
            drop["score_set"] = None
        if not entry.reason:
            marks.append(contradiction(entry.number, "score_reason_missing"))
    if not isinstance(entry.number, int):
        marks.append(contradiction(entry.number, "value_unknown", entry.number))
    elif isinstance(last, int) and entry.number <= last:
        marks.append(contradiction(entry.number, "number_order", entry.number, last))
    return replace(entry, **drop), marks


def _final(form: MatchFormat, score: Score, time_up: bool) -> Final:
    leader = ahead(score.points)
    if form.kind == "sets":
        leader = ahead(score.sets_won()) or ahead(score.games)
    over = is_over(form, score)
    if over or time_up:
        ended = "drawn" if leader is None else "won" if over else "time"
    else:
        ended = "free" if form.kind == "free" else "unfinished"
    finished = over or time_up
    return Final(score, score_words(form, score), finished, leader if finished else None, leader, ended)
