"""Exact chances against published values, slow second ways, and the ledger itself."""

from __future__ import annotations

import math
from fractions import Fraction
from functools import cache
from itertools import product
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clubcoach.compute.chances import p_from, p_game, p_match, p_points, p_set, p_tiebreak
from clubcoach.compute.ledger import Keeper, MatchFormat, RallyEntry, keep_ledger
from clubcoach.compute.ledger_rules import pair_of

SETS = MatchFormat("sets")
FORMATS = [
    SETS,
    MatchFormat("sets", deuce="star", match_tiebreak=True),
    MatchFormat("sets", games_per_set=4, deuce="golden", tiebreak="none"),
    MatchFormat("sets", games_per_set=5, sets_to_win=1, match_tiebreak=False, deuce="star"),
]
chance = st.fractions(min_value=Fraction(1, 20), max_value=Fraction(19, 20), max_denominator=20)


def test_kemeny_snell_game_from_points_at_p_60() -> None:
    # Kemeny & Snell, Finite Markov Chains (from memory; reproduced to all printed digits).
    assert p_game(0.6) == pytest.approx(0.7357, abs=5e-5)
    assert p_game(0.6, "golden") == pytest.approx(0.7102, abs=5e-5)
    assert p_game(Fraction(3, 5)) == Fraction(29889, 40625)


def test_set_from_independent_points_at_p_51() -> None:
    # p = .51 on every point, tie-break at 6-6.
    assert p_set(0.51, 0.51) == pytest.approx(0.5712, abs=5e-5)


def test_newton_keller_2005_who_serves_first_changes_neither_tiebreak_set_nor_match() -> None:
    # Newton & Keller 2005, Stud Appl Math 114:241. In fractions, so the two are the same number.
    s, r = Fraction(63, 100), Fraction(37, 90)
    assert p_tiebreak(s, r, serving="A") == p_tiebreak(s, r, serving="B")
    assert p_tiebreak(s, r, 10, serving="A") == p_tiebreak(s, r, 10, serving="B")
    assert p_set(s, r, serving="A") == p_set(s, r, serving="B")
    for form in FORMATS:
        assert p_match(form, s, r, serving="A") == p_match(form, s, r, serving="B")


def test_lead_of_one_does_depend_on_who_serves() -> None:
    # The invariance is not trivial: a race by one point has no such property.
    assert p_tiebreak(0.7, 0.4, 7, 1, serving="A") != pytest.approx(
        p_tiebreak(0.7, 0.4, 7, 1, serving="B"), abs=1e-6
    )


@pytest.mark.parametrize("p", [0.0, 0.3, 0.5, 0.6, 0.77, 1.0])
def test_game_equals_its_sum_of_binomials(p: float) -> None:
    q = 1 - p
    before_deuce = sum(math.comb(3 + k, k) * p**4 * q**k for k in range(3))
    to_deuce = 20 * p**3 * q**3
    by_two = p * p / (p * p + q * q)
    assert p_game(p) == pytest.approx(before_deuce + to_deuce * by_two, abs=1e-12)
    assert p_game(p, "golden") == pytest.approx(before_deuce + to_deuce * p, abs=1e-12)
    star = p * p + 2 * p * q * (p * p + 2 * p * q * p)
    assert p_game(p, "star") == pytest.approx(before_deuce + to_deuce * star, abs=1e-12)


def test_deuce_kinds_lie_in_order_and_meet_in_the_middle() -> None:
    assert p_game(0.6, "golden") < p_game(0.6, "star") < p_game(0.6)
    for deuce in ("advantage", "golden", "star"):
        assert p_game(Fraction(1, 2), deuce) == Fraction(1, 2)


@settings(max_examples=40, deadline=None)
@given(chance, chance)
def test_pairs_change_places(s: Fraction, r: Fraction) -> None:
    assert p_tiebreak(s, r) + p_tiebreak(1 - r, 1 - s) == 1
    assert p_set(s, r) + p_set(1 - r, 1 - s, serving="B") == 1
    win, draw, loss = p_points(MatchFormat("points", points_to=10, points_rule="total"), s, r)
    assert win + draw + loss == 1


@settings(max_examples=25, deadline=None)
@given(st.sampled_from(FORMATS), chance, chance)
def test_floats_agree_with_fractions(form: MatchFormat, s: Fraction, r: Fraction) -> None:
    exact = p_match(form, s, r)
    assert isinstance(exact, Fraction)
    assert p_match(form, float(s), float(r)) == pytest.approx(float(exact), abs=1e-12)


