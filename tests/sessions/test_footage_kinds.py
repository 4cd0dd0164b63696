"""Films of many kinds: what a browser plays as it is, what is said of them, what is refused."""

import os
import subprocess
import time
import zipfile

import av
import numpy as np
import pytest

from sessions import footage, footage_ask, footage_words
from sessions.footage import FilmError, Limits
from tests.sessions.broken_films import AAC, FRAMES, H264, HEVC, SOURCES, TONE, UNEVEN, ffmpeg, sources

VP9 = ("-c:v", "libvpx-vp9", "-pix_fmt", "yuv420p", "-deadline", "realtime", "-cpu-used", "8", "-g", "12")


def refused(path, **limits):
    with pytest.raises(FilmError) as caught:
        footage.probe(path, limits=Limits(**limits))
    return caught.value.code


@pytest.mark.parametrize(
    ("name", "options", "plays"),
    [
        ("h264.mp4", (*H264, *AAC), True),
        ("h264.mov", (*H264, *AAC), True),
        ("front.mp4", (*H264, *AAC, "-movflags", "+faststart"), True),
        ("mp3.mp4", (*H264, "-c:a", "libmp3lame"), True),
        ("silent.mp4", (*H264, "-an"), True),
        ("plain.mp4", (*H264, "-profile:v", "baseline", "-bf", "0", *AAC), True),
        ("pieces.mp4", (*H264, *AAC, "-movflags", "+frag_keyframe+empty_moov"), False),
        ("ten.mp4", ("-c:v", "libx264", "-preset", "veryfast", "-pix_fmt", "yuv420p10le", *AAC), False),
        ("fourtwotwo.mp4", ("-c:v", "libx264", "-preset", "veryfast", "-pix_fmt", "yuv422p", *AAC), False),
        ("pcm.mov", (*H264, "-c:a", "pcm_s16le"), False),
        ("hevc.mov", (*HEVC, *AAC), False),
        ("mpeg4.mp4", SOURCES["mpeg4.mp4"], False),
        ("h264.mkv", (*H264, *AAC), False),
        ("h264.ts", (*H264, *AAC), False),
        ("vp9.webm", (*VP9, "-c:a", "libopus"), True),
        ("vp8.webm", ("-c:v", "libvpx", "-c:a", "libvorbis"), True),
        ("deep.webm", (*VP9, "-pix_fmt", "yuv444p", "-c:a", "libopus"), False),
        ("live.webm", (*VP9, "-c:a", "libopus", "-live", "1"), False),
        ("wide.mp4", (*H264, "-vf", "setsar=4/3", "-an"), False),
    ],
)
def test_what_browsers_play_as_it_is(tmp_path, name, options, plays):
    seen = footage.probe(ffmpeg(tmp_path / name, *options, inputs=() if "-an" in options else TONE))
    assert seen.plays is plays
    assert seen.steady
    assert "cut_short" not in seen.remarks
    assert seen.there_s == seen.duration_s == pytest.approx(2.4, abs=0.1)
    assert seen.sound_tracks == ("-an" not in options)
    assert seen.frames == pytest.approx(FRAMES, abs=2)


def test_a_picture_stored_narrower_than_it_is_shown(tmp_path):
    film = ffmpeg(tmp_path / "wide.mp4", *H264, "-vf", "setsar=4/3")
    seen = footage.probe(film)
    assert (seen.width, seen.height, seen.plays) == (212, 96, False)
    footage.make_piece(film, 0, 1, tmp_path / "piece.webm")
    made = footage.probe(tmp_path / "piece.webm")
    assert (made.width, made.height) == (212, 96)
    with av.open(str(tmp_path / "piece.webm")) as piece:
        assert piece.streams.video[0].codec_context.sample_aspect_ratio in (None, 1)


@pytest.mark.parametrize("name", ["film.mp4", "film.mkv", "film.ts"])
def test_uneven_intervals_are_seen(tmp_path, name):
    codec = H264 if name.endswith(("mp4", "ts")) else HEVC
    uneven = UNEVEN if name.endswith("mp4") else UNEVEN[:6]
    seen = footage.probe(ffmpeg(tmp_path / name, *codec, *uneven, frames=200))
    assert not seen.steady
    assert "varied_rate" in seen.remarks
    for rate in (24, 29.97, 50, 59.94):
        assert footage.probe(ffmpeg(tmp_path / name, *codec, frames=120, fps=rate)).steady


