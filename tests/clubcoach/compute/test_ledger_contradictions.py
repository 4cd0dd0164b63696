"""What the rules contradict is kept, marked with its rule, and the ledger goes on.

Order of service and ends after an error: "if a whole game was played, the order remains as altered",
in the Rules of Padel and the Rules of Tennis (from memory).
"""

from __future__ import annotations

import subprocess
import sys
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clubcoach.compute.ledger import Keeper, Ledger, MatchFormat, RallyEntry, Score, keep_ledger
from clubcoach.compute.ledger_turns import end_changes, games_and_turns, turn_in_set
from clubcoach.compute.ledger_words import (
    RULE_ENDS,
    RULE_ENDS_POINTS,
    RULE_ORDER,
    RULE_OVER,
    RULE_SHEET,
    RULE_SIDE,
    SENTENCES,
    point_words,
    score_can_occur,
    score_words,
)

SETS = MatchFormat("sets")


def match(*games: list[int | None] | int | None, form: MatchFormat = SETS, near: str = "") -> Ledger:
    """Games to love, won by A and B in turn; each with its server, or a list of one per rally."""
    entries: list[RallyEntry] = []
    for index, servers in enumerate(games):
        for server in servers if isinstance(servers, list) else [servers] * 4:
            pair: Any = near[index] if near and near[index] != "." else None
            winner: Any = "AB"[index % 2]
            entries.append(RallyEntry(len(entries) + 1, winner, server=server, near_pair=pair))
    return keep_ledger(form, entries)


def codes(ledger: Ledger) -> list[tuple[int, str]]:
    return [(mark.number, mark.code) for mark in ledger.contradictions]


def test_first_service_games_show_the_order_and_later_ones_are_held_to_it() -> None:
    ledger = match(2, 4, 1, 3, 2)
    assert codes(ledger) == []
    assert [row.before.server_known for row in ledger.rows[::4]] == [True] * 5
    assert (ledger.next.server, ledger.next.server_known) == (4, True)
    assert match(4, 1).contradictions == ()


def test_order_is_an_assumption_until_an_entry_shows_it() -> None:
    assumed = match(None, None, None)
    assert [row.before.server_known for row in assumed.rows] == [False] * 12
    # The partner in game 3 only says that the assumption for game 1 was wrong.
    later = match(None, None, 1, None, None)
    assert codes(later) == []
    assert [row.before.server for row in later.rows[::4]] == [1, 3, 1, 4, 2]


def test_server_of_the_first_rally_overrules_the_expected_first_server() -> None:
    ledger = match([3, None, None, None], None)
    assert codes(ledger) == []
    assert [row.server for row in ledger.rows[::4]] == [3, 1]


def test_partner_serving_a_whole_game_is_marked_and_the_order_goes_on_as_altered() -> None:
    ledger = match(1, 3, 1, 4, 2, 3)
    assert codes(ledger) == [(n, "server_partner") for n in (9, 10, 11, 12)]
    mark = ledger.contradictions[0]
    assert (mark.entered, mark.due, mark.rule) == ("1", "2", RULE_ORDER)
    assert mark.text == "Player 1 serves; by the order of this set it is the partner, player 2."
    assert [row.server for row in ledger.rows[8:12]] == [1] * 4


def test_one_wrong_server_holds_for_its_rally_and_does_not_shift_the_order() -> None:
    ledger = match(1, 3, [2, 1, 2, 2], 4, 1, 3)
    assert codes(ledger) == [(10, "server_partner")]
    assert [row.server for row in ledger.rows[8:12]] == [2, 1, 2, 2]
    assert [row.before.server for row in ledger.rows[8:12]] == [2] * 4


def test_an_entered_server_is_carried_to_the_rallies_of_its_game_without_entry() -> None:
    ledger = match(1, 3, [1, None, None, None], None, None)
    assert codes(ledger) == [(9, "server_partner")]
    assert [row.server for row in ledger.rows[8:12]] == [1] * 4
    assert [row.server for row in ledger.rows[12::4]] == [4, 2]


def test_other_pair_serving_is_marked_and_a_whole_game_of_it_passes_the_turn() -> None:
    ledger = match(1, 3, 4, None)
    assert codes(ledger) == [(n, "server_pair") for n in (9, 10, 11, 12)]
    assert ledger.contradictions[0].text == "Player 4 serves; it is the other pair's turn, player 2."
    assert ledger.rows[12].before.server == 2
    # Within the game it is a slip: the pair that was due has had its turn.
    assert match(1, 3, [2, 4, 2, 2], None).rows[12].before.server == 4


