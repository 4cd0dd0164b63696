"""The drawing of a plan: as many marks as the data, inside its frame, the same in words, and nothing for nonsense."""

import json
import re
from pathlib import Path
from xml.etree import ElementTree

import pytest
from django.utils import translation
from hypothesis import given, settings
from hypothesis import strategies as st

from clubcoach.compute.diagram import FEEDS, FIELDS, PATH_KINDS, PLAYERS, VIEWS, is_drawable
from players.diagram_words import legend_words, plan_words
from players.diagrams import diagram

ROOT = Path(__file__).resolve().parents[2]
CSS = (ROOT / "clubcoach" / "static" / "clubcoach" / "diagram.css").read_text(encoding="utf-8")
DRILLS = json.loads((ROOT / "fixtures" / "drills.json").read_text(encoding="utf-8"))["drills"]
LOB = {
    "view": "whole",
    "players": [{"id": "P1", "at": [2.5, -8]}, {"id": "P2", "at": [-2.5, -8]}],
    "feeder": {"at": [0, 3], "how": "racket"},
    "paths": [
        {"kind": "ball", "points": [[0, 3], [2.5, -8]]},
        {"kind": "lob", "points": [[2.5, -8], [2.5, 8]]},
        {"kind": "run", "points": [[2.5, -8], [1.5, -5.5], [2, -3]]},
    ],
    "bounces": [[2.5, 8]],
    "targets": [{"at": [3, 8.5], "size": [4, 3]}],
    "cones": [[-4.7, -4], [4.7, -4]],
}


def drawn(court, **kwargs):
    """The figure as a tree, and of it the drawing without the legend."""
    figure = ElementTree.fromstring(diagram(court, title="A drill", **kwargs))
    return figure, figure.find("svg")


def count(tree, kind):
    return len([node for node in tree.iter() if node.get("class") == kind])


def expect_marks(court):
    _, drawing = drawn(court)
    paths = court.get("paths", [])
    assert count(drawing, "plan-player") == len(court["players"])
    assert count(drawing, "plan-feeder") == (1 if court.get("feeder") else 0)
    for kind in PATH_KINDS:
        assert count(drawing, f"plan-{kind}") == len([path for path in paths if path["kind"] == kind])
    assert count(drawing, "plan-letter") == (len(paths) if len(paths) > 1 else 0)
    assert count(drawing, "plan-bounce") == len(court.get("bounces", []))
    assert count(drawing, "plan-target") == len(court.get("targets", []))
    assert count(drawing, "plan-cone") == len(court.get("cones", []))


def expect_inside(court):
    _, drawing = drawn(court)
    _, _, width, height = map(float, drawing.get("viewBox").split())
    for node in drawing.iter():
        across = [float(node.get(name)) for name in ("x", "x1", "x2", "cx") if node.get(name)]
        down = [float(node.get(name)) for name in ("y", "y1", "y2", "cy") if node.get(name)]
        if node.tag == "rect":
            across.append(across[0] + float(node.get("width")))
            down.append(down[0] + float(node.get("height")))
        if node.tag == "circle":
            reach = float(node.get("r"))
            across += [across[0] - reach, across[0] + reach]
            down += [down[0] - reach, down[0] + reach]
        for pair in (node.get("points") or "").split():
            x, y = pair.split(",")
            across.append(float(x))
            down.append(float(y))
        assert all(0 <= value <= width for value in across), ElementTree.tostring(node)
        assert all(0 <= value <= height for value in down), ElementTree.tostring(node)


@pytest.mark.parametrize("drill", DRILLS, ids=lambda drill: drill["code"])
def test_a_drill_of_the_library_is_drawn_whole(drill):
    expect_marks(drill["court"])
    expect_inside(drill["court"])
    drawing = ElementTree.fromstring(diagram(drill["court"], title=drill["name"])).find("svg")
    assert drawing.get("role") == "img"
    assert drawing.get("aria-label").startswith(f"{drill['name']}. ")


@st.composite
def plans(draw):
    view = draw(st.sampled_from(sorted(VIEWS)))
    span = VIEWS[view]
    spot = st.tuples(st.floats(span.left, span.right), st.floats(span.near, span.far)).map(
        lambda point: [round(value, 2) for value in point]
    )
    # Pieces down to the shortest one that is allowed, and below.
    way = st.lists(spot, min_size=2, max_size=6) | spot.flatmap(
        lambda at: st.floats(-0.3, 0.3).map(lambda step: [at, [at[0] + step, at[1]]])
    )
    people = draw(st.lists(st.sampled_from(PLAYERS), min_size=1, max_size=4, unique=True))
    court = {"view": view, "players": [{"id": code, "at": draw(spot)} for code in people]}
    if draw(st.booleans()):
        court["feeder"] = {"at": draw(spot), "how": draw(st.sampled_from(FEEDS))}
    court["paths"] = [
        {"kind": draw(st.sampled_from(PATH_KINDS)), "points": points}
        for points in draw(st.lists(way, max_size=8))
    ]
    court["bounces"] = draw(st.lists(spot, max_size=4))
    court["cones"] = draw(st.lists(spot, max_size=8))
    size = st.floats(0.01, 6).map(lambda value: round(value, 2))
    court["targets"] = [
        {"at": at, "size": [draw(size), draw(size)]} for at in draw(st.lists(spot, max_size=4))
    ]
    return court


