"""The ledger without contradictions: score, server, side, end, flags, ends of a match, formats.

Rules: International Padel Federation, Rules of Padel (score, order of service, ends), with the 2026
rule for deuce (two advantages, then a deciding point).
"""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clubcoach.compute.ledger import Keeper, Ledger, MatchFormat, RallyEntry, Score, keep_ledger
from clubcoach.compute.ledger_rules import partner

SETS = MatchFormat("sets")
FORMATS = [
    *(MatchFormat("sets", deuce=deuce) for deuce in ("advantage", "golden", "star")),
    MatchFormat("sets", tiebreak="none"),
    MatchFormat("sets", games_per_set=4, match_tiebreak=True, deuce="golden"),
    MatchFormat("sets", games_per_set=9, sets_to_win=1, time_limited=True),
    MatchFormat("points", points_to=24, points_rule="total", partners_change=True),
    MatchFormat("points", points_to=16, serve_rotation=2, ends_every=8),
    MatchFormat("free"),
]
winners = st.text("AB", max_size=400)


def rally(number: int, winner: Any, **named: Any) -> RallyEntry:
    return RallyEntry(number, winner, **named)


def play(form: MatchFormat, text: str, **named: Any) -> Ledger:
    """One rally a letter: A or B won it."""
    return keep_ledger(form, [rally(n, w) for n, w in enumerate(text, 1)], **named)


def games(text: str) -> str:
    """Four points a letter: games to love."""
    return "".join(w * 4 for w in text)


TO_SIX_ALL = games("AB" * 6)


def test_points_of_a_game_are_called_15_30_40() -> None:
    ledger = play(SETS, "AABBAB")
    words = [row.before.points_words for row in ledger.rows]
    assert words == ["0-0", "15-0", "30-0", "30-15", "30-30", "40-30"]
    assert ledger.next.points_words == "40-40"
    assert ledger.final.words == "0-0 40-40"


def test_deuce_by_advantage_goes_on_until_two_ahead() -> None:
    ledger = play(SETS, "AAABBB" + "AB" * 20 + "BA" + "BB")
    words = [row.before.points_words for row in ledger.rows[6:]]
    assert words[:4] == ["40-40", "AD-40", "40-40", "AD-40"]
    assert words[-2:] == ["40-40", "40-AD"]
    assert [row.game_won for row in ledger.rows] == [None] * 49 + ["B"]
    assert not any(row.before.deciding for row in ledger.rows)


def test_golden_point_decides_at_forty_all_and_its_side_is_entered_not_computed() -> None:
    form = MatchFormat("sets", deuce="golden")
    entries = [rally(n, w) for n, w in enumerate("AAABBB", 1)] + [RallyEntry(7, "B", side="left")]
    row = keep_ledger(form, entries).rows[-1]
    assert (row.before.deciding, row.before.side, row.side, row.game_won) == (True, None, "left", "B")
    assert row.contradictions == ()
    assert row.before.break_point


def test_star_point_allows_two_advantages_then_decides_at_the_third_deuce() -> None:
    ledger = play(MatchFormat("sets", deuce="star"), "AAABBB" + "AB" + "BA" + "B")
    assert [row.before.deciding for row in ledger.rows] == [False] * 10 + [True]
    assert ledger.rows[-1].game_won == "B"
    assert ledger.summary.deciding_points == (0, 1)


@pytest.mark.parametrize(("deuce", "most"), [("golden", 7), ("star", 11)])
def test_longest_game_has_7_points_by_golden_and_11_by_star(deuce: str, most: int) -> None:
    form = MatchFormat("sets", deuce=deuce)
    # Whoever is not ahead wins: no game lasts longer.
    keeper = Keeper(form)
    for number in range(1, 100):
        a, b = keeper.score.points
        if keeper.add(rally(number, "A" if a <= b else "B")).game_won:
            break
    assert len(keeper.rows) == most


