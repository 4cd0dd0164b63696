"""Rallies by ear: short matches of knocks, bad input in words, what corrections teach."""

from __future__ import annotations

import json

import numpy as np
import pytest

from clubcoach.compute import rallies_verdict
from clubcoach.compute.onsets import Bands, Ear, Onsets
from clubcoach.compute.rallies import CourtSound, Heard, learn, listen

RATE = 16_000
Match = tuple[np.ndarray, list[float], list[tuple[float, float]]]


def knock(rng: np.random.Generator, pitch: float, fall: float) -> np.ndarray:
    t = np.arange(int(0.15 * RATE)) / RATE
    wave = np.sin(2 * np.pi * pitch * rng.uniform(0.97, 1.03) * t) * np.exp(-t / fall)
    return wave + 0.4 * rng.normal(0, 1, len(t)) * np.exp(-t / 0.004)


def put(sound: np.ndarray, at: float, wave: np.ndarray) -> None:
    start = round(at * RATE)
    sound[start : start + len(wave)] += wave[: max(0, len(sound) - start)]


def match(
    seed: int,
    *,
    rallies: int = 8,
    level: float = 0.2,
    first: float = 6.0,
    next_door: float = 0.0,
    racket: float = 1000,
    floor: float = 200,
) -> Match:
    """Hits at 1 kHz, bounces at 200 Hz between; the end of the last rally is followed by a pause."""
    rng = np.random.default_rng(seed)
    hits: list[float] = []
    spans, bounces, t = [], [], first
    for _ in range(rallies):
        start = t
        bounces.append(t - 0.35)
        for k in range(int(rng.integers(2, 8))):
            t += rng.uniform(0.8, 1.5) if k else 0.0
            hits.append(t)
            bounces.append(t + 0.5)
        spans.append((start, t))
        t += rng.uniform(9, 15)
    sound = rng.normal(0, 1e-3, int(t * RATE))
    for at in hits:
        put(sound, at, level * np.exp(rng.normal(0, 0.2)) * knock(rng, racket, 0.015))
    for at in bounces:
        put(sound, at, 0.4 * level * knock(rng, floor, 0.03))
    if next_door:
        other, _, _ = match(seed + 1000, rallies=rallies + 4, level=next_door, first=3.0)
        n = min(len(other), len(sound))
        wet = np.convolve(other[:n], rng.normal(0, 0.05, 2400) * np.exp(-np.arange(2400) / 900))[:n]
        sound[:n] += other[:n] + wet
    return sound, hits, spans


def bands_of(sound: np.ndarray, rate: int = RATE) -> Bands:
    ear = Ear(rate)
    ear.hear(np.asarray(sound, np.float32))
    return ear.bands()


def rackets(heard: Heard) -> np.ndarray:
    return heard.hits.t[np.array([kind == "racket" for kind in heard.hits.kind], bool)]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_hits_and_rallies_are_found(seed: int) -> None:
    sound, hits, spans = match(seed)
    heard = listen(bands_of(sound))
    assert heard.verdict == "good"
    assert heard.reasons == ()
    assert rackets(heard) == pytest.approx(hits, abs=0.02)
    assert [(r.start_s, r.end_s) for r in heard.rallies] == [pytest.approx(span, abs=0.02) for span in spans]
    assert sum(r.hits for r in heard.rallies) == len(hits)
    assert all(0.5 < r.confidence <= 1 for r in heard.rallies)
    assert np.all(np.diff(heard.hits.t) > 0)
    assert np.all((heard.hits.confidence >= 0) & (heard.hits.confidence <= 1))
    assert heard.hits.kind.count("floor") > len(hits) / 2
    assert len(heard.hits) == len(heard.hits.kind) == len(heard.hits.confidence)


@pytest.mark.parametrize("factor", [0.003, 0.05, 3.0])
def test_loudness_of_the_recording_does_not_matter(factor: float) -> None:
    sound, hits, _ = match(4)
    assert rackets(listen(bands_of(sound * factor))) == pytest.approx(hits, abs=0.02)


@pytest.mark.parametrize("seed", [5, 15, 25])
def test_neighbour_is_left_out(seed: int) -> None:
    sound, hits, spans = match(seed, rallies=12, next_door=0.05)
    heard = listen(bands_of(sound))
    found = rackets(heard)
    near = [float(np.abs(found - at).min()) < 0.05 for at in hits]
    assert np.mean(near) > 0.9
    assert len(found) < 1.1 * len(hits)
    assert len(heard.rallies) == pytest.approx(len(spans), abs=1)


