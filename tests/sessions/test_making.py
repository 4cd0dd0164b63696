"""Copies that browsers play: each picture once, with its time; sound beside it; small sides, upright, steady steps."""

import os
import subprocess
from itertools import pairwise

import av
import numpy as np
import pytest

from sessions import footage
from sessions.footage import FilmError, Limits
from tests.sessions.broken_films import (
    FRAMES,
    H264,
    HEVC,
    SOURCES,
    TONE,
    UNEVEN,
    ffmpeg,
    needs_ffmpeg,
    number_of,
)

MAKES = SOURCES | {
    "open.mp4": (*H264, "-x264-params", "open-gop=1:keyint=12", "-an"),
    "uneven.mp4": (*H264, *UNEVEN, "-an"),
    "uneven.mkv": (*HEVC, *UNEVEN[:6], "-an"),
    "late.mkv": (*H264, "-an", "-output_ts_offset", "5"),
    "late.mp4": (*H264, "-an", "-output_ts_offset", "5"),
    "one_key.mp4": (*H264[:-4], "-g", "1000", "-bf", "3", "-an"),
}


def pictures_of(path):
    with av.open(str(path)) as film:
        start = max(0.0, (film.start_time or 0) / av.time_base)
        return [
            (number_of(frame.to_ndarray(format="rgb24")), frame.time - start)
            for frame in film.decode(video=0)
        ]


def raw_pictures_of(path):
    with av.open(str(path)) as film:
        return [(number_of(frame.to_ndarray(format="rgb24")), frame.time) for frame in film.decode(video=0)]


def pieces_of(film, folder, bounds, **options):
    made = []
    for number, (start_s, end_s) in enumerate(pairwise(bounds)):
        out = folder / f"{number}.webm"
        count = footage.make_piece(film, start_s, end_s, out, **options)
        seen = [(name, start_s + when) for name, when in raw_pictures_of(out)] if count else []
        assert len(seen) == count
        assert all(start_s - 0.0006 <= when < end_s + 0.0006 for _, when in seen)
        made.append((out, start_s, seen))
    return made


@pytest.mark.parametrize("name", MAKES)
def test_pieces_that_meet_hold_each_picture_once(tmp_path, name):
    film = ffmpeg(tmp_path / name, *MAKES[name], inputs=() if "-an" in MAKES[name] else TONE)
    wanted = pictures_of(film)
    assert [number for number, _ in wanted] == list(range(FRAMES)), "the film itself"
    (tmp_path / "pieces").mkdir()
    made = pieces_of(film, tmp_path / "pieces", [0.0, 0.48, 0.5, 0.777, 1.0, 1.96, 3.0])
    seen = [one for _, _, pictures in made for one in pictures]
    assert [number for number, _ in seen] == list(range(FRAMES))
    assert [when for _, when in seen] == pytest.approx([when for _, when in wanted], abs=0.0011)
    assert len(os.listdir(tmp_path / "pieces")) == 6


@pytest.mark.parametrize("name", ["fragmented.mp4", "h264.mkv", "h264.ts", "one_key.mp4", "faststart.mp4"])
def test_where_there_is_no_index_pieces_agree_all_the_same(tmp_path, name):
    film = ffmpeg(tmp_path / name, *MAKES[name], "-an", fps=1)
    kept = 0.97 if name in ("h264.mkv", "fragmented.mp4", "faststart.mp4") else 1
    film.write_bytes(film.read_bytes()[: int(kept * film.stat().st_size)])
    (tmp_path / "pieces").mkdir()
    shares = []
    made = pieces_of(film, tmp_path / "pieces", [0.0, 20.0, 41.5, 58.0, 90.0], tell=shares.append)
    numbers = [number for _, _, pictures in made for number, _ in pictures]
    assert numbers == list(range(len(numbers)))
    assert len(numbers) >= (50 if kept < 1 else FRAMES)


