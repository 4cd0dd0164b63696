"""What scoring costs beside scikit-learn's ridge logistic regression on the same rows, in the same run."""

import statistics
import time
from collections.abc import Callable

import numpy as np
import pytest
from scipy.sparse import csr_matrix, hstack
from sklearn.linear_model import LogisticRegression

from clubcoach.compute.progression import fit_progression
from tests.clubcoach.compute.simulate import simulate

pytestmark = pytest.mark.bench


def seconds(call: Callable[[], object]) -> float:
    began = time.perf_counter()
    call()
    return time.perf_counter() - began


def one_hot(values: np.ndarray) -> csr_matrix:
    _, codes = np.unique(values, return_inverse=True)
    rows = np.arange(len(codes))
    return csr_matrix((np.ones(len(codes)), (rows, codes)), shape=(len(codes), codes.max() + 1))


def ridge(columns: np.ndarray) -> Callable[[], object]:
    """The static peer: unit x area, check, analyst, ball; each tally as two weighted rows."""
    player, _day, area, check, analyst, ball, seen, met = columns
    design = hstack([one_hot(player * 100 + area), one_hot(check), one_hot(analyst), one_hot(ball)]).tocsr()
    double = hstack([design.T, design.T]).T.tocsr()
    y = np.repeat([1, 0], len(player))
    weight = np.concatenate([met, seen - met])
    keep = weight > 0
    model = LogisticRegression(C=1, fit_intercept=False, max_iter=500)
    return lambda: model.fit(double[keep], y[keep], sample_weight=weight[keep])


@pytest.mark.parametrize(("units", "days"), [(24, 12), (200, 12)])
def test_fit_beside_ridge(units, days):
    columns = simulate(77, units=units, days=days, areas=8, severity=(0.6, 0.3, 0.0, 0.0, -0.3, -0.6)).columns
    peer = ridge(columns)
    ours, theirs = [], []
    for _ in range(5):
        ours.append(seconds(lambda: fit_progression(*columns)))
        theirs.append(seconds(peer))
    checks = int(columns[6].sum())
    ratio = statistics.median(ours) / statistics.median(theirs)
    print(f"\nfit {units} units x {days} days, {checks} checks: {ratio:.2f} of ridge logistic regression")
    # A fast fit of nothing would be no figure: the scores of this very run have to be there, one a unit, day and area.
    assert np.isfinite(fit_progression(*columns).scores()["score"]).sum() == units * days * 8


def test_publishing_beside_a_full_fit():
    columns = simulate(78, units=200, days=12, areas=8).columns
    whole = fit_progression(*columns)
    four = columns[:, columns[0] < 4]
    ours, full = [], []
    for _ in range(5):
        ours.append(seconds(lambda: fit_progression(*four, shared=whole.shared).scores()))
        full.append(seconds(lambda: fit_progression(*columns).scores()))
    ratio = statistics.median(ours) / statistics.median(full)
    print(f"\nfour units with what the club shares: {ratio:.3f} of the full fit of 200 units")
    scores = fit_progression(*four, shared=whole.shared).scores()
    before = whole.scores()
    mine = before["player"] < 4
    np.testing.assert_allclose(scores["score"], before["score"][mine], atol=1e-6)
