"""Plans of a drill as data: what is refused, in words, and the geometry of their drawing."""

import copy
import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from clubcoach.compute import diagram
from clubcoach.compute.diagram import VIEWS, is_drawable, validate_diagram

WHOLE = {
    "view": "whole",
    "players": [{"id": "P1", "at": [2.5, -8]}, {"id": "P2", "at": [-2.5, -8]}],
    "feeder": {"at": [0, 3], "how": "racket"},
    "paths": [
        {"kind": "lob", "points": [[2.5, -8], [2.5, 8]]},
        {"kind": "run", "points": [[2.5, -8], [1.5, -5], [2, -3]]},
    ],
    "bounces": [[2.5, 8]],
    "targets": [{"at": [3, 8.5], "size": [4, 3]}],
    "cones": [[-5, -4], [5, -4]],
}


def with_change(**changes):
    return {**copy.deepcopy(WHOLE), **changes}


SAME = "two that follow are the same"
LONG = [(0, y) for y in range(7)]


def path(kind="run", *points):
    return {"kind": kind, "points": [list(point) for point in points]}


def test_a_plan_with_everything_is_right():
    assert validate_diagram(WHOLE) == []
    assert is_drawable(WHOLE)


def test_no_plan_is_right_and_draws_nothing():
    assert validate_diagram({}) == []
    assert not is_drawable({})
    assert not is_drawable(None)


@pytest.mark.parametrize(
    ("changes", "where", "what"),
    [
        ({"view": "beach"}, ": view", "'beach' is not known"),
        ({"view": None}, ": view", "None is not known"),
        ({"colour": "red"}, "", "'colour' is no field of a plan"),
        ({"players": []}, ": players", "nobody is on the plan"),
        ({"players": {"P1": [0, 0]}}, ": players", "it is not a list"),
        ({"players": ["P1"]}, ": players, entry 1", "it is not an object"),
        ({"players": [{"id": "P5", "at": [0, 0]}]}, ": players, entry 1: id", "'P5' is not known"),
        ({"players": [{"id": "P1", "at": [0, 0]}] * 2}, ": players", "P1 stands twice"),
        ({"players": [{"id": "P1", "at": [0, 0]}] * 5}, ": players", "there are 5 of them"),
        ({"players": [{"id": "P1"}]}, ": players, entry 1: at", "it is no point"),
        ({"players": [{"id": "P1", "at": [5.1, 0]}]}, ": players, entry 1: at", "it lies outside what the view shows"),
        ({"feeder": [0, 0]}, ": feeder", "it is not an object"),
        ({"feeder": {"at": [0, 0], "how": "machine"}}, ": feeder: how", "'machine' is not known"),
        ({"feeder": {"at": [0, 10.5], "how": "hand"}}, ": feeder: at", "it lies outside what the view shows"),
        ({"paths": [path("run", (0, 0))]}, ": paths, entry 1: points", "it has too few or too many"),
        ({"paths": [path("run", *LONG)]}, ": paths, entry 1: points", "it has too few or too many"),
        ({"paths": [path("fly", (0, 0), (1, 1))]}, ": paths, entry 1: kind", "'fly' is not known"),
        ({"paths": [path("run", (0, 0), (0, 0))]}, ": paths, entry 1: points", SAME),
        ({"paths": [path("run", (0, 0), (9e-9, 0))]}, ": paths, entry 1: points", SAME),
        ({"paths": [path("run", (0, 0), (0, math.inf))]}, ": paths, entry 1: points", "it is no point"),
        ({"paths": [path("run", (0, 0), (0, -11))]}, ": paths, entry 1: points", "it lies outside what the view shows"),
        ({"paths": [path("run", (0, 0), (0, -1))] * 9}, ": paths", "there are 9 of them"),
        ({"paths": ["run"]}, ": paths, entry 1", "it is not an object"),
        ({"targets": [{"at": [0, 0], "size": [0, 1]}]}, ": targets, entry 1", "it is no box"),
        ({"targets": [{"at": [0, 0]}]}, ": targets, entry 1", "it is no box"),
        ({"targets": [{"at": [4, 0], "size": [3, 1]}]}, ": targets, entry 1", "it lies outside what the view shows"),
        ({"cones": [[0, 0], [True, 1]]}, ": cones, entry 2", "it is no point"),
        ({"cones": [[0, 0, 0]]}, ": cones, entry 1", "it is no point"),
        ({"bounces": [[0, 0]] * 5}, ": bounces", "there are 5 of them"),
    ],
)  # fmt: skip
def test_a_broken_plan_is_named(changes, where, what):
    problems = validate_diagram(with_change(**changes))
    assert [(problem.where, problem.what) for problem in problems] == [(f"court{where}", what)]
    assert problems[0].what_to_do
    assert not is_drawable(with_change(**changes))


@pytest.mark.parametrize("view", VIEWS)
def test_a_view_ends_where_it_ends(view):
    span = VIEWS[view]
    for x, y in ((span.left, span.near), (span.right, span.far)):
        assert validate_diagram({"view": view, "players": [{"id": "P1", "at": [x, y]}]}) == []
    for x, y in ((span.left - 0.01, 0), (span.right + 0.01, 0), (0, span.near - 0.01), (0, span.far + 0.01)):
        problems = validate_diagram({"view": view, "players": [{"id": "P1", "at": [x, y]}]})
        assert [problem.what for problem in problems] == ["it lies outside what the view shows"]


numbers = st.floats() | st.integers() | st.just(10**400)
json_values = st.recursive(
    st.none()
    | st.booleans()
    | numbers
    | st.text(max_size=8)
    | st.sampled_from(["P1", "run", "half", "hand"]),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=6), inner, max_size=4),
    max_leaves=12,
)


