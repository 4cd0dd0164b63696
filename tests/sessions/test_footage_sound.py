"""The sound of a film as it is read: on the picture's clock, in little memory; and what moves in its picture."""

import itertools
import subprocess
import time
import tracemalloc

import numpy as np
import pytest

from sessions import footage, footage_ask
from sessions.footage import FilmError, Limits
from tests.sessions import moving, sounding, stored

RATE = 24_000
TIMES = [0.5, 1.25]


def all_of(path, **wish):
    return np.concatenate(list(footage.sound(path, **wish)))


@pytest.fixture
def children(monkeypatch):
    """The processes that were started."""
    made = []
    real = subprocess.Popen

    def popen(*args, **wish):
        made.append(real(*args, **wish))
        return made[-1]

    monkeypatch.setattr(footage_ask.subprocess, "Popen", popen)
    return made


@pytest.fixture(scope="module")
def long_film(tmp_path_factory):
    """A quarter of an hour with two clicks in every two seconds."""
    folder = tmp_path_factory.mktemp("long")
    short = sounding.write(folder / "short.mkv", [sounding.clicks(TIMES, 2.0)])
    return sounding.loop(short, folder / "long.mkv", 450)


class TestClock:
    @pytest.mark.parametrize("codec", ["libopus", "aac", "pcm_s16le"])
    def test_clicks_are_heard_at_their_times(self, tmp_path, codec):
        path = sounding.write(tmp_path / "film.mkv", [sounding.clicks(TIMES, 2.0)], codec=codec)
        heard = all_of(path)
        assert heard.dtype == np.float32
        assert heard.shape[1] == 1
        assert len(heard) / RATE == pytest.approx(2.0, abs=0.05)
        assert sounding.heard_at(heard, RATE) == pytest.approx(TIMES, abs=0.002)
        assert np.abs(heard).max() < 1.1

    @pytest.mark.parametrize(("given", "wanted"), [(8_000, RATE), (48_000, 6_000), (48_000, 44_100)])
    def test_any_rate_is_turned_into_the_one_that_is_asked_for(self, tmp_path, given, wanted):
        path = sounding.write(tmp_path / "film.mkv", [sounding.clicks(TIMES, 2.0, given)], rate=given)
        heard = all_of(path, rate=wanted)
        assert len(heard) / wanted == pytest.approx(2.0, abs=0.05)
        assert sounding.heard_at(heard, wanted) == pytest.approx(TIMES, abs=0.005)

    def test_sound_that_begins_later_stays_there(self, tmp_path):
        path = sounding.write(tmp_path / "film.mkv", [sounding.clicks(TIMES, 2.0)], starts_s=0.75)
        heard = all_of(path)
        assert sounding.heard_at(heard, RATE) == pytest.approx([1.25, 2.0], abs=0.002)
        assert not np.abs(heard[: int(0.7 * RATE)]).any()

    def test_a_gap_is_silent_and_what_follows_stays_in_its_place(self, tmp_path):
        sound = sounding.clicks([0.2, 0.6, 1.5], 2.0)
        path = sounding.write(tmp_path / "film.mkv", [sound], gap=(0.4, 1.2), codec="pcm_s16le")
        assert sounding.heard_at(all_of(path), RATE) == pytest.approx([0.2, 1.5], abs=0.002)

    def test_times_hold_to_the_end_of_a_long_film(self, long_film):
        heard = sounding.heard_at(all_of(long_film), RATE)
        assert len(heard) == 900
        turns, firsts = np.arange(450), np.array(heard[::2])
        # Every turn begins with the same shake of the clock, which is never let grow.
        assert np.abs(firsts - np.polyval(np.polyfit(turns, firsts, 1), turns)).max() < 0.015
        assert firsts[-1] == pytest.approx(footage.probe(long_film).duration_s - 1.5, abs=0.05)


