"""What a match is played to, what is entered for a rally, and how one point moves the score.

The rules are those of the International Padel Federation's *Rules of Padel* (score, service order,
ends), with the 2026 rule for deuce. Players 1 and 2 are pair A, players 3 and 4 pair B.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from typing import Any, Literal

Pair = Literal["A", "B"]
Two = tuple[int, int]
Tiebreak = Literal["", "set", "match"]

PAIRS: tuple[Pair, Pair] = ("A", "B")
PLAYERS = (1, 2, 3, 4)
SIDES = ("right", "left")
SET_TIEBREAK_TO = 7
MATCH_TIEBREAK_TO = 10
# The count of points at which one deciding point is played; None: never.
DECIDING_AT: dict[str, int | None] = {"advantage": None, "golden": 3, "star": 5}
_CHOICES: dict[str, tuple[str, ...]] = {
    "kind": ("sets", "points", "free"),
    "tiebreak": ("to7", "none"),
    "deuce": ("advantage", "golden", "star"),
    "points_rule": ("first_to", "total"),
}
_BOUNDS = {"games_per_set": (2, 20), "sets_to_win": (1, 5), "serve_rotation": (1, 50)}
_FLAGS = ("match_tiebreak", "time_limited", "partners_change")


def other(pair: Pair) -> Pair:
    """Return the pair across the net."""
    return "B" if pair == "A" else "A"


def pair_of(player: int) -> Pair:
    """Return the pair of player 1 to 4."""
    return "A" if player <= 2 else "B"


def partner(player: int) -> int:
    """Return the other player of the same pair."""
    return {1: 2, 2: 1, 3: 4, 4: 3}[player]


@dataclass(frozen=True)
class MatchFormat:
    """What a match is played to.

    Parameters
    ----------
    kind : {"sets", "points", "free"}
        Sets of games; a fixed number of points; or rally winners only.
    games_per_set, sets_to_win : int
        A set is won with this many games and a lead of two.
    tiebreak : {"to7", "none"}
        At `games_per_set` all: a tie-break to 7 by 2, or play on to a lead of two games.
    match_tiebreak : bool
        The last possible set is one tie-break to 10 by 2.
    deuce : {"advantage", "golden", "star"}
        Advantage; one deciding point at 40-40; or at most two advantages and a deciding point at the
        third deuce (2026).
    points_to : int or None
        Kind "points": the number of points meant by `points_rule`.
    points_rule : {"first_to", "total"}
        The first pair with `points_to` points wins, or `points_to` points are played in all.
    time_limited : bool
        The clock may end the match; see `keep_ledger`.
    serve_rotation : int
        Kind "points": points that one player serves in a row (club setting).
    partners_change : bool
        Kind "points": pairs are made anew for each round, so points are credited to players.
    ends_every : int or None
        Kind "points": ends change after this many points; None: as they like, nothing is marked.

    Raises
    ------
    ValueError
        With a sentence that names the field.
    """

    kind: str
    games_per_set: int = 6
    sets_to_win: int = 2
    tiebreak: str = "to7"
    match_tiebreak: bool = False
    deuce: str = "advantage"
    points_to: int | None = None
    points_rule: str = "first_to"
    time_limited: bool = False
    serve_rotation: int = 4
    partners_change: bool = False
    ends_every: int | None = None

    def __post_init__(self) -> None:
        for name, allowed in _CHOICES.items():
            if getattr(self, name) not in allowed:
                raise ValueError(f"{name} must be one of {', '.join(allowed)}, not {getattr(self, name)!r}.")
        for name, (low, high) in _BOUNDS.items():
            _check_whole(name, getattr(self, name), low, high)
        for name in _FLAGS:
            if getattr(self, name) is not True and getattr(self, name) is not False:
                raise ValueError(f"{name} must be true or false, not {getattr(self, name)!r}.")
        if self.ends_every is not None:
            _check_whole("ends_every", self.ends_every, 1, 999)
        self._check_kind()

    def _check_kind(self) -> None:
        if self.kind == "points":
            if self.points_to is None:
                raise ValueError("A match to a number of points needs points_to.")
            _check_whole("points_to", self.points_to, 1, 999)
        elif self.points_to is not None:
            raise ValueError("points_to belongs to a match of kind points.")
        elif self.partners_change:
            raise ValueError("Partners change only in a match of kind points.")
        elif self.ends_every is not None:
            raise ValueError("ends_every belongs to a match of kind points.")
        if self.match_tiebreak and (self.kind != "sets" or self.sets_to_win < 2):
            raise ValueError("A match tie-break replaces the last of several sets: it needs two sets to win.")

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> MatchFormat:
        """Build a format from what `as_dict` wrote.

        Raises
        ------
        ValueError
            For a value outside its rule, an unknown name, or a missing kind.
        """
        unknown = sorted(set(data) - {field.name for field in fields(cls)})
        if unknown:
            raise ValueError(f"A match format has no {', '.join(unknown)}.")
        if "kind" not in data:
            raise ValueError("A match format needs its kind: sets, points or free.")
        return cls(**data)

    def as_dict(self) -> dict[str, Any]:
        """Return the format as plain values for JSON."""
        return asdict(self)


def _check_whole(name: str, value: object, low: int, high: int) -> None:
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise ValueError(f"{name} must be a whole number from {low} to {high}, not {value!r}.")


@dataclass(frozen=True)
class Score:
    """A score as counts, always pair A first.

    Parameters
    ----------
    sets : tuple of (int, int)
        Games of the sets that are over; a match tie-break stands with its points.
    games : (int, int)
        Games of the set in play.
    points : (int, int)
        Points won in the game or tie-break in play (40 is 3, a first advantage 4-3), or in the whole
        match for kinds "points" and "free".
    tiebreaks : tuple of ((int, int) or None)
        Points of the tie-break of each set in `sets`, where known.

    Raises
    ------
    ValueError
        If anything is not a pair of whole numbers from 0.
    """

    sets: tuple[Two, ...] = ()
    games: Two = (0, 0)
    points: Two = (0, 0)
    tiebreaks: tuple[Two | None, ...] = ()

    def __post_init__(self) -> None:
        # Lists arrive from JSON; a frozen score must hash and compare like any other.
        try:
            values = {
                "sets": tuple(_two(pair) for pair in self.sets),
                "games": _two(self.games),
                "points": _two(self.points),
                "tiebreaks": tuple(None if pair is None else _two(pair) for pair in self.tiebreaks),
            }
        except TypeError:
            raise ValueError("A score is made of pairs of whole numbers from 0.") from None
        missing = len(values["sets"]) - len(values["tiebreaks"])
        values["tiebreaks"] = values["tiebreaks"][: len(values["sets"])] + (None,) * missing
        for name, value in values.items():
            object.__setattr__(self, name, value)

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Score:
        """Build a score from what `as_dict` wrote; ValueError names what is unknown."""
        unknown = sorted(set(data) - {field.name for field in fields(cls)})
        if unknown:
            raise ValueError(f"A score has no {', '.join(unknown)}.")
        return cls(**data)

    def as_dict(self) -> dict[str, Any]:
        """Return the score as lists of numbers for JSON."""
        return {
            "sets": [list(pair) for pair in self.sets],
            "games": list(self.games),
            "points": list(self.points),
            "tiebreaks": [None if pair is None else list(pair) for pair in self.tiebreaks],
        }

    def sets_won(self) -> Two:
        """Return the number of sets won by A and by B."""
        return sum(a > b for a, b in self.sets), sum(b > a for a, b in self.sets)


def _two(value: Any) -> Two:
    if isinstance(value, (str, bytes)) or len(value) != 2:
        raise ValueError(f"A score is two whole numbers from 0, not {value!r}.")
    for count in value:
        if isinstance(count, bool) or not isinstance(count, int) or count < 0:
            raise ValueError(f"A score is two whole numbers from 0, not {value!r}.")
    return (value[0], value[1])


@dataclass(frozen=True)
class RallyEntry:
    """What was entered for one rally; None is "not entered".

    Parameters
    ----------
    number : int
        Its number on the sheet, rising.
    winner : {"A", "B", None}
        None for a let, a rally that was not played, or a winner nobody saw.
    server : {1, 2, 3, 4, None}
    near_pair : {"A", "B", None}
        The pair at the end nearer to the camera.
    side : {"right", "left", None}
        Where the server stands.
    score_set : Score or None
        The score that stood **before** this rally, set by hand.
    reason : str
        Why the score was set, or why there is no winner.
    """

    number: int
    winner: Pair | None = None
    server: int | None = None
    near_pair: Pair | None = None
    side: str | None = None
    score_set: Score | None = None
    reason: str = ""


@dataclass(frozen=True)
class Step:
    """The score after a point, and what the point won."""

    score: Score
    game_won: Pair | None = None
    set_won: Pair | None = None
    match_won: Pair | None = None


def tiebreak_in_play(form: MatchFormat, score: Score) -> Tiebreak:
    """Return which tie-break, if any, the next point belongs to: "", "set" or "match"."""
    if form.kind != "sets":
        return ""
    if form.match_tiebreak and score.sets_won() == (form.sets_to_win - 1, form.sets_to_win - 1):
        return "match"
    level = score.games[0] == score.games[1] >= form.games_per_set
    return "set" if form.tiebreak == "to7" and level else ""


def is_over(form: MatchFormat, score: Score) -> bool:
    """Return whether the format says that the match is over at this score."""
    if form.kind == "sets":
        return max(score.sets_won()) >= form.sets_to_win
    if form.kind == "points" and form.points_to is not None:
        reached = max(score.points) if form.points_rule == "first_to" else sum(score.points)
        return reached >= form.points_to
    return False


def ahead(counts: Two) -> Pair | None:
    """Return the pair with the higher count, None when level."""
    return None if counts[0] == counts[1] else "A" if counts[0] > counts[1] else "B"


def is_deciding(form: MatchFormat, score: Score) -> bool:
    """Return whether the next point decides a game at deuce."""
    at = DECIDING_AT[form.deuce]
    if form.kind != "sets" or at is None or tiebreak_in_play(form, score):
        return False
    return score.points[0] == score.points[1] >= at


def won_by_two(counts: Two, to: int) -> bool:
    """Return whether a count of at least `to` leads by two."""
    return max(counts) >= to and abs(counts[0] - counts[1]) >= 2


def _game_is_won(form: MatchFormat, points: Two, tiebreak: Tiebreak) -> bool:
    if tiebreak:
        return won_by_two(points, SET_TIEBREAK_TO if tiebreak == "set" else MATCH_TIEBREAK_TO)
    at = DECIDING_AT[form.deuce]
    decided = at is not None and min(points) >= at and points[0] != points[1]
    return decided or won_by_two(points, 4)


def after_point(form: MatchFormat, score: Score, winner: Pair) -> Step:
    """Move the score by one point.

    Parameters
    ----------
    form : MatchFormat
    score : Score
        Before the point; a match that is over is the caller's to stop.
    winner : {"A", "B"}

    Returns
    -------
    Step
        A set that ends here is moved to `sets` at once, games and points back at 0.
    """
    points = _plus(score.points, winner)
    moved = replace(score, points=points)
    if form.kind != "sets":
        done = is_over(form, moved)
        return Step(moved, match_won=ahead(points) if done else None)
    tiebreak = tiebreak_in_play(form, score)
    if not _game_is_won(form, points, tiebreak):
        return Step(moved)
    games = points if tiebreak == "match" else _plus(score.games, winner)
    if not tiebreak and not won_by_two(games, form.games_per_set):
        return Step(replace(score, games=games, points=(0, 0)), winner)
    ended = Score(
        sets=(*score.sets, games),
        tiebreaks=(*score.tiebreaks, points if tiebreak == "set" else None),
    )
    return Step(ended, winner, winner, winner if is_over(form, ended) else None)


def _plus(counts: Two, winner: Pair) -> Two:
    return (counts[0] + (winner == "A"), counts[1] + (winner == "B"))