def test_no_point_of_a_tiebreak_is_a_deciding_point() -> None:
    rows = play(MatchFormat("sets", deuce="golden"), TO_SIX_ALL + "AB" * 6).rows[48:]
    assert [row.before.deciding for row in rows] == [False] * 12


def test_order_of_service_is_one_of_each_pair_in_turn_and_returns_after_four_games() -> None:
    ledger = play(SETS, games("ABABAB"), first_server=4, first_near="B")
    assert [row.before.server for row in ledger.rows[::4]] == [4, 1, 3, 2, 4, 1]


def test_sides_start_right_and_alternate_within_each_game() -> None:
    ledger = play(SETS, "ABAAA" + "AB")
    sides = ["right", "left", "right", "left", "right", "right", "left"]
    assert [row.before.side for row in ledger.rows] == sides
    assert ledger.next.side == "right"


def test_ends_change_after_odd_games() -> None:
    ledger = play(SETS, games("ABABABAB"))
    assert "".join(str(row.before.near) for row in ledger.rows[::4]) == "ABBAABBA"


def test_ends_stay_after_a_set_of_even_games_and_change_after_one_of_odd_games() -> None:
    even = play(SETS, games("AAAAAA" + "AA"))
    # Six games: changes after 1, 3, 5; the sixth adds none, the next is after game 1 of the second set.
    assert "".join(str(row.before.near) for row in even.rows[::4]) == "ABBAAB" + "BA"
    odd = play(SETS, games("ABAAAAA" + "A"))
    assert odd.final.score.sets == ((6, 1),)
    assert "".join(str(row.before.near) for row in odd.rows[::4]) == "ABBAABB" + "A"


def test_tiebreak_serves_one_then_two_each_and_changes_ends_every_six_points() -> None:
    ledger = play(SETS, TO_SIX_ALL + "AB" * 6 + "AA" + "A")
    rows = ledger.rows[48:62]
    assert {row.before.tiebreak for row in rows} == {"set"}
    assert [row.before.server for row in rows] == [1, 3, 3, 2, 2, 4, 4, 1, 1, 3, 3, 2, 2, 4]
    assert [row.before.side for row in rows] == ["right", "left"] * 7
    assert "".join(str(row.before.near) for row in rows) == "A" * 6 + "B" * 6 + "A" * 2
    assert [row.before.points_words for row in rows[:3]] == ["0-0", "1-0", "1-1"]
    assert rows[-1].set_won == "A"
    assert ledger.rows[-1].before.words == "7-6(6) 0-0 0-0"
    assert not any(row.before.break_point for row in rows)


@pytest.mark.parametrize("points", ["AAAAAAA", "AB" * 3 + "AAAA", "AB" * 5 + "AA", "AB" * 6 + "AA"])
def test_after_a_tiebreak_its_first_receivers_serve_and_ends_change(points: str) -> None:
    ledger = play(SETS, TO_SIX_ALL + points)
    last = ledger.rows[-1]
    assert last.set_won == "A"
    assert ledger.next.server in (3, 4)
    assert ledger.next.near != last.before.near


def test_match_tiebreak_to_ten_replaces_the_last_set() -> None:
    form = MatchFormat("sets", match_tiebreak=True)
    ledger = play(form, games("AAAAAA" + "BBBBBB") + "AB" * 9 + "AA")
    assert ledger.rows[48].before.tiebreak == "match"
    assert ledger.rows[48].before.words == "6-0 0-6 0-0"
    assert ledger.final.words == "6-0 0-6 [11-9]"
    assert (ledger.final.finished, ledger.final.winner, ledger.final.ended) == (True, "A", "won")
    # Twelve games so far: the pair that served first serves first again.
    assert [row.before.server in (1, 2) for row in ledger.rows[48:52]] == [True, False, False, True]


def test_without_a_tiebreak_the_set_goes_on_to_a_lead_of_two() -> None:
    ledger = play(MatchFormat("sets", tiebreak="none"), games("AB" * 8 + "BB"))
    assert ledger.final.score.sets == ((8, 10),)


