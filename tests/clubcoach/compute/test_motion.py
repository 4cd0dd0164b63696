"""Rallies by motion: spells of running among spells of walking, and words where there are none."""

from __future__ import annotations

import numpy as np
import pytest

from clubcoach.compute.motion import rallies_of_motion

PER_SECOND = 5.0


def activity(spans: list[tuple[float, float]], seconds: float, seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    t = np.arange(int(seconds * PER_SECOND)) / PER_SECOND
    inside = np.zeros(len(t), bool)
    for start, end in spans:
        inside |= (t >= start) & (t <= end)
    return np.where(inside, rng.gamma(6, 0.01, len(t)), rng.gamma(2, 0.006, len(t)))


@pytest.mark.parametrize("seed", range(5))
def test_spells_of_running_are_found_within_two_seconds(seed: int) -> None:
    spans = [(10.0, 21.0), (36.0, 42.0), (58.0, 75.0), (90.0, 97.0), (115.0, 131.0)]
    heard = rallies_of_motion(activity(spans, 150.0, seed), PER_SECOND)
    assert heard.verdict == "poor"
    assert heard.reasons == ("by_motion",)
    assert len(heard.hits) == 0
    assert [r.start_s for r in heard.rallies] == pytest.approx([a for a, _ in spans], abs=2)
    assert [r.end_s for r in heard.rallies] == pytest.approx([b for _, b in spans], abs=2)
    assert all(r.confidence == 0.5 and r.hits == 0 for r in heard.rallies)


@pytest.mark.parametrize(
    ("moved", "reason"),
    [
        (np.zeros(0), "too_short"),
        (np.full(20, 0.1), "too_short"),
        (np.zeros(1000), "noise"),
        (np.full(1000, 0.3), "noise"),
        (np.full(1000, np.nan), "noise"),
        (np.random.default_rng(1).gamma(20, 0.01, 1000), "noise"),
    ],
)
def test_nothing_to_tell_apart_gives_words_and_no_rallies(moved: np.ndarray, reason: str) -> None:
    heard = rallies_of_motion(moved, PER_SECOND)
    assert (heard.verdict, heard.reasons, heard.rallies) == ("useless", (reason, "by_motion"), ())


def test_refuses_a_pace_that_is_none() -> None:
    with pytest.raises(ValueError, match="above 0"):
        rallies_of_motion(np.zeros(100), 0.0)
