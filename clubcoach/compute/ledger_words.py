"""A score in words, whether it can occur at all, and the sentences of the ledger.

Sentences are English message ids: the pages translate them, so they are marked here by name only
(nothing of Django is imported).
"""

from __future__ import annotations

from dataclasses import dataclass

from clubcoach.compute.ledger_rules import (
    DECIDING_AT,
    MATCH_TIEBREAK_TO,
    SET_TIEBREAK_TO,
    MatchFormat,
    Score,
    Tiebreak,
    Two,
    is_over,
    tiebreak_in_play,
    won_by_two,
)

_CALLS = ("0", "15", "30", "40")


def gettext_noop(message: str) -> str:
    """Mark a sentence for the message catalogue and return it unchanged."""
    return message


RULE_ORDER = gettext_noop(
    "Order of service: the pairs serve in turn, and the order chosen at the start of a set stays for the set."
)
RULE_SIDE = gettext_noop("Side of service: the first point of a game from the right, then in turn.")
RULE_ENDS = gettext_noop("Ends: changed after odd games of a set and after every six points of a tie-break.")
RULE_ENDS_POINTS = gettext_noop("Ends: changed after the number of points that the format names.")
RULE_OVER = gettext_noop("End of the match: it is over when the format's last set or point is won.")
RULE_SCORE = gettext_noop("Score: as the format of the match counts it.")
RULE_SHEET = gettext_noop(
    "The sheet: rallies in order, each with the winner or the reason why there is none."
)

# code -> (sentence, the rule it rests on); %(entered)s and %(due)s are filled by the page.
SENTENCES: dict[str, tuple[str, str]] = {
    "server_partner": (
        gettext_noop(
            "Player %(entered)s serves; by the order of this set it is the partner, player %(due)s."
        ),
        RULE_ORDER,
    ),
    "server_pair": (
        gettext_noop("Player %(entered)s serves; it is the other pair's turn, player %(due)s."),
        RULE_ORDER,
    ),
    "side": (gettext_noop("Served from the %(entered)s; by the score it is the %(due)s."), RULE_SIDE),
    "end": (gettext_noop("Pair %(entered)s is at the near end; by the score it is pair %(due)s."), RULE_ENDS),
    "after_end": (gettext_noop("The match was already over: this rally does not move the score."), RULE_OVER),
    "winner_missing": (gettext_noop("No winner and no reason: the score stays where it was."), RULE_SHEET),
    "value_unknown": (gettext_noop("“%(entered)s” is not a known value: read as not entered."), RULE_SHEET),
    "number_order": (
        gettext_noop("Rally %(entered)s comes after rally %(due)s: kept where it stands."),
        RULE_SHEET,
    ),
    "score_reason_missing": (gettext_noop("The score was set without a reason."), RULE_SHEET),
    "score_unreadable": (gettext_noop("The score that was set cannot be read: it was not used."), RULE_SCORE),
    "score_impossible": (
        gettext_noop("The score that was set, %(entered)s, cannot occur in this format: kept all the same."),
        RULE_SCORE,
    ),
}


@dataclass(frozen=True)
class Contradiction:
    """One entered fact that the rules contradict: kept, and marked with this.

    Attributes
    ----------
    number : int
        The rally's number.
    code : str
        A key of `SENTENCES`.
    sentence, rule : str
        Message ids; `sentence` may hold ``%(entered)s`` and ``%(due)s``.
    entered, due : str
        What was entered, and what the rules say.
    """

    number: int
    code: str
    sentence: str
    rule: str
    entered: str = ""
    due: str = ""

    @property
    def text(self) -> str:
        """The English sentence with its values."""
        return self.sentence % {"entered": self.entered, "due": self.due}


def contradiction(number: int, code: str, entered: object = "", due: object = "") -> Contradiction:
    """Build the mark for `code` from its sentence and rule."""
    sentence, rule = SENTENCES[code]
    return Contradiction(number, code, sentence, rule, str(entered), str(due))


