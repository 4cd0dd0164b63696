"""Plans as a coach types them: read, written back, and every fault named with its line."""

import json
from pathlib import Path

import pytest

from clubcoach.compute.diagram import validate_diagram
from clubcoach.compute.diagram_lines import FORMS, read_lines, write_lines

FIXTURES = Path(__file__).resolve().parents[3] / "fixtures"
TEXT = """
view half
P1 at 2.5, -8
p2 at -2.5 -8

feeder by hand at 0, 2
run from 2.5, -8 to 2.5, -3 to 0,-3
lob from 2.5,\N{MINUS SIGN}8 to 0, 2.9
bounce at 2.5, -7
target at 0, -8.5 size 4 by 2
cone at 4.7, -4
"""
PLAN = {
    "view": "half",
    "players": [{"id": "P1", "at": [2.5, -8]}, {"id": "P2", "at": [-2.5, -8]}],
    "feeder": {"at": [0, 2], "how": "hand"},
    "paths": [
        {"kind": "run", "points": [[2.5, -8], [2.5, -3], [0, -3]]},
        {"kind": "lob", "points": [[2.5, -8], [0, 2.9]]},
    ],
    "bounces": [[2.5, -7]],
    "targets": [{"at": [0, -8.5], "size": [4, 2]}],
    "cones": [[4.7, -4]],
}


def test_a_plan_is_read_and_written_back():
    court, problems = read_lines(TEXT)
    assert problems == []
    assert court == PLAN
    assert validate_diagram(court) == []
    assert read_lines(write_lines(court)) == (court, [])


def test_no_lines_are_no_plan():
    assert read_lines(" \n\n") == ({}, [])
    assert write_lines({}) == ""


def test_every_plan_of_the_library_survives_being_typed():
    drills = json.loads((FIXTURES / "drills.json").read_text(encoding="utf-8"))["drills"]
    for drill in drills:
        court = drill.get("court", {})
        assert read_lines(write_lines(court)) == (court, []), drill["code"]


@pytest.mark.parametrize(
    ("line", "what", "advice"),
    [
        ("P1 stands at the net", "it cannot be read", FORMS["p1"]),
        ("run from 2,5, -8 to 2.5, -3", "it cannot be read", FORMS["run"]),
        ("run from 1, -3", "it has too few or too many", "give 2 to 6 points"),
        ("run from 1, -3 to 1, -3", "two that follow are the same", "leave one of them out"),
        ("ball from 0, 2 to", "it cannot be read", FORMS["run"]),
        ("target at 0, -8", "it cannot be read", FORMS["target"]),
        ("feeder at 0, 2", "it cannot be read", FORMS["feeder"]),
        ("jump at 0, 2", "it cannot be read", "start it with view, P1, feeder, run, ball, lob, target"),
        (
            "cone at 0, 9",
            "it lies outside what the view shows",
            "stay within -5 to 5 across and -10 to 3 along",
        ),
        ("view half", "the plan has its view already", "keep one of the two"),
        ("view moon", "it cannot be read", FORMS["view"]),
    ],
)
def test_a_fault_is_named_with_its_line(line, what, advice):
    _court, problems = read_lines(f"view half\nP1 at 0, -8\n\n{line}\n")
    assert problems == [(4, what, advice)]


def test_what_the_plan_as_a_whole_lacks_has_no_line():
    assert [problem.line for problem in read_lines("view half")[1]] == [0]
    assert read_lines("P1 at 0, -8")[1][0].line == 0
    assert read_lines("view half\nP1 at 0, -8\nP1 at 1, -8")[1][0].what == "P1 stands twice"


@pytest.mark.parametrize("junk", ["\x00", "P1 at 1e9, 2", "9" * 5000, "run from " + "1, 1 to " * 500, "→ ☃"])
def test_no_junk_raises(junk):
    assert read_lines(junk)[1]
