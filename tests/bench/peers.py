"""What else could guess the next match from the ones before: peers of the progression scores, made as good as they get.

Each takes the tallies known so far and the looks asked for, and gives chances that these are met. Whatever a peer
leaves open is tuned on the known part: on each unit's last match day there, from the days before it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from scipy.sparse import csr_matrix, hstack
from scipy.special import expit, logit
from sklearn.linear_model import LogisticRegression

from tests.bench.clubs import log_loss

# Guesser(known, asked, setting) -> chances; `known` has the eight columns of tallies, `asked` the first six.
LEAST = 1e-6
Guesser = Callable[[np.ndarray, np.ndarray, Any], np.ndarray]


def tuned(guess: Guesser, settings: Sequence[Any], known: np.ndarray) -> Any:
    """The setting that guesses each unit's last known match day best from the days before."""
    latest = np.zeros(int(known[0].max()) + 1, dtype=np.int64)
    np.maximum.at(latest, known[0], known[1])
    last = known[1] == latest[known[0]]
    before, now = known[:, ~last], known[:, last]
    return min(settings, key=lambda setting: loss_of_tallies(guess(before, now, setting), now))


def loss_of_tallies(chance: np.ndarray, tallies: np.ndarray) -> float:
    seen, met = tallies[6], tallies[7]
    chance = np.clip(chance, LEAST, 1 - LEAST)
    return float(-np.sum(met * np.log(chance) + (seen - met) * np.log1p(-chance)) / seen.sum())


def node(columns: np.ndarray) -> np.ndarray:
    """Unit x area as one number."""
    return columns[0] * 100 + columns[2]


def _shares(
    known: np.ndarray, asked: np.ndarray, weight: np.ndarray, held: float, towards: np.ndarray
) -> np.ndarray:
    """Weighted share met of each asked unit x area, with `held` looks at `towards` on top."""
    size = int(max(node(known).max(), node(asked).max())) + 1
    seen = np.bincount(node(known), weights=weight * known[6], minlength=size)[node(asked)]
    met = np.bincount(node(known), weights=weight * known[7], minlength=size)[node(asked)]
    return (met + held * towards) / (seen + held)


def raw_share(known: np.ndarray, asked: np.ndarray, _setting: object = None) -> np.ndarray:
    """Share met of unit and area so far, one look at even odds on top, so that no guess is 0 or 1."""
    return _shares(known, asked, np.ones(known.shape[1]), 1.0, np.full(asked.shape[1], 0.5))


def last_share(known: np.ndarray, asked: np.ndarray, _setting: object = None) -> np.ndarray:
    """The same of the last known match day alone."""
    latest = np.zeros(int(known[0].max()) + 1, dtype=np.int64)
    np.maximum.at(latest, known[0], known[1])
    mine = (known[1] == latest[known[0]]).astype(np.float64)
    return _shares(known, asked, mine, 1.0, np.full(asked.shape[1], 0.5))


FADING = [(half_life, held) for half_life in (20, 45, 90, 180, 1e6) for held in (2, 8, 25)]


def fading_share(known: np.ndarray, asked: np.ndarray, setting: tuple[float, float]) -> np.ndarray:
    """Exponentially weighted share, drawn towards the club's, and moved by how hard check and ball are for all."""
    half_life, held = setting
    latest = np.zeros(int(known[0].max()) + 1, dtype=np.int64)
    np.maximum.at(latest, known[0], known[1])
    age = latest[known[0]] - known[1]
    club_seen, club_met = (np.bincount(known[2], weights=known[i], minlength=100) for i in (6, 7))
    club = (club_met + 1) / (club_seen + 2)
    share = _shares(known, asked, 0.5 ** (age / half_life), held, club[asked[2]])
    kind = 3 * known[3] + known[5]
    size = int(max(kind.max(), (3 * asked[3] + asked[5]).max())) + 1
    seen, met = (np.bincount(kind, weights=known[i], minlength=size) for i in (6, 7))
    hard = logit((met + 1) / (seen + 2))[3 * asked[3] + asked[5]]
    return expit(logit(share) + hard - logit(club[asked[2]]))


RIDGE = (0.3, 1.0, 3.0, 10.0)


def one_hot(values: np.ndarray, names: np.ndarray) -> csr_matrix:
    """Columns in the order of `names`; a value that is not there has none."""
    at = np.minimum(np.searchsorted(names, values), names.size - 1)
    rows = np.flatnonzero(names[at] == values)
    return csr_matrix((np.ones(rows.size), (rows, at[rows])), shape=(values.size, names.size))


def ridge_design(columns: np.ndarray, like: np.ndarray) -> csr_matrix:
    """Unit x area, check, analyst and ball of `columns`, with the columns that `like` has."""
    keys = (node(columns), node(like)), *((columns[i], like[i]) for i in (3, 4, 5))
    return hstack([one_hot(values, np.unique(names)) for values, names in keys]).tocsr()


def twofold(columns: np.ndarray) -> tuple[csr_matrix, np.ndarray, np.ndarray]:
    """Each tally as a weighted row met and a weighted row missed: design, outcome, weight."""
    design = ridge_design(columns, columns)
    double = hstack([design.T, design.T]).T.tocsr()
    weight = np.concatenate([columns[7], columns[6] - columns[7]])
    kept = weight > 0
    return double[kept], np.repeat([1, 0], columns.shape[1])[kept], weight[kept]


def static_ridge(known: np.ndarray, asked: np.ndarray, penalty: float) -> np.ndarray:
    """Ridge logistic regression on unit x area, check, analyst and ball, without days."""
    design, met, weight = twofold(known)
    model = LogisticRegression(C=penalty, fit_intercept=False, max_iter=500)
    model.fit(design, met, sample_weight=weight)
    return model.predict_proba(ridge_design(asked, known))[:, 1]


def loss_of(
    guess: Guesser, settings: Sequence[Any], known: np.ndarray, asked: np.ndarray
) -> tuple[float, Any]:
    """Log loss of a tuned peer on single looks, with what it was tuned to."""
    setting = tuned(guess, settings, known) if len(settings) > 1 else settings[0]
    chance = np.clip(guess(known, asked, setting), LEAST, 1 - LEAST)
    return log_loss(chance, asked[7]), setting
