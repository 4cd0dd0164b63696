"""What scoring costs, and that it is not fast because it stops early. Timings are told and never judged."""

from __future__ import annotations

import resource
import statistics
import time
from collections.abc import Callable

import numpy as np
import pytest
from sklearn.linear_model import LogisticRegression

from clubcoach.compute import progression_learn, progression_solve
from clubcoach.compute.progression import Priors, Progression, fit_progression
from tests.bench.board import Board
from tests.bench.large import large
from tests.bench.peers import twofold

pytestmark = pytest.mark.bench

WHOLE = 960
"""Units of a club with 2.4 million checks."""


def one_by_one(columns: np.ndarray) -> np.ndarray:
    """A row for each check seen, met ones first in its tally."""
    row = np.repeat(np.arange(columns.shape[1]), columns[6])
    place = np.arange(row.size) - np.repeat(np.cumsum(columns[6]) - columns[6], columns[6])
    return np.concatenate(
        [columns[:6, row], np.ones((1, row.size), dtype=np.int64), [place < columns[7, row]]]
    )


def seconds(call: Callable[[], object]) -> float:
    began = time.perf_counter()
    call()
    return time.perf_counter() - began


def ridge(columns: np.ndarray) -> LogisticRegression:
    design, met, weight = twofold(columns)
    return LogisticRegression(C=1, fit_intercept=False, max_iter=500).fit(design, met, sample_weight=weight)


def test_two_million_checks_beside_ridge(board: Board) -> None:
    columns = large(101, units=WHOLE)
    checks = int(columns[6].sum())
    single = one_by_one(columns)
    ready = twofold(columns)
    peer = LogisticRegression(C=1, fit_intercept=False, max_iter=500)
    calls: dict[str, Callable[[], object]] = {
        "point fit, hyper-parameters learned": lambda: fit_progression(*columns),
        "with all intervals": lambda: fit_progression(*columns).scores(),
        "point fit, hyper-parameters given": lambda: fit_progression(*columns, priors=Priors()),
        "ridge, from the tallies as weighted rows": lambda: ridge(columns),
        "ridge, the same without making its design": lambda: peer.fit(
            ready[0], ready[1], sample_weight=ready[2]
        ),
        "ridge, from single checks": lambda: ridge(single),
    }
    times: dict[str, list[float]] = {name: [] for name in calls}
    what = (
        f"{WHOLE} units x 12 match days, {checks:,} checks in {columns.shape[1]:,} tallies; five alternating runs. "
        "Ridge is scikit-learn's logistic regression on unit x area, check, analyst and ball: no days, no own checks, "
        "no intervals."
    )
    with board.section("Speed", what) as section:
        for _ in range(5):
            for name, call in calls.items():
                times[name].append(seconds(call))
            print("    " + ", ".join(f"{values[-1]:.1f} s" for values in times.values()), flush=True)
        bars = {"point fit, hyper-parameters learned": "< 3", "with all intervals": "< 6"}
        for name, values in times.items():
            section.tell(f"{name}, s", values, bar=bars.get(name, ""), show="{:.2f}")
        ours = statistics.median(times["point fit, hyper-parameters learned"])
        for name in list(calls)[3:]:
            bar = ">= 2" if name.endswith("single checks") else ""
            ratio = statistics.median(times[name]) / ours
            section.tell(f"point fit: times as fast as {name} (medians)", ratio, bar=bar, show="{:.2f}")
    # A fast fit of nothing would be no figure: the scores have to be there, and told as narrowly as due.
    scores = fit_progression(*columns).scores()
    assert scores["score"].size == WHOLE * 12 * 5
    assert 3 < np.mean(scores["high"] - scores["low"]) < 20


def largest_gaps(left: dict[str, np.ndarray], right: dict[str, np.ndarray]) -> tuple[float, float]:
    """Largest difference of a score, and of an end of an interval."""
    score, low, high = (float(np.abs(left[name] - right[name]).max()) for name in ("score", "low", "high"))
    return score, max(low, high)


def test_scores_of_a_run_ten_times_longer(board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    off = []
    what = "Ten times the rounds, a hundredth of the tolerances."
    learning, solving = progression_learn, progression_solve
    with board.section("A run ten times longer", what) as section:
        for units in (24, 200, WHOLE):
            columns = large(102, units=units)
            usual = fit_progression(*columns).scores()
            with monkeypatch.context() as patch:
                patch.setattr(learning, "_ROUNDS", 10 * learning._ROUNDS)
                patch.setattr(learning, "_ENOUGH", learning._ENOUGH / 100)
                patch.setattr(solving, "STEPS", 10 * solving.STEPS)
                patch.setattr(solving, "TOLERANCE", solving.TOLERANCE / 100)
                patch.setattr(solving, "HELD_TOLERANCE", solving.HELD_TOLERANCE / 100)
                off.append(largest_gaps(usual, fit_progression(*columns).scores()))
            section.tell(f"largest change of a score, {units} units, points", off[-1][0], bar="< .3")
            section.tell(f"largest change of an end of an interval, {units} units", off[-1][1], bar="< .3")
            if units == 200:
                with monkeypatch.context() as patch:
                    patch.setattr(learning, "MOST_UNITS", units)
                    gap, ends = largest_gaps(usual, fit_progression(*columns).scores())
                some = f"{learning.MOST_UNITS} units to learn from"
                section.tell(f"not of length: {units} in place of {some}, change of a score", gap)
                section.tell(f"the same, change of an end of an interval, {units} units", ends)
    assert max(map(max, off)) < 0.3


def test_cost_by_size(board: Board) -> None:
    cost = []
    with board.section("Cost by size", "Fit with all intervals, hyper-parameters learned.") as section:
        for units in (40, 400, 4000):
            columns = large(103, units=units)
            checks = int(columns[6].sum())
            found: list[Progression] = []

            def run(columns: np.ndarray = columns, found: list[Progression] = found) -> None:
                found[:] = [fit_progression(*columns)]
                found[0].scores()

            times = [seconds(run) for _ in range(3 if units < 4000 else 1)]
            cost.append(1e6 * statistics.median(times) / checks)
            section.tell(f"microseconds a check, {checks:,} checks", cost[-1], show="{:.2f}")
            assert found[0].shared.n == checks
            del columns, found
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
        section.tell("dearest over cheapest", max(cost) / min(cost), bar="< 3", show="{:.2f}")
        section.tell("most memory of the process, GB", peak, show="{:.1f}")


def test_publishing_beside_a_full_fit(board: Board) -> None:
    columns = large(104, units=200)
    whole = fit_progression(*columns)
    four = columns[:, columns[0] < 4]
    ours, full = [], []
    with board.section(
        "Publishing", "Four units with the shared effects held; five alternating runs."
    ) as section:
        for _ in range(5):
            ours.append(1000 * seconds(lambda: fit_progression(*four, shared=whole.shared).scores()))
            full.append(1000 * seconds(lambda: fit_progression(*columns).scores()))
        section.tell("rescoring four units, ms", ours, show="{:.0f}")
        section.tell("full fit of 200 units with its scores, ms", full, show="{:.0f}")
    scores = fit_progression(*four, shared=whole.shared).scores()
    before = whole.scores()
    np.testing.assert_allclose(scores["score"], before["score"][before["player"] < 4], atol=1e-6)
