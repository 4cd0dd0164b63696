"""Bounds and sentences move together, and only what was named moves."""

import copy
import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clubcoach.compute.checklist import asked_checks, validate_check_list
from clubcoach.compute.checklist_edit import (
    MOST,
    SPOKEN,
    CannotChange,
    differences,
    is_court_line,
    spoken_bounds,
    unit_of,
    with_asked,
    with_bounds,
)

DATA = json.loads((Path(__file__).resolve().parents[3] / "fixtures" / "check_list.json").read_text())
BOUNDS = [
    (row["code"], name)
    for row in [*DATA["areas"], *DATA["checks"]]
    for name, value in row["bounds"].items()
    if not is_court_line(name, value)
]
AREAS = [row["code"] for row in DATA["areas"] if row["on_by_default"]]
CHECKS = [row["code"] for row in DATA["checks"] if row["on_by_default"]]


def row_of(data, code):
    return next(row for row in [*data["areas"], *data["checks"]] if row["code"] == code)


def row_with_l5():
    """A list in which L5 is asked wherever the lob's other checks are."""
    data = copy.deepcopy(DATA)
    for trigger in ("any", "b"):
        row_of(data, "lob")["asked"][trigger] = ["L3", "L5"]
    return data


def nested(flat):
    found = {}
    for (code, name), value in flat.items():
        found.setdefault(code, {})[name] = value
    return found


@st.composite
def some_changes(draw):
    chosen = draw(st.lists(st.sampled_from(BOUNDS), min_size=1, max_size=6, unique=True))
    flat = {}
    for code, name in chosen:
        hundredths = st.integers(1, int(MOST[unit_of(name)] * 100)).filter(lambda n: n != 695)
        flat[code, name] = draw(hundredths) / 100
    return flat


def emptied(data, codes):
    """The list without what may follow a bound of these rows: the bounds themselves, and the figures of sentences."""
    other = copy.deepcopy(data)
    areas = {row["area"] for row in other["checks"] if row["code"] in codes} | set(codes)
    for row in other["areas"]:
        if row["code"] in areas:
            row["trigger"] = without_figures(row["trigger"])
            for entry in row["triggers"]:
                entry["when"] = without_figures(entry["when"])
    for row in [*other["areas"], *other["checks"]]:
        if row["code"] in codes:
            row["bounds"] = sorted(row["bounds"])
            for field in SPOKEN:
                if field in row:
                    row[field] = without_figures(row[field])
    return other


def without_figures(text):
    return "".join("#" if letter.isdigit() or letter == "." else letter for letter in text).replace("##", "#")


def squeezed(value):
    text = json.dumps(value, sort_keys=True)
    while "##" in text:
        text = text.replace("##", "#")
    return text


@settings(max_examples=60, deadline=None)
@given(some_changes())
def test_what_comes_out_is_valid_differs_in_what_was_named_and_goes_back(flat):
    before = copy.deepcopy(DATA)
    result = with_bounds(DATA, nested(flat))
    assert before == DATA, "the list that came in is left alone"
    assert validate_check_list(result) == []
    for (code, name), value in flat.items():
        assert row_of(result, code)["bounds"][name] == value
    codes = {code for code, _name in flat}
    others = {
        (code, name): row_of(DATA, code)["bounds"][name] for code, name in BOUNDS if (code, name) not in flat
    }
    assert others == {(code, name): row_of(result, code)["bounds"][name] for code, name in others}
    assert squeezed(emptied(result, codes)) == squeezed(emptied(DATA, codes))
    back = {(code, name): row_of(DATA, code)["bounds"][name] for code, name in flat}
    assert with_bounds(result, nested(back), [DATA]) == DATA


@settings(max_examples=25, deadline=None)
@given(st.lists(some_changes(), min_size=2, max_size=4))
def test_a_way_through_several_versions_leads_back_whatever_figures_met_on_it(steps):
    versions = [DATA]
    for flat in steps:
        versions.insert(0, with_bounds(versions[0], nested(flat), versions[1:]))
    back = {(code, name): row_of(DATA, code)["bounds"][name] for code, name in BOUNDS}
    assert with_bounds(versions[0], nested(back), versions[1:]) == DATA