def test_above_the_most_every_so_manieth_picture_is_kept_whatever_the_pieces(tmp_path):
    film = ffmpeg(tmp_path / "fast.mp4", *H264, frames=120, fps=240)
    seen = footage.probe(film)
    assert (seen.frame_rate, seen.plays, "thinned" in seen.remarks) == (240, True, False)
    (tmp_path / "pieces").mkdir()
    # Not on the grid of sixtieths, and between two pictures.
    made = pieces_of(film, tmp_path / "pieces", [0.0, 0.1, 0.2375, 0.301, 0.6])
    numbers = [number for _, _, pictures in made for number, _ in pictures]
    assert numbers == list(range(0, 120, 4))
    made = pieces_of(film, tmp_path / "pieces", [0.0, 0.25, 0.5], most_fps=100)
    assert [number for _, _, pictures in made for number, _ in pictures] == list(range(0, 120, 3))
    hevc = ffmpeg(tmp_path / "fast.mov", *HEVC, frames=120, fps=239.76)
    assert "thinned" in footage.probe(hevc).remarks
    made = pieces_of(hevc, tmp_path / "pieces", [0.0, 0.25, 0.6])
    assert [number for _, _, pictures in made for number, _ in pictures] == list(range(0, 120, 4))


@pytest.mark.parametrize(
    ("fps", "steps"), [(25, 1), (59.94, 1), (60.2, 1), (90, 2), (119.88, 2), (120, 2), (240, 4)]
)
def test_how_many_pictures_are_left_out(fps, steps):
    from sessions.footage_make import steps_of

    assert steps_of(fps, 60.0) == steps


def shape_of(path):
    with av.open(str(path)) as film:
        return next(film.decode(video=0)).to_ndarray(format="rgb24").shape[:2]


@pytest.mark.parametrize(
    ("height", "width", "tallest", "wanted"),
    [
        (96, 160, 1080, (96, 160)),
        (96, 160, 48, (48, 80)),
        (160, 96, 48, (80, 48)),
        (97, 161, 1080, (96, 160)),
    ],
)
def test_the_shorter_side_is_bounded_and_sides_are_even(tmp_path, height, width, tallest, wanted):
    codec = ("-c:v", "libvpx-vp9", "-deadline", "realtime", "-cpu-used", "8")
    film = ffmpeg(tmp_path / "film.webm", *codec, frames=6, height=height, width=width)
    assert footage.make_piece(film, 0, 1, tmp_path / "piece.webm", tallest=tallest) == 6
    assert shape_of(tmp_path / "piece.webm") == wanted
    assert [number for number, _ in raw_pictures_of(tmp_path / "piece.webm")] == list(range(6))


@pytest.mark.parametrize("turned", [90, 180, 270])
def test_a_film_that_was_stored_turned_is_made_upright(tmp_path, turned):
    film = ffmpeg(tmp_path / "film.mp4", *H264, frames=10)
    copied = tmp_path / "turned.mp4"
    told = ("-c", "copy", "-metadata:s:v:0", f"rotate={turned}")
    subprocess.run(["ffmpeg", "-v", "error", "-i", film, *told, copied], check=True)
    seen = footage.probe(copied)
    assert seen.rotation in (turned, 360 - turned)
    assert "sideways_stored" in seen.remarks
    footage.make_piece(copied, 0, 1, tmp_path / "piece.webm")
    assert shape_of(tmp_path / "piece.webm") == (seen.height, seen.width)
    # What another program shows of it, which turns by the same note in the file.
    command = ["ffmpeg", "-v", "error", "-i", copied, "-f", "rawvideo", "-pix_fmt", "rgb24", "-"]
    shown = np.frombuffer(subprocess.run(command, check=True, capture_output=True).stdout, np.uint8)
    shown = shown.reshape(10, seen.height, seen.width, 3).astype(int)
    with av.open(str(tmp_path / "piece.webm")) as piece:
        ours = np.stack([frame.to_ndarray(format="rgb24") for frame in piece.decode(video=0)]).astype(int)
    assert np.abs(ours - shown).mean() < 8
    assert np.abs(ours[:, ::-1, ::-1] - shown).mean() > 30


def test_ten_bits_in_wide_colours_become_eight_in_plain_ones(tmp_path):
    wide = ("-color_primaries", "bt2020", "-color_trc", "arib-std-b67", "-colorspace", "bt2020nc")
    options = (*HEVC[:4], "-pix_fmt", "yuv420p10le", *HEVC[6:], *wide)
    film = ffmpeg(tmp_path / "hdr.mov", *options, frames=10)
    assert not footage.probe(film).plays
    assert footage.make_piece(film, 0, 1, tmp_path / "piece.webm") == 10
    with av.open(str(tmp_path / "piece.webm")) as piece:
        frame = next(piece.decode(video=0))
        assert (frame.format.name, frame.colorspace, frame.color_range) == ("yuv420p", 1, 1)
        assert np.abs(frame.to_ndarray(format="rgb24")[80, 80].astype(int) - [230, 159, 0]).max() <= 30


