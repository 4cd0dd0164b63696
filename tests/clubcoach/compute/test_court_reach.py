"""What a camera place can show, against the default check list and a camera worked by hand."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm

from clubcoach.compute.camera import Camera
from clubcoach.compute.court import calibrate
from clubcoach.compute.court_reach import ZONES, chance, chance_between, reach, too_close, zones
from tests.clubcoach.compute.court_cameras import PLACES

CHECKS = json.loads((Path(__file__).parents[3] / "fixtures" / "check_list.json").read_text())["checks"]
HIGH = Camera(height=3.5, behind=1.0, hfov_deg=90.0, width=1280, height_px=720)
TRIPOD = Camera(height=1.6, behind=1.0, hfov_deg=90.0, width=1280, height_px=720, tilt_deg=6.0)


def pixels_of(camera, places):
    return camera.project(np.column_stack([places, np.zeros(len(places))]))


def fit_of(camera, click_sd=2.0):
    pixels = pixels_of(camera, PLACES)
    seen = ((pixels >= 0) & (pixels <= [camera.width, camera.height_px])).all(axis=1)
    size = (camera.width, camera.height_px)
    return calibrate(pixels[seen], PLACES[seen], image_size=size, click_sd=click_sd)


def rows_of(fit, **how):
    return {(row.code, row.end): row for row in reach(fit, CHECKS, **how)}


def test_zones_are_what_the_camera_says():
    fit = fit_of(HIGH)
    zone = zones(fit)
    assert list(zone) == list(ZONES) == ["near", "middle", "far"]
    # A metre across is focal / depth pixels; the far zone's middle is 6.5 m behind the net.
    depth = HIGH.depth([0.0, 6.5, 0.0])
    assert zone["far"].px_per_m == pytest.approx(HIGH.focal / depth, rel=0.02)
    assert (zone["middle"].seen, zone["far"].seen) == (1.0, 1.0)
    assert 0.5 < zone["near"].seen < 0.8
    # Two pixels of click are the least that is not known; the fit adds some.
    least = 2 * HIGH.metres_per_pixel([[0.0, 6.5]])[0]
    assert least[0] < zone["far"].across_m < 1.6 * least[0]
    assert least[1] < zone["far"].along_m < 1.5 * least[1]
    assert zone["near"].sd_m < zone["middle"].sd_m < zone["far"].sd_m


def test_a_zone_outside_the_picture_is_not_a_number():
    down = Camera(height=3.5, behind=1.0, hfov_deg=60.0, width=1280, height_px=720, tilt_deg=2.0)
    zone = zones(fit_of(down))
    assert zone["near"].seen < 0.3
    pixels = pixels_of(down, PLACES) + np.array([0, 400])
    seen = ((pixels >= 0) & (pixels <= [1280, 1120])).all(axis=1)
    moved = calibrate(pixels[seen], PLACES[seen], image_size=(1280, 720))
    zone = zones(moved)
    assert zone["near"].seen == 0
    assert np.isnan(zone["near"].sd_m)
    rows = rows_of(moved)
    assert {row.why for (_, end), row in rows.items() if end == "near"} == {"not_seen"}


def test_every_check_has_a_row_for_each_of_its_ends():
    rows = reach(fit_of(HIGH), CHECKS)
    asked = [
        (c["code"], end) for c in CHECKS for end in (("near", "far") if c["end"] == "both" else (c["end"],))
    ]
    assert [(row.code, row.end) for row in rows] == asked
    assert all(row.can == (not row.why) for row in rows)


def test_a_high_place_shows_what_the_check_list_asks_of_it():
    rows = rows_of(fit_of(HIGH), lines=1080)
    cannot = {key: row.why for key, row in rows.items() if not row.can}
    # Its picture begins 2 m before the near back wall; a far step of 0.6 m is two clicks of 15 cm a pixel.
    assert cannot == {
        ("G3", "near"): "not_seen",
        ("R3", "near"): "not_seen",
        ("N7", "far"): "too_coarse",
    }


def test_a_tripod_shows_less_of_the_far_half():
    high, low = rows_of(fit_of(HIGH), lines=1080), rows_of(fit_of(TRIPOD), lines=1080)
    lost = {key for key in high if high[key].can and not low[key].can}
    assert {("F5", "far"), ("L6", "far"), ("B6", "far"), ("N4", "far"), ("F4", "near")} <= lost
    assert all(low[key].why == "too_coarse" for key in lost)
    assert low["B4", "near"].can
    assert low["P2", "far"].can, "across the court a low camera is as good"


def test_few_lines_are_said():
    rows = rows_of(fit_of(HIGH))
    assert (rows["L5", "far"].why, rows["S6", "far"].why) == ("needs_1080", "needs_1080")
    tiny = rows_of(fit_of(HIGH), lines=240)
    assert tiny["B1", "far"].why == "too_small"


def test_spread_of_what_decides_is_that_of_the_measure():
    fit = fit_of(HIGH)
    rows = rows_of(fit)
    spots = pixels_of(HIGH, np.array([[0.0, 6.95], [0.0, 0.0]]))
    _, covariances = fit.to_court(spots)
    assert rows["B6", "far"].sd_m == pytest.approx(np.sqrt(covariances[0, 1, 1]), rel=0.1)
    # A gap across is two clicks across, not along.
    assert rows["N2", "far"].sd_m < rows["P4", "far"].sd_m / 2
    # The worse of two bounds counts.
    assert rows["F5", "far"].sd_m == rows["L6", "far"].sd_m > rows["B4", "far"].sd_m


def test_a_bound_of_a_club_changes_what_can_be_judged():
    fit = fit_of(TRIPOD)
    own = {"code": "X", "decides": "two spots", "end": "near", "needs": "", "bounds": {"under_m": 0.2}}
    assert not reach(fit, [own])[0].can
    assert reach(fit, [own | {"bounds": {"under_m": 1.0}}])[0].can


def test_chances_are_those_of_the_normal_curve():
    fit = fit_of(HIGH)
    spots = np.array([[1.0, 4.5], [1.0, 4.0], [-2.0, -6.0], [0.1, 8.0]])
    pixels = pixels_of(HIGH, spots)
    _, covariances = fit.to_court(pixels)
    sd = np.sqrt(covariances[:, 1, 1])
    expected = norm.cdf((4.5 - np.abs(spots[:, 1])) / sd)
    np.testing.assert_allclose(chance(fit, pixels, 4.5), expected, atol=1e-6)
    assert chance(fit, pixels, 4.5)[0] == pytest.approx(0.5)
    across = chance(fit, pixels, 1.5, measure="centre")
    np.testing.assert_allclose(
        across, norm.cdf((1.5 - np.abs(spots[:, 0])) / np.sqrt(covariances[:, 0, 0])), atol=1e-6
    )
    assert np.isnan(chance(fit, [[640, 5]], 4.5)).all()
    with pytest.raises(ValueError, match="measure"):
        chance(fit, pixels, 4.5, measure="height")


def test_chances_hold_over_many_clicks():
    """Of spots said to be nearer with some chance, that share is (spots drawn evenly, so no prior is hurt)."""
    rng = np.random.default_rng(3)
    fit = fit_of(HIGH, click_sd=2.0)
    spots = np.column_stack([rng.uniform(-3, 3, 20000), rng.uniform(3, 6, 20000)])
    said = chance(fit, pixels_of(HIGH, spots) + rng.normal(0, 2, spots.shape), 4.5)
    truth = spots[:, 1] < 4.5
    for low in (0.1, 0.3, 0.5, 0.7):
        some = (said >= low) & (said < low + 0.2)
        assert truth[some].mean() == pytest.approx(said[some].mean(), abs=0.06)


def test_two_spots():
    fit = fit_of(HIGH)
    first = pixels_of(HIGH, np.array([[1.0, -3.0], [1.0, -3.0]]))
    second = pixels_of(HIGH, np.array([[-1.0, -3.5], [-1.0, -6.0]]))
    alike = chance_between(fit, first, second, 1.5)
    assert alike[0] > 0.99
    assert alike[1] < 0.01
    assert chance_between(fit, first, second, 2.0, measure="centre") == pytest.approx([0.5, 0.5], abs=1e-6)


def test_too_close():
    assert too_close([0.1, 0.2, 0.21, 0.5, 0.79, 0.8, np.nan]).tolist() == [
        False,
        False,
        True,
        True,
        True,
        False,
        True,
    ]