def test_set_is_won_6_4_and_7_5_but_not_6_5() -> None:
    assert play(SETS, games("AB" * 4 + "AA")).final.score.sets == ((6, 4),)
    assert play(SETS, games("AB" * 5 + "A")).final.score == Score(games=(6, 5))
    assert play(SETS, games("AB" * 5 + "AA")).final.score.sets == ((7, 5),)


def test_break_set_and_match_points_name_the_pair() -> None:
    ledger = play(SETS, games("A" * 11) + "BBB" + "AAA" + "A")
    # Game 12: pair B serves at 6-0 5-0.
    last = ledger.rows[-1].before
    assert last.points_words == "40-40"
    assert (last.break_point, last.set_points, last.match_points) == (False, (), ())
    then = ledger.next
    assert then.points_words == "AD-40"
    assert (then.break_point, then.set_points, then.match_points) == (True, ("A",), ("A",))
    served = play(SETS, "AAA").next
    assert (served.break_point, served.set_points) == (False, ())


def test_last_point_of_a_match_to_points_is_match_point_for_both() -> None:
    assert play(MatchFormat("points", points_to=3), "ABAB").next.match_points == ("A", "B")
    assert play(MatchFormat("points", points_to=3), "AAB").next.match_points == ("A",)


def test_unfinished_is_a_normal_end() -> None:
    ledger = play(SETS, games("AAAAAA" + "BA") + "AB")
    final = ledger.final
    assert (final.finished, final.winner, final.leader, final.ended) == (False, None, "A", "unfinished")
    assert final.words == "6-0 1-1 15-15"
    assert ledger.contradictions == ()
    empty = play(SETS, "")
    assert (empty.rows, empty.final.words, empty.final.leader) == ((), "0-0 0-0", None)


def test_the_clock_ends_a_time_limited_match_by_sets_then_games() -> None:
    form = MatchFormat("sets", time_limited=True)
    ledger = play(form, games("AAB") + "BBB", time_up=True)
    assert (ledger.final.finished, ledger.final.winner, ledger.final.ended) == (True, "A", "time")
    level = play(form, games("AB") + "BBB", time_up=True).final
    assert (level.finished, level.winner, level.ended) == (True, None, "drawn")
    with pytest.raises(ValueError, match="time-limited"):
        play(SETS, "A", time_up=True)


def test_points_in_total_can_end_level_and_are_credited_to_players() -> None:
    form = MatchFormat("points", points_to=8, points_rule="total", partners_change=True)
    ledger = play(form, "AABBAABB")
    assert (ledger.final.finished, ledger.final.winner, ledger.final.ended) == (True, None, "drawn")
    assert ledger.final.words == "4-4"
    assert [row.before.server for row in ledger.rows] == [1] * 4 + [3] * 4
    assert [row.before.side for row in ledger.rows] == ["right", "left"] * 4
    assert play(form, "AAAB").summary.player_points == {1: 3, 2: 3, 3: 1, 4: 1}
    assert play(SETS, "AAAB").summary.player_points is None


def test_points_first_to_ends_at_that_point() -> None:
    form = MatchFormat("points", points_to=5, serve_rotation=3, ends_every=4)
    ledger = play(form, "ABABABABA")
    assert ledger.rows[-1].match_won == "A"
    assert (ledger.final.winner, ledger.final.words) == ("A", "5-4")
    assert [row.before.server for row in ledger.rows] == [1, 1, 1, 3, 3, 3, 2, 2, 2]
    assert [row.before.side for row in ledger.rows[2:5]] == ["right", "right", "left"]
    assert "".join(str(row.before.near) for row in ledger.rows) == "AAAABBBBA"
    assert ledger.rows[-1].before.match_points == ("A", "B")


