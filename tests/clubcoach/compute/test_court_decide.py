"""What places decide: the default list's checks, hand-worked places, repeated draws, and cameras nobody knows."""

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from clubcoach.compute import court_decide
from clubcoach.compute.camera import Camera
from clubcoach.compute.court import calibrate
from clubcoach.compute.court_decide import (
    DRAWN_ONLY,
    UNDECIDED,
    chance_met,
    chances_met,
    lines,
    measured,
    place_end,
    rule_of,
    spots_needed,
    verdict,
)
from tests.clubcoach.compute.court_cameras import PLACES
from tests.clubcoach.compute.court_places import CHECKS, DECIDED, told

HIGH = Camera(height=3.5, behind=1.0, hfov_deg=90.0, width=1280, height_px=720)


def pixels_of(places):
    return HIGH.project(np.column_stack([places, np.zeros(len(places))]))


@pytest.fixture(scope="module")
def fit():
    pixels = pixels_of(PLACES)
    seen = ((pixels >= 0) & (pixels <= [1280, 720])).all(axis=1)
    return calibrate(pixels[seen], PLACES[seen], image_size=(1280, 720))


def test_every_check_of_the_default_list_is_decided_drawn_or_said_to_be_neither():
    measured_ones = {code for code, row in CHECKS.items() if row["decides"] in ("spot", "two spots", "line")}
    ruled = {code: rule_of(row) for code, row in CHECKS.items()}
    assert {code for code, rule in ruled.items() if rule is None} == set(CHECKS) - measured_ones | set(
        UNDECIDED
    )
    assert {code for code, rule in ruled.items() if rule and not spots_needed(rule)} == set(DRAWN_ONLY)
    assert len(CHECKS) == 45
    assert len(DECIDED) == 24
    for code, rule in DECIDED.items():
        # Two players' halves are two places, although the list counts one player's.
        wanted = 2 if CHECKS[code]["decides"] == "two spots" or code == "P2" else 1
        assert spots_needed(rule) == wanted, code


def test_bounds_are_the_list_s_own():
    assert rule_of(CHECKS["S2"]).bounds == (5.0,)
    assert rule_of(CHECKS["S2"], "upper").bounds == (4.5,)
    assert rule_of(CHECKS["S4"], "upper").bounds == (4.5,)
    assert rule_of(CHECKS["G3"] | {"bounds": {"glass_m": 0.8}}).bounds == (9.2,)
    assert rule_of(CHECKS["F5"] | {"bounds": {"near_m": 4.0, "far_m": 7.2}}).bounds == (4.0, 7.2)
    assert rule_of(CHECKS["P3"]).bounds == (1.5,)
    assert rule_of(CHECKS["F5"] | {"bounds": {"near_m": 4.0}}) is None
    assert rule_of(CHECKS["F5"] | {"decides": "eye"}) is None
    assert rule_of(CHECKS["F5"] | {"code": "X1"}) is None


@pytest.mark.parametrize(
    ("code", "end", "expected"),
    [
        ("S2", "near", [[(-5, -5), (5, -5)]]),
        ("S2", "far", [[(-5, 5), (5, 5)]]),
        ("F5", "far", [[(-5, 4.5), (5, 4.5)], [(-5, 6.95), (5, 6.95)]]),
        ("G3", "near", [[(-5, -9), (5, -9)]]),
        ("L4", "near", [[(-5, 5), (5, 5)]]),
        ("L5", "far", [[(-5, -6.95), (5, -6.95)]]),
        ("P3", "near", [[(-1.5, 0), (-1.5, -10)], [(1.5, 0), (1.5, -10)]]),
        ("P2", "far", [[(0, 0), (0, 10)]]),
        ("S1", "near", [[(-5, 6.95), (5, 6.95)], [(0, 0), (0, 6.95)]]),
        ("N6", "far", [[(-0.5, 0), (-0.5, 10)], [(0.5, 0), (0.5, 10)]]),
        ("N4", "near", [[(-5, -6.95), (5, -6.95)]]),
        ("B6", "near", [[(-5, -6.95), (5, -6.95)]]),
        ("F3", "near", []),
        ("N1", "near", []),
    ],
)
def test_lines(code, end, expected):
    drawn = lines(rule_of(CHECKS[code]), end)
    np.testing.assert_allclose(np.array(drawn).reshape(-1, 2, 2), np.array(expected).reshape(-1, 2, 2))


