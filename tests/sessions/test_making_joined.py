"""A copy put together: pictures without encoding again, sound where it was, an index, memory that does not grow."""

import os
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import av
import numpy as np
import pytest

from sessions import footage
from sessions.footage import FilmError, Limits
from tests.sessions.broken_films import AAC, FRAMES, H264, TONE, ffmpeg, number_of

RATE = 48_000
ROOT = Path(footage.__file__).parents[1]


def sine(seconds, rate=44_100, hertz=900):
    return ("-f", "lavfi", "-i", f"sine=frequency={hertz}:sample_rate={rate}:duration={seconds}")


def made(film, folder, bounds=(0.0, 0.777, 1.5, 3.0), **options):
    folder.mkdir(exist_ok=True)
    pieces = []
    for number, (start_s, end_s) in enumerate(pairwise(bounds)):
        footage.make_piece(film, start_s, end_s, folder / f"{number}.webm", **options)
        pieces.append(folder / f"{number}.webm")
    return pieces, list(bounds[:-1])


def joined(film, tmp_path, sound=True, **options):
    pieces, starts = made(film, tmp_path / "pieces")
    out, notes = tmp_path / "copy.webm", []
    long_s = footage.join(pieces, film if sound else None, out, starts=starts, note=notes.append, **options)
    return out, long_s, notes


def sound_of(path):
    """Samples from the first picture on, as a player hears them; channels x samples."""
    with av.open(str(path)) as film:
        begins = next(film.decode(video=0)).time
    with av.open(str(path)) as film:
        track = film.streams.audio[0]
        planes = av.AudioResampler(format="fltp", layout=track.codec_context.layout, rate=RATE)
        frames = [one for frame in film.decode(track) for one in planes.resample(frame)]
        first = round((frames[0].time - begins) * RATE)
        heard = np.concatenate([frame.to_ndarray() for frame in frames], axis=1)
        return np.pad(heard, ((0, 0), (max(0, first), 0)))[:, max(0, -first) :], track.codec_context.name


def onset(sound):
    return np.flatnonzero(np.abs(sound) > 0.05)[0] / RATE


def test_pictures_are_those_of_the_pieces_bit_by_bit(tmp_path):
    film = ffmpeg(tmp_path / "film.mp4", *H264, *AAC, inputs=TONE)
    out, long_s, notes = joined(film, tmp_path)
    assert notes == []
    assert long_s == pytest.approx(2.4, abs=0.06)
    with av.open(str(out)) as copy:
        packets = [packet for packet in copy.demux(video=0) if packet.size]
        assert [packet.pts for packet in packets] == [40 * number for number in range(FRAMES)]
        theirs = []
        for number in range(3):
            with av.open(str(tmp_path / "pieces" / f"{number}.webm")) as piece:
                theirs += [bytes(packet) for packet in piece.demux(video=0) if packet.size]
        assert [bytes(packet) for packet in packets] == theirs
    with av.open(str(out)) as copy:
        assert [number_of(frame.to_ndarray(format="rgb24")) for frame in copy.decode(video=0)] == list(
            range(FRAMES)
        )
    seen = footage.probe(out)
    assert (seen.container, seen.video_codec, seen.audio_codec, seen.plays) == ("webm", "vp9", "opus", True)
    assert seen.duration_s == pytest.approx(long_s, abs=0.02)
    assert sorted(os.listdir(tmp_path)) == ["copy.webm", "film.mp4", "pieces"]


@pytest.mark.parametrize("container", ["mp4", "mkv", "ts"])
@pytest.mark.parametrize(("later", "at"), [("0", 0.0), ("0.7", 0.7)])
def test_sound_stays_where_it_was(tmp_path, container, later, at):
    film = ffmpeg(tmp_path / f"film.{container}", *H264, *AAC, inputs=("-itsoffset", later, *sine(1.2)))
    out, _, notes = joined(film, tmp_path)
    sound, name = sound_of(out)
    assert (name, len(sound), notes) == ("opus", 1, [])
    assert onset(sound) == pytest.approx(at, abs=0.02)
    ends = np.flatnonzero(np.abs(sound[0]) > 0.05)[-1] / RATE
    assert ends == pytest.approx(at + 1.2, abs=0.03)


def test_a_hole_in_the_sound_stays_a_hole(tmp_path):
    gap = ("-af", "aselect='not(between(t,0.6,1.3))'")
    film = ffmpeg(tmp_path / "film.mkv", *H264, *AAC, *gap, inputs=sine(2.2, rate=48_000))
    out, _, _ = joined(film, tmp_path)
    sound = np.abs(sound_of(out)[0][0])
    loud = np.array([block.max() > 0.05 for block in np.array_split(sound[: 2 * RATE], 100)])
    assert loud[1:28].all()
    assert not loud[33:63].any()
    assert loud[68:].all()


def test_two_channels_stay_two_and_the_first_track_is_heard(tmp_path):
    pair = (*sine(2.4), *sine(2.4, hertz=300), *sine(2.4, hertz=2000))
    mix = ("-filter_complex", "[1][2]amerge=inputs=2[first]", "-map", "0:v", "-map", "[first]", "-map", "3:a")
    film = ffmpeg(tmp_path / "film.mp4", *mix, *H264, *AAC, inputs=pair)
    seen = footage.probe(film)
    assert seen.sound_tracks == 2
    assert seen.remarks == ("two_sounds",)
    out, _, _ = joined(film, tmp_path)
    sound, _ = sound_of(out)
    assert len(sound) == 2
    peaks = [np.abs(np.fft.rfft(channel[RATE : 2 * RATE])).argmax() for channel in sound]
    assert peaks == [900, 300]


