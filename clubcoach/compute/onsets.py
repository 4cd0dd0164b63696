"""Blows in a sound track: band powers heard block by block, and the moments at which something was struck.

References
----------
Onset strength: S. Boeck and G. Widmer, "Maximum filter vibrato suppression for onset detection", DAFx 2013; equal to
`librosa.onset.onset_strength` on the same input. Bands, windows and thresholds: common practice, and
`docs/methods.md`, "Rallies and hits by ear".
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import maximum_filter1d, median_filter

__all__ = ["EDGES", "LOWEST_RATE", "Bands", "Ear", "Onsets", "find_onsets", "onset_strength"]

Floats = NDArray[np.float64]
Powers = NDArray[np.float32]

# Hz. Floor below 600, rackets from there to 2100, panes and clicks above; no player, ball or pane is heard below 80.
EDGES = np.array([80, 180, 350, 600, 950, 1400, 2100, 3200, 4800, 7200, 11000.0])
LOW, MID, HIGH = slice(0, 3), slice(3, 6), slice(6, 9)
LOWEST_RATE = 6_000
HOP_S = 0.004
SPAN_S = 0.010
# Spectra are taken so many at a time whatever the blocks, so that their cut never shows in the result.
AT_ONCE = 4096
# A channel so far under the loudest is dead, and a band so far under the sum holds nothing but rounding.
DEAD_DB = 50.0
STEPS = 2048
PIECE = 2**16
# A fall of more than 25 dB is as good as silence: how dry a hall is must not matter more.
DRY = 10**-3.5


@dataclass(frozen=True, slots=True, eq=False)
class Bands:
    """How loud each band is, hop by hop.

    Attributes
    ----------
    power : (n, 10) float32 array
        Mean square of the sound in each band of `EDGES`, channels added; 0.5 is a full sine.
    per_second : float
        Hops a second.
    rate : int
        Samples a second of what was heard.
    clipped : float
        Share of the samples that stand at the stop.
    silent_channels : int
        Channels that are dead beside the loudest.
    channels : int
        Channels that came.
    duration_s : float
        Length of what was heard, seconds.
    offset_s : float
        Middle of the first window, seconds from the first sample.
    """

    power: Powers
    per_second: float
    rate: int
    clipped: float
    silent_channels: int
    channels: int
    duration_s: float
    offset_s: float


class Ear:
    """Hears a sound in blocks of any length; the blocks' cut does not show in the result.

    Parameters
    ----------
    rate : int
        Samples a second, from `LOWEST_RATE` on.

    Raises
    ------
    ValueError
        When the rate is lower, or a block has another number of channels than the first.
    """

    def __init__(self, rate: int) -> None:
        if rate < LOWEST_RATE:
            raise ValueError(f"a sound needs {LOWEST_RATE} samples a second or more, not {rate}")
        self.rate = rate
        self._hop = round(rate * HOP_S)
        self._span = round(rate * SPAN_S)
        window = np.hanning(self._span + 1)[:-1]
        self._window = window.astype(np.float32)
        self._weights = _weights(rate, self._span, float(np.sum(window**2)))
        self._left: Powers | None = None
        self._parts: list[Powers] = []
        self._samples = 0
        self._sizes = np.zeros(STEPS + 1, np.int64)
        self._squares = np.zeros(0)

    def hear(self, block: ArrayLike) -> None:
        """Take the next samples, between -1 and 1, (n,) or (n, channels); what is not a number counts as silence."""
        samples = np.asarray(block, np.float32)
        samples = samples[:, None] if samples.ndim == 1 else samples
        if self._left is None:
            self._left = np.zeros((0, samples.shape[1]), np.float32)
            self._squares = np.zeros(samples.shape[1])
        if samples.shape[1] != self._left.shape[1]:
            raise ValueError(f"{samples.shape[1]} channels after {self._left.shape[1]}")
        if not np.isfinite(samples).all():
            samples = np.nan_to_num(samples, nan=0.0, posinf=0.0, neginf=0.0)
        self._samples += len(samples)
        sizes = np.minimum(np.abs(samples) * STEPS, STEPS).astype(np.int64)
        self._sizes += np.bincount(sizes.ravel(), minlength=STEPS + 1)
        self._squares += np.square(samples, dtype=np.float64).sum(axis=0)
        held = np.concatenate([self._left, samples])
        need = (AT_ONCE - 1) * self._hop + self._span
        while len(held) >= need:
            self._parts.append(self._spectra(held[:need]))
            held = held[AT_ONCE * self._hop :]
        self._left = held

    def bands(self) -> Bands:
        """What was heard so far; the same whenever it is asked."""
        parts = list(self._parts)
        channels = 0
        if self._left is not None:
            channels = self._left.shape[1]
            count = max(0, (len(self._left) - self._span) // self._hop + 1)
            if count:
                whole = np.zeros(((AT_ONCE - 1) * self._hop + self._span, channels), np.float32)
                whole[: len(self._left)] = self._left[: len(whole)]
                parts.append(self._spectra(whole)[:count])
        power = np.concatenate(parts) if parts else np.zeros((0, len(EDGES) - 1), np.float32)
        loudest = float(self._squares.max()) if channels else 0.0
        dead = int(np.sum(self._squares < max(loudest * 10 ** (-DEAD_DB / 10), 1e-30)))
        return Bands(
            power=power,
            per_second=self.rate / self._hop,
            rate=self.rate,
            clipped=self._clipped(),
            silent_channels=dead,
            channels=channels,
            duration_s=self._samples / self.rate,
            offset_s=self._span / 2 / self.rate,
        )

    def _spectra(self, samples: Powers) -> Powers:
        """Band powers of `AT_ONCE` windows, channels added."""
        total = np.zeros((AT_ONCE, len(EDGES) - 1), np.float32)
        for channel in samples.T:
            frames = np.lib.stride_tricks.sliding_window_view(channel, self._span)[:: self._hop]
            # Without its mean a microphone's offset does not leak into the lowest band.
            frames = frames - frames.mean(axis=1, keepdims=True)
            spectrum = np.fft.rfft(frames * self._window, axis=1)
            total += (spectrum.real**2 + spectrum.imag**2).astype(np.float32) @ self._weights
        return total

    def _clipped(self) -> float:
        """Share at the stop: the highest sizes that came hold far more samples than those just below them."""
        total = int(self._sizes.sum())
        top = int(np.flatnonzero(self._sizes)[-1]) if total else 0
        if top < 64:
            return 0.0
        at_stop = int(self._sizes[top - 1 : top + 1].sum())
        below = self._sizes[max(1, top - 42) : top - 1]
        return at_stop / total if at_stop > 20 + 10 * float(below.mean()) else 0.0


def _weights(rate: int, span: int, energy: float) -> Powers:
    """How much of each bin of a spectrum falls into each band, scaled so that powers are mean squares."""
    pitch = np.fft.rfftfreq(span, 1 / rate)
    width = rate / span
    above, below = pitch - width / 2, pitch + width / 2
    shared = np.minimum(below[:, None], EDGES[None, 1:]) - np.maximum(above[:, None], EDGES[None, :-1])
    weights: Powers = (np.clip(shared, 0, None) / width * 2.0 / (span * energy)).astype(np.float32)
    return weights


def onset_strength(
    log_power: ArrayLike, lag: int = 1, max_size: int = 1, *, past: ArrayLike | None = None
) -> Floats:
    """How much louder each hop is than the hop `lag` before it, mean over bands, falls counted as nothing.

    Parameters
    ----------
    log_power : (n, bands) array
        Decibels, hop by hop.
    lag : int
        Hops between the two, at least 1.
    max_size : int
        Neighbouring bands whose loudest stands for the past of a band, at least 1.
    past : (n, bands) array, optional
        What stands for the past instead; it is read `lag` hops earlier too.

    Returns
    -------
    (n,) array
        Decibels; 0 in the first `lag` hops.

    Raises
    ------
    ValueError
        When `lag` or `max_size` is below 1.

    References
    ----------
    Boeck and Widmer, DAFx 2013; the same figures as `librosa.onset.onset_strength(S=log_power.T, lag=lag,
    max_size=max_size, ref=past, center=False)`.
    """
    if lag < 1 or max_size < 1:
        raise ValueError(f"lag and max_size must be 1 or more, not {lag} and {max_size}")
    power = np.asarray(log_power, dtype=float)
    if past is not None:
        before = np.asarray(past, dtype=float)
    else:
        before = power if max_size == 1 else maximum_filter1d(power, max_size, axis=1)
    strength = np.zeros(len(power))
    strength[lag:] = np.maximum(power[lag:] - before[:-lag], 0.0).mean(axis=1)
    return strength


@dataclass(frozen=True, slots=True, eq=False)
class Onsets:
    """Moments at which something was struck, in the order of time.

    Attributes
    ----------
    t : (n,) array
        Seconds.
    strength : (n,) array
        Mean rise over the bands, dB.
    level_db : (n,) array
        Loudness of the blow over what was there before, dB of full scale.
    shape : (n, 6) array
        dB: middle over low bands, high over middle, middle bands 40 to 80 ms later, high bands 40 to 80 ms later,
        strength, middle bands 100 to 150 ms later.
    """

    t: Floats
    strength: Floats
    level_db: Floats
    shape: Floats


def find_onsets(bands: Bands) -> Onsets:
    """Every blow that stands out of the second around it.

    Parameters
    ----------
    bands : Bands
        What was heard.

    Returns
    -------
    Onsets
        Empty where nothing is to be heard, or less than half a second came.
    """
    power, per_second = bands.power, bands.per_second
    n = len(power)
    if n < round(0.5 * per_second) or not power.any():
        return Onsets(np.zeros(0), np.zeros(0), np.zeros(0), np.zeros((0, 6)))
    strength = _strength(power, per_second)
    apart = round(0.032 * per_second)
    usual = np.interp(np.arange(n), np.arange(0, n, 25), median_filter(strength[::25], 31))
    peaks = (strength == maximum_filter1d(strength, 2 * apart + 1)) & (strength > usual + 2.0)
    at = np.flatnonzero(peaks)
    at = at[(at > round(0.044 * per_second)) & (at < n - round(0.155 * per_second))]
    level, shape = _describe(power, per_second, at, strength[at])
    return Onsets(at / per_second + bands.offset_s, strength[at], level, shape)


def live_bands(power: Powers) -> NDArray[np.bool_]:
    """Bands in which something is ever heard: low rates leave the upper ones empty."""
    some = power[:: max(1, len(power) // 20_000)]
    loud = np.quantile(some, 0.99, axis=0)
    live: NDArray[np.bool_] = loud > max(float(loud.max()) * 1e-6, 1e-14)
    return live


def _strength(power: Powers, per_second: float) -> Floats:
    """Onset strength against the loudest of the 20 ms before; the lowest two bands, full of wind, count half."""
    live = live_bands(power)
    some = power[:: max(1, len(power) // 20_000)]
    floor = np.maximum(np.quantile(some, 0.1, axis=0), 1e-14)
    lag = round(0.012 * per_second) + 2
    weights = live * np.r_[0.5, 0.5, np.ones(power.shape[1] - 2)]
    weights *= len(weights) / max(float(weights.sum()), 1e-9)
    size = round(0.02 * per_second)
    strength = np.zeros(len(power))
    # Piece by piece: decibels of ten hours at once would not fit.
    for start in range(0, len(power), PIECE):
        first = max(0, start - lag - size)
        log_power = 10 * np.log10(power[first : start + PIECE] + 0.5 * floor)
        past = maximum_filter1d(log_power, size, axis=0)
        found = onset_strength(log_power * weights, lag, past=past * weights)
        strength[start : start + PIECE] = found[start - first :]
    return strength


def _describe(
    power: Powers, per_second: float, at: NDArray[np.int64], strength: Floats
) -> tuple[Floats, Floats]:
    """Level and shape of the blows at these hops."""

    def hops(seconds: float) -> int:
        return round(seconds * per_second)

    def mean(first: int, last: int) -> Floats:
        hops_of = np.stack([power[at + k] for k in range(first, last)])
        average: Floats = hops_of.mean(axis=0, dtype=np.float64)
        return average

    before = mean(-hops(0.040), -hops(0.016))
    blow = np.stack([power[at + k] for k in range(-2, hops(0.024) - 2)]).max(axis=0).astype(np.float64)
    rise = np.maximum(blow - before, blow * 1e-3)
    after = np.maximum(mean(hops(0.04), hops(0.08)) - before, rise * DRY)
    later = np.maximum(mean(hops(0.10), hops(0.15)) - before, rise * DRY)

    def db(values: Floats, part: slice) -> Floats:
        decibels: Floats = 10 * np.log10(np.maximum(values[:, part].sum(axis=1), 1e-16))
        return decibels

    middle, upper = db(rise, MID), db(rise, HIGH)
    wide = slice(2, 6)
    columns = [
        middle - db(rise, LOW),
        upper - middle,
        db(after, MID) - middle,
        db(after, HIGH) - upper,
        strength,
        db(later, wide) - db(rise, wide),
    ]
    return db(rise, slice(None)), np.stack(columns, axis=1)
