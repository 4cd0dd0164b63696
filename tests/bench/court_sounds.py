"""Synthetic courts to listen to: every hit, bounce and rally is known, the rest is made as awkward as halls are.

Modes, decays, levels and times are common practice, drawn anew and widely for every court; nothing is a recording.
A rally runs from the serve's hit to the last hit; a first serve that was out is a rally of one hit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import fftconvolve, lfilter

Floats = NDArray[np.float64]
Random = np.random.Generator
# (Hz, share, seconds to fall to a third) of the tones; share and fall of the noise.
Mode = tuple[float, float, float]
Thing = tuple[list[Mode], float, float]


@dataclass(frozen=True)
class Hall:
    """What a court sounds like; levels in dB against a full hit near the camera, None: not there."""

    seconds: float = 300.0
    rate: int = 24_000
    play: bool = True
    neighbour_db: float | None = None
    noise_db: float = -50.0
    voices_db: float | None = -25.0
    bustle: float = 0.5  # of a busy hall's steps, squeaks and claps
    music_db: float | None = None
    wind_db: float | None = None
    rt60: float = 0.7
    wet_db: float = -12.0
    clip: float | None = None
    gain_control: bool = False
    level_db: float = 0.0
    dead_channel: bool = False


QUIET = Hall()
NEIGHBOUR = Hall(neighbour_db=-10)
HALLS: dict[str, Hall] = {
    "busy: steps, squeaks, claps": Hall(bustle=1.0),
    "busy, neighbour -10 dB": Hall(bustle=1.0, neighbour_db=-10),
    "room echo, 1.5 s": Hall(rt60=1.5, wet_db=-4),
    "voices, -10 dB": Hall(voices_db=-10),
    "music, -18 dB": Hall(music_db=-18),
    "wind, -15 dB": Hall(wind_db=-15, voices_db=-18),
    "hiss, -25 dB": Hall(noise_db=-25),
    "clipped": Hall(clip=0.08),
    "automatic gain": Hall(gain_control=True),
    "recorded 30 dB too low": Hall(level_db=-30),
    "8 kHz": Hall(rate=8000),
    "8 kHz, neighbour -10 dB": Hall(rate=8000, neighbour_db=-10),
    "stereo, 48 kHz, one channel dead": Hall(rate=48_000, dead_channel=True),
    "neighbour -5 dB": Hall(neighbour_db=-5),
    "neighbour as loud": Hall(neighbour_db=0),
}
NO_PLAY = Hall(play=False, voices_db=None, noise_db=-200, bustle=0.0)
NOTHING: dict[str, Hall] = {
    "voices alone": replace(NO_PLAY, voices_db=-10, noise_db=-50),
    "music alone": replace(NO_PLAY, music_db=-10, noise_db=-50),
    "wind alone": replace(NO_PLAY, wind_db=-10),
    "steps, claps and voices": Hall(play=False, bustle=1.0),
}


@dataclass
class Court:
    """A sound and what is in it, seconds."""

    sound: NDArray[np.float32]
    rate: int
    hits: Floats
    bounces: Floats
    glass: Floats
    rallies: list[tuple[float, float]]
    next_door: list[tuple[float, float]] = field(default_factory=list)
    next_hits: Floats = field(default_factory=lambda: np.zeros(0))


@dataclass
class Play:
    """What is struck when, at which depth of the court, and how hard."""

    hits: list[tuple[float, float, float]] = field(default_factory=list)
    bounces: list[tuple[float, float, float]] = field(default_factory=list)
    glass: list[tuple[float, float, float]] = field(default_factory=list)
    patted: list[tuple[float, float, float]] = field(default_factory=list)
    rallies: list[tuple[float, float]] = field(default_factory=list)


class Things:
    """The rackets, floor and panes of one court: each has its own modes; each blow varies them a little."""

    def __init__(self, rng: Random, rate: int) -> None:
        self.rng, self.rate = rng, rate
        bright = float(np.exp(rng.uniform(math.log(480), math.log(1300))))
        self.rackets = [self._racket(bright * rng.uniform(0.8, 1.25)) for _ in range(4)]
        floor = self._modes(90, 380, 2, 0.01, 0.05) + self._modes(300, 0.9 * bright + 100, 1, 0.004, 0.015)
        self.floor: Thing = (floor, rng.uniform(0.1, 0.8), rng.uniform(0.002, 0.014))
        pane = self._modes(90, 700, 3, 0.02, 0.12) + self._modes(1800, 6500, 2, 0.02, 0.15)
        self.pane: Thing = (pane, rng.uniform(0.1, 0.8), rng.uniform(0.002, 0.008))
        self.softness = rng.uniform(0.2, 0.5)  # sd of the log of a hit's force

    def _racket(self, low: float) -> Thing:
        modes = self._modes(low, low * 2.2, 2, 0.006, 0.03) + self._modes(low * 2, low * 5, 2, 0.003, 0.02)
        return modes, self.rng.uniform(0.2, 2.0), self.rng.uniform(0.001, 0.008)

    def _modes(self, low: float, high: float, n: int, short: float, long: float) -> list[Mode]:
        draw = self.rng.uniform
        pitches = np.exp(draw(math.log(low), math.log(max(high, low * 1.05)), n))
        return [(float(pitch), draw(0.4, 1.0), draw(short, long)) for pitch in pitches]

    def blow(self, thing: Thing) -> Floats:
        modes, share, fall = thing
        rng = self.rng
        t = np.arange(int(0.35 * self.rate)) / self.rate
        wave = share * rng.normal(0, 0.5, len(t)) * np.exp(-t / fall)
        for pitch, weight, decay in modes:
            if pitch * 1.06 < self.rate / 2:
                tone = 2 * math.pi * pitch * (1 + 0.04 * rng.uniform(-1, 1)) * t + rng.uniform(0, 1)
                wave = wave + weight * rng.uniform(0.6, 1.2) * np.sin(tone) * np.exp(-t / decay)
        wave *= np.minimum(1.0, t / 0.0005)
        loud: Floats = wave / np.sqrt(np.mean(wave[: int(0.02 * self.rate)] ** 2)) * 0.2
        return loud

    def racket(self) -> Floats:
        return self.blow(self.rackets[int(self.rng.integers(4))])


def play(rng: Random, seconds: float, softness: float) -> Play:
    """A match: the server lets the ball bounce, serves, now and then out; rallies; pauses with balls patted back."""
    done = Play()
    t = rng.uniform(1, 12)
    hall_pace = rng.uniform(0.9, 1.15)
    while t < seconds - 25:
        for _ in range(int(rng.integers(0, 5))):
            done.bounces.append((t, -8.0, 0.35))
            t += rng.uniform(0.45, 0.8)
        t += rng.uniform(0.5, 1.2)
        done.bounces.append((t - rng.uniform(0.25, 0.4), -8.0, 0.4))
        near = bool(rng.random() < 0.5)
        if rng.random() < 0.2:
            done.hits.append((t, -9.0 if near else 9.0, 1.0))
            done.rallies.append((t, t))
            done.bounces.append((t + 0.6, 5.0, 0.5))
            t += rng.uniform(6, 12)
        last = _rally(done, rng, t, near, softness, hall_pace)
        t = last + rng.uniform(3, 5)
        pause = rng.uniform(7, 17) if rng.random() < 0.92 else rng.uniform(25, 45)
        for _ in range(rng.poisson(1.2)):
            done.patted.append((t + rng.uniform(0, pause - 2), rng.uniform(-9, 9), rng.uniform(0.08, 0.35)))
        t += pause
    return done


def _rally(done: Play, rng: Random, t: float, near: bool, softness: float, hall_pace: float) -> float:
    """One rally from t on; gives when its last hit came."""
    start, n = t, 1 + rng.poisson(rng.choice([2.0, 6.0, 10.0]))
    pace = hall_pace * rng.uniform(0.85, 1.3)
    for k in range(n):
        depth = rng.uniform(1.5, 9.0)
        force = float(np.exp(rng.normal(-0.15, softness))) * (1.1 if k == 0 else 1.0)
        lob = k > 0 and rng.random() < 0.15
        done.hits.append((t, -depth if near else depth, force * (0.7 if lob else 1.0)))
        gap = rng.uniform(1.7, 3.0) if lob else float(np.clip(rng.normal(1.15 * pace, 0.3), 0.45, 2.2))
        near = not near
        side = -1.0 if near else 1.0
        if k == n - 1:
            _die(done, rng, t, side)
            break
        if (gap > 0.75 and rng.random() < 0.75) or k == 0:
            at = t + gap * rng.uniform(0.45, 0.75)
            done.bounces.append((at, side * 6.0, 0.5))
            if rng.random() < 0.35:
                done.glass.append((at + (t + gap - at) * rng.uniform(0.3, 0.6), side * 10.0, 0.6))
        t += gap
    done.rallies.append((start, t))
    return t


def _die(done: Play, rng: Random, t: float, side: float) -> None:
    """The ball dies: bounces, a pane, ever softer and faster."""
    at, force = t + rng.uniform(0.35, 0.95), 0.5
    for j in range(int(rng.integers(1, 5))):
        if rng.random() < 0.25:
            done.glass.append((at, side * 10.0, force))
        else:
            done.bounces.append((at, side * 7.0, force))
        at += rng.uniform(0.3, 0.7) * (0.8**j)
        force *= 0.65


def _near(depth: float) -> float:
    """How loud from where it was struck: louder near the camera."""
    return 1.0 / (1.0 + 0.045 * math.hypot(depth + 11.0, 3.5))


def _put(sound: Floats, at: float, wave: Floats, rate: int) -> None:
    start = round(at * rate)
    part = sound[start : start + len(wave)]
    part += wave[: len(part)]


def _struck(rng: Random, hall: Hall) -> tuple[Floats, Play]:
    """The court without its echo."""
    things = Things(rng, hall.rate)
    dry = np.zeros(int(hall.seconds * hall.rate))
    done = play(rng, hall.seconds, things.softness) if hall.play else Play()
    for at, depth, force in done.hits + done.patted:
        _put(dry, at, things.racket() * force * _near(depth) * 2.0, hall.rate)
    for thing, blows in ((things.floor, done.bounces), (things.pane, done.glass)):
        for at, depth, force in blows:
            _put(dry, at, things.blow(thing) * force * _near(depth) * 2.0 * rng.uniform(0.7, 1.2), hall.rate)
    _bustle(dry, rng, hall)
    return dry, done


def _bustle(dry: Floats, rng: Random, hall: Hall) -> None:
    """Steps, squeaks, claps and doors."""
    for _ in range(rng.poisson(hall.seconds * 0.6 * hall.bustle)):
        t = np.arange(int(0.15 * hall.rate)) / hall.rate
        if rng.random() < 0.6:
            wave = lfilter([0.2], [1, -0.8], rng.normal(0, 0.3, len(t)) * np.exp(-t / 0.02))
        else:
            pitch = rng.uniform(900, min(3000, hall.rate * 0.4))
            tone = np.sin(2 * math.pi * (pitch * t + 300 * t**2))
            wave = tone * np.sin(np.linspace(0, math.pi, len(t))) * 0.2
        _put(dry, rng.uniform(0, hall.seconds - 1), wave * np.exp(rng.normal(-2.0, 0.7)), hall.rate)
    for _ in range(rng.poisson(hall.seconds / 60 * hall.bustle)):
        at = rng.uniform(0, hall.seconds - 3)
        t = np.arange(int(0.1 * hall.rate)) / hall.rate
        for k in range(int(rng.integers(1, 6))):
            wave = rng.normal(0, 0.3, len(t)) * np.exp(-t / rng.uniform(0.004, 0.03)) * rng.uniform(0.2, 0.8)
            _put(dry, at + k * rng.uniform(0.2, 0.4), wave, hall.rate)


def _echo(rng: Random, dry: Floats, rate: int, rt60: float, wet_db: float) -> Floats:
    t = np.arange(int(rt60 * 1.2 * rate)) / rate
    tail = rng.normal(0, 1, len(t)) * np.exp(-6.9 * t / rt60) * (t > 0.004)
    tail = lfilter([0.35], [1, -0.65], tail)
    tail /= np.sqrt(np.sum(tail**2))
    wet: Floats = dry + 10 ** (wet_db / 20) * fftconvolve(dry, tail)[: len(dry)]
    return wet


def _voices(rng: Random, n: int, rate: int) -> Floats:
    """Words and shouts: harmonics through three resonances, in syllables."""
    out, at = np.zeros(n), 0.0
    while at < n / rate:
        at += rng.exponential(4.0)
        length = rng.uniform(0.15, 1.5)
        m = int(length * rate)
        pitch = rng.uniform(90, 300) * (1 + 0.1 * np.sin(np.linspace(0, rng.uniform(1, 6), m)))
        phase = 2 * math.pi * np.cumsum(pitch) / rate
        peaks = [rng.uniform(300, 800), rng.uniform(900, 2200), rng.uniform(2300, 3200)]
        wave = np.zeros(m)
        for k in range(1, 25):
            weight = sum(1 / (1 + ((k * pitch.mean() - peak) / 150) ** 2) for peak in peaks)
            if k * pitch.max() < rate / 2:
                wave += weight * np.sin(k * phase)
        wave *= np.abs(np.sin(np.linspace(0, math.pi * max(1, round(length * 4)), m))) ** 0.7
        wave *= np.minimum(1, np.arange(m) / (0.03 * rate)) / (np.sqrt(np.mean(wave**2)) + 1e-9)
        _put(out, at, wave * 0.2 * rng.uniform(0.3, 1.0), rate)
    return out


def _music(rng: Random, n: int, rate: int) -> Floats:
    """Chords, a drum on every second beat, a hiss between."""
    beat, out = 60 / rng.uniform(95, 135), np.zeros(n)
    t = np.arange(int(beat * rate)) / rate
    roots = rng.choice([110, 130.8, 146.8, 164.8, 196.0], 4)
    for k in range(int(n / rate / beat) + 1):
        tones = [np.sin(2 * math.pi * roots[(k // 4) % 4] * m * t) / m for m in (1, 1.26, 1.5, 2, 3, 4)]
        drum = np.sin(2 * math.pi * (55 + 60 * np.exp(-t / 0.03)) * t) * np.exp(-t / 0.12)
        hiss = rng.normal(0, 0.25, len(t)) * np.exp(-t / 0.02)
        chord = np.sum(tones, axis=0) * np.exp(-t / 0.5) * 0.3
        _put(out, k * beat, (chord + (drum if k % 2 == 0 else hiss)) * 0.2, rate)
    return out


def _wind(rng: Random, n: int, rate: int) -> Floats:
    seconds = np.arange(n // rate + 2)
    gust = np.interp(np.arange(n) / rate, seconds, rng.gamma(1.5, 0.7, len(seconds)))
    rumble = lfilter([1], [1, -0.995], rng.normal(0, 1, n))
    wind: Floats = rumble / rumble.std() * gust * 0.2
    return wind


def make(seed: int, hall: Hall) -> Court:
    """A court's sound and what is in it, the same for the same seed."""
    rng = np.random.default_rng(seed)
    dry, done = _struck(rng, hall)
    n, rate = len(dry), hall.rate
    sound = _echo(rng, dry, rate, hall.rt60, hall.wet_db)
    beside = Play()
    if hall.neighbour_db is not None:
        other, beside = _struck(rng, hall)
        sound += 10 ** (hall.neighbour_db / 20) * _echo(rng, other, rate, hall.rt60 * 1.2, hall.wet_db + 8)
    noise = lfilter([1], [1, -0.9], rng.normal(0, 1, n))
    sound += noise / noise.std() * 0.2 * 10 ** (hall.noise_db / 20)
    if hall.voices_db is not None:
        voices = _echo(rng, _voices(rng, n, rate), rate, hall.rt60, hall.wet_db)
        sound += 10 ** (hall.voices_db / 20) * voices
    if hall.music_db is not None:
        sound += 10 ** (hall.music_db / 20) * _music(rng, n, rate)
    if hall.wind_db is not None:
        sound += 10 ** (hall.wind_db / 20) * _wind(rng, n, rate)
    times = [np.sort([one[0] for one in blows]) for blows in (done.hits, done.bounces, done.glass)]
    next_hits = np.sort([one[0] for one in beside.hits])
    return Court(_recorded(sound, hall), rate, *times, done.rallies, beside.rallies, next_hits)


def _recorded(sound: Floats, hall: Hall) -> NDArray[np.float32]:
    """What the phone makes of it."""
    if hall.gain_control:
        power = lfilter([0.0005], [1, -0.9995], sound**2)
        sound = sound / (np.sqrt(power) + 0.02) * 0.08
    if hall.clip is not None:
        sound = np.clip(sound, -hall.clip, hall.clip)
    sound = sound / max(1.0, float(np.abs(sound).max())) * 10 ** (hall.level_db / 20)
    heard = sound.astype(np.float32)
    return np.stack([np.zeros_like(heard), heard], axis=1) if hall.dead_channel else heard
