"""Whether what was heard is of use, and why not."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from clubcoach.compute.onsets import Bands, Onsets, live_bands

if TYPE_CHECKING:
    from clubcoach.compute.rallies_apart import Told

SHORTEST_S = 3.0
SILENT = 1e-11
CLIPPED = 1e-3
# Bands up to 7.2 kHz; a sound without them was recorded, or sent, at a low rate.
WHOLE = 9
FEW_HITS = 8
# Music and steps find a chain here and there by chance: much sound, hardly a hit in it, and hardly likelier with it.
CHANCE_HITS, CHANCE_EVIDENCE, LONG_S = 0.025, 20.0, 120.0
SURE = 0.77
# A film that begins with a hit began inside a rally: nobody serves so soon after starting a camera.
SOON_S = 1.5
NEXT_SHARE = 0.15

__all__ = ["judge"]


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
    by_chance = bands.duration_s > LONG_S and (
        hits < CHANCE_HITS * len(onsets.t) or told.evidence < CHANCE_EVIDENCE
    )
    if hits == 0 or by_chance:
        return "useless", ("noise", *reasons)
    if told.next_door > NEXT_SHARE * hits:
        reasons.append("neighbour")
    if hits < FEW_HITS:
        reasons.append("few_hits")
    if float(onsets.t[told.rallies[0][0]]) < SOON_S:
        reasons.append("begins_inside")
    sure = float(np.mean(told.sure))
    clear = sure > SURE and not {"clipped", "few_hits", "neighbour"} & set(reasons)
    return ("good" if clear else "poor"), tuple(reasons)


def _of_sound(bands: Bands) -> list[str]:
    found = {
        "clipped": bands.clipped > CLIPPED,
        "dead_channel": bands.silent_channels > 0,
        "low_rate": not live_bands(bands.power)[:WHOLE].all(),
    }
    return [code for code, is_so in found.items() if is_so]