def test_break_point_follows_who_served_in_fact() -> None:
    entries = [RallyEntry(n, "A", server=1) for n in range(1, 5)]
    entries += [RallyEntry(n, "A", server=1) for n in range(5, 8)]
    ledger = keep_ledger(SETS, [*entries, RallyEntry(8, "A", server=1)])
    assert (4, "server_pair") not in codes(ledger)
    assert (ledger.rows[7].before.server, ledger.rows[7].server) == (3, 1)
    assert not ledger.rows[7].before.break_point
    assert ledger.summary.break_points == {"A": (0, 0), "B": (0, 0)}


def test_each_set_may_choose_its_order_anew_but_the_pairs_stay_in_turn() -> None:
    six = [RallyEntry(n, "A", server=[1, 3, 2, 4, 1, 3][(n - 1) // 4]) for n in range(1, 25)]
    anew = keep_ledger(SETS, [*six, RallyEntry(25, "A", server=1)])
    assert codes(anew) == []
    assert (anew.rows[24].before.server_known, anew.rows[24].before.server) == (True, 1)
    wrong = keep_ledger(SETS, [*six, RallyEntry(25, "A", server=3)])
    assert codes(wrong) == [(25, "server_pair")]


def test_wrong_side_is_marked_for_its_rally() -> None:
    ledger = keep_ledger(SETS, [RallyEntry(1, "A", side="left"), RallyEntry(2, "A", side="left")])
    assert codes(ledger) == [(1, "side")]
    mark = ledger.contradictions[0]
    assert (mark.entered, mark.due, mark.rule) == ("left", "right", RULE_SIDE)
    assert (ledger.rows[0].side, ledger.rows[0].before.side) == ("left", "right")


def test_wrong_end_is_marked_and_a_whole_stretch_of_it_goes_on_as_altered() -> None:
    # They forgot to change after game 1 and change by the rule from there: after game 3.
    ledger = match(1, 3, 2, 4, 1, near="AAABB")
    assert codes(ledger) == [(n, "end") for n in range(5, 13)]
    assert ledger.contradictions[0].rule == RULE_ENDS
    assert (ledger.contradictions[0].entered, ledger.contradictions[0].due) == ("A", "B")
    assert [row.near for row in ledger.rows[::4]] == list("AAABB")


def test_ends_forgotten_later_in_a_set_go_on_as_altered_too() -> None:
    ledger = match(1, 3, 2, 4, 1, 3, 2, near="ABBBBAA")
    assert codes(ledger) == [(n, "end") for n in range(13, 21)]


def test_a_row_without_rally_says_nothing_about_who_begins() -> None:
    first = RallyEntry(1, reason="knock-up")
    ledger = keep_ledger(SETS, [first, RallyEntry(2, "A", server=4, near_pair="B")])
    assert codes(ledger) == []
    assert (ledger.rows[1].before.server, ledger.rows[1].before.near) == (4, "B")


def test_ends_changed_a_game_early_are_marked_for_that_game_only() -> None:
    ledger = match(1, 3, 2, 4, 1, near="ABAAA")
    assert codes(ledger) == [(n, "end") for n in (9, 10, 11, 12)]


def test_first_rally_says_who_is_near_and_it_is_carried() -> None:
    ledger = match(1, 3, 2, near="B..")
    assert codes(ledger) == []
    assert [row.near for row in ledger.rows[::4]] == list("BAA")


def test_ends_in_a_match_to_points_are_held_to_the_format_or_to_nothing() -> None:
    entries = [RallyEntry(1, "A", near_pair="A"), RallyEntry(2, "A", near_pair="B"), RallyEntry(3, "A")]
    free = keep_ledger(MatchFormat("points", points_to=9), entries)
    assert (codes(free), [row.near for row in free.rows]) == ([], ["A", "B", "B"])
    fixed = keep_ledger(MatchFormat("points", points_to=9, ends_every=2), entries)
    assert codes(fixed) == [(2, "end")]
    assert fixed.contradictions[0].rule == RULE_ENDS_POINTS


def test_a_rally_after_the_match_is_kept_but_does_not_move_the_score() -> None:
    form = MatchFormat("sets", sets_to_win=1)
    ledger = keep_ledger(form, [RallyEntry(n, "A", server=None) for n in range(1, 27)])
    assert codes(ledger) == [(25, "after_end"), (26, "after_end")]
    assert ledger.contradictions[0].rule == RULE_OVER
    assert (ledger.final.words, ledger.final.winner, ledger.summary.after_end) == ("6-0", "A", 2)
    row = ledger.rows[-1]
    assert (row.winner, row.counts, row.before.over, row.before.server) == ("A", False, True, None)


def test_a_match_that_ends_early_is_no_contradiction() -> None:
    ledger = match(1, 3, 2)
    assert (ledger.contradictions, ledger.final.finished, ledger.final.words) == ((), False, "2-1 0-0")


def test_missing_winner_without_reason_is_marked_and_the_score_stays() -> None:
    ledger = keep_ledger(SETS, [RallyEntry(1), RallyEntry(2, "A"), RallyEntry(3, reason="film stops")])
    assert codes(ledger) == [(1, "winner_missing")]
    assert ledger.contradictions[0].rule == RULE_SHEET
    assert ledger.final.words == "0-0 15-0"


def test_a_set_score_stands_before_its_rally_and_keeps_its_reason() -> None:
    entry = RallyEntry(2, "A", score_set=Score(games=(3, 2), points=(3, 0)), reason="five games not filmed")
    ledger = keep_ledger(SETS, [RallyEntry(1, "B"), entry, RallyEntry(3, "B")])
    row = ledger.rows[1]
    assert (row.before.words, row.game_won, row.score_set) == ("3-2 40-0", "A", True)
    assert row.reason == "five games not filmed"
    assert ledger.final.words == "4-2 0-15"
    assert codes(ledger) == []
    # Five games on, the order has come round once and one further: player 3; ends changed three times.
    assert (row.before.server, row.before.near, row.before.side) == (3, "B", "left")
    assert ledger.summary.scores_set == 1


def test_a_set_score_without_reason_is_marked() -> None:
    ledger = keep_ledger(SETS, [RallyEntry(1, "A", score_set=Score(games=(1, 0)))])
    assert codes(ledger) == [(1, "score_reason_missing")]
    assert ledger.final.words == "1-0 15-0"


def test_a_set_score_can_go_back_and_can_end_or_reopen_a_match() -> None:
    form = MatchFormat("sets", sets_to_win=1)
    done = RallyEntry(1, score_set=Score(sets=((6, 4),)), reason="rest not filmed")
    ledger = keep_ledger(form, [done, RallyEntry(2, "A")])
    assert codes(ledger) == [(2, "after_end")]
    assert ledger.final.words == "6-4"
    back = RallyEntry(2, "A", score_set=Score(games=(5, 4), points=(3, 0)), reason="one game too many")
    assert keep_ledger(form, [done, back]).rows[1].match_won == "A"


@pytest.mark.parametrize("jump", range(11))
def test_a_jump_within_a_set_leaves_server_side_and_end_as_if_it_had_been_played(jump: int) -> None:
    # Nine and ten "games" are twelve games and 4-0, then 4-4, in the tie-break.
    played = match(1, 3, 2, 4, *[None] * jump).next
    entries = [row.entry for row in match(1, 3, 2, 4).rows]
    entry = RallyEntry(99, score_set=played.score, reason="not filmed")
    assert keep_ledger(SETS, [*entries, entry]).next == played


def test_a_jump_back_takes_the_order_back() -> None:
    played = match(1, 3, 2, 4, 1)
    entries = [row.entry for row in played.rows]
    entry = RallyEntry(99, score_set=Score(games=(1, 1)), reason="games counted twice")
    after = keep_ledger(SETS, [*entries, entry]).next
    assert (after.server, after.near) == (2, "B")


def test_a_jump_to_another_set_keeps_the_pairs_turn_and_frees_the_order() -> None:
    entry = RallyEntry(9, score_set=Score(sets=((6, 3),), games=(1, 0)), reason="not filmed")
    entries = [row.entry for row in match(1, 3).rows]
    after = keep_ledger(SETS, [*entries, entry]).next
    # Ten games in all: the pair that served first; changes after 1, 3, 5, 7, 9 and game 1 of set 2.
    assert (after.server in (1, 2), after.server_known, after.near) == (True, False, "A")
    one_more = RallyEntry(9, score_set=Score(sets=((6, 3),), games=(1, 1)), reason="not filmed")
    assert keep_ledger(SETS, [*entries, one_more]).next.server in (3, 4)


@pytest.mark.parametrize(
    ("form", "score", "can"),
    [
        (
            SETS,
            Score(
                ((6, 4), (7, 6)),
            ),
            True,
        ),
        (SETS, Score(((6, 5),)), False),
        (SETS, Score(((8, 6),)), False),
        (SETS, Score(games=(6, 5), points=(4, 3)), True),
        (SETS, Score(games=(6, 4)), False),
        (SETS, Score(games=(7, 6)), False),
        (SETS, Score(games=(6, 6), points=(9, 8)), True),
        (SETS, Score(games=(6, 6), points=(7, 5)), False),
        (SETS, Score(points=(5, 3)), False),
        (SETS, Score(points=(12, 11)), True),
        (SETS, Score(((6, 0), (6, 0), (6, 0))), False),
        (SETS, Score(((6, 0), (6, 0)), games=(1, 0)), False),
        (SETS, Score(((6, 0), (6, 0)), points=(1, 0)), False),
        (MatchFormat("sets", tiebreak="none"), Score(((11, 9),), games=(7, 8)), True),
        (MatchFormat("sets", tiebreak="none"), Score(((9, 6),)), False),
        (MatchFormat("sets", deuce="golden"), Score(points=(3, 3)), True),
        (MatchFormat("sets", deuce="golden"), Score(points=(4, 3)), False),
        (MatchFormat("sets", deuce="star"), Score(points=(5, 5)), True),
        (MatchFormat("sets", deuce="star"), Score(points=(6, 5)), False),
        (MatchFormat("sets", match_tiebreak=True), Score(((6, 0), (0, 6), (10, 8))), True),
        (MatchFormat("sets", match_tiebreak=True), Score(((6, 0), (0, 6), (6, 4))), False),
        (MatchFormat("sets", match_tiebreak=True), Score(((6, 0), (0, 6)), points=(11, 10)), True),
        (MatchFormat("sets", match_tiebreak=True), Score(((6, 0), (0, 6)), games=(1, 0)), False),
        (MatchFormat("points", points_to=8), Score(points=(8, 7)), True),
        (MatchFormat("points", points_to=8), Score(points=(8, 8)), False),
        (MatchFormat("points", points_to=8, points_rule="total"), Score(points=(5, 4)), False),
        (MatchFormat("points", points_to=8), Score(games=(1, 0)), False),
        (MatchFormat("free"), Score(points=(50, 0)), True),
    ],
)
def test_which_scores_can_occur(form: MatchFormat, score: Score, can: bool) -> None:
    assert score_can_occur(form, score) is can
    ledger = keep_ledger(form, [RallyEntry(1, score_set=score, reason="as told"), RallyEntry(2, "A")])
    assert ((1, "score_impossible") in codes(ledger)) is not can
    assert ledger.rows[0].before.score == score
    assert score_words(form, score) == ledger.rows[0].before.words


@settings(max_examples=80, deadline=None)
@given(
    st.sampled_from(
        [
            SETS,
            MatchFormat("sets", deuce="star", match_tiebreak=True, games_per_set=3),
            MatchFormat("sets", deuce="golden", tiebreak="none", games_per_set=2),
            MatchFormat("points", points_to=30),
        ]
    ),
    st.text("AB", max_size=300),
)
def test_every_score_that_is_played_can_occur_and_turns_move_one_by_one(form: MatchFormat, text: str) -> None:
    keeper = Keeper(form)
    for number, winner in enumerate(text, 1):
        was = keeper.score
        row = keeper.add(RallyEntry(number, winner))  # type: ignore[arg-type]
        assert score_can_occur(form, keeper.score)
        if len(was.sets) == len(keeper.score.sets):
            assert turn_in_set(form, keeper.score) - turn_in_set(form, was) in (0, 1)
        assert 0 <= end_changes(form, keeper.score) - end_changes(form, was) <= 1
        if row.game_won and not row.set_won:
            assert games_and_turns(form, keeper.score) == games_and_turns(form, was) + 1


def test_points_without_a_call_are_said_as_numbers() -> None:
    assert [point_words(points) for points in ((5, 3), (4, 0), (5, 4), (9, 9))] == [
        "5-3",
        "4-0",
        "AD-40",
        "40-40",
    ]
    assert point_words((3, 2), "set") == "3-2"


def test_score_refuses_what_is_no_count() -> None:
    for bad in ((1, -1), (1,), "12", (1.5, 0), (True, 0), 3, None):
        with pytest.raises(ValueError, match="whole numbers"):
            Score(games=bad)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="pace"):
        Score.from_dict({"pace": 1})
    assert Score.from_dict({"sets": [[6, 4]]}) == Score(((6, 4),))


junk = st.one_of(
    st.none(), st.integers(-3, 6), st.text(max_size=3), st.sampled_from(["A", "B", "left", 3.5, ()])
)
counts = st.tuples(st.integers(0, 12), st.integers(0, 12))
scores = st.builds(Score, st.lists(counts, max_size=4), counts, counts)
anything = st.builds(
    RallyEntry,
    st.one_of(st.integers(-5, 50), junk),
    junk | st.sampled_from("AB"),
    junk | st.sampled_from([1, 2, 3, 4]),
    junk | st.sampled_from("AB"),
    junk | st.sampled_from(["right", "left"]),
    st.none() | scores | junk,
    st.sampled_from(["", "because"]),
)
FORMATS = [
    SETS,
    MatchFormat("sets", match_tiebreak=True, deuce="star"),
    MatchFormat("sets", tiebreak="none", deuce="golden"),
    MatchFormat("points", points_to=12, ends_every=4),
    MatchFormat("free"),
]


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(FORMATS), st.lists(anything, max_size=25))
def test_junk_is_kept_and_marked_and_never_raises(form: MatchFormat, entries: list[RallyEntry]) -> None:
    ledger = keep_ledger(form, entries)
    assert [row.entry for row in ledger.rows] == entries
    assert keep_ledger(form, entries).rows == ledger.rows
    for row, entry in zip(ledger.rows, entries, strict=True):
        marks = [mark.code for mark in row.contradictions]
        values = {
            entry.winner: "AB",
            entry.near_pair: "AB",
            entry.server: (1, 2, 3, 4),
            entry.side: ("right", "left"),
        }
        strange = [
            value for value, known in values.items() if value is not None and value not in tuple(known)
        ]
        assert (len(strange) > 0) <= ("value_unknown" in marks)
        assert (entry.score_set is not None and not isinstance(entry.score_set, Score)) == (
            "score_unreadable" in marks
        )
        assert row.winner in ("A", "B", None)
        assert row.server in (1, 2, 3, 4, None)
        assert row.side in ("right", "left", None)
        assert row.near in ("A", "B", None)
        if entry.server in (1, 2, 3, 4):
            assert row.server == entry.server
        if entry.side in ("right", "left"):
            assert row.side == entry.side
    assert all(mark.text and mark.code in SENTENCES for mark in ledger.contradictions)


@settings(max_examples=60, deadline=None)
@given(st.text("AB", min_size=1, max_size=300), st.data())
def test_facts_that_agree_with_the_rules_are_never_marked(text: str, data: st.DataObject) -> None:
    """Entering exactly what is due, at any rallies, changes nothing."""
    form = data.draw(st.sampled_from(FORMATS[:4]))
    plain = keep_ledger(form, [RallyEntry(n, w) for n, w in enumerate(text, 1)])  # type: ignore[arg-type]
    entries = [row.entry for row in plain.rows if not row.before.over]
    for index in data.draw(st.sets(st.integers(0, len(entries) - 1), max_size=30)):
        due = plain.rows[index].before
        number, winner = index + 1, plain.rows[index].winner
        entries[index] = RallyEntry(number, winner, server=due.server, near_pair=due.near, side=due.side)
    ledger = keep_ledger(form, entries)
    assert ledger.contradictions == ()
    assert [row.server for row in ledger.rows] == [row.before.server for row in plain.rows[: len(entries)]]


def test_numbers_out_of_order_are_marked_and_rows_stay_where_they_stand() -> None:
    ledger = keep_ledger(
        SETS, [RallyEntry(1, "A"), RallyEntry(3, "A"), RallyEntry(3, "A"), RallyEntry(2, "A")]
    )
    assert codes(ledger) == [(3, "number_order"), (2, "number_order")]
    assert ledger.final.words == "1-0 0-0"


def test_ledger_needs_no_django() -> None:
    code = (
        "import sys, clubcoach.compute.ledger, clubcoach.compute.chances; sys.exit('django' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False, timeout=60).returncode == 0