def test_free_counts_rally_winners_only() -> None:
    ledger = keep_ledger(
        MatchFormat("free"),
        [RallyEntry(1, "A", server=2, near_pair="B"), RallyEntry(2, "B"), RallyEntry(3, "A")],
    )
    assert ledger.final.words == "2-1"
    assert (ledger.final.finished, ledger.final.leader, ledger.final.ended) == (False, "A", "free")
    assert [(row.before.server, row.server, row.near) for row in ledger.rows] == [
        (None, 2, "B"),
        (None, None, "B"),
        (None, None, "B"),
    ]
    assert ledger.contradictions == ()


def test_a_let_with_its_reason_moves_nothing_and_is_no_contradiction() -> None:
    ledger = keep_ledger(SETS, [RallyEntry(1, "A"), RallyEntry(2, None, reason="let"), RallyEntry(3, "A")])
    assert [row.before.points_words for row in ledger.rows] == ["0-0", "15-0", "15-0"]
    assert (ledger.contradictions, ledger.summary.without_winner, ledger.summary.counted) == ((), 1, 2)


def test_summary_counts_service_and_break_points() -> None:
    summary = play(SETS, "AAAA" + "AAAB" + "A" + "BBBAAB").summary
    assert summary.points == (10, 5)
    assert summary.games == (2, 1)
    # Game 2: player 3 at 0-40 loses the second break point; game 3: player 2 loses the third.
    assert summary.served == {1: (4, 4), 2: (6, 2), 3: (5, 1), 4: (0, 0)}
    assert summary.break_points == {"A": (2, 1), "B": (3, 1)}


def test_format_survives_json_and_names_what_is_wrong() -> None:
    for form in FORMATS:
        assert MatchFormat.from_dict(json.loads(json.dumps(form.as_dict()))) == form
    score = Score(((7, 6), (3, 6)), (2, 1), (3, 4), ((7, 5), None))
    assert Score.from_dict(json.loads(json.dumps(score.as_dict()))) == score


@pytest.mark.parametrize(
    ("data", "word"),
    [
        ({}, "kind"),
        ({"kind": "timed"}, "kind"),
        ({"kind": "sets", "pace": 1}, "pace"),
        ({"kind": "sets", "deuce": "silver"}, "deuce"),
        ({"kind": "sets", "deuce": ["star"]}, "deuce"),
        ({"kind": "sets", "games_per_set": 1}, "games_per_set"),
        ({"kind": "sets", "games_per_set": 6.0}, "games_per_set"),
        ({"kind": "sets", "sets_to_win": True}, "sets_to_win"),
        ({"kind": "sets", "time_limited": 1}, "time_limited"),
        ({"kind": "sets", "points_to": 24}, "points_to"),
        ({"kind": "sets", "partners_change": True}, "Partners"),
        ({"kind": "sets", "ends_every": 4}, "ends_every"),
        ({"kind": "sets", "sets_to_win": 1, "match_tiebreak": True}, "match tie-break"),
        ({"kind": "points"}, "points_to"),
        ({"kind": "points", "points_to": 0}, "points_to"),
        ({"kind": "points", "points_to": 9, "serve_rotation": 0}, "serve_rotation"),
        ({"kind": "points", "points_to": 9, "ends_every": 0}, "ends_every"),
        ({"kind": "points", "points_to": 9, "match_tiebreak": True}, "match tie-break"),
    ],
)
def test_a_wrong_format_is_refused_with_its_field(data: dict[str, Any], word: str) -> None:
    with pytest.raises(ValueError, match=word):
        MatchFormat.from_dict(data)


