"""Whether what was heard is of use, and why not."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from clubcoach.compute.onsets import Bands, Onsets, live_bands

if TYPE_CHECKING:
    from clubcoach.compute.rallies_apart import Told

SHORTEST_S = 3.0
SILENT = 1e-11
CLIPPED = 1e-3
# Bands up to 7.2 kHz; a sound without them was recorded, or sent, at a low rate.
WHOLE = 9
FEW_HITS = 8
# Claps, steps, rain and music find rallies too. What is enough to be judged by: so long, or so many hits.
LONG_S, MANY_HITS = 120.0, 25
# Evidence that goes when blows are shuffled, in all and a hit: chance has little of it, a wrongly heard court not much.
CARRIED, CARRIED_A_SECOND, CARRIED_A_HIT, CLEAR_A_HIT = 30.0, 0.1, 0.45, 0.7
# A ball that is struck to and fro bounces between; where hardly any gap between hits holds another blow somebody
# claps, or tosses balls into a basket.
BETWEEN, UNDER_DB = 0.25, 25.0
# Hits that keep a beat are music, or clapping to it.
BEAT, BEATS_S, BEAT_GAPS = 0.85, np.linspace(0.24, 0.8, 57), 16
# Two courts heard as one play most of the time, and still rest for long now and then; a film whose dead time was cut
# out plays as much, and never rests.
MOST_PLAYED, SURELY_CARRIED, RESTS_S = 0.38, 1.0, 6.0
# Chances of the chain against what was right, on courts of two kinds: too modest on a court clearly heard, too bold
# on one that is not; and where two courts are heard as one hardly any rally is right.
BOLDER, LEAST_TRUST, MERGED_TRUST = 0.6, 0.75, 0.35
SURE = 0.7
# A film that begins with a hit began inside a rally: nobody serves so soon after starting a camera.
SOON_S = 1.5
NEXT_SHARE = 0.15

__all__ = ["confidences", "judge"]


def judge(bands: Bands, onsets: Onsets, told: Told) -> tuple[str, tuple[str, ...]]:
    """Verdict and reasons.

    Parameters
    ----------
    bands : Bands
    onsets : Onsets
    told : Told

    Returns
    -------
    (str, tuple of str)
        good, poor or useless; the codes of `rallies.Heard`.
    """
    if bands.channels == 0 or bands.duration_s == 0:
        return "useless", ("no_sound",)
    if bands.silent_channels == bands.channels or float(bands.power.max(initial=0.0)) < SILENT:
        return "useless", ("silent",)
    if bands.duration_s < SHORTEST_S:
        return "useless", ("too_short",)
    reasons = _of_sound(bands)
    hits = sum(len(one) for one in told.rallies)
    enough = bands.duration_s > LONG_S or hits >= MANY_HITS
    if hits == 0 or (enough and _is_no_play(onsets, told, hits, bands.duration_s)):
        return "useless", ("noise", *reasons)
    if told.rival or told.next_door > NEXT_SHARE * hits:
        reasons.append("neighbour")
    if hits < FEW_HITS:
        reasons.append("few_hits")
    if float(onsets.t[told.rallies[0][0]]) < SOON_S:
        reasons.append("begins_inside")
    clear = float(np.mean(told.sure)) > SURE and not {"clipped", "few_hits", "neighbour"} & set(reasons)
    if enough:
        clear = clear and told.carried > CLEAR_A_HIT * hits
        clear = clear and not _merged(onsets, told, hits)
    return ("good" if clear else "poor"), tuple(reasons)


def confidences(bands: Bands, onsets: Onsets, told: Told) -> tuple[float, ...]:
    """How likely each rally is right: the chain's own chance, by how clearly the film was heard on the whole."""
    hits = sum(len(one) for one in told.rallies)
    if bands.duration_s <= LONG_S and hits < MANY_HITS:
        return told.sure
    share = (told.carried / hits - CARRIED_A_HIT) / (SURELY_CARRIED - CARRIED_A_HIT)
    trust = LEAST_TRUST + (1 - LEAST_TRUST) * min(1.0, max(0.0, share))
    trust *= MERGED_TRUST if told.rival or _merged(onsets, told, hits) else 1.0
    return tuple(trust * sure**BOLDER for sure in told.sure)


def _merged(onsets: Onsets, told: Told, hits: int) -> bool:
    if told.carried >= SURELY_CARRIED * hits or _played(onsets, told) <= MOST_PLAYED:
        return False
    begins = np.array([onsets.t[one[0]] for one in told.rallies])
    ends = np.array([onsets.t[one[-1]] for one in told.rallies])
    return len(begins) < 2 or float(np.median(begins[1:] - ends[:-1])) > RESTS_S


def _is_no_play(onsets: Onsets, told: Told, hits: int, duration_s: float) -> bool:
    least = min(CARRIED, CARRIED_A_SECOND * duration_s) if duration_s > LONG_S else 0.0
    if told.carried < max(least, CARRIED_A_HIT * hits):
        return True
    gaps = [np.column_stack([one[:-1], one[1:]]) for one in told.rallies]
    pairs = np.concatenate(gaps)
    return _between(onsets, pairs) < BETWEEN or _on_the_beat(onsets.t[pairs[:, 1]] - onsets.t[pairs[:, 0]])


def _between(onsets: Onsets, pairs: NDArray[np.int64]) -> float:
    """Share of the gaps between hits that hold another blow that is not far softer."""
    if not len(pairs):
        return 1.0
    loud = onsets.level_db > np.median(onsets.level_db[pairs]) - UNDER_DB
    upto = np.r_[0, np.cumsum(loud)]
    return float(np.mean(upto[pairs[:, 1]] > upto[pairs[:, 0] + 1]))


def _on_the_beat(gaps: NDArray[np.float64]) -> bool:
    """Whether gaps are whole numbers of one beat, a stretch at a time."""
    if len(gaps) < BEAT_GAPS:
        return False
    parts = np.array_split(gaps, len(gaps) // BEAT_GAPS)
    kept = [np.abs(np.exp(2j * np.pi * part[:, None] / BEATS_S).mean(axis=0)).max() for part in parts]
    return float(np.median(kept)) > BEAT


def _played(onsets: Onsets, told: Told) -> float:
    """Share of the time that is inside rallies."""
    inside = sum(float(onsets.t[one[-1]] - onsets.t[one[0]]) + 1.0 for one in told.rallies)
    return inside / max(1.0, float(onsets.t[-1] - onsets.t[0]))


def _of_sound(bands: Bands) -> list[str]:
    found = {
        "clipped": bands.clipped > CLIPPED,
        "dead_channel": bands.silent_channels > 0,
        "low_rate": not live_bands(bands.power)[:WHOLE].all(),
    }
    return [code for code, is_so in found.items() if is_so]
