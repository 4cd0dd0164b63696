"""Glicko-2 as a peer: a unit in an area plays against a check on a ball, and wins when the check is met.

Glickman, M. E. (2012). Example of the Glicko-2 system. The update is written from that description; its example
is in `test_peers.py`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from tests.bench.peers import node

SCALE = 173.7178


@dataclass(eq=False)
class Ratings:
    """On the scale of the computation: mean, deviation and volatility of each player."""

    mu: np.ndarray
    phi: np.ndarray
    sigma: np.ndarray

    @classmethod
    def new(cls, size: int, phi: float, sigma: float) -> Ratings:
        return cls(np.zeros(size), np.full(size, phi), np.full(size, sigma))


def damping(phi: np.ndarray) -> np.ndarray:
    return 1.0 / np.sqrt(1.0 + 3.0 * phi**2 / np.pi**2)


def rated(
    mine: Ratings,
    me: np.ndarray,
    theirs: Ratings,
    them: np.ndarray,
    games: np.ndarray,
    won: np.ndarray,
    tau: float,
) -> Ratings:
    """Ratings after one period, in which `me` played `games` against `them` and won `won` of them."""
    size = mine.mu.size
    g = damping(theirs.phi[them])
    due = expit(g * (mine.mu[me] - theirs.mu[them]))
    information = np.bincount(me, weights=games * g**2 * due * (1.0 - due), minlength=size)
    gain = np.bincount(me, weights=g * (won - games * due), minlength=size)
    played = information > 0
    v = 1.0 / np.where(played, information, 1.0)
    sigma = np.where(played, _volatility(mine, v * gain, v, tau), mine.sigma)
    star = mine.phi**2 + sigma**2
    phi = 1.0 / np.sqrt(1.0 / star + np.where(played, information, 0.0))
    return Ratings(mine.mu + np.where(played, phi**2 * gain, 0.0), phi, sigma)


def _volatility(mine: Ratings, delta: np.ndarray, v: np.ndarray, tau: float) -> np.ndarray:
    """The root of Glickman's function of the logarithm of the variance, halved in on."""
    a = np.log(mine.sigma**2)
    excess = delta**2 - mine.phi**2 - v

    def f(x: np.ndarray) -> np.ndarray:
        e = np.exp(x)
        return e * (excess - e) / (2.0 * (mine.phi**2 + v + e) ** 2) - (x - a) / tau**2

    low, high = a - 20.0 * tau, np.maximum(a, np.log(np.maximum(excess, 1e-300)))
    for _ in range(60):
        middle = (low + high) / 2.0
        below = f(middle) > 0
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.exp((low + high) / 4.0)


# Days of a period, first deviation, first volatility, tau. Wider first deviations and longer periods overshoot: a
# check has hundreds of games in one, and Glicko-2 takes one step from where it stood before.
SETTINGS = [
    (period, phi, sigma, 0.5)
    for period in (2, 7)
    for phi in (0.4, 0.7)
    for sigma in (0.015, 0.03, 0.06, 0.12)
]


def glicko(known: np.ndarray, asked: np.ndarray, setting: tuple[int, float, float, float]) -> np.ndarray:
    """Chances of the asked looks by the ratings after the known ones."""
    period, phi, sigma, tau = setting
    me, them = node(known), 3 * known[3] + known[5]
    units = Ratings.new(int(max(me.max(), node(asked).max())) + 1, phi, sigma)
    checks = Ratings.new(int(max(them.max(), (3 * asked[3] + asked[5]).max())) + 1, phi, sigma)
    when = known[1] // period
    for now in range(int(when.min()), int(when.max()) + 1):
        rows = np.flatnonzero(when == now)
        one, other, games, won = me[rows], them[rows], known[6][rows], known[7][rows]
        after = rated(units, one, checks, other, games, won, tau)
        checks = rated(checks, other, units, one, games, games - won, tau)
        units = after
    one, other = node(asked), 3 * asked[3] + asked[5]
    both = damping(np.sqrt(units.phi[one] ** 2 + checks.phi[other] ** 2))
    return expit(both * (units.mu[one] - checks.mu[other]))