def test_a_film_that_is_uneven_only_in_the_middle(tmp_path):
    late = ("-vf", "settb=1/90000,setpts=(N+if(between(N\\,300\\,500)\\,0.4*mod(N\\,3)))/25/TB", *UNEVEN[2:])
    assert not footage.probe(ffmpeg(tmp_path / "film.mp4", *H264, *late, frames=900)).steady
    assert not footage.probe(ffmpeg(tmp_path / "film.mkv", *H264, *late[:6], frames=900)).steady


def test_cover_art_is_no_film(tmp_path):
    sound = ffmpeg(tmp_path / "sound.m4a", "-map", "1:a", *AAC, inputs=TONE)
    cover = ffmpeg(tmp_path / "cover.png", "-frames:v", "1", frames=1)
    path = tmp_path / "song.mp4"
    copied = ("-map", "0", "-map", "1", "-c", "copy", "-disposition:v:0", "attached_pic", path)
    subprocess.run(["ffmpeg", "-v", "error", "-i", sound, "-i", cover, *copied], check=True)
    assert refused(path) == "no_video"
    sound.rename(tmp_path / "only.mp4")
    assert refused(tmp_path / "only.mp4") == "no_video"


def test_a_zip_is_no_film(tmp_path):
    path = tmp_path / "film.mp4"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("film.mp4", b"\x00\x00\x00\x18ftypisom" + bytes(5000))
    assert refused(path) == "not_a_video"


@pytest.mark.parametrize("name", ["film.mp4", "film.mkv"])
def test_ten_hours_are_refused_before_a_picture_is_decoded(tmp_path, name):
    # Two pictures an hour: small, and nobody can tell without its tables how long it is.
    film = ffmpeg(tmp_path / name, *H264, frames=20, fps=1 / 1800)
    assert refused(film) == "too_long"
    assert footage.probe(film, limits=Limits(max_s=12 * 3600)).duration_s == pytest.approx(36_000, abs=2000)


def test_a_large_film_is_known_by_its_head_and_its_tail(tmp_path):
    film = ffmpeg(tmp_path / "film.mp4", *H264, *AAC, frames=600, fps=60, inputs=TONE)
    data = film.read_bytes()
    # The pictures are moved far away from their table by emptiness in between, as a file of 4 GB has them.
    began = time.monotonic()
    footage.probe(film)
    small_s = time.monotonic() - began
    large = tmp_path / "large.mp4"
    with open(large, "wb") as out:
        out.write(data)
        room = 6 * 2**30
        out.write((1).to_bytes(4, "big") + b"free" + room.to_bytes(8, "big"))
        out.truncate(len(data) + room)
    began = time.monotonic()
    assert footage.probe(large).frames == 600
    assert time.monotonic() - began < small_s + 2


def test_what_comes_before_the_end_is_used_of_every_kind(tmp_path):
    for name, path in sources(tmp_path).items():
        if name in ("h264.mp4", "mpeg4.mp4", "hevc.mov"):
            continue
        part = tmp_path / f"part-{name}"
        part.write_bytes(path.read_bytes()[: path.stat().st_size * 6 // 10])
        seen = footage.probe(part)
        assert 0.8 < seen.there_s < 2.0, name
        assert ("cut_short" in seen.remarks) == (not name.endswith("ts")), name
        assert not seen.plays
        count = footage.make_piece(part, 0, seen.there_s + 1, tmp_path / "piece.webm")
        assert count == pytest.approx(seen.there_s * 25, abs=4), name
        assert footage.join(
            [tmp_path / "piece.webm"], part, tmp_path / "copy.webm", starts=[0.0]
        ) == pytest.approx(seen.there_s, abs=0.25)


def test_sentences():
    assert set(footage.REMARKS) >= {
        "cut_short",
        "two_sounds",
        "varied_rate",
        "thinned",
        "sideways_stored",
        "no_sound",
    }
    for sentence in (*footage.MESSAGES.values(), *footage.REMARKS.values()):
        assert str(sentence).endswith(".")
    assert footage_words.film_error("too_long", hours=4).message.startswith("The film is longer than 4 hours")
    assert footage_ask.Limits is Limits


def test_a_part_that_a_killed_worker_left_is_not_written_into(tmp_path):
    film = ffmpeg(tmp_path / "film.mp4", *H264)
    left = tmp_path / "piece.webm.part"
    with open(left, "wb") as orphan:
        orphan.write(b"half")
        orphan.flush()
        assert footage.make_piece(film, 0, 1, tmp_path / "piece.webm") == 25
        orphan.write(b"more of it" * 1000)
    assert footage.probe(tmp_path / "piece.webm").frames == 25
    assert sorted(os.listdir(tmp_path)) == ["film.mp4", "piece.webm"]
    assert np.isfinite(footage.probe(film).frame_rate)
