"""Exact chances of winning a game, a tie-break, a set and a match, from chances of winning a point.

Points are taken as independent, with one chance on serve and one on return for the whole pair. All
functions take floats or `fractions.Fraction` and answer in kind; fractions give exact answers. Endless
deuces are summed in closed form: from level, a race by two is won with
``both / (both + neither)``, whichever pair serves first.

References
----------
Kemeny & Snell, *Finite Markov Chains* (game from points; from memory, reproduced by recursion).
Newton & Keller 2005, Stud Appl Math 114:241 (tie-break, set, match; who serves first does not matter).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from typing import Generic, TypeVar

from clubcoach.compute.ledger_rows import Position
from clubcoach.compute.ledger_rules import (
    DECIDING_AT,
    MATCH_TIEBREAK_TO,
    SET_TIEBREAK_TO,
    MatchFormat,
    Pair,
    Two,
    other,
    pair_of,
)

Number = TypeVar("Number", float, Fraction)

ENDLESS = "With these chances it never ends: nobody ever gets two ahead."


def p_game(p: Number, deuce: str = "advantage", start: Two = (0, 0)) -> Number:
    """Chance that the serving pair wins the game.

    Parameters
    ----------
    p : float or Fraction
        Chance that the serving pair wins a point.
    deuce : {"advantage", "golden", "star"}
    start : (int, int)
        Points so far, servers first (40 is 3; second deuce is 4-4).

    Returns
    -------
    float or Fraction

    Raises
    ------
    ValueError
        If `p` is outside 0 to 1, `deuce` is unknown, or `start` is not two counts.
    """
    _check_chances(p)
    _check_start(start)
    if deuce not in DECIDING_AT:
        raise ValueError(f"deuce must be one of {', '.join(DECIDING_AT)}, not {deuce!r}.")
    return _game(p, DECIDING_AT[deuce], start, {})


def _game(p: Number, at: int | None, points: Two, memo: dict[Two, Number]) -> Number:
    a, b = points
    decided = at is not None and min(points) >= at and a != b
    if decided or (max(points) >= 4 and abs(a - b) >= 2):
        return p * 0 + (1 if a > b else 0)
    if at is None and a == b >= 3:
        return _race_by_two(p, p)
    if points not in memo:
        memo[points] = p * _game(p, at, (a + 1, b), memo) + (1 - p) * _game(p, at, (a, b + 1), memo)
    return memo[points]


def _race_by_two(first: Number, second: Number) -> Number:
    """From level: chance to take both of two points before losing both."""
    both, neither = first * second, (1 - first) * (1 - second)
    if both + neither == 0:
        raise ValueError(ENDLESS)
    return both / (both + neither)


def p_tiebreak(
    p_serve_a: Number,
    p_return_a: Number,
    to: int = SET_TIEBREAK_TO,
    by: int = 2,
    *,
    start: Two = (0, 0),
    serving: Pair = "A",
) -> Number:
    """Chance that pair A wins a tie-break.

    Parameters
    ----------
    p_serve_a, p_return_a : float or Fraction
        Chance that A wins a point on its own serve, and on B's.
    to : int
        Points to win.
    by : {1, 2}
        The lead that is needed.
    start : (int, int)
        Points so far, A first.
    serving : {"A", "B"}
        The pair that serves the next point (one point, then two each).

    Returns
    -------
    float or Fraction

    Raises
    ------
    ValueError
        For chances outside 0 to 1, a start that is not two counts, another lead, or chances with
        which no pair ever gets two ahead.
    """
    _check_chances(p_serve_a, p_return_a)
    _check_start(start)
    if by not in (1, 2) or not 1 <= to <= 100:
        raise ValueError("A tie-break is won with 1 to 100 points, by 1 or 2.")
    turn = (sum(start) + 1) // 2
    first = serving if turn % 2 == 0 else other(serving)
    return _tiebreak(_Points(p_serve_a, p_return_a), to, by, first, start, {})


@dataclass(frozen=True)
class _Points(Generic[Number]):
    """A's chance of a point on its own serve and on B's."""

    serve: Number
    back: Number

    def when(self, serving: Pair) -> Number:
        return self.serve if serving == "A" else self.back


def _tiebreak(
    chance: _Points[Number], to: int, by: int, first: Pair, points: Two, memo: dict[Two, Number]
) -> Number:
    a, b = points
    if max(points) >= to and abs(a - b) >= by:
        return chance.serve * 0 + (1 if a > b else 0)
    if by == 2 and a == b >= to - 1:
        return _race_by_two(chance.serve, chance.back)
    if points not in memo:
        p = chance.when(first if (a + b + 1) // 2 % 2 == 0 else other(first))
        won = _tiebreak(chance, to, by, first, (a + 1, b), memo)
        lost = _tiebreak(chance, to, by, first, (a, b + 1), memo)
        memo[points] = p * won + (1 - p) * lost
    return memo[points]


def p_set(
    p_serve_a: Number,
    p_return_a: Number,
    *,
    games_per_set: int = 6,
    tiebreak: str = "to7",
    deuce: str = "advantage",
    games: Two = (0, 0),
    points: Two = (0, 0),
    serving: Pair = "A",
) -> Number:
    """Chance that pair A wins the set in play.

    Parameters
    ----------
    p_serve_a, p_return_a : float or Fraction
        Chance that A wins a point on its own serve, and on B's.
    games_per_set, tiebreak, deuce
        As in `MatchFormat`.
    games, points : (int, int)
        Of the set, and of its game or tie-break in play, A first.
    serving : {"A", "B"}
        The pair that serves the next point.

    Returns
    -------
    float or Fraction

    Raises
    ------
    ValueError
        As `MatchFormat` and `p_tiebreak`.
    """
    form = MatchFormat("sets", games_per_set, sets_to_win=1, tiebreak=tiebreak, deuce=deuce)
    return p_match(form, p_serve_a, p_return_a, games=games, points=points, serving=serving)


def p_match(
    form: MatchFormat,
    p_serve_a: Number,
    p_return_a: Number,
    *,
    sets: Two = (0, 0),
    games: Two = (0, 0),
    points: Two = (0, 0),
    serving: Pair = "A",
) -> Number:
    """Chance that pair A wins the match; a time limit is left out of account.

    Parameters
    ----------
    form : MatchFormat
        Kind "sets" or "points".
    p_serve_a, p_return_a : float or Fraction
        Chance that A wins a point on its own serve, and on B's.
    sets, games, points : (int, int)
        Sets won, games and points in play, A first.
    serving : {"A", "B"}
        The pair that serves the next point.

    Returns
    -------
    float or Fraction
        In a match to a total of points a draw is no win: see `p_points`.

    Raises
    ------
    ValueError
        For chances outside 0 to 1, scores that are not two counts, a free match (it has no end), or
        chances with which the match never ends.
    """
    if form.kind == "points":
        return p_points(form, p_serve_a, p_return_a, points=points, serving=serving)[0]
    if form.kind == "free":
        raise ValueError("A free match has no end, so there is no chance to win it.")
    _check_chances(p_serve_a, p_return_a)
    for counts in (sets, games, points):
        _check_start(counts)
    recursion: _Sets[Number] = _Sets(form, _Points(p_serve_a, p_return_a))
    return recursion.match(sets, games, points, serving)


class _Sets(Generic[Number]):
    """The recursion over games and sets; the values of a fresh set are kept by score and server."""

    def __init__(self, form: MatchFormat, chance: _Points[Number]) -> None:
        self.form = form
        self.chance: _Points[Number] = chance
        self.zero: Number = chance.serve * 0
        self._fresh: dict[tuple[Two, Pair], Number] = {}
        at = DECIDING_AT[form.deuce]
        self._fresh_game: dict[Pair, Number] = {
            "A": _game(chance.serve, at, (0, 0), {}),
            "B": 1 - _game(1 - chance.back, at, (0, 0), {}),
        }

    def match(self, sets: Two, games: Two, points: Two, serving: Pair) -> Number:
        """A's chance to win the match from any score."""
        if max(sets) >= self.form.sets_to_win:
            return self.zero + (1 if sets[0] > sets[1] else 0)
        if self.form.match_tiebreak and sets == (self.form.sets_to_win - 1,) * 2:
            return p_tiebreak(
                self.chance.serve, self.chance.back, MATCH_TIEBREAK_TO, start=points, serving=serving
            )
        if games != (0, 0) or points != (0, 0):
            return self._set(sets, games, points, serving)
        key = (sets, serving)
        if key not in self._fresh:
            self._fresh[key] = self._set(sets, games, points, serving)
        return self._fresh[key]

    def _set(self, sets: Two, games: Two, points: Two, serving: Pair) -> Number:
        # What winning or losing the set is worth depends on who then serves first: kept, not assumed.
        def won(server: Pair) -> Number:
            return self.match((sets[0] + 1, sets[1]), (0, 0), (0, 0), server)

        def lost(server: Pair) -> Number:
            return self.match((sets[0], sets[1] + 1), (0, 0), (0, 0), server)

        level = games[0] == games[1] >= self.form.games_per_set and self.form.tiebreak == "to7"
        if level and points != (0, 0):
            turn = (sum(points) + 1) // 2
            first = serving if turn % 2 == 0 else other(serving)
            p = _tiebreak(self.chance, SET_TIEBREAK_TO, 2, first, points, {})
            return p * won(other(first)) + (1 - p) * lost(other(first))
        rest: dict[Two, Number] = {}
        if points == (0, 0):
            return self._games(games, serving, won, lost, rest)
        p = self._game_in_play(points, serving)
        ahead = self._games((games[0] + 1, games[1]), other(serving), won, lost, rest)
        behind = self._games((games[0], games[1] + 1), other(serving), won, lost, rest)
        return p * ahead + (1 - p) * behind

    def _game_in_play(self, points: Two, serving: Pair) -> Number:
        at = DECIDING_AT[self.form.deuce]
        if serving == "A":
            return _game(self.chance.serve, at, points, {})
        return 1 - _game(1 - self.chance.back, at, (points[1], points[0]), {})

    def _games(
        self,
        games: Two,
        serving: Pair,
        won: Callable[[Pair], Number],
        lost: Callable[[Pair], Number],
        memo: dict[Two, Number],
    ) -> Number:
        a, b = games
        most = self.form.games_per_set
        if max(games) >= most and abs(a - b) >= 2:
            return won(serving) if a > b else lost(serving)
        if games in memo:
            return memo[games]
        if a == b >= most and self.form.tiebreak == "to7":
            p = _tiebreak(self.chance, SET_TIEBREAK_TO, 2, serving, (0, 0), {})
            value = p * won(other(serving)) + (1 - p) * lost(other(serving))
        elif a == b >= most - 1 and self.form.tiebreak == "none":
            # The set ends after an even number of further games: the same pair serves next.
            p = _race_by_two(self._fresh_game["A"], self._fresh_game["B"])
            value = p * won(serving) + (1 - p) * lost(serving)
        else:
            p = self._fresh_game[serving]
            ahead = self._games((a + 1, b), other(serving), won, lost, memo)
            behind = self._games((a, b + 1), other(serving), won, lost, memo)
            value = p * ahead + (1 - p) * behind
        memo[games] = value
        return value


