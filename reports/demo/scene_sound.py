"""The sound of the drawn film: rackets, floor, glass and net, each with a sound of its own, over a quiet hall.

Every sound begins at the very time of its hit or touch. The 60 ms that it takes to come from the far wall are left out,
so that a time heard is a time written down. No spectrum is a recording's: bands and decays are common practice.
"""

import math

import numpy as np
from numpy.typing import NDArray

from reports.demo.scene_play import Play

Sound = NDArray[np.float32]
RATE = 48_000
HALL = 0.0025
# The hall's noise repeats after so many samples, eleven seconds.
ROUND = 2**19

# Tones as (Hz, share, seconds to fall to a third), then noise as (share, seconds to fall to a third), then loudness.
VOICES: dict[str, tuple[tuple[tuple[float, float, float], ...], tuple[float, float], float]] = {
    # A hollow pock: two low modes of a foam face and a bright click.
    "racket": (((780.0, 0.8, 0.018), (1270.0, 0.6, 0.012), (2350.0, 0.35, 0.006)), (0.9, 0.003), 0.55),
    # A knock with a ring: the pane's low mode, and glass above it.
    "glass": (
        ((160.0, 0.8, 0.060), (430.0, 0.5, 0.040), (3150.0, 0.25, 0.070), (4700.0, 0.15, 0.05)),
        (0.3, 0.004),
        0.45,
    ),
    # A dull thud on sand.
    "floor": (((240.0, 0.8, 0.020), (520.0, 0.35, 0.010)), (0.35, 0.006), 0.20),
    # A rustle.
    "net": (((90.0, 0.3, 0.050),), (0.8, 0.035), 0.12),
}
HARD = {"bandeja": 1.2, "serve": 1.05, "drive": 1.0, "return": 0.95, "volley": 0.9, "lob": 0.75}


def sound_of(play: Play) -> Sound:
    """Mono, 48,000 samples a second, between -1 and 1; the same for the same play."""
    rng = np.random.default_rng(play.seed + 1)
    sound = _hall(round(play.duration * RATE), rng)
    events = [(hit.t, "racket", hit.place, HARD[hit.kind]) for hit in play.hits]
    events += [(meet.t, meet.what, meet.place, 1.0 if meet.in_play else 0.5) for meet in play.meets]
    for t, what, place, force in sorted(events):
        start = round(t * RATE)
        # Louder near the camera, yet the far wall is well heard: a hall throws sound back.
        nearness = 1.0 / (1.0 + 0.045 * math.dist(place, (0.0, -11.0, 3.5)))
        wave = _voice(what, rng) * np.float32(force * nearness)
        part = sound[start : start + len(wave)]
        part += wave[: len(part)]
    return np.clip(sound, -1.0, 1.0)


def _voice(what: str, rng: np.random.Generator) -> Sound:
    tones, (share, fall), loud = VOICES[what]
    t = np.arange(round(0.25 * RATE)) / RATE
    wave = share * rng.normal(0, 0.5, len(t)) * np.exp(-t / fall)
    for pitch, weight, decay in tones:
        # No two hits meet the same place of the face.
        pitch *= 1.0 + 0.03 * float(rng.uniform(-1, 1))
        wave += weight * np.sin(2 * math.pi * pitch * t) * np.exp(-t / decay)
    wave *= np.minimum(1.0, t / 0.0004)  # no click before the sound
    return (loud * wave).astype(np.float32)


def _hall(length: int, rng: np.random.Generator) -> Sound:
    """Air and lamps: noise that falls with its pitch, and a hum. Both come round without a seam."""
    spectrum = np.fft.rfft(rng.normal(0, 1, ROUND))
    pitch = np.fft.rfftfreq(ROUND, 1 / RATE)
    noise = np.fft.irfft(spectrum / np.sqrt(1.0 + pitch / 200.0), ROUND)
    noise *= HALL / noise.std()
    hum = 0.4 * HALL * np.sin(2 * math.pi * 100.0 * np.arange(RATE // 100) / RATE)
    return np.resize(noise.astype(np.float32), length) + np.resize(hum.astype(np.float32), length)
