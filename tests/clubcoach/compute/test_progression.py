"""Progression scores: against a slow second implementation, published cases, invariances and bad input."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import expit
from scipy.stats import spearmanr
from sklearn.linear_model import LogisticRegression
from statsmodels.datasets import nile

from clubcoach.compute.intervals import normal_quantile
from clubcoach.compute.progression import Priors, Progression, Shared, fit_progression, p_better
from clubcoach.compute.progression_chain import factor, walk_precision
from tests.clubcoach.compute.simulate import simulate
from tests.clubcoach.compute.slow_progression import SlowPriors, slow_fit

COLUMNS = ("player", "day", "area", "check", "analyst", "ball", "seen", "met")


def small_club(seed: int) -> np.ndarray:
    """Four units with 1 to 4 match days, unequal areas, holes in the design, odd identities."""
    rng = np.random.default_rng(seed)
    area_of = {3: 10, 4: 10, 9: 10, 11: 20, 12: 20, 30: 35}
    rows = []
    for unit, days in {7: [10], 2: [10, 14, 60, 61], 50: [3, 33], 8: [5, 25, 26]}.items():
        for day in days:
            for check, area in area_of.items():
                if rng.random() < 0.75 and not (unit == 8 and area == 35):
                    seen = int(rng.integers(1, 7))
                    analyst, ball = int(rng.integers(100, 103)), int(rng.integers(0, 3))
                    rows.append((unit, day, area, check, analyst, ball, seen, int(rng.binomial(seen, 0.6))))
    return np.array(rows).T


def agree(left: dict[str, np.ndarray], right: dict[str, np.ndarray], tolerance: float) -> None:
    assert set(left) == set(right)
    for name, values in left.items():
        assert np.allclose(values, right[name], rtol=0, atol=tolerance), name


# The slow second implementation


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(
    "change",
    [
        {},
        {"own_sd": 0.0},
        {"day_variance": 0.0},
        {"day_variance": 0.0, "situation_variance": 0.0},
        {"severity_walk_sd": 0.0},
        {"severity_walk_sd": 0.8, "severity_sd": 1.0},
        {"drift_sd": 0.02, "own_sd": 0.9},
        {"drift_area_sd": 0.02, "situation_variance": 2.0},
    ],
)
def test_equals_the_slow_implementation(seed: int, change: dict[str, float]) -> None:
    columns = small_club(seed)
    fitted = fit_progression(*columns, priors=Priors(**change))
    slow = slow_fit(columns.T, SlowPriors(**change))
    shared = fitted.shared
    for kind, names in {
        "delta": shared.checks,
        "start": shared.areas,
        "drift": shared.areas,
    }.items():
        at = [slow.where[kind, int(name)] for name in names]
        assert shared.effect(kind) == pytest.approx(slow.mode[at], abs=1e-8)
        assert shared.spread(kind) == pytest.approx(np.sqrt(np.diag(slow.covariance)[at]), abs=1e-8)
    seats = zip(shared.analysts[shared.seat_analyst].tolist(), shared.seat_month.tolist(), strict=True)
    for kind, at in {"gamma": [slow.where["gamma", *seat] for seat in seats]}.items():
        assert shared.effect(kind) == pytest.approx(slow.mode[at], abs=1e-8)
        assert shared.spread(kind) == pytest.approx(np.sqrt(np.diag(slow.covariance)[at]), abs=1e-8)
    beta = slow.mode[[slow.where["beta", 0], slow.where["beta", 2]]]
    assert shared.effect("beta") == pytest.approx([beta[0], 0.0, beta[1]], abs=1e-8)
    scores, z = fitted.scores(), normal_quantile(0.8)
    assert scores["score"].size == 3 * 10 - 3
    for i in range(scores["score"].size):
        key = [int(scores[name][i]) for name in ("player", "day", "area")]
        told = [scores[name][i] for name in ("score", "low", "high")]
        assert told == pytest.approx(slow.score(*key, z), abs=1e-6)


def test_predicts_as_the_slow_implementation_also_between_and_after_match_days() -> None:
    columns = small_club(4)
    fitted = fit_progression(*columns)
    slow = slow_fit(columns.T, SlowPriors(), blank=[(2, 40), (2, 90), (50, 10), (7, 70), (99, 5)])
    asked = [
        (player, day, area, check, analyst, ball)
        for player, day in [(2, 14), (2, 40), (2, 90), (50, 10), (50, 33), (7, 10), (7, 70), (99, 5)]
        for area, check in [(10, 3), (20, 12), (35, 30)]
        for analyst, ball in [(100, 1), (102, 2)]
    ]
    told = fitted.predict(**dict(zip(COLUMNS[:6], np.array(asked).T, strict=True)))
    assert told == pytest.approx([slow.chance(*row) for row in asked], abs=1e-6)


def test_draws_agree_with_the_slow_implementation_at_any_day() -> None:
    columns = small_club(5)
    slow = slow_fit(columns.T, SlowPriors(), blank=[(2, 40), (2, 30), (2, 90)])
    days = [61, 40, 90, 14, 40, 30]
    fitted = fit_progression(*columns)
    drawn = fitted.draws(2, days, rng=np.random.default_rng(6), n=20000)
    assert drawn.shape == (20000, 6, 3)
    assert np.array_equal(drawn[:, 1], drawn[:, 4])
    for i, day in enumerate(days):
        for j, area in enumerate([10, 20, 35]):
            mean, low, high = slow.score(2, day, area, normal_quantile(0.8))
            assert drawn[:, i, j].mean() == pytest.approx(mean, abs=1.0)
            assert np.quantile(drawn[:, i, j], [0.1, 0.9]) == pytest.approx([low, high], abs=2.0)


def test_draws_are_joint_over_days_and_areas() -> None:
    columns = small_club(5)
    # Wide priors, so that own checks and drift weigh in what is compared.
    change = {"own_sd": 1.2, "drift_sd": 0.03, "drift_area_sd": 0.03, "initial_sd": 0.4}
    days = [40, 45, 61, 120]
    slow = slow_fit(columns.T, SlowPriors(**change), blank=[(2, day) for day in days])
    fitted = fit_progression(*columns, priors=Priors(**change))
    drawn = fitted.draws(2, days, rng=np.random.default_rng(6), n=20000)
    rows, points = [], []
    for i, day in enumerate(days):
        for j, area in enumerate([10, 20, 35]):
            parts = np.array([slow.row(2, day, area, c, None, 1, False) for c in slow.checks[area]])
            slope = expit(parts @ slow.mode) * expit(-(parts @ slow.mode))
            rows.append(slope @ parts / slope.sum())
            points.append(drawn[:, i, j])
            assert drawn[:, i, j].mean() == pytest.approx(slow.score(2, day, area, 1.0)[0], abs=1.5)
    # Of ranks, which a share of a logit leaves nearly alone.
    due = np.array(rows) @ slow.covariance @ np.array(rows).T
    due /= np.sqrt(np.outer(np.diag(due), np.diag(due)))
    due = 6 / np.pi * np.arcsin(due / 2)
    assert spearmanr(np.array(points).T).statistic == pytest.approx(due, abs=0.04)


def test_draws_and_chances_agree_before_between_and_after_match_days() -> None:
    # One check an area and one analyst: the score is the chance, once the day has no form.
    rng = np.random.default_rng(3)
    rows = [
        (u, d, a, a, 1, 1, 12, rng.binomial(12, 0.3 + 0.004 * d))
        for u in (1, 2)
        for d in (40, 100)
        for a in (1, 2)
    ]
    fitted = fit_progression(
        *np.array(rows).T,
        priors=Priors(
            day_variance=0.0,
            situation_variance=0.0,
            severity_walk_sd=0.0,
            drift_sd=0.03,
            drift_area_sd=0.03,
            walk_variance=0.02,
        ),
    )
    days = [10, 25, 40, 60, 100, 180]
    drawn = fitted.draws(2, days, rng=np.random.default_rng(4), n=40000).mean(axis=0) / 100
    ones = np.ones(6, dtype=int)
    for area in (1, 2):
        asked = {"player": 2 * ones, "day": days, "area": area * ones, "check": area * ones, "analyst": ones}
        assert drawn[:, area - 1] == pytest.approx(fitted.predict(**asked, ball=ones), abs=0.01)
    assert np.all(np.ptp(drawn, axis=0) > 0.1)


# Published and reference cases


def test_static_design_is_ridge_logistic_regression() -> None:
    # One day, no own checks, N(0, 1) on every element: scikit-learn's ridge logistic at C = 1.
    rng = np.random.default_rng(8)
    units, checks, analysts = 15, 6, 3
    grid = np.array([(u, c, r) for u in range(units) for c in range(checks) for r in range(analysts)])
    logit = rng.normal(0, 1, units)[grid[:, 0]] - rng.normal(0, 1, checks)[grid[:, 1]]
    met = (rng.random(len(grid)) < expit(logit)).astype(int)
    ones = np.ones(len(grid), dtype=int)
    priors = Priors(
        check_sd=1,
        severity_sd=1,
        ball_sd=0,
        start_sd=0,
        drift_sd=0,
        drift_area_sd=0,
        initial_sd=1,
        own_sd=0,
        day_variance=0,
        situation_variance=0,
    )
    fitted = fit_progression(grid[:, 0], ones, ones, grid[:, 1], grid[:, 2], ones, ones, met, priors=priors)
    sizes = (units, checks, analysts)
    design = np.concatenate(
        [np.eye(k)[grid[:, i]] * (1 if i == 0 else -1) for i, k in enumerate(sizes)], axis=1
    )
    ridge = LogisticRegression(C=1.0, fit_intercept=False, solver="newton-cholesky", tol=1e-12).fit(
        design, met
    )
    found = ridge.coef_[0]
    assert fitted.shared.effect("delta") == pytest.approx(found[units : units + checks], abs=1e-8)
    assert fitted.shared.effect("gamma") == pytest.approx(found[units + checks :], abs=1e-8)
    theta = fitted.posterior.state.theta[np.argsort(fitted.posterior.problem.layout.players), 0]
    assert theta == pytest.approx(found[:units], abs=1e-8)


def test_local_level_of_the_nile() -> None:
    # Durbin & Koopman 2012: variances 15099 and 1469.1, diffuse start; smoothed level and its variance.
    flow = nile.load_pandas().data["volume"].to_numpy()
    start, gap = np.arange(flow.size + 1), np.r_[0, np.ones(flow.size - 1, dtype=int)]
    block, link = walk_precision(start, gap, np.array([[1e12]]), np.array([1469.1]))
    chain = factor(start, block + 1.0 / 15099, link)
    level = chain.backward(chain.forward((flow / 15099)[:, None, None]))[:, 0, 0]
    variance, lagged, first = chain.marginals()
    assert first[0, 0, 0] == variance[0, 0]
    for year, mean, spread in [(1871, 1111.67, 4032.16), (1898, 999.59, 2326.76), (1970, 798.37, 4032.16)]:
        assert level[year - 1871] == pytest.approx(mean, abs=0.01)
        assert variance[year - 1871, 0] == pytest.approx(spread, abs=0.01)
    # And the whole covariance against a dense inverse.
    dense = np.diag(block[:, 0, 0] + 1.0 / 15099) - np.diag(link[1:, 0], 1) - np.diag(link[1:, 0], -1)
    covariance = np.linalg.inv(dense)
    assert lagged[1:, 0] == pytest.approx(np.diag(covariance, 1), rel=1e-6)
    drawn = chain.sample(
        np.arange(flow.size), np.random.default_rng(1).standard_normal((20000, flow.size, 1))
    )
    assert np.cov(drawn[:, 40:43, 0].T) == pytest.approx(covariance[40:43, 40:43], rel=0.05)


# Two paths, two series


@pytest.mark.parametrize("as_json", [False, True])
def test_rescoring_with_held_shared_effects_gives_the_same_posterior(as_json: bool) -> None:
    club = simulate(31, units=10, days=5)
    full = fit_progression(*club.columns)
    shared = json.loads(json.dumps(full.shared.to_dict())) if as_json else full.shared
    some = np.isin(club.columns[0], [1, 4, 5, 9])
    again = fit_progression(*club.columns[:, some], shared=shared)
    scores = full.scores()
    mine = np.isin(scores["player"], [1, 4, 5, 9])
    agree(again.scores(), {name: values[mine] for name, values in scores.items()}, 1e-6)
    told = full.scores(kind="filtered")
    agree(again.scores(kind="filtered"), {name: values[mine] for name, values in told.items()}, 1e-6)
    left, right = (fit.draws(4, [3, 200], rng=np.random.default_rng(2), n=50) for fit in (full, again))
    assert left == pytest.approx(right, abs=1e-6)


def test_shared_parameters_survive_json_bit_by_bit() -> None:
    shared = fit_progression(*small_club(1)).shared
    back = Shared.from_dict(json.loads(json.dumps(shared.to_dict())))
    for name in (
        "areas",
        "checks",
        "check_area",
        "scored",
        "analysts",
        "anchor",
        "seat_analyst",
        "seat_month",
        "reference",
        "initial",
        "value",
        "covariance",
        "walk",
    ):
        assert np.array_equal(getattr(back, name), getattr(shared, name)), name
    assert (back.priors, back.n, back.own_sd) == (shared.priors, shared.n, shared.own_sd)


def test_held_effects_do_not_move_and_what_is_new_stands_at_its_prior() -> None:
    columns = small_club(2)
    full = fit_progression(*columns)
    new = [(2, 70, 10, 3, 777, 1, 5, 4), (2, 70, 10, 888, 100, 1, 4, 1), (2, 70, 99, 55, 101, 0, 6, 2)]
    again = fit_progression(*np.c_[columns, np.array(new).T], shared=full.shared)
    shared = again.shared
    old = np.isin(shared.checks, full.shared.checks)
    assert np.array_equal(shared.effect("delta")[old], full.shared.effect("delta"))
    assert list(shared.checks[~old]) == [55, 888]
    assert shared.effect("delta")[~old] == pytest.approx([0.0, 0.0])
    # The new area's check makes its score; the new check of an old area does not, and carries its own part.
    assert list(shared.scored[~old]) == [True, False]
    assert shared.spread("delta")[~old] == pytest.approx([1.0, np.sqrt(1 + 0.3**2)])
    at = int(np.flatnonzero(shared.analysts == 777)[0])
    seat = int(np.flatnonzero(shared.seat_analyst == at)[0])
    assert (shared.effect("gamma")[seat], shared.anchor[at], shared.reference[seat]) == (0.0, 0.0, 0.0)
    assert shared.spread("gamma")[seat] == pytest.approx(0.5)
    rows = (again.scores()["player"] == 2) & (again.scores()["area"] == 99)
    assert list(again.scores()["day"][rows]) == [10, 14, 60, 61, 70]


def test_an_unknown_analyst_widens_the_interval() -> None:
    club = simulate(32, units=8, days=4)
    full = fit_progression(*club.columns)
    looks = [np.full(4, 500), np.full(4, 10), np.zeros(4, int), np.arange(4), np.zeros(4, int)]
    looks += [np.ones(4, int), np.full(4, 20), np.full(4, 12)]
    known = fit_progression(*looks, shared=full.shared).scores()
    looks[4] = np.full(4, 77)
    unknown = fit_progression(*looks, shared=full.shared).scores()
    assert (unknown["high"] - unknown["low"])[0] > 1.3 * (known["high"] - known["low"])[0]


def test_as_told_then_uses_only_what_was_known_then() -> None:
    columns = small_club(3)
    full = fit_progression(*columns)
    told = full.scores(kind="filtered")
    for day in (10, 14, 60, 61):
        until = columns[:, (columns[1] <= day) & (columns[0] == 2)]
        then = fit_progression(*until, shared=full.shared).scores()
        for area in np.unique(until[2]):
            a = (told["player"] == 2) & (told["day"] == day) & (told["area"] == area)
            b = (then["day"] == day) & (then["area"] == area)
            for name in ("score", "low", "high", "n"):
                assert told[name][a] == pytest.approx(then[name][b], abs=1e-6)
    now = full.scores()
    last = (now["player"] == 2) & (now["day"] == 61)
    assert now["score"][last] == pytest.approx(told["score"][last], abs=1e-6)
    first = (now["player"] == 2) & (now["day"] == 10)
    assert np.abs(now["score"][first] - told["score"][first]).max() > 0.1


def test_filtered_batches_do_not_show(monkeypatch: pytest.MonkeyPatch) -> None:
    fitted = fit_progression(*simulate(33, units=9, days=4).columns)
    whole = fitted.scores(kind="filtered")
    monkeypatch.setattr("clubcoach.compute.progression._BATCH", 11)
    agree(fitted.scores(kind="filtered"), whole, 1e-9)


# Invariances


def shuffled(columns: np.ndarray, seed: int) -> np.ndarray:
    return columns[:, np.random.default_rng(seed).permutation(columns.shape[1])]


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10**6), order=st.integers(0, 10**6))
def test_order_of_rows_does_not_matter(seed: int, order: int) -> None:
    columns = small_club(seed)
    agree(fit_progression(*shuffled(columns, order)).scores(), fit_progression(*columns).scores(), 0.0)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10**6), part=st.floats(0, 1))
def test_a_tally_split_in_two_is_the_same_tally(seed: int, part: float) -> None:
    columns = small_club(seed)
    one = columns.copy()
    one[7] = np.floor(part * columns[7])
    one[6] = np.maximum(one[7], np.floor(part * columns[6]))
    two = columns.copy()
    two[6:] -= one[6:]
    keep = two[7] <= two[6]
    one[6:, ~keep], two[6:, ~keep] = columns[6:, ~keep], 0
    agree(fit_progression(*np.c_[one, two]).scores(), fit_progression(*columns).scores(), 0.0)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10**6), names=st.permutations(range(1000, 1006)))
def test_names_of_units_analysts_and_days_do_not_matter(seed: int, names: list[int]) -> None:
    columns = small_club(seed)
    units, analysts = np.unique(columns[0]), np.unique(columns[4])
    other = columns.copy()
    other[0] = np.array(names)[np.searchsorted(units, columns[0])]
    # Days move by whole months, which are what strictness walks by.
    other[1] += 41 * 487
    other[4] = -np.array(names)[np.searchsorted(analysts, columns[4])]
    left, right = fit_progression(*columns).scores(), fit_progression(*other).scores()
    back = dict(zip(names, units.tolist(), strict=False))
    player = np.array([back[name] for name in right["player"].tolist()])
    order = np.lexsort((right["area"], right["day"], player))
    right = {name: values[order] for name, values in right.items()} | {"player": player[order]}
    right["day"] = right["day"] - 41 * 487
    agree(right, left, 1e-9)


def test_a_unit_of_its_own_far_away_changes_nobody_under_held_effects() -> None:
    columns = small_club(6)
    shared = fit_progression(*columns).shared
    alone = fit_progression(*columns[:, columns[0] == 2], shared=shared).scores()
    rest = fit_progression(*columns, shared=shared).scores()
    mine = rest["player"] == 2
    agree(alone, {name: values[mine] for name, values in rest.items()}, 1e-9)


# Small and bad input


def test_empty_input_gives_an_empty_result() -> None:
    fitted = fit_progression(*[[] for _ in COLUMNS])
    for kind in ("smoothed", "filtered"):
        scores = fitted.scores(kind=kind)
        assert list(scores) == ["player", "day", "area", "score", "low", "high", "n"]
        assert all(values.size == 0 for values in scores.values())
    assert fitted.predict(player=[1], day=[1], area=[1], check=[1], analyst=[1], ball=[1]) == pytest.approx(
        [0.5]
    )
    assert fitted.players.size == fitted.areas.size == 0
    again = fit_progression(*[[] for _ in COLUMNS], shared=fit_progression(*small_club(1)).shared)
    assert again.scores()["score"].size == 0
    later = fit_progression([1], [1], [1], [1], [1], [1], [4], [4], shared=fitted.shared).scores()
    assert later["score"][0] > 50


def test_one_row() -> None:
    fitted = fit_progression([5], [100], [2], [7], [1], [1], [30], [24])
    scores = fitted.scores()
    assert [scores[name].tolist() for name in ("player", "day", "area", "n")] == [[5], [100], [2], [30]]
    assert 50 < scores["low"][0] < scores["score"][0] < 80 < scores["high"][0] < 100


def test_rows_with_nothing_seen_are_no_data() -> None:
    columns = small_club(1)
    more = np.c_[columns, np.array([[99, 1, 10, 3, 100, 1, 0, 0], [2, 500, 10, 4, 105, 1, 0, 0]]).T]
    agree(fit_progression(*more).scores(), fit_progression(*columns).scores(), 0.0)


def test_few_steps_suffice(monkeypatch: pytest.MonkeyPatch) -> None:
    # Newton's method on the exact Hessian: anything less than exact needs many more steps.
    monkeypatch.setattr("clubcoach.compute.progression_solve.STEPS", 5)
    for seed in range(5):
        fit_progression(*small_club(seed))


def test_perfect_shares_stay_finite() -> None:
    rows = np.array(
        [(u, d, 1, c, 1, 1, 500, 500 * (u % 2)) for u in range(4) for d in (1, 2) for c in (1, 2)]
    ).T
    scores = fit_progression(*rows).scores()
    assert np.all(np.isfinite(scores["score"]))
    assert np.all(
        (scores["low"] >= 0) & (scores["low"] < scores["score"]) & (scores["score"] < scores["high"])
    )
    assert np.all(scores["high"] <= 100)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"met": [1]}, "lengths differ"),
        ({"situation": [1]}, "lengths differ"),
        ({"met": [5, 1]}, "met must not be above seen: row 0 has 5"),
        ({"seen": [4, -1], "met": [1, 0]}, "seen must not be negative: row 1 has -1"),
        ({"met": [1, -1]}, "met must not be negative: row 1 has -1"),
        ({"ball": [1, 3]}, "ball must be 0 .* row 1 has 3"),
        ({"ball": [-1, 1]}, "ball must be 0 .* row 0 has -1"),
        ({"day": [1.0, np.nan]}, "day must hold whole numbers, not float64"),
        ({"seen": [4.0, 4.0]}, "seen must hold whole numbers"),
        ({"player": [True, False]}, "player must hold whole numbers, not bool"),
        ({"check": ["a", "b"]}, "check must hold whole numbers"),
        ({"player": [[1, 2]]}, "player must be a flat array"),
        ({"day": [739000, 702475]}, "day must lie within 60 years of the others: row 1 has 702475"),
        ({"area": [1, 2]}, "a check must stay in one area: row 1 has 7"),
    ],
)
def test_refuses_bad_input_and_says_where(change: dict[str, list[float]], words: str) -> None:
    good = {
        "player": [1, 1],
        "day": [1, 2],
        "area": [1, 1],
        "check": [7, 7],
        "analyst": [1, 1],
        "ball": [1, 1],
    }
    good |= {"seen": [4, 4], "met": [1, 1]}
    fit_progression(**good)
    with pytest.raises(ValueError, match=words):
        fit_progression(**{**good, **change})


def fitted_once() -> Progression:
    return fit_progression(*small_club(1))


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda r: r.scores(kind="other"), "kind"),
        (lambda r: r.scores(level=1.0), "level"),
        (lambda r: r.draws(12345, [1], rng=np.random.default_rng(1), n=2), "player 12345 has no data"),
        (lambda r: r.draws(2, [1.5], rng=np.random.default_rng(1), n=2), "days must hold whole numbers"),
        (lambda r: r.draws(2, [1], rng=np.random.default_rng(1), n=-1), "n must not be negative"),
        (lambda r: p_better(r, 2, 77, 1, 2, rng=np.random.default_rng(1)), "area 77"),
        (lambda r: p_better(r, 2, 10, 1, 2, rng=np.random.default_rng(1), n=0), "n must be at least 1"),
        (
            lambda r: r.predict(player=[1], day=[1], area=[20], check=[3], analyst=[1], ball=[1]),
            "check 3 is in area 20",
        ),
        (lambda r: r.predict(player=[1], day=[1], area=[10], check=[3], analyst=[1], ball=[7]), "ball"),
        (
            lambda r: fit_progression(*small_club(1), shared=r.shared, priors=Priors()),
            "shared brings its own",
        ),
        (
            lambda r: fit_progression([1], [1], [20], [3], [1], [1], [1], [1], shared=r.shared),
            "check 3 is in area 20",
        ),
        (lambda r: fit_progression(*small_club(1), anchor=[5]), "none of the analysts"),
        (lambda r: fit_progression(*small_club(1), shared={"format": 3}), "format"),
        (lambda r: fit_progression(*small_club(1), shared={"format": 2}), "lack"),
        (lambda r: fit_progression(*small_club(1), shared={"format": 1}), "lack"),
        (
            lambda r: Shared.from_dict({**r.shared.to_dict(), "value": [0.0]}),
            "value must be finite and of shape",
        ),
        (lambda r: Priors(own_sd=-1.0), "own_sd"),
        (lambda r: Priors(walk_variance=0.0), "walk_variance"),
        (lambda r: Priors(check_sd=np.nan), "check_sd"),
    ],
)
def test_refuses_bad_questions(call, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=words):
        call(fitted_once())


def test_unknown_units_checks_and_analysts_are_predicted_from_priors() -> None:
    fitted = fitted_once()
    known = {"player": [2], "day": [61], "area": [10], "check": [3], "analyst": [100], "ball": [1]}
    shares = {"as it is": fitted.predict(**known)[0]}
    for name in ("player", "check", "analyst"):
        shares[name] = fitted.predict(**{**known, name: [4321]})[0]
    shares["area"] = fitted.predict(**{**known, "area": [4321], "check": [4321]})[0]
    assert all(0.02 < share < 0.98 for share in shares.values())
    assert len({round(share, 6) for share in shares.values()}) == 5
    # A unit never seen stands at the area's mean start.
    shared = fitted.shared
    at = shared.effect("start")[0] - shared.effect("delta")[0] - shared.effect("gamma")[0]
    assert (shares["player"] - 0.5) * at > 0
    assert abs(shares["player"] - 0.5) < abs(expit(at) - 0.5)


def test_p_better() -> None:
    fitted = fit_progression(*simulate(41, units=12, days=6, drift=0.006).columns)
    day = np.sort(np.unique(fitted.scores()["day"][fitted.scores()["player"] == 3]))
    first, last = int(day[0]), int(day[-1])
    better = p_better(fitted, 3, 1, last, first, rng=np.random.default_rng(5), n=4000)
    again = p_better(fitted, 3, 1, last, first, rng=np.random.default_rng(5), n=4000)
    back = p_better(fitted, 3, 1, first, last, rng=np.random.default_rng(5), n=4000)
    assert better == again
    assert (better.n, better.draws) == (fitted.seen(3, 1, last), 4000)
    assert better.low < better.change < better.high
    assert better.p + back.p == pytest.approx(1, abs=0.04)
    scores = fitted.scores()
    rows = (scores["player"] == 3) & (scores["area"] == 1)
    assert better.change == pytest.approx(scores["score"][rows][-1] - scores["score"][rows][0], abs=1.0)
    assert p_better(fitted, 3, 1, last, last, rng=np.random.default_rng(5), n=100).p == 0.5


def test_the_average_analyst_is_the_anchor() -> None:
    # Checked by arithmetic: before a stricter average, every score is lower by that severity.
    club = simulate(42, units=10, days=4)
    base = fit_progression(*club.columns)
    strict = fit_progression(*club.columns, anchor=[0])
    assert strict.shared.effect("gamma") == pytest.approx(base.shared.effect("gamma"), abs=1e-9)
    assert strict.shared.average_severity - base.shared.average_severity == pytest.approx(0.6, abs=0.1)
    assert np.all(strict.scores()["score"] < base.scores()["score"])
    assert base.shared.average_severity == pytest.approx(0.0, abs=0.05)
