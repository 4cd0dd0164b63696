"""Progression scores: special cases with a published or an exact answer.

The fit is a joint mode with a Gaussian around it, not an integral over abilities. What follows asks for equality
where both are the same, and says how far apart they are where they are not.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.special import expit, logit

from clubcoach.compute.progression import Priors, Progression, fit_progression

# LSAT section 6, 1,000 people and 5 questions (Bock & Lieberman 1970): how many gave each pattern of answers,
# from 00000 and 00001 to 11111, the first question first.
LSAT = [3, 6, 2, 11, 1, 1, 3, 4, 1, 8, 0, 16, 0, 3, 2, 15]
LSAT += [10, 29, 14, 81, 3, 28, 15, 80, 16, 56, 21, 173, 11, 61, 28, 298]
PATTERNS = np.array([[int(bit) for bit in f"{pattern:05b}"] for pattern in range(32)])
# Rasch model with slope 1, abilities N(0, 1): difficulties and log likelihood (from memory, found again below).
LISTED = np.array([-2.8720, -1.0630, -0.2576, -1.3881, -2.2188])
LISTED_LOG_LIKELIHOOD = -2473.054

# One look a person and question, abilities N(0, 1), difficulties free: nothing of the model is left but Rasch's.
RASCH = Priors(
    check_sd=30,
    severity_sd=0,
    severity_walk_sd=0,
    ball_sd=0,
    start_sd=0,
    drift_sd=0,
    drift_area_sd=0,
    initial_sd=1,
    own_sd=0,
    day_variance=0,
    situation_variance=0,
)
_ABILITY, _SHARE = np.polynomial.hermite_e.hermegauss(61)
_SHARE = _SHARE / _SHARE.sum()


def rasch(seen: np.ndarray, met: np.ndarray) -> Progression:
    """Fit of a table with a row a person and a column a question."""
    person, question = (part.ravel() for part in np.indices(seen.shape))
    one = np.ones(seen.size, dtype=int)
    return fit_progression(person, one, one, question, one, one, seen.ravel(), met.ravel(), priors=RASCH)


def marginal(difficulty: np.ndarray, seen: np.ndarray, met: np.ndarray) -> np.ndarray:
    """Log likelihood of each person's row, the ability integrated out."""
    chance = expit(_ABILITY[:, None] - difficulty)
    rows = met @ np.log(chance).T + (seen - met) @ np.log1p(-chance).T
    top = rows.max(axis=1, keepdims=True)
    return np.log(np.exp(rows - top) @ _SHARE) + top[:, 0]


def likeliest(seen: np.ndarray, met: np.ndarray, weight: np.ndarray) -> np.ndarray:
    start = -logit((weight @ met) / (weight @ seen))
    return minimize(lambda b: -weight @ marginal(b, seen, met), start, tol=1e-10).x


def test_lsat_as_listed() -> None:
    # The table and the listed values belong together: marginal maximum likelihood by quadrature.
    ones, weight = np.ones_like(PATTERNS), np.array(LSAT)
    assert weight.sum() == 1000
    assert likeliest(ones, PATTERNS, weight) == pytest.approx(LISTED, abs=2e-4)
    assert weight @ marginal(LISTED, ones, PATTERNS) == pytest.approx(LISTED_LOG_LIKELIHOOD, abs=5e-4)


def test_lsat_difficulties_are_a_tenth_short_at_five_looks_a_person() -> None:
    # A joint mode maximises over abilities that the listed values integrate out. With five looks a person that
    # draws difficulties to the middle, by 8 % here; a match gives forty looks (next test).
    people = np.repeat(PATTERNS, LSAT, axis=0)
    found = rasch(np.ones_like(people), people).shared.effect("delta")
    assert np.array_equal(np.argsort(found), np.argsort(LISTED))
    assert np.corrcoef(found, LISTED)[0, 1] > 0.999
    assert found / LISTED == pytest.approx(np.full(5, 0.9), abs=0.04)


def test_difficulties_are_as_listed_at_the_looks_of_a_match() -> None:
    rng = np.random.default_rng(911)
    seen = rng.poisson(8, (300, 5))
    met = rng.binomial(seen, expit(rng.normal(0, 1, (300, 1)) - LISTED))
    found = rasch(seen, met).shared.effect("delta")
    exact = likeliest(seen, met, np.ones(300))
    print("joint mode less marginal maximum likelihood:", np.round(found - exact, 4))
    # Most of what is left is one shift of all, which abilities take up; between checks it is a fortieth of a logit.
    assert found == pytest.approx(exact, abs=0.1)
    assert found - found.mean() == pytest.approx(exact - exact.mean(), abs=0.04)


