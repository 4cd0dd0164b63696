"""The drawn film's pictures, sound and file, compared with the truth that is kept beside it."""

import json
import math
import os
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import pytest

from clubcoach.compute.camera import court_lines
from reports.demo import scene
from reports.demo.scene_draw import Stage
from reports.demo.scene_figure import figures
from reports.demo.scene_frames import Wish, draw, draw_with_children, scene_of
from reports.demo.scene_movers import SHIRTS, Lens
from reports.demo.scene_paint import Patch, capsule, strokes
from reports.demo.scene_play import build
from reports.demo.scene_sound import RATE, sound_of
from sessions import footage


@pytest.fixture(scope="module")
def truth():
    return scene.scene_truth()


@pytest.fixture(scope="module")
def play():
    return build(scene.SEED)


@pytest.fixture(scope="module")
def people(play):
    return figures(play)


@pytest.fixture(scope="module")
def stage():
    return Stage(scene.camera(), scene.SEED)


@pytest.fixture(scope="module")
def sound(play):
    return sound_of(play)


def shirt_in(picture, colour):
    """Middle of the pixels of a shirt's colour, whatever their shade, and how many they are."""
    pixels = picture.astype(np.float32)
    length = np.linalg.norm(pixels, axis=2) + 1e-6
    wanted = np.array(colour, dtype=np.float32)
    alike = (pixels @ wanted) / (length * np.linalg.norm(wanted)) > 0.9985
    mask = (alike & (length > 0.5 * np.linalg.norm(wanted))).astype(np.uint8)
    count, _, stats, middles = cv2.connectedComponentsWithStats(mask, connectivity=8)
    if count < 2:
        return None, 0
    largest = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    return middles[largest], int(stats[largest, cv2.CC_STAT_AREA])


def test_players_stand_in_the_picture_where_the_truth_says(truth, play, people, stage):
    for hit in truth["hits"][::9]:
        picture = stage.frame(play, people, hit["t"] + 0.3)
        for player, figure in people.items():
            middle, area = shirt_in(picture, SHIRTS[player])
            points = figure.body(hit["t"] + 0.3).points
            trunk = scene.camera().project((points["hip"] + 1.6 * points["chest"]) / 2.6)
            size = scene.camera().focal / float(scene.camera().depth(points["chest"]))
            assert area > 10, (hit["t"], player)
            assert np.linalg.norm(middle - trunk) < 0.35 * size, (hit["t"], player, middle, trunk)


def test_whoever_plays_is_in_the_picture(play, people):
    camera = scene.camera()
    for hit in play.hits:
        for player in people:
            u, v = camera.project(people[player].body(hit.t).points["head"])
            assert 0 < u < camera.width, (hit, player)
            assert 0 < v < camera.height_px, (hit, player)
        u, v = camera.project(hit.place)
        assert 0 < u < camera.width, hit
        assert 0 < v < camera.height_px, hit


def test_many_strokes_at_once_look_as_one_by_one():
    rng = np.random.default_rng(4)
    one_by_one = rng.integers(0, 255, (90, 120, 3), dtype=np.uint8)
    at_once = one_by_one.copy()
    # Some reach over the edge, some are points, one is thinner than a pixel, one is out of the picture.
    ends = rng.uniform((-10, -10), (130, 100), (30, 2, 2))
    ends[:4, 1] = ends[:4, 0]
    ends[4] = [(300, 20), (320, 40)]
    radii = rng.uniform(0.2, 9, (30, 2))
    radii[5] = 0.2
    colours = rng.integers(0, 255, (30, 3)).astype(np.float32)
    shades = rng.choice([0.0, 0.38], 30).astype(np.float32)
    patch = Patch(at_once, 0, 0, 120, 90)
    strokes(patch, ends, radii, colours, shades)
    patch.finish()
    patch = Patch(one_by_one, 0, 0, 120, 90)
    for (start, end), (first, last), colour, shade in zip(ends, radii, colours, shades, strict=True):
        capsule(patch, start, end, first, last, tuple(colour), shade=shade)
    patch.finish()
    assert np.abs(at_once.astype(int) - one_by_one).max() <= 1


def test_lines_and_net_are_where_the_court_has_them(stage):
    picture = stage.floor_picture
    for name, share in (
        ("near service", 0.3),
        ("far service", 0.7),
        ("near central", 0.5),
        ("far central", 0.9),
    ):
        start, end = court_lines()[name]
        u, v = scene.camera().project(start + (end - start) * share).astype(int)
        around = picture[v - 1 : v + 2, u - 1 : u + 2].max(axis=(0, 1))
        assert around.min() > (150 if name.startswith("near") else 60), name
    floor = scene.camera().project([2.5, -5.0, 0.0]).astype(int)
    assert picture[floor[1], floor[0]].max() < 190
    top = scene.camera().project([2.0, 0.0, 0.87]).astype(int)
    with_net = picture.copy()
    stage.net.put(with_net)
    assert with_net[top[1], top[0]].min() > 200
    under = scene.camera().project([2.0, 0.0, 0.4]).astype(int)
    assert with_net[under[1], under[0]].astype(int).sum() < 0.8 * picture[under[1], under[0]].sum()


def test_the_ball_is_in_the_picture(play, people, stage):
    t = 5.62 + 0.7  # high over the net, against the hall
    here = play.ball(t)
    assert here[2] > 3
    u, v = scene.camera().project(here).astype(int)
    patch = stage.frame(play, people, t)[v - 4 : v + 5, u - 4 : u + 5].reshape(-1, 3).astype(int)
    assert ((patch[:, 1] > 150) & (patch[:, 2] < 140)).sum() >= 4