def test_full_range_pictures_keep_their_light(tmp_path):
    film = ffmpeg(tmp_path / "full.mp4", *H264[:4], "-pix_fmt", "yuvj420p", "-color_range", "pc", frames=6)
    footage.make_piece(film, 0, 1, tmp_path / "piece.webm")
    with av.open(str(tmp_path / "piece.webm")) as piece:
        frame = next(piece.decode(video=0))
    assert frame.color_range == 1
    assert np.abs(frame.to_ndarray(format="rgb24")[80, 80].astype(int) - [230, 159, 0]).max() <= 16


def test_a_stretch_without_pictures_is_an_empty_piece(tmp_path):
    film = ffmpeg(tmp_path / "film.mp4", *H264, frames=10)
    assert footage.make_piece(film, 7, 9, tmp_path / "piece.webm") == 0
    assert (tmp_path / "piece.webm").read_bytes() == b""


@pytest.mark.parametrize(("start", "end"), [(1.0, 1.0), (-1.0, 1.0), (float("nan"), 2.0)])
def test_a_piece_that_is_none(tmp_path, start, end):
    film = ffmpeg(tmp_path / "film.mp4", *H264, frames=10)
    with pytest.raises(FilmError) as caught:
        footage.make_piece(film, start, end, tmp_path / "piece.webm")
    assert caught.value.code == "no_such_time"
    assert os.listdir(tmp_path) == ["film.mp4"]


def test_a_piece_that_is_too_large_or_too_heavy_leaves_nothing(tmp_path):
    film = ffmpeg(tmp_path / "film.mp4", *H264)
    for limits, code in (
        (Limits(out_bytes=2000), "no_room"),
        (Limits(memory=120 * 2**20), "too_heavy"),
    ):
        with pytest.raises(FilmError) as caught:
            footage.make_piece(film, 0, 2, tmp_path / "piece.webm", limits=limits)
        assert caught.value.code == code
        assert os.listdir(tmp_path) == ["film.mp4"]


def test_a_piece_is_given_up_when_nobody_wants_it(tmp_path):
    film = ffmpeg(tmp_path / "film.mp4", *H264, frames=250, height=360, width=640)

    def enough(share):
        raise KeyError("nobody wants it")

    with pytest.raises(KeyError):
        footage.make_piece(film, 0, 10, tmp_path / "piece.webm", tell=enough)
    assert os.listdir(tmp_path) == ["film.mp4"]


def court(number, ball):
    """1080 lines of a court with the noise of a phone, and a ball of two pixels at the far end."""
    rng = np.random.default_rng(number)
    pixels = np.empty((1080, 1920, 3), np.float32)
    pixels[:300], pixels[300:] = (90, 90, 88), (52, 96, 150)
    for y in (300, 420, 700, 1000):
        pixels[y : y + 4] = (225, 228, 230)
    x, y = 500 + 23 * number, 330 + 7 * number
    pixels[y : y + 2, x : x + 2] = ball
    pixels += np.resize(rng.normal(0, 3, 9973), (1080, 1920, 1))
    return pixels.clip(0, 255).astype(np.uint8), (x, y)


def stands_out(pixels, place):
    x, y = place
    around = pixels[y - 5 : y + 7, x - 5 : x + 7].astype(float).mean(axis=-1)
    middle = around[5:7, 5:7].mean()
    return middle - np.median(around)


@pytest.mark.parametrize(("ball", "kept"), [((205, 220, 60), 0.85), ((110, 145, 140), 0.65)])
def test_the_far_ball_is_still_there(tmp_path, ball, kept):
    needs_ffmpeg()
    frames = [court(number, ball) for number in range(8)]
    source = ["-f", "rawvideo", "-pix_fmt", "rgb24", "-s", "1920x1080", "-r", "60", "-i", "-"]
    film = tmp_path / "court.mp4"
    command = ["ffmpeg", "-v", "error", *source, *H264[:6], "-crf", "8", film]
    subprocess.run(command, input=b"".join(pixels.tobytes() for pixels, _ in frames), check=True)
    assert footage.make_piece(film, 0, 1, tmp_path / "piece.webm") == 8
    told = []
    for path in (film, tmp_path / "piece.webm"):
        with av.open(str(path)) as container:
            shown = [frame.to_ndarray(format="rgb24") for frame in container.decode(video=0)]
        told.append([stands_out(one, place) for one, (_, place) in zip(shown, frames, strict=True)])
    assert np.median(np.divide(told[1], told[0])) > kept
    assert np.min(np.divide(told[1], told[0])) > kept - 0.3