class TestSentences:
    def test_every_sentence_that_says_the_old_figure_says_the_new_one(self):
        result = with_bounds(DATA, {"N1": {"depth_m": 1.25}, "B1": {"before_s": 0.4}})
        n1, b1 = row_of(result, "N1"), row_of(result, "B1")
        assert "to within 1.25 m." in n1["met"]
        assert "more than 1.25 m ahead" in n1["missed"]
        assert b1["met"].startswith("0.4 s before")
        assert b1["missed"].startswith("0.4 s before")
        assert b1["instant"] == "0.4 s before H1"
        assert row_of(result, "B2")["instant"] == "0.5 s before H1"

    def test_the_trigger_of_an_area_follows_a_bound_of_its_check(self):
        result = with_bounds(DATA, {"P1": {"centre_m": 1.2}, "lob": {"opponents_near_m": 4}})
        middle = next(row for row in row_of(result, "plan")["triggers"] if row["code"] == "middle")
        assert middle["when"] == "The ball comes within 1.2 m of the central line."
        assert "nearer to the net than 4 m." in row_of(result, "lob")["triggers"][0]["when"]

    def test_the_unit_tells_two_equal_figures_apart(self):
        data = with_bounds(DATA, {"S3": {"under_m": 0.1}})
        assert data == with_bounds(data, {"S3": {"within_s": 0.1}})
        result = with_bounds(data, {"S3": {"within_s": 0.2}})
        assert row_of(result, "S3")["met"].endswith("move less than 0.1 m (watched for 0.2 s either side).")

    def test_a_code_in_a_sentence_is_no_figure(self):
        data = copy.deepcopy(DATA)
        row_of(data, "L6")["bounds"]["near_m"] = 4.0
        row_of(data, "L6")["applies"] = "Only when the lob moved them (L4 met) to 4 m."
        result = with_bounds(data, {"L6": {"near_m": 5}})
        assert row_of(result, "L6")["applies"] == "Only when the lob moved them (L4 met) to 5 m."

    def test_one_figure_for_two_bounds_is_refused_until_both_change(self):
        data = with_bounds(DATA, {"N6": {"shift_m": 2.5}})
        with pytest.raises(CannotChange) as refused:
            with_bounds(data, {"N6": {"shift_m": 1}})
        (first, *_more) = refused.value.problems
        assert first.where == "N6.shift_m"
        assert "N6.shift_m and N6.side_wall_m" in first.what
        both = with_bounds(data, {"N6": {"shift_m": 2, "side_wall_m": 2}})
        assert "moved 2 m or more" in row_of(both, "N6")["met"]
        assert "within 2 m of a side wall" in row_of(both, "N6")["applies"]

    def test_earlier_versions_say_which_bound_a_figure_has_followed(self):
        data = with_bounds(DATA, {"N6": {"shift_m": 2.5}})
        result = with_bounds(data, {"N6": {"shift_m": 1}}, [DATA])
        assert "moved 1 m or more" in row_of(result, "N6")["met"]
        assert "within 2.5 m of a side wall" in row_of(result, "N6")["applies"]

    def test_which_figures_are_said_at_all(self):
        said = spoken_bounds(DATA)
        assert ("F1", "within_s") in said
        assert ("F4", "shoe_m") not in said
        assert ("S2", "upper_levels_near_m") not in said
        assert ("P1", "centre_m") in said, "by the trigger of its area"


@pytest.mark.parametrize(
    ("code", "name", "value", "words"),
    [
        ("F1", "within_s", 0, "out of range"),
        ("F1", "within_s", -0.2, "out of range"),
        ("F1", "within_s", 5.01, "out of range"),
        ("F1", "within_s", float("nan"), "out of range"),
        ("F1", "within_s", float("inf"), "out of range"),
        ("N2", "gap_m", 10.5, "out of range"),
        ("N2", "gap_m", 4.123, "too fine"),
        ("N2", "gap_m", 6.95, "service line"),
        ("L6", "line_m", 5, "service line"),
        ("F5", "far_m", 6, "service line"),
        ("F1", "other_s", 1, "no such bound"),
        ("X1", "within_s", 1, "no such bound"),
    ],
)
def test_what_is_no_bound_is_refused_where_it_stands(code, name, value, words):
    with pytest.raises(CannotChange) as refused:
        with_bounds(DATA, {code: {name: value}})
    (problem,) = refused.value.problems
    assert problem.where == f"{code}.{name}"
    assert words in problem.what
    assert problem.what_to_do