def test_the_same_arguments_give_the_same_pictures():
    one = list(scene.frames(width=320, height=180, start_s=7.0, end_s=7.4))
    scene_of.cache_clear()
    two = list(scene.frames(width=320, height=180, start_s=7.0, end_s=7.4))
    assert len(one) == 10
    assert all(a.tobytes() == b.tobytes() for a, b in zip(one, two, strict=True))
    assert any(a.tobytes() != b.tobytes() for a, b in pairwise(one))
    other = next(scene.frames(width=320, height=180, start_s=7.0, end_s=7.1, seed=8))
    assert other.tobytes() != one[0].tobytes()


def test_children_draw_the_same_pictures_in_the_same_order():
    wish = Wish(320, 180, 25, 130, 141, scene.SEED)
    here = [picture.tobytes() for picture in draw(wish)]
    theirs = [picture.tobytes() for picture in draw_with_children(wish, children=2)]
    assert len(here) == wish.count() == 11
    assert len(set(here)) == 11
    assert theirs == here


def children():
    """Processes that this one started and that have not been waited for."""
    listed = Path(f"/proc/{os.getpid()}/task").glob("*/children")
    return [pid for listing in listed for pid in listing.read_text().split()]


def test_a_child_that_fails_is_told_and_none_stays_behind():
    before = len(children())
    taken = draw_with_children(Wish(320, 180, 25, 130, 400, scene.SEED), children=2)
    next(taken)
    assert len(children()) == before + 2
    taken.close()
    assert len(children()) == before
    with pytest.raises(RuntimeError, match="ended early"):
        list(draw_with_children(Wish(320, 180, 0, 130, 141, scene.SEED), children=2))
    assert len(children()) == before


def test_the_lens_sees_as_the_camera_does():
    camera = scene.camera()
    places = np.random.default_rng(1).uniform((-5, -8, 0), (5, 10, 4), (50, 3))
    pixels, depths = Lens(camera).see(places)
    np.testing.assert_allclose(pixels, camera.project(places), atol=1e-6)
    np.testing.assert_allclose(depths, camera.depth(places), atol=1e-9)


# Sound


def loudness(sound, t, seconds):
    part = sound[round(t * RATE) : round((t + seconds) * RATE)]
    return float(np.sqrt(np.mean(part**2)))


def test_every_hit_and_touch_is_heard_at_its_time(truth, sound):
    assert len(sound) == round(truth["duration_s"] * RATE)
    assert np.abs(sound).max() <= 1.0
    for number, event in enumerate(truth["hits"] + [touch for touch in truth["touches"] if touch["in_play"]]):
        t = event["t"]
        assert loudness(sound, t, 0.02) > 3 * loudness(sound, t - 0.025, 0.02), event
        if number % 3:
            continue
        # The rise itself: the first millisecond that is five times as loud as before lies within 20 ms.
        quiet = loudness(sound, t - 0.025, 0.02)
        steps = [loudness(sound, t + step / 1000, 0.001) for step in range(-20, 21)]
        first = next(step for step, loud in zip(range(-20, 21), steps, strict=True) if loud > 5 * quiet)
        assert -1 <= first <= 20, event


def test_the_hall_is_quiet_and_the_sounds_differ(truth, sound):
    assert loudness(sound, 0.0, 0.25) < 0.01

    def pitch(t):
        part = sound[round(t * RATE) : round((t + 0.03) * RATE)]
        power = np.abs(np.fft.rfft(part)) ** 2
        share = np.cumsum(power) / power.sum()
        return float(np.fft.rfftfreq(len(part), 1 / RATE)[np.searchsorted(share, 0.5)])

    rackets = [pitch(hit["t"]) for hit in truth["hits"]]
    by_kind = {
        what: [pitch(touch["t"]) for touch in truth["touches"] if touch["what"] == what]
        for what in ("floor", "glass")
    }
    assert np.median(by_kind["glass"]) < np.median(by_kind["floor"]) < 0.6 * np.median(rackets)


# The film itself


def test_a_short_piece_is_written_and_read(tmp_path, play, people):
    shares = []
    told = scene.render_scene(
        tmp_path / "film.webm",
        tmp_path / "film.json",
        width=320,
        height=180,
        start_s=1.0,
        end_s=4.0,
        progress=shares.append,
    )
    assert json.loads((tmp_path / "film.json").read_text()) == told == scene.scene_truth()
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    seen = footage.probe(tmp_path / "film.webm")
    assert (seen.width, seen.height, seen.frames) == (320, 180, 75)
    assert seen.duration_s == pytest.approx(3.0, abs=0.05)
    stage = Stage(scene.camera(320, 180), scene.SEED)
    times = [0.0, 0.72, 2.04]
    for at, data in zip(times, footage.stills(tmp_path / "film.webm", times), strict=True):
        still = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)[..., ::-1].astype(int)
        drawn = stage.frame(play, people, 1.0 + at).astype(int)
        before = stage.frame(play, people, 0.8 + at).astype(int)
        assert np.abs(still - drawn).mean() < 4
        assert np.abs(still - drawn).mean() < np.abs(still - before).mean()


@pytest.mark.long
def test_the_whole_film(tmp_path, truth, play, people, stage):
    scene.render_scene(tmp_path / "film.webm", None)
    seen = footage.probe(tmp_path / "film.webm")
    assert seen.duration_s == pytest.approx(truth["duration_s"], abs=0.05)
    assert (seen.width, seen.height, seen.frame_rate) == (1280, 720, 25)
    assert (tmp_path / "film.webm").stat().st_size < 30 * 2**20
    times = [math.floor(hit["t"] * 25) / 25 for hit in truth["hits"][::4]]
    for at, data in zip(times, footage.stills(tmp_path / "film.webm", times), strict=True):
        still = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)[..., ::-1].astype(int)
        assert np.abs(still - stage.frame(play, people, at)).mean() < 4
