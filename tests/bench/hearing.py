"""How what was heard is judged: hits by the 50 ms convention, rallies by both ends within a second."""

from __future__ import annotations

from dataclasses import dataclass

import librosa
import mir_eval
import numpy as np

from clubcoach.compute.onsets import Bands, Ear
from clubcoach.compute.rallies import Heard
from tests.bench.court_sounds import Court

WITHIN_S = 1.0
BLOCK = 65_536


@dataclass(frozen=True)
class Score:
    """F of the hits; share of the rallies found; share of the told ones that lie where none was; (told, right)."""

    hits: float
    rallies: float
    false: float
    told: list[tuple[float, bool]]


def bands_of(court: Court) -> Bands:
    ear = Ear(court.rate)
    for start in range(0, len(court.sound), BLOCK):
        ear.hear(court.sound[start : start + BLOCK])
    return ear.bands()


def score(court: Court, heard: Heard) -> Score:
    own = np.array([kind == "racket" for kind in heard.hits.kind], bool)
    told = [(one.start_s, one.end_s) for one in heard.rallies]
    right = [any(_same(one, true) for true in court.rallies) for one in told]
    each = [(one.confidence, is_right) for one, is_right in zip(heard.rallies, right, strict=True)]
    return Score(*of_spans(court, heard.hits.t[own], told), each)


def of_spans(court: Court, hits: np.ndarray, told: list[tuple[float, float]]) -> tuple[float, float, float]:
    f = mir_eval.onset.f_measure(court.hits, np.sort(hits), window=0.05)[0] if len(hits) else 0.0
    left, found = list(told), 0
    for true in court.rallies:
        match = next((one for one in left if _same(one, true)), None)
        if match is not None:
            left.remove(match)
            found += 1
    false = sum(not any(a < e + WITHIN_S and b > s - WITHIN_S for s, e in court.rallies) for a, b in told)
    return f, found / max(1, len(court.rallies)), false / max(1, len(told))


def _same(one: tuple[float, float], true: tuple[float, float]) -> bool:
    return abs(one[0] - true[0]) <= WITHIN_S and abs(one[1] - true[1]) <= WITHIN_S


def stock(court: Court) -> tuple[np.ndarray, list[tuple[float, float]]]:
    """The stronger decoy: a well-kept library's onset detector as it comes, gaps under 3 s hold a rally together."""
    sound = court.sound if court.sound.ndim == 1 else court.sound.mean(axis=1)
    hits = librosa.onset.onset_detect(y=np.asarray(sound, np.float32), sr=court.rate, units="time")
    return hits, _held_together(hits)


def plain(bands: Bands) -> tuple[np.ndarray, list[tuple[float, float]]]:
    """The decoy: peaks of the energy 15 dB over its median are hits, gaps under 3 s hold a rally together."""
    energy = bands.power.sum(axis=1)
    level = 10 * np.log10(energy + 1e-12)
    middle = level[1:-1]
    peak = (middle > np.median(level) + 15) & (middle >= level[:-2]) & (middle > level[2:])
    t = (np.flatnonzero(peak) + 1) / bands.per_second + bands.offset_s
    hits = t[np.diff(t, prepend=-9.0) > 0.1]
    return hits, _held_together(hits)


def _held_together(hits: np.ndarray) -> list[tuple[float, float]]:
    breaks = np.flatnonzero(np.diff(hits) > 3.0)
    starts, ends = np.r_[0, breaks + 1], np.r_[breaks, len(hits) - 1]
    return [(hits[a], hits[b]) for a, b in zip(starts, ends, strict=True)] if len(hits) else []
