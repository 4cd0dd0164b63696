"""The first drills, and what is said about a drill that asks too much."""

import json
import math
from pathlib import Path

import pytest

from clubcoach.compute.checklist import validate_drills
from clubcoach.compute.drills import PLACES, STAGES

FIXTURES = Path(__file__).resolve().parents[3] / "fixtures"
DEFAULT_AREAS = {"feet", "lob", "bandeja", "serve", "net"}


@pytest.fixture
def area_of():
    check_list = json.loads((FIXTURES / "check_list.json").read_text(encoding="utf-8"))
    return {check["code"]: check["area"] for check in check_list["checks"]}


@pytest.fixture
def library():
    return json.loads((FIXTURES / "drills.json").read_text(encoding="utf-8"))


def test_the_library_has_no_problem(library, area_of):
    assert validate_drills(library, area_of, area_of=area_of) == []


def test_it_covers_the_default_areas_all_stages_and_all_places(library):
    drills = library["drills"]
    assert len(drills) >= 16
    assert {area for drill in drills for area in drill["areas"]} == DEFAULT_AREAS
    assert {drill["stage"] for drill in drills} == set(STAGES)
    assert {drill["place"] for drill in drills} == set(PLACES)


@pytest.mark.parametrize("area", sorted(DEFAULT_AREAS))
def test_every_default_area_has_a_promise_and_a_drill(library, area):
    places = [drill["place"] for drill in library["drills"] if area in drill["areas"]]
    assert "in_your_match" in places
    assert set(places) - {"in_your_match"}


def test_somebody_alone_two_and_four_find_something(library):
    for players in (1, 2, 4):
        fitting = [
            drill
            for drill in library["drills"]
            if drill["players"]["min"] <= players <= drill["players"]["max"]
        ]
        assert [drill for drill in fitting if drill["place"] != "in_your_match"]


def test_drills_train_only_how_it_is_played(library):
    # A drill may count a result as its pass, but each must train at least one doing check.
    check_list = json.loads((FIXTURES / "check_list.json").read_text(encoding="utf-8"))
    doing = {check["code"] for check in check_list["checks"] if check["kind"] == "doing"}
    assert all(doing & set(drill["checks"]) for drill in library["drills"])


def test_overheads_stay_in_the_usual_dose(library):
    counts = {drill["code"]: drill["overheads"] for drill in library["drills"]}
    assert max(counts.values()) <= 40
    assert any(counts.values())
    for drill in library["drills"]:
        if drill["place"] in ("home", "in_your_match"):
            assert drill["overheads"] == 0
        if drill["overheads"]:
            assert any("juniors" in caution and "half" in caution for caution in drill["cautions"])
            assert {"shoulder", "elbow"} <= set(drill["loads"])


def test_a_sore_shoulder_leaves_no_bandeja_with_a_swing(library):
    without = [drill for drill in library["drills"] if "shoulder" not in drill["loads"]]
    assert not [drill["code"] for drill in without if "bandeja" in drill["areas"]]


@pytest.mark.parametrize(
    ("code", "changes", "where", "what"),
    [
        ("feet-hop-at-home", {"overheads": 5}, "overheads", "overheads are set as homework"),
        ("feet-hop-at-home", {"kit": ["balls"]}, "kit", "balls are used at home"),
        ("feet-hop-at-home", {"minutes": 20}, "minutes", "20 is not a whole number in range"),
        ("feet-hop-at-home", {"stage": "blocked"}, "stage", "'blocked' is not known"),
        ("feet-hop-at-home", {"place": "beach"}, "place", "'beach' is not known"),
        ("feet-hop-at-home", {"checks": ["F1", "Z9"]}, "checks", "'Z9' is no known check"),
        ("feet-hop-at-home", {"areas": ["lob"]}, "areas", "they are not the areas of its checks"),
        ("feet-hop-at-home", {"players": {"min": 3, "max": 2}}, "players", "it is not a range"),
        ("feet-hop-at-home", {"players": {"min": 1, "max": 5}}, "players", "it is not a range"),
        ("feet-hop-at-home", {"cautions": []}, "cautions", "too few, too many or no texts"),
        ("feet-hop-at-home", {"steps": ["One."]}, "steps", "too few, too many or no texts"),
        ("feet-hop-at-home", {"loads": ["soul"]}, "loads", "a part of the body is unknown"),
        ("feet-hop-at-home", {"pass": ""}, "pass", "it is missing or empty"),
        ("feet-promise", {"stage": "fed"}, "stage", "a match promise is played in a match"),
        ("bandeja-hit-and-step", {"overheads": 41}, "overheads", "it is no count of a session"),
        ("bandeja-hit-and-step", {"loads": ["back"]}, "loads", "it has overheads but spares the arm"),
    ],
)
def test_a_broken_drill_is_named(library, area_of, code, changes, where, what):
    next(drill for drill in library["drills"] if drill["code"] == code).update(changes)
    problems = validate_drills(library, area_of, area_of=area_of)
    assert [(p.where, p.what) for p in problems] == [(f"drill {code}: {where}", what)]
    assert problems[0].what_to_do


def test_without_areas_only_the_codes_are_checked(library, area_of):
    library["drills"][0]["areas"] = ["lob"]
    assert validate_drills(library, set(area_of)) == []


def test_two_drills_of_one_code(library, area_of):
    library["drills"][1]["code"] = library["drills"][0]["code"]
    assert "drill: code" in [problem.where for problem in validate_drills(library, area_of)]


@pytest.mark.parametrize("data", [None, [], 3, {}, {"drills": [None]}, {"drills": {}}])
def test_what_is_no_library_is_said(data):
    assert validate_drills(data, {"F1"})


@pytest.mark.parametrize("junk", [None, [], [[]], {}, {"min": []}, -1, 2.5, math.inf, True, "", "x" * 90])
def test_no_junk_in_any_field_raises(library, area_of, junk):
    for field in list(library["drills"][0]):
        broken = {**library, "drills": [{**library["drills"][0], field: junk}]}
        assert isinstance(validate_drills(broken, area_of, area_of=area_of), list)
