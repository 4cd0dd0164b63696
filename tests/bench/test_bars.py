"""Bars of the progression scores on clubs of which everything is known. Seeds 101 to 110 were never tuned on."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import numpy as np
import pytest

from clubcoach.compute.intervals import wilson_bounds
from clubcoach.compute.progression import fit_progression
from tests.bench import peers
from tests.bench.board import Board
from tests.bench.clubs import NAMES, Club, Design, log_loss, marginal, play, tallied
from tests.bench.glicko import SETTINGS as GLICKO
from tests.bench.glicko import glicko
from tests.bench.through_time import SETTINGS as THROUGH_TIME
from tests.bench.through_time import through_time

pytestmark = pytest.mark.bench

FIVE = range(101, 106)
TEN = range(101, 111)
PEERS = {
    "raw share": (peers.raw_share, [None]),
    "last match's share": (peers.last_share, [None]),
    "exponentially weighted share": (peers.fading_share, peers.FADING),
    "static ridge logistic regression": (peers.static_ridge, peers.RIDGE),
    "Glicko-2, player x area against check x ball": (glicko, GLICKO),
}


@dataclass(frozen=True)
class Cover:
    """How one club's scores stand to the truth."""

    inside: np.ndarray
    correlation: float
    error: np.ndarray
    analyst: np.ndarray

    @property
    def share(self) -> float:
        return float(self.inside.mean())

    def by_analyst(self, values: np.ndarray) -> np.ndarray:
        return np.bincount(self.analyst, values) / np.bincount(self.analyst)


def covered(club: Club) -> Cover:
    scores = fit_progression(*tallied(club.columns)).scores()
    true = club.true(scores)
    inside = (scores["low"] <= true) & (true <= scores["high"])
    near = float(np.corrcoef(scores["score"], true)[0, 1])
    return Cover(inside, near, scores["score"] - true, club.coder(scores))


def naive(club: Club, *, so_far: bool) -> float:
    """Coverage of Wilson's interval of the raw share, of the day or of all days so far."""
    player, day, area, *_, seen, met = tallied(club.columns)
    nodes, at = np.unique(np.stack([player, area, day]), axis=1, return_inverse=True)
    counts = np.stack([np.bincount(np.ravel(at), weights=part) for part in (seen, met)])
    if so_far:
        group = np.flatnonzero(np.any(np.diff(nodes[:2], axis=1, prepend=-1) != 0, axis=0))
        total = np.cumsum(counts, axis=1)
        sizes = np.diff(np.r_[group, nodes.shape[1]])
        counts = total - np.repeat((total - counts)[:, group], sizes, axis=1)
    low, high = wilson_bounds(counts[1].astype(int), counts[0].astype(int))
    true = club.true({"player": nodes[0], "day": nodes[2], "area": nodes[1]})
    return float(np.mean((100 * low <= true) & (true <= 100 * high)))


def over_oracle(club: Club, told: dict[str, list[float]], contest: dict[str, tuple]) -> None:  # type: ignore[type-arg]
    """Log loss on each unit's last match from all before it, in percent over what the oracle has."""
    known, asked = tallied(club.columns[:, ~club.last]), club.columns[:, club.last]
    oracle = log_loss(marginal(club.logit[club.last], club.design), asked[7])
    ours = fit_progression(*known).predict(**dict(zip(NAMES[:6], asked[:6], strict=True)))
    told["ours"].append(100 * (log_loss(ours, asked[7]) / oracle - 1))
    for name, (guess, settings) in contest.items():
        loss, setting = peers.loss_of(guess, settings, known, asked)
        told[name].append(100 * (loss / oracle - 1))
        print(f"    {name}: {told[name][-1]:.2f} % over the oracle, tuned to {setting}", flush=True)


def test_two_hundred_units(board: Board) -> None:
    told: dict[str, list[float]] = defaultdict(list)
    found, day, so_far = [], [], []
    what = "200 units, 6 analysts, about 12 match days, 5 areas of 5 checks, some 490,000 checks; seeds 101 to 105."
    with board.section("Next unseen match, and coverage", what) as section:
        for seed in FIVE:
            club = play(seed, Design())
            over_oracle(club, told, PEERS)
            found.append(covered(club))
            day.append(naive(club, so_far=False))
            so_far.append(naive(club, so_far=True))
            print(f"    seed {seed}: {told['ours'][-1]:.2f} %, coverage {found[-1].share:.3f}", flush=True)
        bars = {"ours": "mean <= 2.8, none > 3.2"}
        for name, values in told.items():
            what = "progression scores" if name == "ours" else name
            bar = bars.get(name, "behind on every seed")
            section.tell(f"log loss over the oracle's, %: {what}", values, bar=bar, show="{:.2f}")
        share, near = [one.share for one in found], [one.correlation for one in found]
        section.tell("coverage of the 80 % interval", share, bar=".77-.83 in the mean", worst="off 0.8")
        section.tell("decoy: Wilson's interval of the day's raw share", day, bar="fails", worst="off 0.8")
        section.tell("decoy: the same of all days so far", so_far, bar="fails", worst="off 0.8")
        section.tell("correlation with the truth", near, bar="> .95", worst="low")
    assert np.mean(told["ours"]) <= 2.8
    assert max(told["ours"]) <= 3.2
    for name in PEERS:
        assert np.all(np.array(told["ours"]) < told[name]), name
    assert 0.77 <= np.mean(share) <= 0.83
    assert np.mean(near) > 0.95
    assert not 0.75 <= np.mean(day) <= 0.85
    assert not 0.75 <= np.mean(so_far) <= 0.85