@given(court=json_values)
def test_no_value_raises(court):
    assert isinstance(validate_diagram(court), list)


@given(field=st.sampled_from(diagram.FIELDS), value=json_values)
def test_no_value_in_a_field_raises(field, value):
    assert isinstance(validate_diagram(with_change(**{field: value})), list)


@given(
    where=st.sampled_from([("players", 0), ("players", 0, "at"), ("paths", 0), ("paths", 1, "points"),
                           ("targets", 0), ("targets", 0, "size"), ("feeder", "at"), ("cones", 0)]),
    value=json_values,
)  # fmt: skip
def test_no_value_deeper_down_raises(where, value):
    court = copy.deepcopy(WHOLE)
    inner = court
    for step in where[:-1]:
        inner = inner[step]
    inner[where[-1]] = value
    assert isinstance(validate_diagram(court), list)


class TestPlaces:
    @pytest.mark.parametrize(
        ("view", "point", "expected"),
        [
            ("half", (0, -3), ("net", "centre")),
            ("half", (0, -4.5), ("net", "centre")),
            ("half", (-3, -5), ("strip", "left")),
            ("half", (3, -6.95), ("strip", "right")),
            ("half", (3, -7), ("back", "right")),
            ("whole", (3, -9.5), ("glass", "right")),
            ("whole", (-3, 9.5), ("far_glass", "left")),
            ("whole", (1.2, 3), ("far_net", "centre")),
            ("wall", (0, 0), ("wall", "centre")),
            ("wall", (-2, -2), ("near_wall", "left")),
            ("wall", (2, -4), ("off_wall", "right")),
            ("room", (0, 1), ("front", "centre")),
            ("room", (-1, 0), ("middle", "left")),
            ("room", (1, -1), ("rear", "right")),
        ],
    )
    def test_words(self, view, point, expected):
        assert diagram.place(view, point) == expected


coordinates = st.integers(-50, 50).map(lambda value: value / 5)
points = st.tuples(coordinates, coordinates)
walks = st.lists(points, min_size=2, max_size=6).filter(lambda walk: all(a != b for a, b in pairwise(walk)))


def length(walk):
    return sum(math.dist(a, b) for a, b in pairwise(walk))


class TestGeometry:
    def test_a_path_is_cut_at_both_ends(self):
        assert diagram.shortened([(0, 0), (0, 10)], 1, 2) == [(0, 1), (0, 8)]
        assert diagram.shortened([(0, 0), (10, 0), (10, 4)], 1, 1) == [(1, 0), (10, 0), (10, 3)]
        assert diagram.shortened([(0, 0), (1, 0)]) == [(0, 0), (1, 0)]

    @given(walk=walks, start=st.floats(0, 9), end=st.floats(0, 9))
    def test_a_cut_path_keeps_its_way(self, walk, start, end):
        cut = diagram.shortened(walk, start, end)
        assert len(cut) == len(walk)
        assert cut[1:-1] == [tuple(map(float, point)) for point in walk[1:-1]]
        assert 0 < length(cut) <= length(walk) + 1e-9
        first, then, before = (
            math.dist(*pair) for pair in ((walk[0], walk[1]), (cut[0], walk[1]), (walk[0], cut[0]))
        )
        assert then + before == pytest.approx(first)

    def test_an_arrow_head_points_the_way_of_the_path(self):
        tip, left, right = diagram.arrow_head([(5, 5), (0, 0), (0, 10)], 2)
        assert tip == (0, 10)
        assert (left, right) == ((-0.9, 8), (0.9, 8))

    @given(walk=walks)
    def test_an_arrow_head_is_as_long_as_it_should_be(self, walk):
        tip, left, right = diagram.arrow_head(walk, 3)
        base = ((left[0] + right[0]) / 2, (left[1] + right[1]) / 2)
        assert tip == walk[-1]
        assert math.dist(tip, base) == pytest.approx(3)
        assert math.dist(left, right) == pytest.approx(2.7)

    def test_a_letter_stands_in_the_middle_of_the_longest_piece(self):
        assert diagram.middle_of([(0, 0), (0, 10)]) == (0, 5)
        assert diagram.middle_of([(0, 0), (4, 0), (4, 8)]) == (4, 4)
        assert diagram.middle_of([(0, 0), (4, 0), (4, 4)]) == (2, 0)

    @given(walk=walks, away=st.floats(0.5, 9))
    def test_or_beside_it(self, walk, away):
        x, y = diagram.beside(walk, away)
        (x0, y0), (x1, y1) = walk[:2]
        assert math.dist((x, y), ((x0 + x1) / 2, (y0 + y1) / 2)) == pytest.approx(away)
        assert (x - (x0 + x1) / 2) * (x1 - x0) + (y - (y0 + y1) / 2) * (y1 - y0) == pytest.approx(0, abs=1e-6)

    @given(
        width=st.integers(1, 200), height=st.integers(1, 200), gap=st.integers(2, 20),
        left=st.integers(-50, 50), top=st.integers(-50, 50),
    )  # fmt: skip
    def test_hatching_stays_in_its_box_and_slants_alike(self, width, height, gap, left, top):
        lines = diagram.hatching(left, top, width, height, gap)
        assert len(lines) == math.ceil((width + height) / gap) - 1
        for (x0, y0), (x1, y1) in lines:
            assert left <= x0 < x1 <= left + width
            assert top <= y1 < y0 <= top + height
            assert x1 - x0 == pytest.approx(y0 - y1)