class TestSwitches:
    def test_nothing_switched_is_the_same_list(self):
        assert with_asked(DATA, AREAS, CHECKS) == DATA

    @pytest.mark.parametrize("code", CHECKS)
    def test_off_and_on_again_is_the_same_list(self, code):
        area = row_of(DATA, code)["area"]
        areas = [one for one in AREAS if one != area]
        off = with_asked(DATA, areas, [one for one in CHECKS if one != code])
        assert validate_check_list(off) == []
        assert all(code not in codes for row in off["areas"] for codes in row["asked"].values())
        assert with_asked(off, AREAS, CHECKS, [DATA]) == DATA

    def test_a_check_that_was_never_asked_goes_to_the_set_of_its_trigger(self):
        checks = [*(code for code in CHECKS if code != "L4"), "L5"]
        result = with_asked(DATA, AREAS, checks, [DATA])
        assert row_of(result, "lob")["asked"]["b"] == ["L2", "L3", "L6", "L5"]
        assert row_of(result, "lob")["asked"]["any"] == ["L2", "L3", "L6"]
        assert asked_checks(result, "lob", "far", "b") == ("L3", "L6", "L5")

    def test_a_fifth_check_on_one_situation_is_refused_with_the_five(self):
        with pytest.raises(CannotChange) as refused:
            with_asked(DATA, AREAS, [*CHECKS, "F3"])
        (problem,) = refused.value.problems
        assert problem.where == "feet"
        assert "F1, F2, F3, F4, F5" in problem.what
        with pytest.raises(CannotChange) as twice:
            with_asked(DATA, AREAS, [*CHECKS, "L5"], [row_with_l5()])
        (once,) = twice.value.problems
        assert "L2, L3, L6, L4, L5" in once.what

    def test_an_area_that_is_on_keeps_a_doing_check(self):
        only_result = [code for code in CHECKS if code[0] != "L" or code == "L4"]
        with pytest.raises(CannotChange, match="how it was played") as refused:
            with_asked(DATA, AREAS, only_result)
        assert refused.value.problems[0].where == "lob"
        off = with_asked(DATA, [code for code in AREAS if code != "lob"], only_result)
        assert not row_of(off, "lob")["on_by_default"]

    @pytest.mark.parametrize(("areas", "checks", "where"), [(["smash"], [], "smash"), ([], ["X1"], "X1")])
    def test_a_code_that_is_not_there(self, areas, checks, where):
        with pytest.raises(CannotChange) as refused:
            with_asked(DATA, areas, checks)
        assert refused.value.problems[0].where == where


class TestDifferences:
    def test_bounds_and_switches_are_told_and_sentences_that_followed_are_not(self):
        later = with_bounds(DATA, {"N1": {"depth_m": 1.25}})
        later = with_asked(later, [*AREAS, "glass"], [code for code in CHECKS if code != "F1"])
        told = [(one.kind, one.code, one.name, one.before, one.after) for one in differences(DATA, later)]
        assert told == [
            ("on", "glass", "", None, None),
            ("off", "F1", "", None, None),
            ("bound", "N1", "depth_m", 1.5, 1.25),
        ]

    def test_other_words_new_and_gone(self):
        later = copy.deepcopy(DATA)
        row_of(later, "F1")["cue"] = "Hop."
        row_of(later, "lob")["triggers"][1]["when"] = "It was a lob."
        later["checks"] = [row for row in later["checks"] if row["code"] != "G4"]
        later["checks"].append({**row_of(DATA, "G4"), "code": "G9"})
        told = [(one.kind, one.code, one.name) for one in differences(DATA, later)]
        assert told == [
            ("words", "lob", "when b"),
            ("words", "F1", "cue"),
            ("new", "G9", ""),
            ("gone", "G4", ""),
        ]

    def test_nothing_differs_from_itself(self):
        assert differences(DATA, copy.deepcopy(DATA)) == ()