@settings(max_examples=30, deadline=None)
@given(chance, chance, st.integers(0, 6), st.integers(0, 6), st.sampled_from("AB"))
def test_tiebreak_by_every_order_of_points(s: Fraction, r: Fraction, a: int, b: int, serving: Any) -> None:
    """A slow second way: play twelve points in all, whatever happens; then only a level score goes on."""
    served_by_a = [(n + 1) // 2 % 2 == 0 for n in range(12)]
    if (serving == "A") != served_by_a[min(a + b, 11)]:
        served_by_a = [not mine for mine in served_by_a]
    counts = {a: Fraction(1)}
    for n in range(a + b, 12):
        p = s if served_by_a[n] else r
        after: dict[int, Fraction] = {}
        for won, weight in counts.items():
            after[won + 1] = after.get(won + 1, Fraction(0)) + weight * p
            after[won] = after.get(won, Fraction(0)) + weight * (1 - p)
        counts = after
    level = s * r / (s * r + (1 - s) * (1 - r))
    value = (
        sum((w for won, w in counts.items() if won >= 7), Fraction(0)) + counts.get(6, Fraction(0)) * level
    )
    if a + b < 12:
        assert p_tiebreak(s, r, start=(a, b), serving=serving) == value
    else:
        assert p_tiebreak(s, r, start=(a, b), serving=serving) == level


@pytest.mark.parametrize("points", [(0, 0), (1, 0), (2, 0), (2, 1), (3, 3), (6, 5), (8, 8)])
@pytest.mark.parametrize("serving", ["A", "B"])
def test_a_tiebreak_in_play_is_the_set_from_there(points: tuple[int, int], serving: Any) -> None:
    s, r = Fraction(7, 10), Fraction(1, 3)
    here = p_tiebreak(s, r, start=points, serving=serving)
    assert p_set(s, r, games=(6, 6), points=points, serving=serving) == here
    # One point on by hand: the next server changes after an odd number of points.
    p = s if serving == "A" else r
    after: Any = serving if sum(points) % 2 else "BA"["AB".index(serving)]
    up, down = (points[0] + 1, points[1]), (points[0], points[1] + 1)
    assert here == p * p_tiebreak(s, r, start=up, serving=after) + (1 - p) * p_tiebreak(
        s, r, start=down, serving=after
    )


def test_set_by_a_plain_recursion_over_single_points() -> None:
    """A slow second way: one state per point, deuces cut after 200 points."""
    s, r = 0.62, 0.41

    @cache
    def hold(p: float, a: int, b: int) -> float:
        if max(a, b) >= 4 and abs(a - b) >= 2:
            return float(a > b)
        if a + b > 200:
            return 0.5
        return p * hold(p, a + 1, b) + (1 - p) * hold(p, a, b + 1)

    @cache
    def rest(a: int, b: int) -> float:
        if max(a, b) >= 6 and abs(a - b) >= 2:
            return float(a > b)
        if a == b == 6:
            return float(p_tiebreak(s, r))
        p = hold(s, 0, 0) if (a + b) % 2 == 0 else 1 - hold(1 - r, 0, 0)
        return p * rest(a + 1, b) + (1 - p) * rest(a, b + 1)

    assert p_set(s, r) == pytest.approx(rest(0, 0), abs=1e-9)
    assert p_set(s, r, games=(3, 4), serving="B") == pytest.approx(rest(3, 4), abs=1e-9)


def test_best_of_three_from_sets_alone() -> None:
    s, r = Fraction(3, 5), Fraction(9, 20)
    p = p_set(s, r)
    assert p_match(SETS, s, r) == p * p * (3 - 2 * p)
    last = p_tiebreak(s, r, 10)
    short = MatchFormat("sets", match_tiebreak=True)
    assert p_match(short, s, r) == p * p + 2 * p * (1 - p) * last
    assert p_match(short, s, r, sets=(1, 1), points=(9, 9)) == p_tiebreak(s, r, 10, start=(9, 9))


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from([*FORMATS, MatchFormat("points", points_to=13, serve_rotation=3)]),
    chance,
    chance,
    st.text("AB", max_size=200),
)
def test_chance_now_is_the_mean_of_the_chances_after_the_next_point(
    form: MatchFormat, s: Fraction, r: Fraction, text: str
) -> None:
    """At every position of the ledger: so server, turn and score mean the same in both."""
    keeper = Keeper(form)
    for number, winner in enumerate(text, 1):
        keeper.add(RallyEntry(number, winner))  # type: ignore[arg-type]
    here = keeper.position()
    if here.server is None:
        assert p_from(form, here, s, r) == (1 if keep_final(keeper, text) == "A" else 0)
        return
    p = s if pair_of(here.server) == "A" else r
    after = {}
    for winner in "AB":
        branch = Keeper(form)
        for number, won in enumerate(text + winner, 1):
            branch.add(RallyEntry(number, won))  # type: ignore[arg-type]
        after[winner] = p_from(form, branch.position(), s, r)
    assert p_from(form, here, s, r) == p * after["A"] + (1 - p) * after["B"]


