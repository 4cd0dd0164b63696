"""Films of our own making, whole, cut short, locked, turned and disguised; every frame carries its number."""

import os
import re
import struct
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from sessions import footage, footage_shape
from sessions.footage import FilmError, Limits

RATE = 48_000
FRAMES, FPS = 60, 25
ROOT = Path(footage.__file__).resolve().parent.parent


def picture(number, height=96, width=160):
    """Eight upright bars, white where the number has a one, over a coloured foot."""
    bars = np.repeat([255 * (number >> bit & 1) for bit in range(8)], width // 8).astype(np.uint8)
    pixels = np.repeat(np.tile(bars, (height, 1))[..., None], 3, axis=2)
    pixels[height // 2 :] = (230, 159, 0)
    return pixels


def number_of(pixels):
    row = pixels[pixels.shape[0] // 4].astype(int).mean(axis=-1)
    return sum(1 << bit for bit in range(8) if row[pixels.shape[1] // 16 * (2 * bit + 1)] > 127)


def knocks(seconds, at):
    sound = np.zeros(int(seconds * RATE), dtype=np.float32)
    wave = np.sin(2 * np.pi * 900 * np.arange(2400) / RATE) * np.exp(-np.arange(2400) / 900)
    for when in at:
        sound[int(when * RATE) :][: len(wave)] += 0.8 * wave[: len(sound) - int(when * RATE)]
    return sound


def read_jpeg(data):
    return cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)[..., ::-1]


def read_film(path):
    with av.open(str(path)) as film:
        frames = [(frame.time, frame.to_ndarray(format="rgb24")) for frame in film.decode(video=0)]
    with av.open(str(path)) as film:
        if not film.streams.audio:
            return frames, None
        sound = np.concatenate([frame.to_ndarray().reshape(-1) for frame in film.decode(audio=0)])
    return frames, sound


def onset(sound):
    return np.flatnonzero(np.abs(sound) > 0.2)[0] / RATE


def write_film(path, container, codec, *, rate=FPS, **options):
    with av.open(str(path), "w", format=container, options=options) as film:
        stream = film.add_stream(codec, rate=rate)
        stream.width, stream.height, stream.pix_fmt, stream.codec_context.gop_size = 160, 96, "yuv420p", 12
        stream.codec_context.bit_rate = 2_000_000
        for number in range(FRAMES):
            frame = av.VideoFrame.from_ndarray(picture(number), format="rgb24")
            frame.pts, frame.time_base = number, Fraction(1, rate)
            film.mux(stream.encode(frame))
        film.mux(stream.encode(None))
    return path


@pytest.fixture(scope="module")
def film(tmp_path_factory):
    path = tmp_path_factory.mktemp("films") / "numbers.webm"
    sound = knocks(FRAMES / FPS, [0.5, 1.2])
    assert footage.write_webm((picture(number) for number in range(FRAMES)), FPS, sound, RATE, path) == FRAMES
    return path


@pytest.fixture(scope="module")
def mp4(tmp_path_factory):
    return write_film(tmp_path_factory.mktemp("films") / "numbers.mp4", "mp4", "mpeg4")


def refused(path, **limits):
    with pytest.raises(FilmError) as caught:
        footage.probe(path, limits=Limits(**limits))
    assert str(caught.value).endswith(".")
    return caught.value.code


def test_probe_says_what_the_film_is(film, mp4):
    seen = footage.probe(film)
    assert (seen.container, seen.video_codec, seen.audio_codec) == ("webm", "vp9", "opus")
    assert (seen.width, seen.height, seen.rotation, seen.frame_rate, seen.frames) == (160, 96, 0, 25, FRAMES)
    assert seen.has_audio
    assert seen.duration_s == pytest.approx(FRAMES / FPS, abs=0.03)
    other = footage.probe(mp4)
    assert (other.container, other.video_codec, other.audio_codec) == ("mp4", "mpeg4", "")
    assert not other.has_audio
    assert other.duration_s == pytest.approx(2.4, abs=0.001)


def test_the_kinds_told_by_their_first_bytes(tmp_path, film, mp4):
    stream = write_film(tmp_path / "numbers.ts", "mpegts", "mpeg2video")
    for path, kind in ((film, "matroska"), (mp4, "mov"), (stream, "mpegts")):
        assert footage_shape.kind_of(path.read_bytes()[:1024]) == kind
    assert footage.probe(stream).container == "mpegts"
    # The clock of a transport stream begins at 1.4 s; a player's begins at the first picture.
    assert number_of(read_jpeg(footage.still(stream, 0.41))) == 10


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"", "empty"),
        (b"WEBVTT\n\n00:00.000 --> 00:01.000\nnot a film\n" * 30, "not_a_video"),
        (b"\x89PNG\r\n\x1a\n" + bytes(2000), "not_a_video"),
        (b"\x00\x00\x00\x18ftypisom" + bytes(12), "cut_short"),
        (b"\x1a\x45\xdf\xa3" + bytes(500), "broken"),
        (b"G" + b"\xff" * 187 + (b"G" + b"\x1f\xff\x10" + b"\xff" * 184) * 40, "broken"),
    ],
)
def test_what_is_no_film_is_refused(tmp_path, content, code):
    path = tmp_path / "film.mp4"
    path.write_bytes(content)
    assert refused(path) == code


def test_a_file_that_is_gone(tmp_path):
    assert refused(tmp_path / "gone.mp4") == "missing"


def test_sound_alone_is_no_film(tmp_path):
    path = tmp_path / "voice.webm"
    with av.open(str(path), "w", format="webm") as out:
        track = out.add_stream("libopus", rate=RATE, layout="mono")
        for number in range(50):
            frame = av.AudioFrame.from_ndarray(np.zeros((1, 960), np.float32), format="flt", layout="mono")
            frame.rate, frame.pts, frame.time_base = RATE, number * 960, Fraction(1, RATE)
            out.mux(track.encode(frame))
        out.mux(track.encode(None))
    assert refused(path) == "no_video"


@pytest.mark.parametrize("kept", [0.3, 0.7, 0.98])
def test_a_film_that_breaks_off_is_read_as_far_as_it_goes(tmp_path, film, kept):
    first = write_film(tmp_path / "first.mp4", "mp4", "mpeg4", movflags="+faststart")
    pieces = write_film(tmp_path / "pieces.mp4", "mp4", "mpeg4", movflags="+frag_keyframe+empty_moov")
    for source in (film, first, pieces):
        data = source.read_bytes()
        path = tmp_path / "part"
        path.write_bytes(data[: int(kept * len(data))])
        seen = footage.probe(path)
        assert "cut_short" in seen.remarks
        assert not seen.plays
        assert seen.there_s == seen.duration_s == pytest.approx(kept * 2.4, abs=0.5), source
        last = number_of(read_jpeg(footage.still(path, seen.there_s - 0.02)))
        assert last / FPS == pytest.approx(seen.there_s, abs=0.1)


def test_a_film_without_the_table_of_its_pictures(tmp_path, mp4):
    data = mp4.read_bytes()
    for kept in (0.3, 0.98):
        path = tmp_path / "part"
        path.write_bytes(data[: int(kept * len(data))])
        assert refused(path) == "cut_short"


def test_a_film_whose_pictures_end_before_its_time(tmp_path, film):
    # A recorder that fills in the length and then loses its pictures leaves no part too short: only the tail lacks.
    data = bytearray(film.read_bytes())
    place = data.index(b"\x44\x89\x88") + 3
    assert struct.unpack(">d", data[place : place + 8])[0] == pytest.approx(2400, abs=30)
    data[place : place + 8] = struct.pack(">d", 60_000.0)
    path = tmp_path / "tail.webm"
    path.write_bytes(data)
    seen = footage.probe(path)
    assert "cut_short" in seen.remarks
    assert seen.duration_s == pytest.approx(2.4, abs=0.03)


def test_a_locked_film(tmp_path, mp4):
    data = mp4.read_bytes()
    assert data.count(b"mp4v") == 1
    path = tmp_path / "locked.mp4"
    path.write_bytes(data.replace(b"mp4v", b"encv"))
    assert refused(path) == "locked"


def test_pictures_stored_in_a_way_that_nobody_needs(tmp_path):
    path = tmp_path / "archive.mkv"
    write_film(path, "matroska", "ffv1")
    with pytest.raises(FilmError, match="ffv1") as caught:
        footage.probe(path)
    assert caught.value.code == "unsupported"


def test_bounds(film):
    assert refused(film, max_bytes=1000) == "too_large"
    assert refused(film, max_s=2.0) == "too_long"
    assert refused(film, max_pixels=160 * 95) == "too_sharp"
    assert footage.probe(film, limits=Limits(max_s=2.5, max_pixels=160 * 96)).frames == FRAMES


def test_a_playlist_in_disguise_opens_nothing(tmp_path, film, mp4):
    inside = tmp_path / "inside.webm"
    inside.write_bytes(film.read_bytes())
    path = tmp_path / "film.webm"
    path.write_text("ffconcat version 1.0\nfile inside.webm\n")
    with av.open(str(path)) as trap:
        assert number_of(next(trap.decode(video=0)).to_ndarray(format="rgb24")) == 0, "the trap is none"
    assert refused(path) == "not_a_video"
    path.write_text(f"#EXTM3U\n#EXT-X-TARGETDURATION:3\n#EXTINF:2.4,\n{inside}\n#EXT-X-ENDLIST\n")
    assert refused(path) == "not_a_video"
    # A film's first bytes in front do not turn it into a playlist either: the demuxer is named by them.
    path.write_bytes(film.read_bytes()[:40] + b"\nffconcat version 1.0\nfile inside.webm\n")
    assert refused(path) in ("broken", "cut_short", "no_video")


def test_the_child_can_open_nothing_more():
    code = (
        "import os, socket; from sessions.footage_child import open_nothing_more; open_nothing_more()\n"
        "for wish in (lambda: open('/etc/passwd'), socket.socket, os.pipe):\n"
        "    try: wish(); print('opened')\n"
        "    except OSError as error: print(error.errno)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["24", "24", "24"]


def test_the_child_has_given_that_up_before_it_reads_the_film(film):
    code = (
        "from sessions import footage_child, footage_probe\n"
        "footage_probe.probe = lambda film, size: open('/etc/passwd')\n"
        f"wish = {{'action': 'probe', 'films': [{str(film)!r}], 'facts': {{}}}}\n"
        "try: footage_child.answer(wish); print('opened')\n"
        "except OSError as error: print(error.errno)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "24"


def test_the_child_gets_no_secrets_and_has_limits(film, monkeypatch):
    monkeypatch.setenv("SECRET_KEY", "not-for-decoders")
    calls = []
    start = subprocess.Popen
    monkeypatch.setattr(subprocess, "Popen", lambda *a, **kw: calls.append(kw) or start(*a, **kw))
    footage.probe(film)
    assert "SECRET_KEY" not in calls[0]["env"]
    with pytest.raises(FilmError) as caught:
        footage.probe(film, limits=Limits(memory=120 * 2**20))
    assert caught.value.code == "too_heavy"


def test_the_web_process_never_loads_the_decoder():
    code = "import sys; import sessions.footage; print('av' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


@pytest.mark.parametrize("source", ["film", "mp4"])
def test_a_still_is_the_frame_on_the_screen(request, source):
    path = request.getfixturevalue(source)
    times = [0.0, 0.039, 0.04, 0.5, 1.0, 1.079, 1.08, 2.36, 2.39]
    pictures = [read_jpeg(data) for data in footage.stills(path, times)]
    assert [number_of(seen) for seen in pictures] == [int(at * FPS + 1e-6) for at in times]
    for at, seen in zip(times, pictures, strict=True):
        wanted = picture(int(at * FPS + 1e-6)).astype(int)
        assert np.abs(seen.astype(int) - wanted).mean() < 6
    assert np.abs(pictures[0][80, 80].astype(int) - [230, 159, 0]).max() <= 12


def test_times_that_lie_between_whole_milliseconds(tmp_path):
    path = tmp_path / "thirty.webm"
    footage.write_webm((picture(number) for number in range(40)), 30, None, RATE, path)
    assert not footage.probe(path).has_audio
    times = [number / 30 for number in range(40)]
    assert [number_of(read_jpeg(data)) for data in footage.stills(path, times)] == list(range(40))


def test_a_smaller_still(film):
    assert read_jpeg(footage.still(film, 0.2, tallest=48)).shape == (48, 80, 3)


@pytest.mark.parametrize("at", [-1.0, 30.0, float("nan"), float("inf")])
def test_a_time_the_film_does_not_have(film, at):
    with pytest.raises(FilmError) as caught:
        footage.still(film, at)
    assert caught.value.code == "no_such_time"


def test_a_film_held_sideways(tmp_path, mp4):
    data = bytearray(mp4.read_bytes())
    place = data.index(b"tkhd") + 4 + 40
    one = 1 << 16
    turned = [0, one, 0, -one & 0xFFFFFFFF, 0, 0, 96 << 16, 0, 1 << 30]  # a quarter turn clockwise when shown
    data[place : place + 36] = b"".join(value.to_bytes(4, "big") for value in turned)
    path = tmp_path / "sideways.mp4"
    path.write_bytes(data)
    seen = footage.probe(path)
    assert (seen.width, seen.height, seen.rotation) == (96, 160, 270)
    upright = read_jpeg(footage.still(path, 0.6))
    assert upright.shape == (160, 96, 3)
    assert number_of(np.rot90(upright, 1)) == 15


@pytest.mark.parametrize(
    ("start", "end", "first", "last"), [(0.4, 1.6, 10, 39), (0.41, 1.61, 10, 40), (0, 9, 0, 59)]
)
def test_a_cut_is_exact_to_the_frame(tmp_path, film, start, end, first, last):
    path = tmp_path / "piece.webm"
    assert footage.cut(film, start, end, path) == last - first + 1
    frames, sound = read_film(path)
    assert [number_of(pixels) for _, pixels in frames] == list(range(first, last + 1))
    assert [when for when, _ in frames] == pytest.approx(np.arange(len(frames)) / FPS, abs=0.0011)
    knock = 0.5 - first / FPS
    assert onset(sound) == pytest.approx(knock, abs=0.005)
    assert footage.probe(path).video_codec == "vp9"
    assert os.listdir(tmp_path) == ["piece.webm"]


def test_a_cut_tells_how_far_it_is_and_ends_when_nobody_wants_it_any_more(tmp_path, film, monkeypatch):
    slow = tmp_path / "slow"
    slow.mkdir()
    (slow / "sitecustomize.py").write_text(
        "import time\nfrom sessions import footage_make as av\nfit = av.fit\n"
        "av.fit = lambda *a: time.sleep(0.03) or fit(*a)\n"
    )
    start = subprocess.Popen
    children = []

    def slowly(*args, env, **kw):
        children.append(start(*args, env=env | {"PYTHONPATH": f"{slow}:{ROOT}"}, **kw))
        return children[-1]

    monkeypatch.setattr(subprocess, "Popen", slowly)
    shares = []
    assert footage.cut(film, 0, 2, tmp_path / "piece.webm", tell=shares.append) == 50
    assert len(shares) >= 3
    assert shares == sorted(shares)
    assert 0 < shares[0] < shares[-1] < 1
    (tmp_path / "piece.webm").unlink()

    def enough(share):
        raise KeyError("nobody wants it")

    with pytest.raises(KeyError):
        footage.cut(film, 0, 2, tmp_path / "piece.webm", tell=enough)
    assert children[-1].returncode == -9
    assert os.listdir(tmp_path) == ["slow"]


def test_a_cut_without_sound_and_from_the_middle_of_a_group(tmp_path, mp4):
    path = tmp_path / "piece.webm"
    assert footage.cut(mp4, 1.0, 1.2, path, tallest=48) == 5
    frames, sound = read_film(path)
    assert [number_of(pixels) for _, pixels in frames] == [25, 26, 27, 28, 29]
    assert sound is None
    assert frames[0][1].shape == (48, 80, 3)


@pytest.mark.parametrize(
    ("start", "end", "code"),
    [(1.0, 1.0, "no_such_time"), (5.0, 6.0, "no_such_time"), (-1, 1, "no_such_time")],
)
def test_a_cut_that_is_none_leaves_nothing_behind(tmp_path, film, start, end, code):
    with pytest.raises(FilmError) as caught:
        footage.cut(film, start, end, tmp_path / "piece.webm")
    assert caught.value.code == code
    assert os.listdir(tmp_path) == []


def test_a_cut_that_is_too_large_leaves_nothing_behind(tmp_path, film):
    with pytest.raises(FilmError) as caught:
        footage.cut(film, 0, 2, tmp_path / "piece.webm", limits=Limits(out_bytes=2000))
    assert caught.value.code == "no_room"
    assert os.listdir(tmp_path) == []


@pytest.mark.long
def test_a_film_that_takes_too_long_is_given_up(tmp_path):
    noise = np.random.default_rng(1).integers(0, 255, (4, 720, 1280, 3), dtype=np.uint8)
    path = tmp_path / "noise.webm"
    footage.write_webm((noise[number % 4] for number in range(150)), FPS, None, RATE, path)
    with pytest.raises(FilmError) as caught:
        footage.cut(path, 0, 6, tmp_path / "piece.webm", limits=Limits(cpu_s=1))
    assert caught.value.code == "too_heavy"
    assert os.listdir(tmp_path) == ["noise.webm"]


def test_the_same_frames_give_the_same_file(tmp_path, film):
    again = tmp_path / "again.webm"
    footage.write_webm(
        (picture(number) for number in range(FRAMES)), FPS, knocks(FRAMES / FPS, [0.5, 1.2]), RATE, again
    )
    assert again.read_bytes() == film.read_bytes()


def test_what_cannot_be_written(tmp_path):
    path = tmp_path / "none.webm"
    with pytest.raises(ValueError, match="a film needs a frame"):
        footage.write_webm([], FPS, None, RATE, path)
    with pytest.raises(ValueError, match="samples a second"):
        footage.write_webm([picture(0)], FPS, np.zeros(100, np.float32), 44_100, path)
    assert os.listdir(tmp_path) == []


def test_every_refusal_has_its_sentence():
    source = "".join(path.read_text() for path in (ROOT / "sessions").glob("footage*.py"))
    codes = set(re.findall(r"(?:Refusal|film_error)\(\"(\w+)\"", source)) | {"too_heavy", "no_room"}
    assert codes == set(footage.MESSAGES)