def point_words(points: Two, tiebreak: Tiebreak = "") -> str:
    """Say the points of a game ("30-40", "AD-40") or of a tie-break ("5-3"), pair A first.

    Parameters
    ----------
    points : (int, int)
        Points won.
    tiebreak : {"", "set", "match"}

    Returns
    -------
    str
        Plain counts where a game has no call for them (a score that cannot occur).
    """
    a, b = points
    if tiebreak or (max(a, b) > 3 and (min(a, b) < 3 or abs(a - b) > 1)):
        return f"{a}-{b}"
    if max(a, b) <= 3:
        return f"{_CALLS[a]}-{_CALLS[b]}"
    return "40-40" if a == b else "AD-40" if a > b else "40-AD"


def score_words(form: MatchFormat, score: Score) -> str:
    """Say a whole score, pair A first: "7-6(5) 3-2 30-40", "6-4 3-6 [10-8]", "12-9".

    Parameters
    ----------
    form : MatchFormat
    score : Score

    Returns
    -------
    str
        Finished sets (a match tie-break in square brackets), then games and points in play.
    """
    if form.kind != "sets":
        return f"{score.points[0]}-{score.points[1]}"
    words = [_set_words(form, score, index) for index in range(len(score.sets))]
    if not is_over(form, score):
        tiebreak = tiebreak_in_play(form, score)
        if tiebreak != "match":
            words.append(f"{score.games[0]}-{score.games[1]}")
        words.append(point_words(score.points, tiebreak))
    return " ".join(words)


def _set_words(form: MatchFormat, score: Score, index: int) -> str:
    a, b = score.sets[index]
    if form.match_tiebreak and index == 2 * form.sets_to_win - 2:
        return f"[{a}-{b}]"
    points = score.tiebreaks[index]
    return f"{a}-{b}({min(points)})" if points else f"{a}-{b}"


def score_can_occur(form: MatchFormat, score: Score) -> bool:
    """Return whether a match of this format can stand at this score.

    Parameters
    ----------
    form : MatchFormat
    score : Score

    Returns
    -------
    bool
    """
    if form.kind != "sets":
        return score.sets == () and score.games == (0, 0) and _points_can_occur(form, score.points)
    for index in range(len(score.sets)):
        before = Score(sets=score.sets[:index])
        if is_over(form, before) or not _set_can_end(form, before, score.sets[index]):
            return False
    if is_over(form, score) or tiebreak_in_play(form, Score(sets=score.sets)) == "match":
        if score.games != (0, 0):
            return False
    elif not _games_can_stand(form, score.games):
        return False
    return _game_can_stand(form, score)


def _points_can_occur(form: MatchFormat, points: Two) -> bool:
    if form.kind == "free" or form.points_to is None:
        return True
    if form.points_rule == "total":
        return sum(points) <= form.points_to
    return max(points) <= form.points_to and sum(points) < 2 * form.points_to


def _race_can_end(counts: Two, to: int) -> bool:
    return won_by_two(counts, to) and (max(counts) == to or abs(counts[0] - counts[1]) == 2)


def _set_can_end(form: MatchFormat, before: Score, games: Two) -> bool:
    if tiebreak_in_play(form, before) == "match":
        return _race_can_end(games, MATCH_TIEBREAK_TO)
    most = form.games_per_set
    if form.tiebreak == "to7" and max(games) > most:
        return max(games) == most + 1 and min(games) in (most - 1, most)
    return _race_can_end(games, most)


def _games_can_stand(form: MatchFormat, games: Two) -> bool:
    most = form.games_per_set
    if form.tiebreak == "to7" and max(games) > most:
        return False
    return max(games) < most or abs(games[0] - games[1]) <= 1


def _game_can_stand(form: MatchFormat, score: Score) -> bool:
    points = score.points
    if is_over(form, score):
        return points == (0, 0)
    tiebreak = tiebreak_in_play(form, score)
    if tiebreak:
        to = SET_TIEBREAK_TO if tiebreak == "set" else MATCH_TIEBREAK_TO
        return max(points) < to or abs(points[0] - points[1]) <= 1
    at = DECIDING_AT[form.deuce]
    if at is not None and max(points) > at:
        return False
    return max(points) <= 3 or abs(points[0] - points[1]) <= 1