# True places with the net at 0, the unit's or the opponents' end above it; what is clearly met, what clearly missed.
CLEAR = {
    "F3": ([(0, 4), (0.2, 4.1)], [(0, 4), (0.8, 4.2)]),
    "F4": ([(0, 4), (0.05, 4.05)], [(0, 4), (0.5, 4.2)]),
    "F5": ([(1, 3.5)], [(1, 5.7)]),
    "L4": ([(1, 6.5)], [(1, 3.5)]),
    "L5": ([(1, 7.9)], [(1, 5.9)]),
    "L6": ([(1, 5.5)], [(1, 7.9)]),
    "B3": ([(0, 4.6), (0.05, 4.0)], [(0, 4), (0.6, 4.1)]),
    "B4": ([(1, 3.5)], [(1, 6.0)]),
    "G3": ([(1, 7.9)], [(1, 9.8)]),
    "G4": ([(0, 6), (0.1, 5.0)], [(0, 6), (0.1, 6.1)]),
    "N1": ([(-2, 3), (2, 3.2)], [(-2, 2), (2, 5.5)]),
    "N2": ([(-2, 3), (2, 3.2)], [(-3, 3), (3, 3.2)]),
    "N3": ([(1, 2.5)], [(1, 0.6)]),
    "N4": ([(-2, 5), (2, 5.5)], [(-2, 5), (2, 8.5)]),
    "N5": ([(-2, 7.5), (2, 8)], [(-2, 7.5), (2, 4)]),
    "P2": ([(-2, 3), (2, 3)], [(-2, 3), (-1.5, 6)]),
    "P3": ([(0.5, 4)], [(-3, 4)]),
    "P4": ([(-2, 3), (2, 4.5)], [(-2, 2), (2, 8)]),
    "R3": ([(1, 7.9)], [(1, 9.8)]),
    "R4": ([(1, 7.9)], [(1, 5.7)]),
    "S2": ([(1, 4.0)], [(1, 6.5)]),
    "S3": ([(0, 4), (0.1, 4.05)], [(0, 4), (0.7, 4.3)]),
    "S4": ([(1, 3.5)], [(1, 5.5)]),
    "S6": ([(1, 7.9)], [(1, 5.9)]),
}


@pytest.mark.parametrize("code", sorted(DECIDED))
@pytest.mark.parametrize("end", ["near", "far"])
def test_clear_cases_at_either_end(fit, code, end):
    rule = DECIDED[code]
    side = [1.0, -1.0 if place_end(rule, end) == "near" else 1.0]
    good, bad = (np.array(places) * side for places in CLEAR[code])
    assert chance_met(rule, fit, pixels_of(good), end=end) > 0.8
    assert chance_met(rule, fit, pixels_of(bad), end=end) < 0.2


def test_one_spot_is_the_normal_curve_cut_at_the_wall(fit):
    spot = np.array([[1.0, 9.3]])
    _, spread = fit.to_court(pixels_of(spot))
    sd = np.sqrt(spread[0, 1, 1])
    expected = norm.cdf((9 - 9.3) / sd) / norm.cdf((10 - 9.3) / sd)
    assert chance_met(DECIDED["G3"], fit, pixels_of(spot), end="far") == pytest.approx(expected, abs=1e-6)
    at_the_line = pixels_of(np.array([[1.0, -5.0]]))
    assert chance_met(DECIDED["S2"], fit, at_the_line, end="near") == pytest.approx(0.5, abs=1e-6)
    assert chance_met(DECIDED["L4"], fit, at_the_line, end="far") == pytest.approx(0.5, abs=1e-6)


