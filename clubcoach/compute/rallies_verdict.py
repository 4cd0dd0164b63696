"""Whether what was heard is of use, and why not."""

from __future__ import annotations

from typing import TYPE_CHECKING

from clubcoach.compute.onsets import Bands, Onsets, live_bands

if TYPE_CHECKING:
    from clubcoach.compute.rallies_court import Told

SHORTEST_S = 3.0


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
        good, poor or useless; codes.
    """
    if bands.channels == 0:
        return "useless", ("no_sound",)
    if bands.duration_s < SHORTEST_S:
        return "useless", ("too_short",)
    if not bands.power.any() or float(bands.power.max()) < 1e-11:
        return "useless", ("silent",)
    hits = sum(len(one) for one in told.rallies)
    if hits == 0:
        return "useless", ("noise",)
    reasons = []
    if bands.clipped > 1e-3:
        reasons.append("clipped")
    if bands.silent_channels:
        reasons.append("dead_channel")
    if not live_bands(bands.power)[:8].all():
        reasons.append("low_rate")
    if told.next_door > 0.15 * hits:
        reasons.append("neighbour")
    if hits < 6:
        reasons.append("few_hits")
    first = told.rallies[0]
    if float(onsets.t[first[0]]) < 1.5:
        reasons.append("begins_inside")
    poor = any(code in reasons for code in ("clipped", "few_hits", "neighbour"))
    return ("poor" if poor else "good"), tuple(reasons)
