"""Learned hyper-parameters: likeliest by a second road, near nothing where there is nothing, needed where there is."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clubcoach.compute.progression import Priors, Progression, fit_progression
from clubcoach.compute.progression_learn import SEVERITY_PRIOR_SD, WIDE_DRIFT_SD, _better
from tests.clubcoach.compute.simulate import Club, counted
from tests.clubcoach.compute.slow_progression import SlowPriors, slow_fit

COLUMNS = ("player", "day", "area", "check", "analyst", "ball")
LEARNED = ("walk_variance", "own_variance", "day_variance", "situation_variance", "initial_variance")
# What the prior on each of these variances counts for: twenty observations, of the first match's 10 + 1 + 1.
PSEUDO = np.array([20, 20, 20, 20, 12])


def uneven_club(seed: int, units: int = 24, areas: int = 1) -> np.ndarray:
    """Units with two to four match days and very different numbers of situations."""
    rng = np.random.default_rng(seed)
    columns = counted(seed, units=units, days=4, span=120, areas=areas, looks=(2, 8, 30), day=0.4).columns
    kept = rng.integers(2, 5, units)
    order = [np.unique(columns[1][columns[0] == unit])[: kept[unit]] for unit in range(units)]
    return columns[:, [day in order[unit] for unit, day in columns[:2].T]]


# The second road: Laplace's marginal likelihood from the slow implementation


def variances(fitted: Progression) -> np.ndarray:
    shared = fitted.shared
    p = shared.priors
    return np.array([shared.walk[0], p.own_sd**2, p.day_variance, p.situation_variance, shared.initial[0, 0]])


def documented() -> np.ndarray:
    p = SlowPriors()
    return np.array([p.walk_variance, p.own_sd**2, p.day_variance, p.situation_variance, p.initial_sd**2])


def slow_likelihood(columns: np.ndarray, at: np.ndarray, **change: float) -> float:
    """Of five variances; strictness and drifts as wide as the steps of learning hold them."""
    walk, own, day, situation, initial = at.tolist()
    wide = {"severity_sd": SEVERITY_PRIOR_SD, "drift_sd": WIDE_DRIFT_SD, "drift_area_sd": WIDE_DRIFT_SD}
    change = {**wide, "walk_variance": walk, "own_sd": own**0.5, "initial_sd": initial**0.5, **change}
    return slow_fit(
        columns.T, SlowPriors(day_variance=day, situation_variance=situation, **change)
    ).likelihood


def with_prior(columns: np.ndarray, at: np.ndarray) -> float:
    return slow_likelihood(columns, at) - float(np.sum(PSEUDO / 2 * (np.log(at) + documented() / at)))


@pytest.mark.long
@pytest.mark.parametrize("seed", [911, 912])
def test_learned_variances_are_the_likeliest(seed: int) -> None:
    columns = uneven_club(seed)
    at = variances(fit_progression(*columns))
    best = with_prior(columns, at)
    assert with_prior(columns, documented()) < best - 0.5
    for i, name in enumerate(LEARNED):
        ends = []
        for factor in (0.8, 1.25):
            there = at.copy()
            there[i] *= factor
            ends.append(with_prior(columns, there))
        # The parabola through the three, over the logarithm, has its top where the learned value stands.
        bend = ends[0] + ends[1] - 2 * best
        top = (ends[0] - ends[1]) / (2 * bend) * np.log(1.25)
        print(f"{name}: learned {at[i]:.4f}, likeliest {at[i] * np.exp(top):.4f}")
        assert bend < 0
        assert abs(top) < 0.08, name


@pytest.mark.long
def test_spread_of_strictness_and_drifts_is_weighed_as_by_the_slow_road() -> None:
    columns = uneven_club(913)
    fitted = fit_progression(*columns)
    priors, at = fitted.shared.priors, variances(fitted)
    grid = SEVERITY_PRIOR_SD * np.geomspace(0.08, 4, 14)
    fit = (
        np.array([slow_likelihood(columns, at, severity_sd=sd) for sd in grid])
        - (grid / SEVERITY_PRIOR_SD) ** 2 / 2
    )
    weight = np.exp(fit - fit.max()) * grid
    assert priors.severity_sd == pytest.approx(np.sqrt(np.sum(weight * grid**2) / np.sum(weight)), rel=0.05)
    best = slow_likelihood(columns, at, drift_sd=priors.drift_sd, drift_area_sd=priors.drift_area_sd)
    # Up to the documented priors, beyond which no progress is learned.
    assert priors.drift_sd <= Priors().drift_sd
    assert priors.drift_area_sd <= Priors().drift_area_sd
    for common in (1e-5, 0.0006, 0.0012):
        for apart in (1e-5, 0.0005, 0.001):
            there = slow_likelihood(columns, at, drift_sd=common, drift_area_sd=apart)
            assert there < best + 0.05, (common, apart)


def test_a_step_of_learning_is_that_of_the_dense_posterior() -> None:
    # Every second moment that a step of EM rests on, from the dense covariance, shared effects included.
    columns = uneven_club(914, units=10, areas=2)
    change = {"drift_sd": 0.02, "own_sd": 0.6, "severity_sd": 0.9}
    fitted = fit_progression(*columns, priors=Priors(**change))
    problem = fitted.posterior.problem
    stepped, was = _better(fitted.posterior, problem.shared), Priors(**change)
    slow = slow_fit(columns.T, SlowPriors(**change))

    def moment(*parts: tuple[tuple, float]) -> float:  # type: ignore[type-arg]
        row = np.zeros(len(slow.names))
        for name, weight in parts:
            row[slow.where[name]] += weight
        return float((row @ slow.mode) ** 2 + row @ slow.covariance @ row)

    units = {u: np.unique(columns[1][columns[0] == u]).tolist() for u in range(10)}
    for area in (0, 1):
        walked = [
            moment((("theta", u, b, area), 1), (("theta", u, a, area), -1), (("drift", area), a - b))
            / (b - a)
            for u, days in units.items()
            for a, b in pairwise(days)
        ]
        due = (20 * was.walk_variance + sum(walked)) / (20 + len(walked))
        assert stepped.walk[area] == pytest.approx(due, rel=1e-6)
        begun = [moment((("theta", u, days[0], area), 1), (("start", area), -1)) for u, days in units.items()]
        due = (sum(begun) + 13 * was.initial_sd**2) / (10 + 13)
        assert stepped.initial[area, area] == pytest.approx(due, rel=1e-6)
    # A unit has six own effects, four of them free; the squares of free coordinates add up to those of all six.
    own = [
        moment(*zip([("own", u, c) for c in checks[:-1]], row, strict=True))
        for u in units
        for checks in slow.checks.values()
        for row in (*np.eye(2), -np.ones(2))
    ]
    assert stepped.own_sd**2 == pytest.approx((20 * was.own_sd**2 + sum(own)) / (20 + 10 * 4), rel=1e-6)
    day, luck = [], []
    for u, days in units.items():
        for on in days:
            for area in (0, 1):
                count = columns[6][(columns[0] == u) & (columns[1] == on) & (columns[2] == area)].max()
                a, b = was.day_variance, was.situation_variance / count
                size = moment((("form", u, on, area), 1))
                day.append((a / (a + b)) ** 2 * size + a * b / (a + b))
                luck.append(count * ((b / (a + b)) ** 2 * size + a * b / (a + b)))
    due = (20 * was.day_variance + sum(day)) / (20 + len(day))
    assert stepped.priors.day_variance == pytest.approx(due, rel=1e-6)
    due = (20 * was.situation_variance + sum(luck)) / (20 + len(luck))
    assert stepped.priors.situation_variance == pytest.approx(due, rel=1e-6)


# Nothing where there is nothing


NOTHING = {
    "walk": ({"walk": 0.0, "span": 900, "looks": (300,), "day": 0.1}, lambda s: s.walk.max(), 0.25 * 0.0015),
    "own": ({"own": 0.0}, lambda s: s.priors.own_sd, 0.15),
    "day": ({"day": 0.0, "luck": 0.0, "looks": (200,)}, lambda s: s.priors.day_variance, 0.4 * 0.04),
    "luck": (
        {"day": 0.0, "luck": 0.0, "looks": (2,), "per_area": 20, "areas": 1, "days": 12},
        lambda s: s.priors.situation_variance,
        0.5 * 0.2,
    ),
    "severity": ({"severity": 0.0}, lambda s: s.priors.severity_sd, 0.2),
    "start": ({"start": 0.0}, lambda s: np.diag(s.initial).max(), 0.3 * 0.64),
    "drift": ({"drift": 0.0}, lambda s: 90 * np.abs(s.effect("drift")).max(), 0.05),
}


@pytest.mark.parametrize("name", NOTHING)
def test_what_is_not_there_is_learned_to_be_near_nothing(name: str) -> None:
    # The prior of twenty observations keeps it off nought; these clubs have some hundreds that speak.
    change, read, most = NOTHING[name]
    club = counted(914, **({"units": 80, "days": 7, "looks": (10, 200)} | change))
    there = counted(914, **({"units": 80, "days": 7, "looks": (10, 200)} | change | SOMETHING[name]))
    found, other = (float(read(fit_progression(*one.columns).shared)) for one in (club, there))
    print(f"{name}: {found:.5f} where there is none, {other:.5f} where there is some")
    assert found < most < other


SOMETHING: dict[str, dict[str, float]] = {
    "walk": {"walk": 0.0015},
    "own": {"own": 0.4},
    "day": {"day": 0.25},
    "luck": {"luck": 0.7},
    "severity": {"severity": 0.5},
    "start": {"start": 0.7},
    "drift": {"drift": 0.002},
}


# Needed where there is something


def coverage(club: Club, **kwargs: object) -> float:
    scores = fit_progression(*club.columns, **kwargs).scores()
    true = club.true(scores)
    return float(np.mean((scores["low"] <= true) & (true <= scores["high"])))


def loss_ahead(club: Club, **kwargs: object) -> float:
    """Log loss on each unit's last match day, from the days before."""
    columns = club.columns
    latest = np.zeros(columns[0].max() + 1, dtype=int)
    np.maximum.at(latest, columns[0], columns[1])
    last = columns[1] == latest[columns[0]]
    fitted = fit_progression(*columns[:, ~last], **kwargs)
    chance = fitted.predict(**dict(zip(COLUMNS, columns[:6, last], strict=True)))
    seen, met = columns[6:, last]
    return float(-np.sum(met * np.log(chance) + (seen - met) * np.log1p(-chance)) / seen.sum())