def test_lsat_abilities_with_the_difficulties_held() -> None:
    # Held at the listed values without doubt, a person's mode has one equation, and the score an exact mean.
    people = PATTERNS
    fitted = rasch(np.ones_like(people), people)
    shared = fitted.shared
    value = shared.value.copy()
    value[shared.columns["delta"]] = LISTED
    sure = replace(shared, value=value, covariance=np.zeros_like(shared.covariance))
    person, question = (part.ravel() for part in np.indices(people.shape))
    one = np.ones(people.size, dtype=int)
    held = fit_progression(person, one, one, question, one, one, one, people.ravel(), shared=sure)
    scores = held.scores()
    grid = np.linspace(-7, 7, 2801)
    curve = 100 * expit(grid[:, None] - LISTED).mean(axis=1)
    units = held.posterior.problem.layout.players
    for place, row in enumerate(people):
        chance = expit(grid[:, None] - LISTED)
        log = (row * np.log(chance) + (1 - row) * np.log1p(-chance)).sum(axis=1) - grid**2 / 2
        weight = np.exp(log - log.max())
        weight /= weight.sum()
        mode = held.posterior.state.theta[np.flatnonzero(units == place)[0], 0]
        assert mode == pytest.approx(grid[log.argmax()], abs=0.003)
        # Of the Gaussian in place of the skew posterior, with a fifth of the looks that a match gives.
        assert scores["score"][place] == pytest.approx(weight @ curve, abs=1.2)
        ends = np.interp([0.1, 0.9], np.cumsum(weight), curve)
        assert [scores["low"][place], scores["high"][place]] == pytest.approx(ends, abs=2.5)


# The variance of the walk against an exact filter

GAP = 15
_FORM, _PART = np.polynomial.hermite_e.hermegauss(15)
_PART = _PART / _PART.sum()


def walking_club(seed: int, walk: float) -> tuple[np.ndarray, np.ndarray]:
    """Sixty units, one check, ten match days a fortnight apart, some forty looks each: seen and met."""
    rng = np.random.default_rng(seed)
    steps = rng.normal(0, np.sqrt(walk * GAP), (60, 10))
    steps[:, 0] = rng.normal(0.3, 0.7, 60)
    seen = 1 + rng.poisson(40, steps.shape)
    level = np.cumsum(steps, axis=1) + rng.normal(0, 0.25, steps.shape)
    return seen, rng.binomial(seen, expit(level))


def filtered(fitted: Progression, seen: np.ndarray, met: np.ndarray, walk: float) -> float:
    """Log likelihood of a walk variance by a filter on a grid (Kitagawa 1987), all else as it was fitted."""
    shared, priors = fitted.shared, fitted.shared.priors
    x = np.linspace(-4.5, 5.0, 301)
    away = x[:, None] - x - shared.effect("drift")[0] * GAP
    kernel = np.exp(-(away**2) / (2 * walk * GAP))
    kernel /= kernel.sum(axis=0)
    density = np.exp(-((x - shared.effect("start")[0]) ** 2) / (2 * shared.initial[0, 0]))
    density = np.repeat((density / density.sum())[:, None], seen.shape[0], axis=1)
    month = np.floor(GAP * np.arange(seen.shape[1]) / 30.4375).astype(int)
    strict = shared.effect("gamma")[np.searchsorted(shared.seat_month, month)] + shared.effect("delta")[0]
    total = 0.0
    for step in range(seen.shape[1]):
        density = kernel @ density if step else density
        n, m = seen[:, step], met[:, step]
        spread = priors.day_variance + priors.situation_variance / n
        at = x[:, None, None] + np.sqrt(spread) * _FORM[:, None] - strict[step]
        density *= np.einsum("xfu,f->xu", np.exp(-n * np.logaddexp(0, at) + m * at), _PART)
        total += np.log(density.sum(axis=0)).sum()
        density /= density.sum(axis=0)
    return total


@pytest.mark.parametrize(("seed", "walk"), [(901, 0.002), (902, 0.0006), (903, 0.005)])
def test_walk_variance_is_the_likeliest_by_a_grid_filter(seed: int, walk: float) -> None:
    seen, met = walking_club(seed, walk)
    unit, step = (part.ravel() for part in np.indices(seen.shape))
    one = np.ones(seen.size, dtype=int)
    fitted = fit_progression(unit, GAP * step, one, one, one, one, seen.ravel(), met.ravel())
    learned = float(fitted.shared.walk[0])
    grid = learned * np.geomspace(0.55, 1.8, 7)
    # The prior counts for twenty steps at the documented variance.
    prior = -10 * (np.log(grid) + Priors().walk_variance / grid)
    fit = np.array([filtered(fitted, seen, met, value) for value in grid]) + prior
    bend, slope, _ = np.polyfit(np.log(grid), fit, 2) if 0 < fit.argmax() < 6 else (np.nan, np.nan, 0)
    exact = float(np.exp(-slope / (2 * bend)))
    print(f"walk {walk}: learned {learned:.6f}, exact {exact:.6f}")
    assert learned == pytest.approx(exact, rel=0.1)
