"""Whether the draw tells the truth about a match in which form drifts, and whether its margin is as wide as it says."""

import numpy as np
import pytest

from sessions.draws import _order, half_width
from tests.sessions.rallies_of_a_match import Match, first_ones, made

SEEDS = (11, 12, 13, 14, 15)
TAKEN = 24
DRAWS = 250


def drawn_shares(match: Match, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """The share among the first 24 of many draws, weighed by stratum, and the margin that each would state."""
    rng = np.random.default_rng(seed)
    strata = sorted({row["stratum"] for row in match.frame})
    shares, halves = [], []
    for _ in range(DRAWS):
        order = _order(match.frame, int(rng.integers(2**53)))
        names = [match.frame[index]["situation"] for index in order.order]
        weights = order.weights(TAKEN)
        met = np.array([match.met[name] for name in names[:TAKEN]])
        assert len(strata) == 4
        shares.append(np.average(met, weights=weights))
        halves.append(half_width(match.frame, names, TAKEN))
    return np.array(shares), np.array(halves)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_draw_is_unbiased_and_its_margin_covers(seed: int) -> None:
    match = made(seed)
    shares, halves = drawn_shares(match, seed)
    error = shares.std() / np.sqrt(DRAWS)
    assert abs(shares.mean() - match.share) < max(4 * error, 0.01)
    covered = np.mean(np.abs(shares - match.share) <= halves)
    assert 0.75 <= covered <= 0.90


def test_the_first_ones_of_the_match_tell_the_form_of_its_beginning() -> None:
    """The decoy: whoever judges the first 24 instead is off by more than the margin in every match."""
    for seed in SEEDS:
        match = made(seed)
        names, share = first_ones(match, TAKEN)
        assert abs(share - match.share) > half_width(match.frame, names, TAKEN)