def held(club: Club) -> Priors:
    """What was learned, as it can be held."""
    shared = fit_progression(*club.columns).shared
    walk, initial = float(shared.walk.mean()), float(np.sqrt(np.diag(shared.initial).mean()))
    return replace(shared.priors, walk_variance=walk, initial_sd=initial)


@pytest.mark.long
@pytest.mark.parametrize(
    ("change", "out"),
    [
        ({"day": 0.6}, {"day_variance": 0.0, "situation_variance": 0.0}),
        ({"luck": 1.4, "day": 0.05, "looks": (1, 2, 4), "per_area": 5}, {"situation_variance": 0.0}),
        ({"walk": 0.008}, {"walk_variance": 1e-7}),
        ({"severity": 0.8}, {"severity_sd": 0.0, "severity_walk_sd": 0.0}),
        ({"severity": 0.8, "who": "own"}, {"severity_sd": 0.0, "severity_walk_sd": 0.0}),
        ({"drift": 0.006, "walk": 0.0005, "span": 360}, {"drift_sd": 0.0, "drift_area_sd": 0.0}),
        ({"start": 1.2}, {"initial_sd": 0.1}),
    ],
    ids=["day", "luck", "walk", "severity", "severity-own-players", "drift", "start"],
)
def test_intervals_fail_without_it(change: dict[str, float], out: dict[str, float]) -> None:
    with_it, without = [], []
    for seed in (915, 916):
        club = counted(seed, **change)
        with_it.append(coverage(club))
        without.append(coverage(club, priors=replace(held(club), **out)))
    print(f"coverage with {np.mean(with_it):.3f}, without {np.mean(without):.3f}")
    assert 0.72 <= np.mean(with_it) <= 0.87
    assert np.mean(without) < 0.7


