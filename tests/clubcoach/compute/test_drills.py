"""The drill library, its plans, and what is said about a drill that asks too much."""

import json
import math
import re
from collections import defaultdict
from pathlib import Path

import pytest

from clubcoach.compute.checklist import validate_drills
from clubcoach.compute.diagram import COURT_VIEWS, is_drawable
from clubcoach.compute.drills import MOST_OVERHEADS, PLACES, STAGES

FIXTURES = Path(__file__).resolve().parents[3] / "fixtures"
AREAS = {"feet", "lob", "bandeja", "serve", "net", "glass", "plan", "return"}


@pytest.fixture
def check_list():
    return json.loads((FIXTURES / "check_list.json").read_text(encoding="utf-8"))


@pytest.fixture
def area_of(check_list):
    return {check["code"]: check["area"] for check in check_list["checks"]}


@pytest.fixture
def library():
    return json.loads((FIXTURES / "drills.json").read_text(encoding="utf-8"))


def test_the_library_has_no_problem(library, area_of):
    assert validate_drills(library, area_of, area_of=area_of) == []


def test_it_covers_all_areas_all_stages_and_all_places(library, check_list):
    drills = library["drills"]
    assert len(drills) >= 44
    assert {area["code"] for area in check_list["areas"]} == AREAS
    assert {area for drill in drills for area in drill["areas"]} == AREAS
    assert {drill["stage"] for drill in drills} == set(STAGES)
    assert {drill["place"] for drill in drills} == set(PLACES)


@pytest.mark.parametrize("area", sorted(AREAS))
def test_every_area_leads_from_the_floor_at_home_into_a_match(library, area):
    steps = {(drill["stage"], drill["place"]) for drill in library["drills"] if area in drill["areas"]}
    stages = {stage for stage, place in steps if place != "in_your_match"}
    assert ("shadow", "home") in steps
    assert stages == set(STAGES)
    assert ("in_play", "in_your_match") in steps


def test_every_doing_check_is_trained_at_two_stages(library, check_list):
    stages = defaultdict(set)
    for drill in library["drills"]:
        for code in drill["checks"]:
            stages[code].add(drill["stage"])
    doing = [check["code"] for check in check_list["checks"] if check["kind"] == "doing"]
    assert [code for code in doing if len(stages[code]) < 2] == []


def test_a_promise_is_one_cue_and_one_count(library):
    promises = [drill for drill in library["drills"] if drill["place"] == "in_your_match"]
    assert len(promises) >= len(AREAS)
    for drill in promises:
        assert len(drill["checks"]) <= 2, drill["code"]
        assert "write down" in drill["steps"][-1], drill["code"]
        assert drill["players"]["max"] == (2 if drill["name"].startswith("Our") else 1)


def test_sets_and_rests_are_those_of_the_notes(library):
    for drill in library["drills"]:
        sets = re.match(r"(?:8 minutes: )?(\d) sets of (\d+) ", drill["dose"] + " ")
        if sets:
            assert 3 <= int(sets[1]) <= 4, drill["code"]
            assert 8 <= int(sets[2]) <= 12, drill["code"]
        for seconds in re.findall(r"(\d+) s rest", drill["dose"]):
            assert 45 <= int(seconds) <= 90, drill["code"]
        if drill["stage"] in ("fed", "varied"):
            assert sets, drill["code"]
            assert drill["pass"].startswith("7 of 10 twice running")
            assert drill["steps"][-1].startswith("Easier: "), drill["code"]


def test_somebody_alone_two_and_four_find_something(library):
    for players in (1, 2, 4):
        fitting = [
            drill
            for drill in library["drills"]
            if drill["players"]["min"] <= players <= drill["players"]["max"]
        ]
        assert [drill for drill in fitting if drill["place"] != "in_your_match"]


def test_drills_train_only_how_it_is_played(library, check_list):
    # A drill may count a result as its pass, but each must train at least one doing check.
    doing = {check["code"] for check in check_list["checks"] if check["kind"] == "doing"}
    assert all(doing & set(drill["checks"]) for drill in library["drills"])


