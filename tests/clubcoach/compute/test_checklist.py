"""The default check list, levels and names, and what is said about a broken check list."""

import copy
import json
import math
from pathlib import Path

import pytest

from clubcoach.compute.checklist import MOST_ASKED, asked_checks, validate_check_list

FIXTURES = Path(__file__).resolve().parents[3] / "fixtures"

# Written by hand from the definition of the checks: code, area, unit, kind, decides, end, needs.
EXPECTED = """
F1 feet    player doing  frames    near -
F2 feet    player doing  frames    near -
F3 feet    player doing  two_spots near -
F4 feet    player doing  two_spots near -
F5 feet    player doing  spot      both -
L1 lob     player result eye       both -
L2 lob     player doing  frame     near -
L3 lob     player doing  frames    both -
L4 lob     player result spot      both -
L5 lob     player result line      far  1080p
L6 lob     player doing  spot      both -
B1 bandeja player doing  frame     both -
B2 bandeja player doing  frame     both -
B3 bandeja player doing  two_spots near -
B4 bandeja player doing  spot      both -
B5 bandeja player result eye       both -
B6 bandeja player doing  spot      both -
B7 bandeja player doing  eye       both -
S1 serve   player result line      both -
S2 serve   player doing  spot      both -
S3 serve   player doing  two_spots near -
S4 serve   player doing  spot      both -
S5 serve   player result eye       both -
S6 serve   player result line      far  1080p
N1 net     pair   doing  two_spots near -
N2 net     pair   doing  two_spots both -
N3 net     pair   doing  spot      near -
N4 net     pair   doing  two_spots both -
N5 net     pair   doing  two_spots both -
N6 net     pair   doing  two_spots near -
N7 net     pair   doing  two_spots both -
G1 glass   player doing  eye       both -
G2 glass   player doing  frame     both -
G3 glass   player doing  spot      both -
G4 glass   player doing  two_spots near -
G5 glass   player result eye       both -
G6 glass   player result eye       both -
P1 plan    pair   doing  eye       both -
P2 plan    player doing  spot      both -
P3 plan    player doing  spot      both -
P4 plan    pair   doing  two_spots both -
R1 return  player result eye       both -
R2 return  player result eye       both -
R3 return  player doing  spot      both -
R4 return  player doing  spot      both -
"""

# The figures of the definition, for the checks that have any.
BOUNDS = {
    "F1": {0.2}, "F2": {0.5}, "F3": {0.5}, "F5": {4.5, 6.95}, "L3": {1.3}, "L4": {5.0}, "L5": {6.95},
    "L6": {6.95}, "B1": {0.5}, "B2": {0.5}, "B3": {0.6}, "B4": {4.5}, "B6": {6.95}, "S2": {5.0, 4.5},
    "S3": {0.4, 0.1}, "S4": {4.5}, "S6": {6.95}, "N1": {1.5}, "N2": {4.5}, "N3": {1.5}, "N4": {6.95},
    "N5": {6.0}, "N6": {0.5, 2.5}, "G3": {1.0}, "G4": {0.3}, "P1": {1.0}, "P3": {1.5, 2.0}, "P4": {3.0},
    "R3": {1.0}, "R4": {4.5, 6.95},
}  # fmt: skip
# A shoe's length is said in words in the definition; 0.3 m is ours.
BOUNDS["F4"] = {0.3}

DEFAULT_AREAS = ["feet", "lob", "bandeja", "serve", "net"]


def load(name):
    return json.loads((FIXTURES / name).read_text(encoding="utf-8"))


@pytest.fixture
def check_list():
    return load("check_list.json")


def row(check_list, code):
    return next(entry for entry in check_list["areas"] + check_list["checks"] if entry["code"] == code)


def test_the_default_list_has_no_problem(check_list):
    assert validate_check_list(check_list) == []


def test_every_check_stands_once_as_defined(check_list):
    table = [line.replace("two_spots", "two spots") for line in EXPECTED.split("\n") if line]
    fields = ("code", "area", "unit", "kind", "decides", "end", "needs")
    told = [" ".join(check[field] or "-" for field in fields) for check in check_list["checks"]]
    assert told == [" ".join(line.split()) for line in table]
    assert len(told) == 45


def test_bounds_are_those_of_the_definition(check_list):
    told = {check["code"]: set(check["bounds"].values()) for check in check_list["checks"] if check["bounds"]}
    assert told == BOUNDS


def test_areas_units_and_what_is_on(check_list):
    areas = sorted(check_list["areas"], key=lambda area: area["order"])
    assert [area["code"] for area in areas] == [*DEFAULT_AREAS, "glass", "plan", "return"]
    assert [area["code"] for area in areas if area["on_by_default"]] == DEFAULT_AREAS
    assert [area["code"] for area in areas if area["unit"] == "pair"] == ["net", "plan"]