@given(court=plans())
@settings(max_examples=150, deadline=None)
def test_whatever_is_valid_is_drawn_inside_its_frame(court):
    if not is_drawable(court):
        assert diagram(court, title="A drill") == ""
        return
    expect_marks(court)
    expect_inside(court)


junk = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=6),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=8,
)


@given(field=st.sampled_from(FIELDS), value=junk, whole=junk)
@settings(deadline=None)
def test_nonsense_never_raises_and_draws_nothing(field, value, whole):
    assert diagram(whole, title="A drill") == ""
    court = {**LOB, field: value}
    assert (diagram(court, title="A drill") == "") == (not is_drawable(court))


@pytest.mark.parametrize("court", [None, {}, [], "half", 3, {"view": "half"}, {**LOB, "view": "<script>"}])
def test_no_plan_is_no_figure(court):
    assert diagram(court, title="A drill") == ""


def test_what_people_wrote_is_escaped():
    markup = diagram(LOB, title='"><script>alert(1)</script>')
    assert "<script" not in markup
    assert 'aria-label="&quot;&gt;&lt;script&gt;' in markup


def test_colours_and_sizes_come_from_the_style_sheet_alone():
    markup = diagram(LOB, title="A drill")
    assert not re.search(r"\b(style|fill|stroke|id|on\w+)=", markup)
    for name in set(re.findall(r'class="(plan[\w-]*)', markup)):
        assert f".{name}" in CSS, name


def test_the_words_say_who_goes_where_in_the_order_of_the_letters():
    assert plan_words(LOB) == [
        "The whole court from above; your end is at the bottom.",
        "Player 1 starts at the place behind the service line on the right.",
        "Player 2 starts at the place behind the service line on the left.",
        "The feeder stands at the far side of the net in the middle and uses the racket.",
        "a: Low ball from the feeder to player 1.",
        "b: High ball from player 1 to the place behind the far service line on the right.",
        "c: On foot from player 1 to the strip before the service line on the right, then to the net on the right.",
        "The ball bounces at the place behind the far service line on the right.",
        "There is a target at the place behind the far service line on the right.",
        "There is a marker at the net on the left.",
        "There is a marker at the net on the right.",
    ]
    one = {**LOB, "paths": LOB["paths"][:1]}
    assert "Low ball from the feeder to player 1." in plan_words(one)


def test_a_ball_that_comes_back_is_told_so_and_a_bend_in_one_place_is_not():
    back = {
        "view": "half",
        "players": [{"id": "P1", "at": [0, -8]}],
        "paths": [{"kind": "ball", "points": [[3, -3], [3, -8], [3, -8.5], [3, -10], [3, -8]]}],
    }
    assert plan_words(back)[2] == (
        "Low ball from the net on the right to the place behind the service line on the right, then to the back "
        "glass on the right, then to the place behind the service line on the right."
    )


def test_the_legend_names_what_is_shown_and_nothing_else():
    kinds = [kind for kind, _ in legend_words(LOB)]
    assert kinds == [
        "player", "racket", "run", "ball", "lob", "bounce", "target", "cone", "net", "glass", "mesh",
    ]  # fmt: skip
    room = {"view": "room", "players": [{"id": "P1", "at": [0, 0]}]}
    assert legend_words(room) == [("player", "player")]
    figure, _ = drawn(LOB)
    assert len(figure.findall("figcaption/ul/li")) == len(kinds)
    assert all(key.get("aria-hidden") == "true" for key in figure.findall("figcaption/ul/li/svg"))
    assert drawn(LOB, legend=False)[0].find("figcaption") is None


def test_kinds_differ_in_shape_and_not_only_in_colour():
    def dashes(kind):
        rule = re.search(rf"\.plan-{kind} polyline \{{([^}}]*)\}}", CSS)
        found = re.search(r"stroke-dasharray: ([^;]+);", rule[1]) if rule else None
        return found and found[1]

    assert len({dashes("run"), dashes("ball"), dashes("lob")}) == 3
    shapes = {}
    _, drawing = drawn(LOB)
    for kind in ("plan-player", "plan-feeder", "plan-target", "plan-cone"):
        node = next(node for node in drawing.iter() if node.get("class") == kind)
        shapes[kind] = node.tag if node.tag != "g" else tuple(child.tag for child in node)
    assert len(set(shapes.values())) == 4
    hand = drawn({**LOB, "feeder": {"at": [0, 3], "how": "hand"}})[1]
    assert count(hand, "handle") == 0
    assert count(drawing, "handle") == 1


def test_numbers_keep_their_point_in_a_language_with_a_comma():
    with translation.override("de"):
        _, drawing = drawn(LOB)
        expect_inside(LOB)
    assert drawing.get("viewBox") == "0 0 220 420"