def p_points(
    form: MatchFormat,
    p_serve_a: Number,
    p_return_a: Number,
    *,
    points: Two = (0, 0),
    serving: Pair = "A",
) -> tuple[Number, Number, Number]:
    """Chances that pair A wins, draws and loses a match to a number of points.

    Parameters
    ----------
    form : MatchFormat
        Kind "points".
    p_serve_a, p_return_a : float or Fraction
    points : (int, int)
        So far, A first.
    serving : {"A", "B"}
        The pair that serves the next point; pairs serve `serve_rotation` points in turn.

    Returns
    -------
    (win, draw, loss)
        Sum 1; a draw is possible only with rule "total".

    Raises
    ------
    ValueError
        For chances outside 0 to 1, a score that is not two counts, or a format of another kind.
    """
    _check_chances(p_serve_a, p_return_a)
    _check_start(points)
    if form.kind != "points" or form.points_to is None:
        raise ValueError("This match is not played to a number of points.")
    turn = sum(points) // form.serve_rotation
    first = serving if turn % 2 == 0 else other(serving)
    chance = _Points(p_serve_a, p_return_a)
    zero: Number = p_serve_a * 0
    # Forward over the number of points played: no recursion to run out of depth at long matches.
    reach: dict[Two, Number] = {points: zero + 1}
    ends = [zero, zero, zero]
    while reach:
        after: dict[Two, Number] = {}
        for (a, b), weight in reach.items():
            if (a + b if form.points_rule == "total" else max(a, b)) >= form.points_to:
                ends[0 if a > b else 1 if a == b else 2] += weight
                continue
            p = chance.when(first if (a + b) // form.serve_rotation % 2 == 0 else other(first))
            after[a + 1, b] = after.get((a + 1, b), zero) + weight * p
            after[a, b + 1] = after.get((a, b + 1), zero) + weight * (1 - p)
        reach = after
    return ends[0], ends[1], ends[2]


def p_from(form: MatchFormat, position: Position, p_serve_a: Number, p_return_a: Number) -> Number:
    """Chance that pair A wins the match from a position of the ledger.

    Parameters
    ----------
    form : MatchFormat
    position : Position
        `LedgerRow.before` or `Ledger.next`.
    p_serve_a, p_return_a : float or Fraction

    Returns
    -------
    float or Fraction

    Raises
    ------
    ValueError
        As `p_match`.
    """
    score = position.score
    serving: Pair = "A" if position.server is None else pair_of(position.server)
    return p_match(
        form,
        p_serve_a,
        p_return_a,
        sets=score.sets_won(),
        games=score.games,
        points=score.points,
        serving=serving,
    )


def _check_chances(*chances: float | Fraction) -> None:
    for p in chances:
        if not 0 <= p <= 1:
            raise ValueError(f"A chance is a number from 0 to 1, not {p!r}.")


def _check_start(counts: Two) -> None:
    whole = all(isinstance(count, int) and count >= 0 for count in counts)
    if len(counts) != 2 or not whole:
        raise ValueError(f"A score is two whole numbers from 0, not {counts!r}.")