def test_loud_neighbour_is_told() -> None:
    sound, _, _ = match(25, rallies=12, next_door=0.08)
    heard = listen(bands_of(sound))
    assert "neighbour" in heard.reasons
    assert heard.verdict == "poor"
    assert heard.court.level_db is not None
    assert heard.court.next_db is not None
    assert 4 < heard.court.level_db - heard.court.next_db < 14


def test_film_that_begins_inside_a_rally() -> None:
    sound, hits, spans = match(6)
    middle = (hits[1] + hits[0]) / 2 if spans[0][1] > hits[1] else hits[0] - 0.3
    heard = listen(bands_of(sound[round(middle * RATE) :]))
    assert "begins_inside" in heard.reasons
    assert "begins_inside" not in listen(bands_of(sound)).reasons


def test_film_whose_pauses_were_cut_out() -> None:
    sound, _, spans = match(7, rallies=12)
    parts = [sound[round((a - 0.6) * RATE) : round((b + 2.6) * RATE)] for a, b in spans]
    ends = np.cumsum([len(part) / RATE for part in parts])
    heard = listen(bands_of(np.concatenate(parts)))
    assert [r.end_s for r in heard.rallies] == pytest.approx(ends - 2.6, abs=0.02)


noise = np.random.default_rng(9).normal(0, 0.1, 180 * RATE)


@pytest.mark.parametrize(
    ("sound", "reason"),
    [
        (np.zeros(0), "no_sound"),
        (np.zeros((0, 2)), "no_sound"),
        (np.zeros(60 * RATE), "silent"),
        (np.full(60 * RATE, 0.2), "silent"),
        (noise[: 2 * RATE], "too_short"),
        (noise, "noise"),
        (noise * 1e-4, "noise"),
        (np.cumsum(noise) * 1e-3, "noise"),
    ],
)
def test_useless_sound_gives_words_and_no_rallies(sound: np.ndarray, reason: str) -> None:
    heard = listen(bands_of(sound))
    assert heard.verdict == "useless"
    assert heard.reasons[0] == reason
    assert heard.rallies == ()
    assert len(heard.hits) == 0


def claps(every: float, jitter: float, pauses: bool) -> np.ndarray:
    rng = np.random.default_rng(31)
    sound, t = rng.normal(0, 1e-3, 150 * RATE), 2.0
    while t < 148:
        put(sound, t, 0.2 * rng.uniform(0.8, 1.2) * knock(rng, 1000, 0.012))
        t += every + rng.uniform(-jitter, jitter)
        t += 9.0 if pauses and rng.random() < 0.2 else 0.0
    return sound


def tossed_balls() -> np.ndarray:
    rng = np.random.default_rng(32)
    sound, t = rng.normal(0, 1e-3, 150 * RATE), 2.0
    while t < 145:
        for _ in range(int(rng.integers(4, 9))):
            put(sound, t, 0.15 * knock(rng, 200, 0.03))
            t += rng.uniform(0.6, 1.8)
        t += rng.uniform(5, 9)
    return sound


@pytest.mark.parametrize(
    "sound", [claps(0.6, 0.01, False), claps(1.2, 0.4, True), tossed_balls()], ids=["beat", "claps", "balls"]
)
def test_what_only_has_the_rhythm_is_no_play(sound: np.ndarray) -> None:
    heard = listen(bands_of(sound))
    assert (heard.verdict, heard.rallies) == ("useless", ())
    assert "noise" in heard.reasons


def test_blows_in_a_match_in_which_any_may_be_a_hit_are_no_play() -> None:
    """Rain: drops of one kind, now and then by chance in the rhythm of play."""
    rng = np.random.default_rng(33)
    sound = rng.normal(0, 1e-3, 150 * RATE)
    for at in rng.uniform(0, 149, 450):
        put(sound, at, rng.lognormal(-2.5, 0.5) * knock(rng, 1000, 0.012))
    assert listen(bands_of(sound)).verdict == "useless"


