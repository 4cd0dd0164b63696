"""The peers are what they say: published example, known truth, and nothing of the asked day in a guess."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from tests.bench.clubs import Design, play, tallied
from tests.bench.glicko import SCALE, Ratings, glicko, rated
from tests.bench.peers import fading_share, last_share, loss_of_tallies, raw_share, static_ridge, tuned
from tests.bench.through_time import through_time


def test_glickmans_example() -> None:
    # Glickman 2012: 1500/200/.06 with tau .5 beats 1400/30, loses to 1550/100 and 1700/300: 1464.05/151.52/.05999.
    me = Ratings(np.zeros(1), np.array([200.0]) / SCALE, np.array([0.06]))
    others = np.array([1400.0, 1550.0, 1700.0])
    them = Ratings((others - 1500) / SCALE, np.array([30.0, 100.0, 300.0]) / SCALE, np.full(3, 0.06))
    after = rated(me, np.zeros(3, dtype=int), them, np.arange(3), np.ones(3), np.array([1.0, 0.0, 0.0]), 0.5)
    assert 1500 + SCALE * after.mu[0] == pytest.approx(1464.05, abs=0.02)
    assert SCALE * after.phi[0] == pytest.approx(151.52, abs=0.01)
    assert after.sigma[0] == pytest.approx(0.05999, abs=1e-5)


def test_skill_through_time_finds_skills_of_its_own_kind() -> None:
    rng = np.random.default_rng(3)
    skill, hard = rng.normal(0, 0.7, 30), rng.normal(0, 0.8, 6)
    grid = np.array([(u, d, c) for u in range(30) for d in (10, 40, 70, 100) for c in range(6)]).T
    chance = ndtr(skill[grid[0]] - hard[grid[2]])
    zero, one, seen = (np.full(grid.shape[1], k) for k in (0, 1, 12))
    rows = np.stack([grid[0], grid[1], zero, grid[2], zero, one, seen, rng.binomial(12, chance)])
    asked = rows[:6].copy()
    asked[1] = 110
    told = through_time(rows, asked, (0.7, 0.8, 1e-6))
    # Some 290 looks a unit: the chance is known to about .03.
    assert np.abs(told - chance).mean() < 0.03
    assert np.corrcoef(told, chance)[0, 1] > 0.99


SETTINGS = {
    raw_share: None,
    last_share: None,
    fading_share: (45, 8),
    static_ridge: 1.0,
    glicko: (7, 0.7, 0.06, 0.5),
    through_time: (0.4, 0.8, 0.0008),
}


@pytest.mark.parametrize("guess", SETTINGS, ids=lambda guess: guess.__name__)
def test_a_peer_beats_even_odds_on_days_it_has_not_seen(guess) -> None:  # type: ignore[no-untyped-def]
    club = play(31, Design(units=20, days=8))
    known, now = tallied(club.columns[:, ~club.last]), tallied(club.columns[:, club.last])
    chance = guess(known, now[:6], SETTINGS[guess])
    assert np.all((chance > 0) & (chance < 1))
    assert loss_of_tallies(chance, now) < np.log(2) - 0.02


def test_tuning_takes_what_guesses_best() -> None:
    known = tallied(play(32, Design(units=10, days=6)).columns)
    assert tuned(lambda _known, asked, even: np.full(asked.shape[1], even), [0.01, 0.5, 0.99], known) == 0.5