@pytest.mark.long
def test_guesses_fail_without_own_checks() -> None:
    for seed in (915, 916):
        club = counted(seed, own=0.9)
        priors = held(club)
        assert loss_ahead(club, priors=priors) < loss_ahead(club, priors=replace(priors, own_sd=0.0)) - 0.01


@pytest.mark.long
def test_what_is_learned_covers_where_the_documented_priors_do_not() -> None:
    club = counted(918, walk=0.008, day=0.5)
    assert coverage(club) > 0.73
    assert coverage(club, priors=Priors()) < 0.68


# When it is learned


def test_documented_priors_below_twenty_units_with_two_match_days() -> None:
    columns = counted(919, units=20, days=2).columns
    day = np.array([np.unique(columns[1][columns[0] == unit])[0] for unit in range(20)])
    single = (columns[0] == 7) & (columns[1] != day[columns[0]])
    many = fit_progression(*columns)
    few = fit_progression(*columns[:, ~single])
    plain = fit_progression(*columns[:, ~single], priors=Priors())
    assert few.shared.priors == Priors()
    assert np.array_equal(few.shared.walk, np.full(2, Priors().walk_variance))
    assert np.array_equal(few.shared.initial, plain.shared.initial)
    assert np.array_equal(few.shared.value, plain.shared.value)
    assert many.shared.priors != Priors()
    assert fit_progression(*columns, priors=Priors()).shared.priors == Priors()