def test_gaps_that_keep_a_beat_are_told_from_play() -> None:
    rng = np.random.default_rng(34)
    beat = 0.5 * rng.integers(1, 5, 64) + rng.normal(0, 0.01, 64)
    assert rallies_verdict._on_the_beat(beat)
    assert not rallies_verdict._on_the_beat(np.abs(rng.normal(1.2, 0.3, 64)) + 0.3)
    assert not rallies_verdict._on_the_beat(beat[:8])


def test_blows_between_hits_are_counted() -> None:
    level = np.array([-20.0, -30.0, -20.0, -60.0, -20.0])
    onsets = Onsets(np.arange(5.0), np.ones(5), level, np.zeros((5, 6)))
    assert rallies_verdict._between(onsets, np.array([[0, 2], [2, 4]])) == 0.5
    assert rallies_verdict._between(onsets, np.zeros((0, 2), int)) == 1.0


@pytest.mark.parametrize(("pitch", "floor"), [(650, 150), (2600, 200)])
def test_rackets_of_other_kinds_are_heard(pitch: float, floor: float) -> None:
    sound, hits, _ = match(11, rallies=10, racket=pitch, floor=floor)
    found = rackets(listen(bands_of(sound)))
    near = [float(np.abs(found - at).min(initial=9)) < 0.03 for at in hits]
    assert np.mean(near) > 0.9
    assert len(found) < 1.1 * len(hits)


def test_no_sound_at_all() -> None:
    assert listen(Ear(24_000).bands()).reasons == ("no_sound",)


def test_codes_of_what_the_recording_lacks() -> None:
    sound, _, _ = match(8)
    assert "clipped" in listen(bands_of(np.clip(sound * 20, -1, 1))).reasons
    one_dead = np.stack([sound, np.zeros_like(sound)], axis=1)
    assert "dead_channel" in listen(bands_of(one_dead)).reasons
    assert "low_rate" in listen(bands_of(sound[::2], RATE // 2)).reasons
    few, _, _ = match(1, rallies=1)
    assert "few_hits" in listen(bands_of(few)).reasons


def test_corrections_teach_the_courts_levels() -> None:
    sound, _, spans = match(5, rallies=12, next_door=0.05)
    heard = listen(bands_of(sound))
    wrong = [
        (r.start_s, r.end_s)
        for r in heard.rallies
        if not any(r.start_s < b and r.end_s > a for a, b in spans)
    ]
    known = learn(CourtSound.usual(), heard, spans, wrong)
    assert known.taught
    assert known.level_db == pytest.approx(heard.court.level_db, abs=2.5)
    again = learn(known, heard, spans, wrong)
    assert again.level_db == pytest.approx(known.level_db, abs=0.5)
    assert known.weight < again.weight <= 200


def test_nothing_is_learnt_from_nothing() -> None:
    heard = listen(bands_of(match(1)[0]))
    known = CourtSound(level_db=-20.0, taught=True, weight=30.0)
    assert learn(known, heard, [], []) is known
    assert learn(known, heard, [(0.0, 0.1)], [(r.start_s, r.end_s) for r in heard.rallies]) is known


def test_what_was_only_heard_is_not_begun_with() -> None:
    bands = bands_of(match(2)[0])
    plain, wrong = listen(bands), CourtSound(level_db=-80.0, weight=200.0)
    assert listen(bands, court=wrong).rallies == plain.rallies
    assert not plain.court.taught


def test_court_sound_goes_through_json() -> None:
    known = CourtSound(
        -20.5, -31.0, (1.0, 2.0, 3.0, 4.0, 5.0, 6.0), (6.0, 5.0, 4.0, 3.0, 2.0, 1.0), 42.0, True
    )
    assert CourtSound.from_dict(json.loads(json.dumps(known.as_dict()))) == known
    assert CourtSound.from_dict(CourtSound.usual().as_dict()) == CourtSound.usual()


@pytest.mark.parametrize(
    "given",
    [
        {},
        {"level_db": "loud"},
        {"level_db": float("nan"), "shape": [0.0] * 6},
        {"level_db": -20.0, "shape": [1.0]},
        {"level_db": -20.0, "shape": [1, 2, 3, 4, 5, "six"]},
        {"level_db": True, "shape": [0.0] * 6},
    ],
)
def test_what_makes_no_sense_counts_as_not_known(given: dict[str, object]) -> None:
    assert CourtSound.from_dict(given) == CourtSound.usual()
