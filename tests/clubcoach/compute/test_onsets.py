"""Blows in a sound: band powers however the blocks are cut, onset strength against librosa, onsets where they are."""

from __future__ import annotations

from typing import Any
from unittest import mock

import numpy as np
import pytest

from clubcoach.compute.onsets import EDGES, Bands, Ear, find_onsets, onset_strength


@pytest.fixture(scope="module")
def librosa() -> Any:
    """librosa without what it compiles as it is imported: a quarter of a minute, and nothing here calls any of it."""

    def as_it_is(*_args: Any, **_options: Any) -> Any:
        return lambda function: function

    with mock.patch.multiple("numba", vectorize=as_it_is, guvectorize=as_it_is):
        import librosa.onset
    return librosa


def heard(sound: np.ndarray, rate: int = 24_000) -> Bands:
    ear = Ear(rate)
    ear.hear(sound.astype(np.float32))
    return ear.bands()


def knocks(times: list[float], rate: int, seconds: float, pitch: float = 1000.0) -> np.ndarray:
    sound = np.random.default_rng(3).normal(0, 1e-3, int(seconds * rate))
    t = np.arange(int(0.2 * rate)) / rate
    for at in times:
        start = round(at * rate)
        wave = 0.3 * np.sin(2 * np.pi * pitch * t) * np.exp(-t / 0.02)
        sound[start : start + len(t)] += wave[: len(sound) - start]
    return sound


@pytest.mark.parametrize("size", [1, 97, 4096, 24_001, 1_000_000])
def test_cut_of_blocks_does_not_show(size: int) -> None:
    sound = np.random.default_rng(5).normal(0, 0.1, (900_000 if size > 1 else 3_000, 2)).astype(np.float32)
    whole, ear = heard(sound), Ear(24_000)
    for start in range(0, len(sound), size):
        ear.hear(sound[start : start + size])
        if start == 2 * size:
            ear.bands()
    parts = ear.bands()
    assert len(whole.power) == (len(sound) - 240) // 96 + 1
    assert np.array_equal(parts.power, whole.power)
    assert (parts.clipped, parts.duration_s, parts.silent_channels) == (
        whole.clipped,
        whole.duration_s,
        whole.silent_channels,
    )


@pytest.mark.parametrize("rate", [6_000, 8_000, 11_025, 16_000, 22_050, 24_000, 44_100, 48_000, 96_000])
def test_sine_is_half_of_its_square_in_its_band_at_any_rate(rate: int) -> None:
    t = np.arange(2 * rate) / rate
    bands = heard(0.5 * np.sin(2 * np.pi * 1150 * t), rate)
    middle = bands.power[len(bands.power) // 2]
    assert EDGES[middle.argmax()] == 950
    assert middle.sum() == pytest.approx(0.125, rel=0.02)
    assert bands.duration_s == pytest.approx(2.0)
    assert bands.per_second == pytest.approx(250, rel=0.02)


def test_offset_of_a_microphone_is_not_heard() -> None:
    sound = np.random.default_rng(1).normal(0, 0.01, 48_000)
    assert heard(sound + 0.4).power == pytest.approx(heard(sound).power, rel=1e-2, abs=1e-9)


@pytest.mark.parametrize(("lag", "max_size"), [(1, 1), (3, 3), (5, 2), (2, 4)])
def test_onset_strength_is_librosas(librosa: Any, lag: int, max_size: int) -> None:
    power = np.random.default_rng(7).normal(-40, 15, (400, 10))
    theirs = librosa.onset.onset_strength(S=power.T, lag=lag, max_size=max_size, center=False)
    assert onset_strength(power, lag, max_size) == pytest.approx(theirs, abs=1e-12)
    past = np.random.default_rng(8).normal(-40, 15, (400, 10))
    theirs = librosa.onset.onset_strength_multi(S=power.T, lag=lag, ref=past.T, center=False)[0]
    assert onset_strength(power, lag, past=past) == pytest.approx(theirs, abs=1e-12)


@pytest.mark.parametrize(("lag", "max_size"), [(0, 1), (1, 0)])
def test_onset_strength_refuses(lag: int, max_size: int) -> None:
    with pytest.raises(ValueError, match="1 or more"):
        onset_strength(np.zeros((9, 2)), lag, max_size)


@pytest.mark.parametrize("rate", [8_000, 24_000, 44_100, 96_000])
def test_onsets_are_where_the_knocks_are(rate: int) -> None:
    times = [1.0, 1.4, 2.53, 4.001, 7.7]
    found = find_onsets(heard(knocks(times, rate, 9.0), rate))
    assert found.t == pytest.approx(times, abs=0.012)
    assert np.ptp(found.level_db) < 1.5
    # A dry knock: gone 40 ms later, and it stands in the middle bands.
    assert np.all(found.shape[:, 2] < -10)
    assert np.all(found.shape[:, 0] > 5)


def test_level_follows_the_knock() -> None:
    sound = knocks([1.0, 3.0], 24_000, 5.0)
    soft, loud = (find_onsets(heard(sound * factor)).level_db for factor in (0.1, 1.0))
    assert loud - soft == pytest.approx(20.0, abs=0.1)


def test_pieces_of_a_long_sound_do_not_show() -> None:
    """Strength is worked out piece by piece; a knock at a seam is found like any other."""
    seam = 2**16 / 250
    times = [seam + off for off in (-3.0, -0.03, 0.5, 2.0)]
    assert find_onsets(heard(knocks(times, 24_000, seam + 5))).t == pytest.approx(times, abs=0.012)


@pytest.mark.parametrize("sound", [np.zeros(0), np.zeros(100), np.zeros(50_000), np.full(50_000, 0.3)])
def test_nothing_to_hear(sound: np.ndarray) -> None:
    assert len(find_onsets(heard(sound)).t) == 0


def test_channels_are_added_and_dead_ones_told() -> None:
    sound = knocks([1.0, 2.0], 24_000, 4.0)
    mono, dead = heard(sound), heard(np.stack([np.zeros_like(sound), sound], axis=1))
    both = heard(np.stack([sound, -sound], axis=1))
    assert (mono.silent_channels, dead.silent_channels, both.silent_channels) == (0, 1, 0)
    assert np.array_equal(mono.power, dead.power)
    assert both.power == pytest.approx(2 * mono.power)
    assert (mono.channels, dead.channels) == (1, 2)


def test_clipping_is_told_and_loudness_is_not() -> None:
    sound = np.random.default_rng(2).normal(0, 0.2, 240_000)
    assert heard(sound).clipped == 0.0
    assert heard(np.sin(np.arange(240_000) / 50) * np.linspace(0.2, 0.9, 240_000)).clipped == 0.0
    assert heard(np.clip(sound, -0.4, 0.4)).clipped == pytest.approx(0.0455, abs=0.003)


def test_what_is_no_number_is_silence() -> None:
    sound = knocks([1.0, 3.0], 24_000, 5.0)
    sound[50_000:50_100] = np.nan
    sound[50_100:50_110] = np.inf
    assert np.isfinite(heard(sound).power).all()


def test_refuses_low_rates_and_changing_channels() -> None:
    with pytest.raises(ValueError, match="6000 samples a second"):
        Ear(4_000)
    ear = Ear(24_000)
    ear.hear(np.zeros((10, 2), np.float32))
    with pytest.raises(ValueError, match="1 channels after 2"):
        ear.hear(np.zeros(10, np.float32))


def test_nothing_heard_at_all() -> None:
    bands = Ear(24_000).bands()
    assert (bands.power.shape, bands.duration_s, bands.channels) == ((0, 10), 0.0, 0)