def test_rescoring_keeps_what_was_learned() -> None:
    columns = uneven_club(920)
    full = fit_progression(*columns)
    again = fit_progression(*columns[:, columns[0] < 3], shared=full.shared.to_dict())
    assert again.shared.priors == full.shared.priors
    assert np.array_equal(again.shared.walk, full.shared.walk)
    scores, told = full.scores(), again.scores()
    assert told["score"] == pytest.approx(scores["score"][scores["player"] < 3], abs=1e-6)


# Invariances, with learning on


def agree(left: dict[str, np.ndarray], right: dict[str, np.ndarray], tolerance: float) -> None:
    for name, values in left.items():
        assert np.allclose(values, right[name], rtol=0, atol=tolerance), name


@pytest.mark.long
@settings(max_examples=4, deadline=None)
@given(seed=st.integers(0, 10**6), part=st.floats(0, 1))
def test_order_and_splitting_of_rows_do_not_matter(seed: int, part: float) -> None:
    columns = uneven_club(seed, units=21, areas=2)
    met = np.floor(part * columns[7]).astype(int)
    missed = np.floor(part * (columns[6] - columns[7])).astype(int)
    one, two = columns.copy(), columns.copy()
    one[6:] = met + missed, met
    two[6:] -= one[6:]
    both = np.c_[one, two]
    both = both[:, np.random.default_rng(seed).permutation(both.shape[1])]
    agree(fit_progression(*both).scores(), fit_progression(*columns).scores(), 0.0)


def renamed(columns: np.ndarray, units: np.ndarray, analysts: np.ndarray) -> dict[str, np.ndarray]:
    """Scores fitted under other names, told under the old ones."""
    other = columns.copy()
    other[0], other[4] = units[columns[0]], analysts[columns[4]]
    scores = fit_progression(*other).scores()
    player = np.argsort(units)[np.searchsorted(np.sort(units), scores["player"])]
    order = np.lexsort((scores["area"], scores["day"], player))
    return {name: values[order] for name, values in scores.items()} | {"player": player[order]}


@pytest.mark.long
@settings(max_examples=4, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_names_of_units_and_analysts_do_not_matter(seed: int) -> None:
    columns = uneven_club(seed, units=21, areas=2)
    rng = np.random.default_rng(seed)
    units, analysts = rng.permutation(1000)[:21], -rng.permutation(50)[:6]
    agree(renamed(columns, units, analysts), fit_progression(*columns).scores(), 1e-6)


def test_names_do_not_matter_where_only_some_units_are_learned_from(monkeypatch: pytest.MonkeyPatch) -> None:
    columns = uneven_club(919, units=40)
    whole = fit_progression(*columns).scores()
    monkeypatch.setattr("clubcoach.compute.progression_learn.MOST_UNITS", 25)
    some = fit_progression(*columns).scores()
    assert 0.01 < np.abs(some["score"] - whole["score"]).max() < 5
    rng = np.random.default_rng(919)
    agree(renamed(columns, rng.permutation(1000)[:40], -rng.permutation(50)[:6]), some, 1e-6)