@pytest.mark.parametrize(
    ("area", "order"),
    [
        ("feet", "F1 F2 F3 F4 F5"),
        ("lob", "L2 L3 L6 L1 L4 L5"),
        ("bandeja", "B1 B2 B3 B4 B6 B7 B5"),
        ("serve", "S2 S3 S4 S1 S5 S6"),
        ("net", "N1 N2 N3 N4 N5 N6 N7"),
        ("glass", "G1 G2 G3 G4 G5 G6"),
        ("plan", "P1 P2 P3 P4"),
        ("return", "R3 R4 R1 R2"),
    ],
)
def test_phases_follow_the_movement_and_results_come_last(check_list, area, order):
    checks = [check for check in check_list["checks"] if check["area"] == area]
    assert [check["phase"] for check in sorted(checks, key=lambda check: check["phase"])] == list(
        range(1, len(checks) + 1)
    )
    assert " ".join(c["code"] for c in sorted(checks, key=lambda c: c["phase"])) == order


def test_checks_with_a_trigger_of_their_own(check_list):
    own = {check["code"]: check["trigger"] for check in check_list["checks"] if check["trigger"]}
    assert own == {
        "L1": "a", "L2": "b", "L3": "b", "L4": "b", "L5": "b", "L6": "b", "B6": "deep",
        "N4": "own_lob", "N5": "lobbed", "N7": "wait",
        "P1": "middle", "P2": "crossed", "P3": "wall", "P4": "third",
    }  # fmt: skip


def test_intent_of_a_lob_and_shot_from_the_back_are_choices(check_list):
    choices = row(check_list, "lob")["choices"]
    assert [choice["code"] for choice in choices if choice["group"] == "intent"] == [
        "escape",
        "take_net",
        "surprise",
    ]
    assert [choice["code"] for choice in choices if choice["group"] == "shot"] == ["lob", "low", "flat"]


# --- what a situation asks -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("area", "end", "trigger", "asked"),
    [
        ("feet", "near", None, "F1 F2 F4 F5"),
        ("feet", "far", None, "F5"),
        ("lob", "near", "a", "L1"),
        ("lob", "near", "b", "L2 L3 L6 L4"),
        ("lob", "far", "b", "L3 L6 L4"),
        ("bandeja", "near", None, "B1 B2 B3 B5"),
        ("bandeja", "far", None, "B1 B2 B5"),
        ("bandeja", "far", "deep", "B6"),
        ("serve", "far", None, "S2 S4 S1 S5"),
        ("net", "near", None, "N1 N2 N3 N6"),
        ("net", "far", None, "N2"),
        ("net", "far", "lobbed", "N5"),
        ("net", "near", "any", "N1 N2 N3 N6"),
    ],
)
def test_asked_at_an_end(check_list, area, end, trigger, asked):
    assert asked_checks(check_list, area, end, trigger) == tuple(asked.split())


def test_a_check_for_the_far_end_is_asked_there_only(check_list):
    row(check_list, "lob")["asked"]["b"] = ["L3", "L5"]
    assert asked_checks(check_list, "lob", "far", "b") == ("L3", "L5")
    assert asked_checks(check_list, "lob", "near", "b") == ("L3",)


def test_a_fifth_check_is_cut_off(check_list):
    row(check_list, "feet")["asked"]["any"] = ["F5", "F4", "F3", "F2", "F1"]
    assert asked_checks(check_list, "feet", "near") == ("F1", "F2", "F3", "F4")


def test_every_check_that_is_on_is_asked_somewhere(check_list):
    asked = set()
    for area in check_list["areas"]:
        for trigger in [None, *(entry["code"] for entry in area["triggers"])]:
            for end in ("near", "far"):
                codes = asked_checks(check_list, area["code"], end, trigger)
                assert len(codes) <= MOST_ASKED
                asked |= set(codes)
    assert asked == {check["code"] for check in check_list["checks"] if check["on_by_default"]}


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("golf", "near", None), "no area 'golf'"),
        (("lob", "both", None), "end is 'both'"),
        (("lob", "near", "z"), "no trigger 'z'"),
    ],
)
def test_a_question_about_nothing_is_refused(check_list, arguments, words):
    with pytest.raises(ValueError, match=words):
        asked_checks(check_list, *arguments)