class TestTracks:
    def test_stereo_stays_two_channels_also_with_a_dead_one(self, tmp_path):
        clicks = sounding.clicks(TIMES, 2.0)
        path = sounding.write(
            tmp_path / "film.mkv", [np.stack([clicks, 0 * clicks], axis=1)], codec="pcm_s16le"
        )
        heard = all_of(path)
        assert heard.shape[1] == 2
        assert np.abs(heard[:, 0]).max() > 0.5
        assert not heard[:, 1].any()

    def test_the_first_of_two_tracks_is_heard(self, tmp_path):
        sounds = [sounding.clicks([0.5], 2.0), sounding.clicks([1.5], 2.0)]
        path = sounding.write(tmp_path / "film.mkv", sounds, codec="pcm_s16le")
        assert sounding.heard_at(all_of(path), RATE) == pytest.approx([0.5], abs=0.002)

    def test_a_track_that_cannot_be_read_is_passed_over(self, tmp_path, monkeypatch):
        sounds = [sounding.clicks([0.5], 2.0), sounding.clicks([1.5], 2.0)]
        path = sounding.write(tmp_path / "film.mkv", sounds, codec="pcm_s16le")
        content = path.read_bytes()
        # The first track's name of a codec becomes one that nobody knows.
        path.write_bytes(content.replace(b"A_PCM/INT/LIT", b"A_NONSENSEXXX", 1))
        assert sounding.heard_at(all_of(path), RATE) == pytest.approx([1.5], abs=0.002)

    def test_no_sound_is_said(self, tmp_path):
        path = stored.write_mkv(tmp_path / "mute.mkv", seconds=0.5, sound=False)
        with pytest.raises(FilmError, match="no sound that can be read") as error:
            next(footage.sound(path))
        assert error.value.code == "no_sound"