def test_overheads_stay_in_the_usual_dose(library):
    counts = {drill["code"]: drill["overheads"] for drill in library["drills"]}
    assert max(counts.values()) <= MOST_OVERHEADS
    assert any(counts.values())
    for drill in library["drills"]:
        if drill["place"] in ("home", "in_your_match"):
            assert drill["overheads"] == 0
        if drill["overheads"]:
            assert any("juniors" in caution and "half" in caution for caution in drill["cautions"])
            assert any("local rules" in caution for caution in drill["cautions"])
            assert {"shoulder", "elbow"} <= set(drill["loads"])


def test_what_can_hurt_is_said(library):
    for drill in library["drills"]:
        said = " ".join(drill["cautions"])
        if drill["loads"] and drill["place"] != "in_your_match":
            assert "Pain that lasts: stop and see a professional." in said, drill["code"]
        if "basket of balls" in drill["kit"]:
            assert "lear loose balls" in said, drill["code"]
        if "glass" in drill["areas"] and drill["place"] != "home":
            assert "eyewear" in said, drill["code"]
        if drill["place"] == "home":
            assert "even floor" in said, drill["code"]
        if drill["place"] == "court" and drill["stage"] == "in_play":
            assert "call every ball" in said, drill["code"]


def test_every_drill_has_a_plan_that_fits_it(library):
    for drill in library["drills"]:
        court, code = drill["court"], drill["code"]
        assert is_drawable(court), code
        on_court = drill["place"] not in ("home", "wall")
        assert (court["view"] in COURT_VIEWS) == on_court, code
        assert court["view"] == {"home": "room", "wall": "wall"}.get(drill["place"], court["view"]), code
        shown = len(court["players"]) + ("feeder" in court)
        if drill["place"] == "in_your_match":
            assert shown == 4, code
        else:
            assert 1 <= shown <= drill["players"]["max"], code
        assert court.get("paths"), code


def test_who_feeds_stands_on_the_plan(library):
    for drill in library["drills"]:
        feeds = "basket of balls" in drill["kit"]
        assert ("feeder" in drill["court"]) == (feeds or drill["code"] == "feet-late-call"), drill["code"]
        if not feeds:
            continue
        assert "feeder" in " ".join(drill["steps"]), drill["code"]
        by_hand = any(re.search(r"feeder [^.]*by hand", step) for step in drill["steps"][:-1])
        assert (drill["court"]["feeder"]["how"] == "hand") == by_hand, drill["code"]


def test_a_path_starts_where_somebody_stands_or_a_ball_arrived(library):
    # Only so can the words under a plan say who runs and who hits.
    for drill in library["drills"]:
        court = drill["court"]
        known = [player["at"] for player in court["players"]]
        known += [court["feeder"]["at"]] if "feeder" in court else []
        ends = [path["points"][-1] for path in court["paths"]]
        for path in court["paths"]:
            near = [spot for spot in known + ends if math.dist(spot, path["points"][0]) < 1.5]
            assert near or court["view"] == "room", drill["code"]


def test_a_sore_shoulder_leaves_no_bandeja_with_a_swing(library):
    without = [drill for drill in library["drills"] if "shoulder" not in drill["loads"]]
    assert not [drill["code"] for drill in without if "bandeja" in drill["areas"]]


@pytest.mark.parametrize(
    ("code", "changes", "where", "what"),
    [
        ("feet-hop-at-home", {"overheads": 5}, "overheads", "overheads are set as homework"),
        ("feet-hop-at-home", {"kit": ["balls"]}, "kit", "balls are used at home"),
        ("feet-hop-at-home", {"kit": ["Basket of balls"]}, "kit", "balls are used at home"),
        ("feet-hop-at-home", {"court": 3}, "court", "it is not an object"),
        ("feet-hop-at-home", {"court": {"view": "room"}}, "court: players", "nobody is on the plan"),
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