def keep_final(keeper: Keeper, text: str) -> str | None:
    entries = [RallyEntry(n, w) for n, w in enumerate(text, 1)]  # type: ignore[arg-type]
    return keep_ledger(keeper.format, entries).final.winner


@pytest.mark.parametrize(
    "form",
    [
        MatchFormat("sets", sets_to_win=1),
        MatchFormat("sets", games_per_set=3, deuce="star", match_tiebreak=True),
        MatchFormat("sets", games_per_set=2, deuce="golden", tiebreak="none"),
        MatchFormat("points", points_to=11),
    ],
    ids=["set", "short sets, star, match tie-break", "golden, no tie-break", "points"],
)
def test_monte_carlo_played_through_the_ledger(form: MatchFormat) -> None:
    rng = np.random.default_rng(20260117)
    s, r, runs = 0.6, 0.46, 400
    won = 0
    for _ in range(runs):
        keeper = Keeper(form, first_server=int(rng.integers(1, 5)))
        while (server := keeper.position().server) is not None:
            wins = rng.random() < (s if server <= 2 else r)
            keeper.add(RallyEntry(len(keeper.rows) + 1, "A" if wins else "B", server=server))
        ledger = keep_ledger(form, [row.entry for row in keeper.rows])
        assert ledger.contradictions == ()
        won += ledger.final.winner == "A"
    p = (p_match(form, s, r, serving="A") + p_match(form, s, r, serving="B")) / 2
    # Four standard errors, about .1: the test above is the sharp one, this one is blind to its assumptions.
    assert abs(won / runs - p) < 4 * math.sqrt(p * (1 - p) / runs)


def test_points_in_total_by_every_order_of_winners() -> None:
    form = MatchFormat("points", points_to=6, points_rule="total", serve_rotation=2)
    s, r = Fraction(2, 3), Fraction(1, 4)
    expected = {1: Fraction(0), 0: Fraction(0), -1: Fraction(0)}
    for order in product((True, False), repeat=6):
        weight = Fraction(1)
        for n, wins in enumerate(order):
            p = s if n // 2 % 2 == 0 else r
            weight *= p if wins else 1 - p
        expected[(sum(order) > 3) - (sum(order) < 3)] += weight
    assert p_points(form, s, r) == (expected[1], expected[0], expected[-1])
    assert p_match(form, s, r) == expected[1]


def test_finished_scores_are_certain() -> None:
    assert p_game(0.3, start=(4, 1)) == 1
    assert p_tiebreak(0.3, 0.3, start=(5, 7)) == 0
    assert p_set(0.3, 0.3, games=(6, 2)) == 1
    assert p_match(SETS, 0.3, 0.3, sets=(0, 2)) == 0
    assert p_game(0.55, "star", (5, 5)) == pytest.approx(0.55)
    assert p_game(0.55, "advantage", (9, 9)) == p_game(0.55, "advantage", (3, 3))


@pytest.mark.parametrize("bad", [-0.1, 1.1, math.nan])
def test_chances_outside_0_to_1_are_refused(bad: float) -> None:
    for call in (
        lambda: p_game(bad),
        lambda: p_tiebreak(0.5, bad),
        lambda: p_set(bad, 0.5),
        lambda: p_match(SETS, 0.5, bad),
        lambda: p_points(MatchFormat("points", points_to=3), bad, 0.5),
    ):
        with pytest.raises(ValueError, match="from 0 to 1"):
            call()


def test_what_cannot_be_answered_is_refused_with_a_sentence() -> None:
    with pytest.raises(ValueError, match="no end"):
        p_match(MatchFormat("free"), 0.5, 0.5)
    with pytest.raises(ValueError, match="number of points"):
        p_points(SETS, 0.5, 0.5)
    with pytest.raises(ValueError, match="never ends"):
        p_tiebreak(1.0, 0.0)
    with pytest.raises(ValueError, match="deuce"):
        p_game(0.5, "silver")
    with pytest.raises(ValueError, match="whole numbers"):
        p_game(0.5, start=(1, -1))
    with pytest.raises(ValueError, match="by 1 or 2"):
        p_tiebreak(0.5, 0.5, 7, 3)
    assert p_tiebreak(1.0, 0.5) == 1.0