class TestDamage:
    def test_what_can_be_read_is_heard_and_the_rest_said(self, tmp_path):
        path = sounding.write(tmp_path / "film.mkv", [sounding.clicks(TIMES, 2.0)], codec="aac")
        content = bytearray(path.read_bytes())
        dice = np.random.default_rng(5)
        half = len(content) // 2
        content[half : half + 400] = dice.bytes(400)
        path.write_bytes(content)
        remarks = []
        heard = all_of(path, note=remarks.append)
        assert sounding.heard_at(heard, RATE)[0] == pytest.approx(0.5, abs=0.002)
        assert set(remarks) <= {"sound_damaged"}

    def test_a_film_that_breaks_off_is_heard_so_far(self, tmp_path):
        path = sounding.write(
            tmp_path / "film.mkv", [sounding.clicks(TIMES, 8.0)], seconds=8.0, codec="pcm_s16le"
        )
        content = path.read_bytes()
        path.write_bytes(content[: len(content) // 2])
        heard = all_of(path)
        assert 2.0 < len(heard) / RATE < 6.0
        assert sounding.heard_at(heard, RATE) == pytest.approx(TIMES, abs=0.002)

    @pytest.mark.parametrize("content", [b"", b"no film at all"])
    def test_what_is_no_film(self, tmp_path, content):
        path = tmp_path / "film.mkv"
        path.write_bytes(content)
        with pytest.raises(FilmError):
            next(footage.sound(path))
        with pytest.raises(FilmError):
            footage.motion(path, None)

    def test_what_is_not_there(self, tmp_path):
        with pytest.raises(FilmError, match="not there any more"):
            next(footage.sound(tmp_path / "film.mkv"))


class TestLimits:
    def test_memory_does_not_grow_with_the_film(self, long_film, children):
        held, most = [], 0
        tracemalloc.start()
        try:
            for block in footage.sound(long_film):
                most = max(most, tracemalloc.get_traced_memory()[0])
                if len(held) in (0, 1) or len(held) % 40 == 0:
                    with open(f"/proc/{children[-1].pid}/status") as status:
                        rows = dict(line.split(":", 1) for line in status)
                    held.append(int(rows.get("VmRSS", "0 kB").split()[0]))
                else:
                    held.append(held[-1])
                del block
        finally:
            tracemalloc.stop()
        # A block of five seconds is half a megabyte; all of it would be 86.
        assert len(held) > 150
        assert most < 5e6
        assert held[160] - held[40] < 8_000

    def test_a_child_that_uses_too_much_is_ended_in_words(self, long_film):
        with pytest.raises(FilmError) as error:
            all_of(long_film, limits=Limits(cpu_s=1))
        assert error.value.code == "too_heavy"

    def test_no_more_than_the_longest_film(self, long_film):
        assert len(all_of(long_film, limits=Limits(max_s=7.5))) == 7.5 * RATE

    def test_whoever_has_heard_enough_ends_the_child(self, long_film, children):
        blocks = footage.sound(long_film)
        next(blocks)
        assert children[0].poll() is None
        blocks.close()
        assert children[0].poll() == -9

    def test_what_tell_raises_ends_the_child(self, long_film, children):
        shares = []

        def tell(share):
            shares.append(share)
            if len(shares) == 3:
                raise InterruptedError

        with pytest.raises(InterruptedError):
            all_of(long_film, tell=tell)
        assert children[0].poll() == -9
        assert shares == sorted(shares)
        assert 0 < shares[-1] < 0.1

    def test_a_reader_that_takes_its_time_is_waited_for(self, long_film, monkeypatch):
        real = footage_ask._wish
        monkeypatch.setattr(footage_ask, "_wish", lambda *args: (real(*args)[0], 2.0))
        blocks = footage.sound(long_film)
        next(blocks)
        time.sleep(2.6)
        assert sum(1 for _block in itertools.islice(blocks, 20)) == 20
        blocks.close()

    def test_a_child_that_hangs_is_not_waited_for(self, long_film, monkeypatch, children):
        real = footage_ask._wish
        monkeypatch.setattr(footage_ask, "_wish", lambda *args: (real(*args)[0], 0.05))
        with pytest.raises(FilmError) as error:
            all_of(long_film)
        assert error.value.code == "too_heavy"


@pytest.fixture(scope="module")
def half(tmp_path_factory):
    """Four seconds in which the left half moves in the third; the right half always does."""

    def frame(number):
        pixels = np.full((90, 160, 3), 90, np.uint8)
        pixels[20:70, 90 + 5 * (number % 8) :][:, :20] = 230
        if 20 <= number < 30:
            pixels[20:70, 5 + 5 * (number % 8) :][:, :20] = 230
        return pixels

    path = tmp_path_factory.mktemp("half") / "film.webm"
    footage.write_webm((frame(n) for n in range(40)), 10, None, 48_000, path)
    return path


class TestMotion:
    def test_only_what_lies_inside_counts(self, half):
        left = [[0, 0], [0.5, 0], [0.5, 1], [0, 1]]
        moved = footage.motion(half, left)
        assert len(moved) == 20
        assert moved[:10].max() < 0.01
        assert moved[11:15].min() > 0.05
        assert moved[17:].max() < 0.01
        whole = footage.motion(half, None)
        assert whole[1:].min() > 0.02

    def test_the_corners_are_shares_of_the_picture(self, half):
        assert footage.motion(half, [[0, 0], [1, 0], [1, 0.15], [0, 0.15]]).max() < 0.01
        between = [[0.42, 0], [0.55, 0], [0.55, 1], [0.42, 1]]
        assert footage.motion(half, between).max() < 0.01
        assert not footage.motion(half, [[2, 2], [3, 2], [3, 3]]).any()

    def test_how_often(self, half):
        assert len(footage.motion(half, None, per_second=2.0)) == 8

    def test_a_lamp_that_flickers_is_no_movement(self, tmp_path):
        path = tmp_path / "film.webm"
        hall = np.tile(np.linspace(40, 120, 160), (90, 1))[:, :, None].repeat(3, axis=2)
        frames = ((hall + 40 * (n // 4 % 2)).astype(np.uint8) for n in range(20))
        footage.write_webm(frames, 10, None, 48_000, path)
        assert footage.motion(path, None).max() < 0.05

    def test_how_far_it_is(self, tmp_path):
        path = tmp_path / "film.webm"
        footage.write_webm((moving.frame(n) for n in range(40)), 10, None, 48_000, path)
        shares = []
        moved = footage.motion(path, None, tell=shares.append)
        assert moved[1:].min() > 0.3
        assert all(0 <= share <= 1 for share in shares)