def test_unknown_first_server_or_end_is_refused() -> None:
    with pytest.raises(ValueError, match="first server"):
        keep_ledger(SETS, [], first_server=5)
    with pytest.raises(ValueError, match="near end"):
        keep_ledger(SETS, [], first_near="C")  # type: ignore[arg-type]


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(FORMATS), winners, st.sampled_from([1, 2, 3, 4]), st.sampled_from("AB"))
def test_any_winners_give_a_consistent_ledger(form: MatchFormat, text: str, server: int, near: Any) -> None:
    ledger = play(form, text, first_server=server, first_near=near)
    assert ledger == play(form, text, first_server=server, first_near=near)
    assert {mark.code for mark in ledger.contradictions} <= {"after_end"}
    assert ledger.summary.counted + ledger.summary.after_end == len(text)
    assert sum(ledger.summary.points) == ledger.summary.counted
    for before, after in zip(ledger.rows, ledger.rows[1:], strict=False):
        if before.counts and not before.game_won:
            gained = [n - m for m, n in zip(before.before.points, after.before.points, strict=True)]
            assert gained == [before.winner == "A", before.winner == "B"]
    ends = [row for row in ledger.rows if row.match_won]
    assert len(ends) <= 1
    assert ledger.next.over == ledger.final.finished


@settings(max_examples=60, deadline=None)
@given(st.sampled_from([form for form in FORMATS if form.kind == "sets"]), winners)
def test_server_side_and_end_follow_from_the_score_alone(form: MatchFormat, text: str) -> None:
    """A slow second way: count turns and changes from the rows of each set."""
    set_number, turn, near, turns = 0, 0, "A", [1, 3, 2, 4]
    for row in play(form, text).rows:
        position = row.before
        if position.over:
            break
        if len(position.sets) > set_number:
            # The order goes on, except that a tie-break's first receivers serve first after it.
            set_number, turn, near = len(position.sets), 0, str(position.near)
            turns = [int(position.server or 0)]
            turns.append(next(n for n in (1, 2, 3, 4) if n not in (turns[0], partner(turns[0]))))
            turns += [partner(turns[0]), partner(turns[1])]
            first_of_set = row
        elif row.number == 1:
            first_of_set = row
        played, games_played = sum(position.points), sum(position.games)
        turn = games_played + ((played + 1) // 2 if position.tiebreak else 0)
        changes = (games_played + 1) // 2 + (played // 6 if position.tiebreak else 0)
        # Only the pair is fixed for the second turn: each pair chooses its own order.
        assert (position.server in (1, 2)) == (turns[turn % 4] in (1, 2))
        assert position.near == (near if changes % 2 == 0 else "BA"["AB".index(near)])
        if not position.deciding:
            assert position.side == ("left" if played % 2 else "right")
    if text:
        assert first_of_set.before.points == (0, 0)


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(["advantage", "golden", "star"]), st.text("AB", max_size=300))
def test_no_game_is_longer_than_its_deuce_allows(deuce: str, text: str) -> None:
    length, most = 0, {"golden": 7, "star": 11}.get(deuce, 10**6)
    for row in play(MatchFormat("sets", deuce=deuce, tiebreak="none", sets_to_win=5), text).rows:
        length += 1
        assert length <= most
        if row.game_won:
            length = 0


@settings(max_examples=40, deadline=None)
@given(st.sampled_from(FORMATS), winners)
def test_swapping_the_pairs_swaps_the_ledger(form: MatchFormat, text: str) -> None:
    swapped = text.translate(str.maketrans("AB", "BA"))
    one = play(form, text, first_server=1).final.score
    two = play(form, swapped, first_server=3, first_near="B").final.score
    assert two.points == one.points[::-1]
    assert two.games == one.games[::-1]
    assert two.sets == tuple(pair[::-1] for pair in one.sets)


@settings(max_examples=40, deadline=None)
@given(st.sampled_from(FORMATS), winners, st.integers(0, 400))
def test_setting_the_score_that_stands_changes_nothing(form: MatchFormat, text: str, at: int) -> None:
    plain = play(form, text)
    entries = [rally(n, w) for n, w in enumerate(text, 1)]
    if at < len(entries):
        row = plain.rows[at]
        entries[at] = RallyEntry(
            row.number, row.winner, score_set=row.before.score, reason="film begins again"
        )
    again = keep_ledger(form, entries)
    assert [row.before for row in again.rows] == [row.before for row in plain.rows]
    assert again.final == plain.final
