"""Skill through time as a peer: normal skills that walk, a normal deviate decides, all dates weighed together.

A unit in an area plays against a check on a ball. Its skill walks from match day to match day, the check's stands
still; the stronger performance wins, so the chance is a normal integral. Messages between the games and the skills
are found by expectation propagation until nothing moves, backwards in time as well as forwards.

Dangauthier, P., Herbrich, R., Minka, T. and Graepel, T. (2007). TrueSkill through time; written from the idea, from
memory.
"""

from __future__ import annotations

import numpy as np
from scipy.special import log_ndtr, ndtr

from tests.bench.peers import node

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(25)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
ROUNDS = 12

# First deviation of a unit, of a check, and the variance of the walk in a day; the noise of a game is 1.
SETTINGS = [(first, 0.8, walk) for first in (0.3, 0.6) for walk in (0.0001, 0.0003, 0.0008, 0.002)]


class Skills:
    """Walks of the units in their areas: precision and precision times mean of what the games say, by place."""

    def __init__(self, known: np.ndarray, first: float, walk: float) -> None:
        places, self.row = np.unique(np.stack([node(known), known[1]]), axis=1, return_inverse=True)
        self.row = np.ravel(self.row)
        self.who, self.day = places
        begin = np.r_[True, np.diff(self.who) > 0]
        at = np.arange(self.who.size)
        self.step = at - np.maximum.accumulate(np.where(begin, at, 0))
        self.loose = walk * np.where(begin, 0, np.diff(self.day, prepend=self.day[0]))
        self.first = first

    def smoothed(self, precision: np.ndarray, weighted: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Mean and variance of each place, by a filter and a smoother over all walks at once."""
        size = self.who.size
        mean, var, ahead = np.zeros(size), np.zeros(size), np.full(size, self.first**2)
        prior = np.zeros(size)
        for step in range(int(self.step.max(initial=0)) + 1):
            now = np.flatnonzero(self.step == step)
            if step:
                prior[now], ahead[now] = mean[now - 1], var[now - 1] + self.loose[now]
            var[now] = 1.0 / (1.0 / ahead[now] + precision[now])
            mean[now] = var[now] * (prior[now] / ahead[now] + weighted[now])
        for step in range(int(self.step.max(initial=0)), 0, -1):
            now = np.flatnonzero(self.step == step)
            gain = var[now - 1] / ahead[now]
            mean[now - 1] += gain * (mean[now] - prior[now])
            var[now - 1] += gain**2 * (var[now] - ahead[now])
        return mean, var


def through_time(known: np.ndarray, asked: np.ndarray, setting: tuple[float, float, float]) -> np.ndarray:
    """Chances of the asked looks, the walk run on to their days."""
    first, check_sd, walk = setting
    skills = Skills(known, first, walk)
    kinds, them = np.unique(3 * known[3] + known[5], return_inverse=True)
    size = known.shape[1]
    message = np.zeros((4, size))
    for _ in range(ROUNDS):
        unit = skills.smoothed(*(np.bincount(skills.row, m, skills.who.size) for m in message[:2]))
        sharp = np.bincount(them, message[2]) + 1.0 / check_sd**2
        check = np.bincount(them, message[3]) / sharp, 1.0 / sharp
        moved = _messages(unit, check, skills.row, them, message, known)
        change = np.abs(moved - message).max()
        message += 0.5 * (moved - message)
        if change < 1e-2:
            break
    return _guess(skills, unit, kinds, check, asked, setting)


def _messages(
    unit: tuple[np.ndarray, np.ndarray],
    check: tuple[np.ndarray, np.ndarray],
    me: np.ndarray,
    them: np.ndarray,
    message: np.ndarray,
    known: np.ndarray,
) -> np.ndarray:
    """What each tally says about its unit and its check, once its own message is taken out of both."""
    one_sharp = np.maximum(1.0 / unit[1][me] - message[0], 1e-4)
    one = (unit[0][me] / unit[1][me] - message[1]) / one_sharp
    two_sharp = np.maximum(1.0 / check[1][them] - message[2], 1e-4)
    two = (check[0][them] / check[1][them] - message[3]) / two_sharp
    mean, var = one - two, 1.0 / one_sharp + 1.0 / two_sharp
    x = mean[:, None] + np.sqrt(var)[:, None] * _NODES
    games, won = known[6][:, None], known[7][:, None]
    log = won * log_ndtr(x) + (games - won) * log_ndtr(-x)
    weight = np.exp(log - log.max(axis=1, keepdims=True)) * _WEIGHTS
    weight /= weight.sum(axis=1, keepdims=True)
    there = np.sum(weight * x, axis=1)
    spread = np.maximum(np.sum(weight * (x - there[:, None]) ** 2, axis=1), 1e-9)
    # The difference of the two as the tally alone sees it, handed on to either with the other's doubt on top.
    sharp = np.maximum(1.0 / spread - 1.0 / var, 1e-9)
    seen = (there / spread - mean / var) / sharp
    to_one = 1.0 / (1.0 / sharp + 1.0 / two_sharp)
    to_two = 1.0 / (1.0 / sharp + 1.0 / one_sharp)
    return np.stack([to_one, to_one * (seen + two), to_two, to_two * (one - seen)])


def _guess(
    skills: Skills,
    unit: tuple[np.ndarray, np.ndarray],
    kinds: np.ndarray,
    check: tuple[np.ndarray, np.ndarray],
    asked: np.ndarray,
    setting: tuple[float, float, float],
) -> np.ndarray:
    first, check_sd, walk = setting
    last = np.r_[np.diff(skills.who) > 0, True]
    names = skills.who[last]
    at = np.minimum(np.searchsorted(names, node(asked)), names.size - 1)
    met = names[at] == node(asked)
    mean = np.where(met, unit[0][last][at], 0.0)
    ahead = asked[1] - skills.day[last][at]
    var = np.where(met, unit[1][last][at] + walk * ahead, first**2)
    kind = 3 * asked[3] + asked[5]
    to = np.minimum(np.searchsorted(kinds, kind), kinds.size - 1)
    here = kinds[to] == kind
    mean = mean - np.where(here, check[0][to], 0.0)
    var = var + np.where(here, check[1][to], check_sd**2)
    return ndtr(mean / np.sqrt(1.0 + var))