def test_the_view_s_error_is_shared_between_two_players(fit):
    """Both a little in front of the line: what moves one moves the other, so both are likelier than each for itself."""
    both = pixels_of(np.array([[-1.0, 6.8], [1.0, 6.8]]))
    joint = chance_met(DECIDED["N4"], fit, both, end="far")
    each = [chance_met(DECIDED["L6"], fit, both[[i]], end="far") for i in (0, 1)]
    assert each[0] * each[1] + 0.005 < joint < min(each)
    _, spreads = fit.to_court(both)
    _, apart = fit.apart(both[:1], both[1:])
    v1, v2, gap = spreads[0, 1, 1], spreads[1, 1, 1], apart[0, 1, 1]
    shared = (v1 + v2 - gap) / 2
    rng = np.random.default_rng(5)
    places = fit.to_court(both)[0][:, 1] + rng.multivariate_normal(
        [0, 0], [[v1, shared], [shared, v2]], 400_000
    )
    assert joint == pytest.approx((places < 6.95).all(axis=1).mean(), abs=0.003)


@pytest.fixture(scope="module")
def drawn_steps():
    rng = np.random.default_rng(6)
    length, turn = rng.uniform(0, 2, 200_000), rng.uniform(0, 2 * np.pi, 200_000)
    return length, (length * [np.cos(turn), np.sin(turn)]).T


@pytest.mark.parametrize("step", [(0.02, 0.0), (0.1, 0.25), (-0.1, 0.3), (0.35, 0.1), (0.2, 0.5)])
@pytest.mark.parametrize("spread", [0.5, 1.0, 3.0])
def test_a_step_s_chance_is_that_of_lengths_drawn_evenly(drawn_steps, step, spread):
    """Weighted draws: a length, a direction, and the normal density of what was then clicked."""
    covariance = spread**2 * np.array([[0.0016, 0.0006], [0.0006, 0.0081]])
    length, steps = drawn_steps
    weight = multivariate_normal.pdf(steps - step, cov=covariance)
    expected = weight[length < 0.3].sum() / weight.sum()
    found = court_decide._shorter(np.array([step]), covariance[None], 0.3)[0]
    assert found == pytest.approx(expected, abs=0.02)


def test_a_step_far_from_its_bound_is_sure():
    tight = np.eye(2)[None] * 1e-6
    assert court_decide._shorter(np.array([[0.1, 0.0]]), tight, 0.3)[0] == 1.0
    assert court_decide._shorter(np.array([[3.0, 0.0]]), tight, 0.3)[0] == 0.0
    assert court_decide._shorter(np.array([[0.3, 0.0]]), tight, 0.3)[0] == pytest.approx(0.5, abs=0.01)
    assert np.isnan(court_decide._shorter(np.array([[np.nan, 0.0]]), tight, 0.3)[0])


def test_no_step_has_no_direction(fit):
    same = pixels_of(np.array([[0.0, -4.0], [0.0, -4.0]]))
    assert verdict(chance_met(DECIDED["B3"], fit, same, end="near")) == "close"