# --- broken lists --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "field", "value", "where", "what"),
    [
        ("F1", "kind", "effect", "check F1: kind", "'effect' is not known"),
        ("F1", "end", "left", "check F1: end", "'left' is not known"),
        ("F1", "unit", "pair", "check F1: unit", "a pair check stands in an area of players"),
        ("F1", "area", "golf", "check F1: area", "'golf' is no known area"),
        ("F1", "trigger", "a", "check F1: trigger", "'a' is no known trigger of its area"),
        ("F1", "met", "  ", "check F1: met", "it is missing or empty"),
        ("F1", "phase", 0, "check F1: phase", "0 is not a whole number in range"),
        ("F1", "phase", 2, "area feet: phase", "two checks have the same phase"),
        (
            "F1",
            "on_by_default",
            False,
            "check F1: on_by_default",
            "it does not agree with what the area asks",
        ),
        ("F3", "on_by_default", True, "check F3: on_by_default", "it does not agree with what the area asks"),
        ("F1", "bounds", {"within_s": 0.3}, "check F1", "a sentence says 0.2, which is no bound"),
        ("F1", "bounds", {"within_s": math.nan}, "check F1: bounds, within_s", "nan is no measure"),
        ("F1", "bounds", {"within_s": 0.2, "reach": 1}, "check F1: bounds, reach", "its name has no unit"),
        ("L4", "phase", 1.5, "check L4: phase", "1.5 is not a whole number in range"),
        ("B5", "phase", 0.5, "check B5: phase", "0.5 is not a whole number in range"),
        ("L6", "phase", 9, "area lob: phase", "a result comes before a doing check"),
        ("F2", "code", "F1", "check: code", "'F1' is given twice"),
        ("F2", "code", "", "checks, entry 2", "it has no code"),
        ("lob", "key", "f", "area: key", "'f' is given twice"),
        ("lob", "key", "lo", "area lob: key", "'lo' is more than one key"),
        ("feet", "ball", {"hard": "fast"}, "area feet: ball", "hard or easy is not described"),
        ("feet", "asked", {"any": ["F1", "F2", "F3", "F4", "F5"]}, "area feet: asked, any", "5 checks"),
        ("feet", "asked", {"any": ["L1"]}, "area feet: asked, any", "'L1' is no known check of this area"),
        ("lob", "asked", {"any": [], "a": ["L2"]}, "area lob: asked, a", "L2 belongs to another trigger"),
        ("lob", "asked", {"a": ["L1"]}, "area lob: asked", "the area has no default set"),
        ("lob", "trigger", "You hit from 7 m.", "area lob: trigger", "a sentence says 7, which is no bound"),
        ("lob", "triggers", [{"code": "a"}], "area lob: triggers", "an entry is incomplete"),
    ],
)
def test_a_broken_entry_is_named(check_list, code, field, value, where, what):
    row(check_list, code)[field] = value
    problems = validate_check_list(check_list)
    assert [p for p in problems if p.where == where and p.what.startswith(what) and p.what_to_do], problems


def test_an_area_without_a_doing_check(check_list):
    check_list["checks"] = [
        check for check in check_list["checks"] if check["area"] != "return" or check["kind"] == "result"
    ]
    row(check_list, "return")["asked"] = {"any": ["R1", "R2"]}
    assert [(p.where, p.what) for p in validate_check_list(check_list)] == [
        ("area return", "it has no doing check")
    ]


@pytest.mark.parametrize("data", [None, [], "list", 3, {}, {"areas": {}, "checks": [1]}])
def test_what_is_no_list_at_all_is_said_and_never_raises(data):
    assert validate_check_list(data)


REQUIRED = {
    "feet": ["code", "name", "unit", "trigger", "on_by_default", "order", "ball", "key", "asked"],
    "F1": [
        "code",
        "area",
        "unit",
        "kind",
        "phase",
        "name",
        "met",
        "missed",
        "instant",
        "decides",
        "end",
        "needs",
        "bounds",
        "cue",
        "on_by_default",
    ],
}


@pytest.mark.parametrize(("code", "field"), [(code, field) for code in REQUIRED for field in REQUIRED[code]])
def test_each_field_is_missed_when_it_is_gone(check_list, code, field):
    del row(check_list, code)[field]
    assert validate_check_list(check_list)


@pytest.mark.parametrize("junk", [None, [], [[]], {}, {"a": []}, -1, 2.5, math.inf, True, "", "x" * 90])
def test_no_junk_in_any_field_raises(check_list, junk):
    for code in ("lob", "L4"):
        for field in row(check_list, code):
            broken = copy.deepcopy(check_list)
            row(broken, code)[field] = junk
            assert isinstance(validate_check_list(broken), list)


# --- levels and names ----------------------------------------------------------------------------


def test_levels_rise_in_every_area(check_list):
    levels = load("levels.json")
    assert "invented" in levels["source"].lower()
    rows = sorted(levels["levels"], key=lambda level: level["order"])
    assert len({level["code"] for level in rows}) == len(rows) == 3
    for area in check_list["areas"]:
        standards = [level["standards"][area["code"]] for level in rows]
        assert 0 < standards[0] < standards[1] < standards[2] < 100
    for level in rows:
        assert set(level["standards"]) == {area["code"] for area in check_list["areas"]}
        assert level["name"]
        assert level["description"]


def test_names_are_enough_and_different():
    names = load("names.json")
    for part in ("given", "family"):
        assert len(set(names[part])) == len(names[part]) == 60
    assert not set(names["given"]) & set(names["family"])
    assert len(names["clubs"]) == 2
    assert all(club.endswith(" Padel Club") for club in names["clubs"])
    assert len(set(names["places"])) == len(names["places"]) >= 6