def test_fifty_units_beside_skill_through_time(board: Board) -> None:
    told: dict[str, list[float]] = defaultdict(list)
    what = "50 units, else as above; skills through time: player x area against check x ball."
    with board.section("Next unseen match, 50 units", what) as section:
        for seed in FIVE:
            over_oracle(play(seed, Design(units=50)), told, {"through time": (through_time, THROUGH_TIME)})
        section.tell("log loss over the oracle's, %: progression scores", told["ours"], show="{:.2f}")
        bar = "behind on every seed"
        section.tell("skill through time", told["through time"], bar=bar, show="{:.2f}")
    assert np.all(np.array(told["ours"]) < told["through time"])


@pytest.mark.parametrize(
    ("units", "days"),
    [(24, 12), (24, 3), (200, 3)],
    ids=["24-units", "24-units-3-days", "200-units-3-days"],
)
def test_small_clubs_and_few_days(board: Board, units: int, days: int) -> None:
    found, raw = [], []
    title = f"{units} units, {days} match days"
    with board.section(title, "6 analysts; seeds 101 to 110.") as section:
        for seed in TEN:
            club = play(seed, Design(units=units, days=days))
            found.append(covered(club))
            raw.append(naive(club, so_far=True))
            print(f"    seed {seed}: {found[-1].share:.3f}, raw {raw[-1]:.3f}", flush=True)
        share = [one.share for one in found]
        section.tell("coverage of the 80 % interval", share, bar=".75-.85 in the mean", worst="off 0.8")
        section.tell("decoy: Wilson's interval of the raw share so far", raw, bar="fails", worst="off 0.8")
        section.tell("correlation with the truth", [one.correlation for one in found], worst="low")
    assert 0.75 <= np.mean(share) <= 0.85
    assert not 0.75 <= np.mean(raw) <= 0.85


HARD = {
    "each analyst own players": Design(who="own"),
    "own players, 5 % crossed": Design(who="own5"),
    "analysts one after the other": Design(who="in_time"),
    "a newcomer with six players alone": Design(who="newcomer"),
    "form of the day, sd .5": Design(form_sd=0.5),
    "opponents act directly, sd .3": Design(opponents_sd=0.3),
    "luck of a situation, sd 1": Design(luck_sd=1.0),
    "own strong and weak checks, sd .5": Design(tau=0.5),
    "severity drifts by .1 in a root month": Design(severity_walk=0.1),
}


@pytest.mark.parametrize("kind", HARD)
def test_hard_designs(board: Board, kind: str) -> None:
    found, raw = [], []
    with board.section(f"Hard design: {kind}", "200 units, 6 analysts; seeds 101 to 105.") as section:
        for seed in FIVE:
            club = play(seed, HARD[kind])
            found.append(covered(club))
            raw.append(naive(club, so_far=False))
            print(f"    seed {seed}: {found[-1].share:.3f}", flush=True)
        share = [one.share for one in found]
        # One analyst in one club is one error of severity: whether intervals hold shows over clubs.
        each = np.mean([one.by_analyst(one.inside.astype(float)) for one in found], axis=0)
        bias = [float(np.abs(one.by_analyst(one.error)).max()) for one in found]
        section.tell("coverage of the 80 % interval", share, bar=".75-.85 in the mean", worst="off 0.8")
        section.tell("the same by analyst, over the seeds", each, bar="none < .72", worst="low")
        bar = "< 1.5 in the mean" if kind == "own players, 5 % crossed" else ""
        section.tell("largest bias of an analyst's days, points", bias, bar=bar, show="{:.2f}")
        section.tell("decoy: Wilson's interval of the day's raw share", raw, bar="fails", worst="off 0.8")
    assert 0.75 <= np.mean(share) <= 0.85
    assert min(each) >= 0.72
    assert not bar or np.mean(bias) < 1.5
    assert not 0.75 <= np.mean(raw) <= 0.85