def test_what_it_cannot_tell(fit):
    on_court = pixels_of(np.array([[1.0, -4.0]]))
    assert np.isnan(chance_met(DECIDED["S2"], fit, on_court, end="far")), "the other half"
    assert np.isnan(chance_met(DECIDED["L4"], fit, on_court, end="near")), "the opponents are over there"
    assert np.isnan(chance_met(DECIDED["S2"], fit, [[640.0, 5.0]], end="near")), "the sky"
    behind = pixels_of(np.array([[1.0, 13.0]]))
    assert np.isnan(chance_met(DECIDED["G3"], fit, behind, end="far")), "behind the wall"
    one_off = pixels_of(np.array([[1.0, -4.0], [1.0, 4.0]]))
    assert np.isnan(chance_met(DECIDED["N1"], fit, one_off, end="near")), "one on either half"
    for code in DRAWN_ONLY:
        assert np.isnan(chance_met(rule_of(CHECKS[code]), fit, np.empty((0, 2)), end="near"))
    with pytest.raises(ValueError, match="S2 takes 1 clicks"):
        chance_met(DECIDED["S2"], fit, one_off, end="near")
    with pytest.raises(ValueError, match="N1 takes 2 clicks"):
        chance_met(DECIDED["N1"], fit, on_court, end="near")
    assert chances_met(DECIDED["S2"], fit, np.empty((0, 1, 2)), end="near").shape == (0,)


def test_verdicts():
    told_as = [verdict(share) for share in (0.9, 0.81, 0.8, 0.5, 0.2, 0.19, float("nan"))]
    assert told_as == ["met", "met", "close", "close", "close", "missed", ""]


def test_what_is_measured(fit):
    def of(code, places, end="near"):
        return measured(rule_of(CHECKS[code]), fit, pixels_of(np.array(places)), end=end)

    value, sd = of("S2", [(1.0, -4.1)])
    assert (value, sd) == (pytest.approx(4.1, abs=1e-6), pytest.approx(0.07, abs=0.05))
    assert of("L4", [(1.0, 5.5)])[0] == pytest.approx(5.5)
    assert of("P3", [(-1.2, -4.0)])[0] == pytest.approx(1.2)
    assert of("N1", [(-2, -3), (2, -4.4)])[0] == pytest.approx(1.4)
    assert of("N2", [(-2, -3), (2.5, -4.4)])[0] == pytest.approx(4.5)
    assert of("F3", [(0, -4), (0.3, -4.4)])[0] == pytest.approx(0.5)
    assert of("G4", [(0, -6), (0.3, -5.2)])[0] == pytest.approx(0.8)
    assert of("G4", [(0, 6), (0.3, 6.5)], "far")[0] == pytest.approx(-0.5)
    assert of("N4", [(-2, -5), (2, -6.5)])[0] == pytest.approx(6.5)
    assert of("N5", [(-2, -5), (2, -6.5)])[0] == pytest.approx(5.0)
    assert of("P2", [(-2, -5), (0.4, -6.5)])[0] == pytest.approx(0.4)
    # A step is known better than a difference of two places that share nothing.
    _, apart = fit.apart(pixels_of(np.array([[0.0, 4.0]])), pixels_of(np.array([[0.0, 4.4]])))
    assert of("F3", [(0, 4), (0, 4.4)], "far")[1] == pytest.approx(np.sqrt(apart[0, 1, 1]), rel=1e-6)
    with pytest.raises(ValueError, match="takes 2 clicks"):
        of("N1", [(-2, -3)])


# One of each kind, where it is hardest.
HARD = ["F5", "F4", "N4", "N1", "G3", "P2", "B3", "L4"]


@pytest.mark.parametrize("height", [1.6, 3.5, 5.0])
def test_what_is_proposed_for_hidden_cameras_is_so(height):
    runs = [told(seed, height, HARD, cameras=3, spots=12) for seed in (61, 62, 63, 64, 65)]
    off, certain, n = [], [], []
    for key in runs[0]:
        some = [run[key] for run in runs]
        whole = type(some[0])(
            *(np.concatenate([getattr(one, p) for one in some]) for p in ("said", "true", "certain"))
        )
        share, count = whole.right_when_sure()
        assert count > 30, key
        assert share >= 0.8, (key, share)
        off.append(whole.off())
        certain.append(whole.off(whole.certain))
        n.append(len(whole.said))
    assert np.average(off, weights=n) < 0.06
    if height < 2:
        assert np.average(certain, weights=n) > 1.5 * np.average(off, weights=n)
