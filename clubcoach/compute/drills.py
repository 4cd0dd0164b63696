"""Drill libraries as data: what a valid one looks like, and what no drill may ask of a body."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping
from typing import Any

from clubcoach.compute._datafile import (
    Problem,
    check_head,
    check_repeated,
    check_texts,
    check_whole,
    check_word,
    coded_rows,
    is_list_of_text,
    is_whole,
    unknown_name,
)
from clubcoach.compute.diagram import validate_diagram

STAGES = ("shadow", "fed", "varied", "in_play")
PLACES = ("home", "wall", "court", "before_lesson", "in_your_match")
LOADS = ("shoulder", "elbow", "back", "knee", "lower_leg")
MOST_OVERHEADS = 40
"""Full overheads an adult hits in one session at most (common practice: 30 to 40)."""
MOST_MINUTES = {"home": 5, "wall": 15, "court": 15, "before_lesson": 8, "in_your_match": 5}
"""Length of one block by place (common practice)."""
_BALL = re.compile(r"\bballs?\b", re.IGNORECASE)


def validate_drills(
    data: object, check_codes: Collection[str], *, area_of: Mapping[str, str] | None = None
) -> list[Problem]:
    """Say everything that is wrong with a drill library.

    Parameters
    ----------
    data : object
        The parsed file: ``code``, ``version``, ``source`` and ``drills``.
    check_codes : collection of str
        The checks that a drill may train.
    area_of : mapping of str to str, optional
        Area of each check. With it, a drill's areas must be those of the checks that it trains.

    Returns
    -------
    list of Problem
        Empty when the library may be used. Wrong types are problems too: no input raises.
    """
    if not isinstance(data, Mapping):
        return [Problem("drills", "it is not an object", "start the file with { and name its fields")]
    problems = list(check_head(data, "drills"))
    drills, wrong = coded_rows(data, "drills", "drill")
    problems += wrong + list(check_repeated(drills, "drill", ("code",)))
    for row in drills:
        problems += _drill(row, check_codes)
        problems += _trained(row, check_codes, area_of)
        problems += _care(row)
        problems += validate_diagram(row.get("court", {}), f"drill {row['code']}: court")
    return problems


def _drill(row: Mapping[str, Any], check_codes: Collection[str]) -> Iterator[Problem]:
    where = f"drill {row['code']}"
    yield from check_texts(row, where, ("name", "dose", "pass", "source"))
    yield from check_word(row, where, "stage", STAGES)
    yield from check_word(row, where, "place", PLACES)
    if row.get("place") in PLACES:
        yield from check_whole(row, where, "minutes", 1, MOST_MINUTES[row["place"]])
    for field, few, many in (("kit", 0, 8), ("cautions", 1, 6), ("steps", 2, 5)):
        value = row.get(field)
        if not is_list_of_text(value) or not few <= len(value) <= many:
            yield Problem(
                f"{where}: {field}", "too few, too many or no texts", f"write {few} to {many} of them"
            )
    players = row.get("players")
    least, most = (players.get("min"), players.get("max")) if isinstance(players, Mapping) else (None, None)
    if not is_whole(least) or not is_whole(most) or not 1 <= least <= most <= 4:
        yield Problem(f"{where}: players", "it is not a range", "give min and max, from 1 to 4")
    if row.get("place") == "in_your_match" and row.get("stage") != "in_play":
        yield Problem(f"{where}: stage", "a match promise is played in a match", "use the stage in_play")


def _trained(
    row: Mapping[str, Any], check_codes: Collection[str], area_of: Mapping[str, str] | None
) -> Iterator[Problem]:
    where = f"drill {row['code']}"
    checks, areas = row.get("checks"), row.get("areas")
    if not is_list_of_text(checks) or not checks or not is_list_of_text(areas) or not areas:
        yield Problem(where, "it names no check or no area", "name the checks that it trains and their areas")
        return
    strangers = [code for code in checks if code not in check_codes]
    for code in strangers:
        yield unknown_name(f"{where}: checks", code, "check")
    if area_of is not None and not strangers and {area_of.get(code) for code in checks} != set(areas):
        yield Problem(
            f"{where}: areas", "they are not the areas of its checks", "list the areas of its checks"
        )


def _care(row: Mapping[str, Any]) -> Iterator[Problem]:
    where = f"drill {row['code']}"
    loads = row.get("loads")
    if not is_list_of_text(loads) or not set(loads) <= set(LOADS):
        yield Problem(f"{where}: loads", "a part of the body is unknown", f"choose from {', '.join(LOADS)}")
        loads = []
    kit = row.get("kit")
    if row.get("place") == "home" and is_list_of_text(kit) and any(_BALL.search(thing) for thing in kit):
        yield Problem(f"{where}: kit", "balls are used at home", "leave the ball out, or change the place")
    overheads = row.get("overheads")
    if not is_whole(overheads) or not 0 <= overheads <= MOST_OVERHEADS:
        yield Problem(f"{where}: overheads", "it is no count of a session", f"count 0 to {MOST_OVERHEADS}")
    elif overheads and row.get("place") in ("home", "in_your_match"):
        # Nobody watches there: extra overheads are hit only where somebody can stop them.
        yield Problem(
            f"{where}: overheads", "overheads are set as homework", "use the wall or the court, or none"
        )
    elif overheads and not {"shoulder", "elbow"} <= set(loads):
        yield Problem(f"{where}: loads", "it has overheads but spares the arm", "add shoulder and elbow")
