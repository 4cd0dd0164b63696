"""The chain of hits against every way to play a handful of onsets, written out."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from clubcoach.compute.rallies_chain import BEGIN, CUT, LEAVE, PLAYED, STAY, Tempo, follow, log_gap, log_pause


def every_way(t: np.ndarray, gain: np.ndarray, opening: np.ndarray, tempo: Tempo) -> dict[tuple, float]:
    """Log weight of each way to cut a subset of the onsets into rallies."""
    ways: dict[tuple, float] = {(): 0.0}
    for size in range(1, len(t) + 1):
        for chosen in itertools.combinations(range(len(t)), size):
            for cuts in itertools.product([False, True], repeat=size - 1):
                log = BEGIN + opening[chosen[0]] + LEAVE + sum(gain[k] for k in chosen)
                rallies = [[chosen[0]]]
                for before, here, cut in zip(chosen, chosen[1:], cuts, strict=False):
                    apart = np.array([t[here] - t[before]])
                    if cut:
                        fits = apart[0] >= tempo.shortest_pause
                        log += (
                            LEAVE + opening[here] + (float(log_pause(apart, tempo)[0]) if fits else -math.inf)
                        )
                        rallies.append([here])
                    else:
                        fits = apart[0] <= tempo.longest_gap
                        log += STAY + (float(log_gap(apart, tempo)[0]) if fits else -math.inf)
                        rallies[-1].append(here)
                if log > -math.inf:
                    ways[tuple(map(tuple, rallies))] = log
    return ways


@pytest.mark.parametrize("tempo", [PLAYED, CUT])
@pytest.mark.parametrize("seed", range(6))
def test_sums_and_best_path_are_those_of_every_way(seed: int, tempo: Tempo) -> None:
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.uniform(0.2, 3.8, 8))
    gain, opening = rng.normal(3.0, 3.0, 8), rng.normal(0, 1, 8)
    ways = every_way(t, gain, opening, tempo)
    total = np.logaddexp.reduce(list(ways.values()))
    found = follow(t, gain, opening, tempo, settle=True)
    assert found.evidence == pytest.approx(total, abs=1e-9)
    chance = {way: math.exp(log - total) for way, log in ways.items()}
    for k in range(8):
        inside = sum(p for way, p in chance.items() if any(k in rally for rally in way))
        opens = sum(p for way, p in chance.items() if any(k == rally[0] for rally in way))
        assert found.member[k] == pytest.approx(inside, abs=1e-9)
        assert found.opens[k] == pytest.approx(opens, abs=1e-9)
    best = max(ways, key=lambda way: ways[way])
    plain = follow(t, gain, opening, tempo)
    assert tuple(tuple(map(int, rally)) for rally in plain.rallies) == best
    for hits, sure in zip(found.rallies, found.sure, strict=True):
        right = sum(
            p
            for way, p in chance.items()
            if any(abs(t[r[0]] - t[hits[0]]) <= 1 and abs(t[r[-1]] - t[hits[-1]]) <= 1 for r in way)
        )
        assert sure == pytest.approx(right, abs=1e-6)


@pytest.mark.parametrize("tempo", [PLAYED, CUT])
def test_times_of_play_are_densities(tempo: Tempo) -> None:
    gaps, pauses = np.arange(0.301, 40, 0.001), np.arange(tempo.shortest_pause, 900, 0.001)
    assert np.exp(log_gap(gaps, tempo)).sum() * 0.001 == pytest.approx(1.0, abs=0.01)
    assert np.exp(log_pause(pauses, tempo)).sum() * 0.001 == pytest.approx(1.0, abs=0.01)
    assert log_gap(np.array([0.2]), tempo)[0] == -np.inf


def test_nothing_and_nothing_likely() -> None:
    empty = follow(np.zeros(0), np.zeros(0), np.zeros(0), settle=True)
    assert (empty.rallies, empty.sure, empty.evidence) == ((), (), 0.0)
    unlikely = follow(np.arange(5.0), np.full(5, -9.0), np.zeros(5), settle=True)
    assert unlikely.rallies == ()
    assert unlikely.member.max() < 0.01
