"""Who should serve, and which pair should be at the near end, from the score and what was entered.

A **turn** is a stretch with one server: a game; one point and then two points each in a tie-break; a
fixed number of points in a match to points. Its end is read from the score, so that a score set by
hand moves the turns as playing would have.

Wrong servers and wrong ends follow one rule (Rules of Padel and, in the same words, Rules of Tennis,
"correcting errors"; from memory): points stand, the error is put right as soon as it is seen, and if a
whole turn was played wrong the order stays as altered. So an entry that contradicts the order holds
for its rally and for the rallies of the same turn without an entry; if it does not fill the whole
turn, the order of the set goes on as if it had not happened; if it does, the order goes on from it.
"""

from __future__ import annotations

from clubcoach.compute.ledger_rules import (
    MatchFormat,
    Pair,
    Score,
    other,
    pair_of,
    partner,
    tiebreak_in_play,
)


def turn_in_set(form: MatchFormat, score: Score) -> int:
    """Return the number of service turns that were completed in the set (or in the match to points).

    Parameters
    ----------
    form : MatchFormat
    score : Score

    Returns
    -------
    int
        From 0. In a tie-break the turns are 1, 2, 2, ... points long.
    """
    if form.kind == "free":
        return 0
    played = sum(score.points)
    if form.kind == "points":
        return played // form.serve_rotation
    return sum(score.games) + ((played + 1) // 2 if tiebreak_in_play(form, score) else 0)


def games_and_turns(form: MatchFormat, score: Score) -> int:
    """Return the turns since the match began, a tie-break that is over counting as one.

    Its parity says which pair serves: a tie-break's first receivers serve first in the next set, which
    is what one more game would give.
    """
    return sum(sum(games) for games in score.sets) + turn_in_set(form, score)


def end_changes(form: MatchFormat, score: Score) -> int:
    """Return how often ends have changed by rule since the match began.

    Parameters
    ----------
    form : MatchFormat
    score : Score

    Returns
    -------
    int
        After every odd game of a set (so at a set's end only if its games are odd in number, else
        after the next game) and after every six points of a tie-break. A finished tie-break whose
        points are not known (a score set by hand) counts no change within it.
    """
    played = sum(score.points)
    if form.kind != "sets":
        return played // form.ends_every if form.ends_every else 0
    changes = sum((sum(games) + 1) // 2 for games in score.sets) + (sum(score.games) + 1) // 2
    # The last of a tie-break's points ends the set: a change that falls on it is the set's own.
    changes += sum((sum(points) - 1) // 6 for points in score.tiebreaks if points and sum(points))
    return changes + (played // 6 if tiebreak_in_play(form, score) else 0)


def side_due(form: MatchFormat, score: Score) -> str:
    """Return the side to serve from, "right" or "left"; meaningless at a deciding point."""
    played = sum(score.points)
    if form.kind == "points":
        played %= form.serve_rotation
    return "left" if played % 2 else "right"


class ServiceOrder:
    """The order of service: known as far as entries have shown it, assumed beyond.

    Parameters
    ----------
    first_server : int
        The player who is expected to serve first; an entry at the first rally overrules it.
    """

    def __init__(self, first_server: int) -> None:
        self.pair: Pair = pair_of(first_server)
        # Who serves when the pair's turn comes.
        self._up: dict[Pair, int] = {"A": 1, "B": 3, self.pair: first_server}
        self._known: dict[Pair, bool] = {"A": False, "B": False}
        self._begun = False
        self._served: set[int] = set()
        self._carried: int | None = None

    @property
    def due(self) -> int:
        """The player who should serve."""
        return self._up[self.pair]

    @property
    def known(self) -> bool:
        """Whether an entry of this set has shown the due pair's order."""
        return self._known[self.pair]

    @property
    def expected(self) -> int:
        """The player taken to serve when nothing is entered."""
        return self._carried or self.due

    def enter(self, server: int | None, *, played: bool) -> tuple[int, str]:
        """Take one rally's entered server.

        Parameters
        ----------
        server : int or None
        played : bool
            Whether a point was won: a row without point and server shows nothing about the order.

        Returns
        -------
        (int, str)
            The server that counts for this rally, and "" or the code of the contradiction.
        """
        code = ""
        if server is not None:
            pair = pair_of(server)
            if not self._begun:
                self.pair = pair
            if pair == self.pair and not self._known[pair]:
                self._up[pair] = server
                self._known[pair] = True
            if server != self.due:
                code = "server_partner" if pair == self.pair else "server_pair"
            self._carried = server
        if played or server is not None:
            self._begun = True
            self._served.add(self.expected)
        return self.expected, code

    def end_turn(self) -> Pair:
        """Go on to the next turn; return the pair whose turn it was."""
        server = next(iter(self._served)) if len(self._served) == 1 else self.due
        pair = pair_of(server)
        self._up[pair] = partner(server)
        self.pair = other(pair)
        self._served.clear()
        self._carried = None
        return pair

    def skip(self, turns: int) -> None:
        """Move by turns that were not seen; negative goes back. The order comes round every four."""
        if turns:
            self.end_turn()
        for _ in range((turns - 1) % 4 if turns else 0):
            self.end_turn()

    def new_set(self, pair: Pair) -> None:
        """Begin a set: `pair` serves first, and each pair may choose its order anew."""
        self.pair = pair
        self._known = {"A": False, "B": False}
        self._served.clear()
        self._carried = None


class Ends:
    """Which pair is at the near end, by the rule that wrong servers follow too.

    Parameters
    ----------
    first_near : {"A", "B"}
        Expected at the near end first; an entry at the first rally overrules it.
    by_rule : bool
        False where no rule says when ends change: the last entry stands and nothing is marked.
    """

    def __init__(self, first_near: Pair, *, by_rule: bool) -> None:
        self.due: Pair = first_near
        self._by_rule = by_rule
        self._begun = False
        self._seen: set[Pair] = set()
        self._carried: Pair | None = None

    @property
    def expected(self) -> Pair:
        """The pair taken to be at the near end when nothing is entered."""
        return self._carried or self.due

    def enter(self, near: Pair | None, *, played: bool) -> tuple[Pair, bool]:
        """Take one rally's entered near pair; return the pair that counts and whether it contradicts."""
        wrong = False
        if near is not None:
            if not (self._begun and self._by_rule):
                self.due = near
            wrong = near != self.due
            self._carried = near
        if played or near is not None:
            self._begun = True
            self._seen.add(self.expected)
        return self.expected, wrong

    def change(self, times: int) -> None:
        """Change ends; an even number (a score set by hand) leaves the pairs where they were."""
        if not times:
            return
        was = next(iter(self._seen)) if len(self._seen) == 1 else self.due
        self.due = other(was) if times % 2 else was
        self._seen.clear()
        self._carried = None