def test_without_sound(tmp_path):
    film = ffmpeg(tmp_path / "film.mp4", *H264)
    out, long_s, notes = joined(film, tmp_path)
    assert (footage.probe(out).sound_tracks, notes) == (0, [])
    assert long_s == pytest.approx(2.4, abs=0.01)
    other, _, _ = joined(film, tmp_path, sound=False)
    assert footage.probe(other).frames == FRAMES


def test_damaged_sound_does_not_cost_the_picture(tmp_path):
    film = ffmpeg(tmp_path / "film.mkv", *H264, *AAC, inputs=TONE)
    data = bytearray(film.read_bytes())
    with av.open(str(film)) as container:
        places = [(packet.pos, packet.size) for packet in container.demux(audio=0) if packet.size]
    for place, size in places[30:60]:
        data[place + 10 : place + size] = bytes(255 for _ in range(size - 10))
    film.write_bytes(data)
    out, long_s, notes = joined(film, tmp_path)
    assert notes == ["sound_damaged"]
    assert long_s == pytest.approx(2.4, abs=0.06)
    with av.open(str(out)) as copy:
        assert sum(1 for _ in copy.decode(video=0)) == FRAMES


def test_a_film_that_can_no_longer_be_read_does_not_cost_the_picture_either(tmp_path):
    film = ffmpeg(tmp_path / "film.mp4", *H264, *AAC, inputs=TONE)
    pieces, starts = made(film, tmp_path / "pieces")
    film.write_bytes(film.read_bytes()[:2000])
    notes = []
    long_s = footage.join(pieces, film, tmp_path / "copy.webm", starts=starts, note=notes.append)
    assert (notes, long_s) == (["sound_damaged"], pytest.approx(2.4, abs=0.01))
    assert footage.probe(tmp_path / "copy.webm").sound_tracks == 0


def test_a_stretch_without_pictures_is_passed_over(tmp_path):
    film = ffmpeg(tmp_path / "film.mp4", *H264, *AAC, inputs=TONE)
    pieces, starts = made(film, tmp_path / "pieces", (0.0, 1.0, 2.5, 30.0))
    assert pieces[-1].stat().st_size == 0
    long_s = footage.join(pieces, film, tmp_path / "copy.webm", starts=starts)
    assert long_s == pytest.approx(2.4, abs=0.06)
    with pytest.raises(FilmError) as caught:
        footage.join(pieces[-1:], film, tmp_path / "none.webm", starts=starts[-1:])
    assert caught.value.code == "no_such_time"
    assert not (tmp_path / "none.webm").exists()


def test_what_cannot_be_joined(tmp_path):
    film = ffmpeg(tmp_path / "film.mp4", *H264)
    pieces, starts = made(film, tmp_path / "pieces")
    footage.make_piece(film, 0.0, 1.0, tmp_path / "small.webm", tallest=48)
    broken = tmp_path / "broken.webm"
    broken.write_bytes(pieces[1].read_bytes()[:-300])
    for second, code in (
        (tmp_path / "small.webm", "broken"),
        (broken, "cut_short"),
        (tmp_path / "gone.webm", "missing"),
    ):
        with pytest.raises(FilmError) as caught:
            footage.join([pieces[0], second], None, tmp_path / "copy.webm", starts=starts[:2])
        assert caught.value.code == code
    with pytest.raises(FilmError) as caught:
        footage.join(pieces, None, tmp_path / "copy.webm", starts=starts, limits=Limits(out_bytes=2000))
    assert caught.value.code == "no_room"
    assert sorted(os.listdir(tmp_path)) == ["broken.webm", "film.mp4", "pieces", "small.webm"]
    with pytest.raises(ValueError, match="starts"):
        footage.join(pieces, None, tmp_path / "copy.webm", starts=starts[:1])


def test_as_many_pieces_as_a_long_film_has(tmp_path):
    film = ffmpeg(tmp_path / "film.mp4", *H264, *AAC, inputs=TONE)
    pieces, _starts = made(film, tmp_path / "pieces", (0.0, 3.0))
    many = [start * 2.4 for start in range(1200)]
    out = tmp_path / "copy.webm"
    assert footage.join(pieces * 1200, None, out, starts=many) == pytest.approx(2880, abs=0.1)
    assert footage.probe(out).duration_s == pytest.approx(2880, abs=0.1)


def peak_of(seconds, tmp_path):
    """The memory in MB that joining takes at most with so much sound."""
    film = tmp_path / f"{seconds}.mp4"
    ffmpeg(film, *H264, *AAC, frames=5, fps=1, inputs=sine(seconds, rate=48_000))
    pieces, starts = made(film, tmp_path / f"pieces{seconds}", (0.0, 9.0))
    code = (
        "import resource, sys; from sessions import footage_child as child\n"
        f"wish = {{'action': 'join', 'films': {[str(path) for path in (*pieces, film)]!r},"
        f" 'out': {str(tmp_path / 'copy.webm')!r}, 'facts': {{'starts': {starts!r}, 'max_s': 1e5}}}}\n"
        "print(child.answer(wish)[0]['join']['duration_s'], file=sys.stderr)\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    long_s, peak = done.stderr.split()
    assert float(long_s) == pytest.approx(seconds, abs=0.1)
    return float(peak)


def test_memory_does_not_grow_with_the_sound(tmp_path):
    assert peak_of(400, tmp_path) < peak_of(20, tmp_path) + 25
