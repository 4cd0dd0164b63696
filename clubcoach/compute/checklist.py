"""Check lists as data: what a valid one looks like, and which checks a situation asks."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from clubcoach.compute._datafile import (
    Problem,
    check_flags,
    check_head,
    check_repeated,
    check_texts,
    check_whole,
    check_word,
    coded_rows,
    is_list_of_text,
    is_number,
    is_text,
    is_whole,
    small_entries,
    unknown_name,
)
from clubcoach.compute.drills import validate_drills

__all__ = ["ANY_TRIGGER", "MOST_ASKED", "Problem", "asked_checks", "validate_check_list", "validate_drills"]

MOST_ASKED = 4
"""No situation asks more checks than this: a fifth one slows the coding of every situation."""

ANY_TRIGGER = "any"
"""Key of an area's default set, used where nobody said which of the area's triggers fired."""

UNITS = ("player", "pair")
KINDS = ("doing", "result")
DECIDERS = ("eye", "frames", "frame", "line", "spot", "two spots")
ENDS = ("near", "both", "far")
NEEDS = ("", "1080p")

_NUMBER = re.compile(r"\d+(?:\.\d+)?")


def validate_check_list(data: object) -> list[Problem]:
    """Say everything that is wrong with a check list.

    Parameters
    ----------
    data : object
        The parsed file: ``code``, ``version``, ``source``, ``areas`` and ``checks``.

    Returns
    -------
    list of Problem
        In the order of the file; empty when the list may be used. Wrong types are problems too: no input
        raises.
    """
    if not isinstance(data, Mapping):
        return [Problem("check list", "it is not an object", "start the file with { and name its fields")]
    problems = list(check_head(data, "check list"))
    areas, wrong_areas = coded_rows(data, "areas", "area")
    checks, wrong_checks = coded_rows(data, "checks", "check")
    problems += wrong_areas + wrong_checks
    problems += check_repeated(areas, "area", ("code", "key", "order"))
    problems += check_repeated(checks, "check", ("code",))
    by_area = {row["code"]: row for row in areas}
    for row in areas:
        problems += _area(row, [check for check in checks if check.get("area") == row["code"]])
    for row in checks:
        problems += _check(row, by_area)
    return problems


def asked_checks(
    check_list: Mapping[str, Any], area: str, end: str, trigger: str | None = None
) -> tuple[str, ...]:
    """Name the checks that one situation asks.

    Parameters
    ----------
    check_list : mapping
        A check list without problems.
    area : str
        Code of the situation's area.
    end : {"near", "far"}
        The end of the court at which the player or pair stands, seen from the camera.
    trigger : str, optional
        Code of the trigger that fired. Without it the area's own default set is asked.

    Returns
    -------
    tuple of str
        Codes in the order of the movement, four at most. A check that can be judged at the other end only
        is left out.

    Raises
    ------
    ValueError
        If the list has no such area or trigger, or `end` is neither near nor far.
    """
    if end not in ("near", "far"):
        raise ValueError(f"end is {end!r}; a situation happens at the near or at the far end")
    rows = [row for row in check_list["areas"] if row["code"] == area]
    if not rows:
        raise ValueError(f"the check list has no area {area!r}")
    known = {entry["code"] for entry in rows[0]["triggers"]}
    if trigger and trigger != ANY_TRIGGER and trigger not in known:
        raise ValueError(f"the area {area!r} has no trigger {trigger!r}")
    wanted = rows[0]["asked"].get(trigger or ANY_TRIGGER, ())
    checks = [
        check
        for check in check_list["checks"]
        if check["area"] == area and check["code"] in wanted and check["end"] in ("both", end)
    ]
    return tuple(check["code"] for check in sorted(checks, key=lambda check: check["phase"])[:MOST_ASKED])


def _area(row: Mapping[str, Any], checks: Sequence[Mapping[str, Any]]) -> Iterator[Problem]:
    where = f"area {row['code']}"
    yield from check_texts(row, where, ("name", "trigger", "key"))
    yield from check_word(row, where, "unit", UNITS)
    yield from check_flags(row, where, ("on_by_default",))
    yield from check_whole(row, where, "order", 1, 99)
    yield from _bounds(row, where)
    ball = row.get("ball")
    if not isinstance(ball, Mapping) or not all(is_text(ball.get(word)) for word in ("hard", "easy")):
        yield Problem(
            f"{where}: ball", "hard or easy is not described", "say in a sentence when a ball is which"
        )
    if isinstance(row.get("key"), str) and len(row["key"]) > 1:
        yield Problem(f"{where}: key", f"{row['key']!r} is more than one key", "give one letter")
    triggers = small_entries(row, "triggers", ("code", "when"))
    choices = small_entries(row, "choices", ("code", "group", "name", "meaning"))
    if triggers is None or choices is None:
        name = "triggers" if triggers is None else "choices"
        yield Problem(f"{where}: {name}", "an entry is incomplete", "give each entry its code and its words")
        return
    codes = {entry["code"] for entry in triggers}
    for choice in choices:
        if choice.get("trigger", "") not in ["", *codes]:
            yield unknown_name(f"{where}: choices", choice["trigger"], "trigger")
    yield from _order_of_phases(where, checks)
    yield from _asked(row, where, checks, codes)
    sentences = [row.get("trigger", "")] + [entry["when"] for entry in triggers]
    allowed = _numbers_of(row.get("bounds"), *(check.get("bounds") for check in checks))
    yield from _figures(f"{where}: trigger", sentences, allowed)


def _asked(
    row: Mapping[str, Any], where: str, checks: Sequence[Mapping[str, Any]], triggers: set[str]
) -> Iterator[Problem]:
    asked = row.get("asked")
    if not isinstance(asked, Mapping) or not all(is_list_of_text(codes) for codes in asked.values()):
        yield Problem(
            f"{where}: asked", "it is not lists of check codes", "give a list of codes for each trigger"
        )
        return
    own = {check["code"]: check.get("trigger") for check in checks}
    if ANY_TRIGGER not in asked:
        yield Problem(f"{where}: asked", "the area has no default set", f"give a list for {ANY_TRIGGER!r}")
    for trigger, codes in asked.items():
        place = f"{where}: asked, {trigger}"
        if trigger not in triggers | {ANY_TRIGGER}:
            yield unknown_name(place, trigger, "trigger")
        if len(set(codes)) > MOST_ASKED:
            yield Problem(place, f"{len(set(codes))} checks are asked at once", f"keep the best {MOST_ASKED}")
        for code in codes:
            if code not in own:
                yield unknown_name(place, code, "check of this area")
            elif trigger not in (ANY_TRIGGER, own[code]):
                yield Problem(
                    place, f"{code} belongs to another trigger", "move it to the set of its own trigger"
                )
    on = {code for codes in asked.values() for code in codes}
    for check in checks:
        if isinstance(check.get("on_by_default"), bool) and check["on_by_default"] != (check["code"] in on):
            yield Problem(
                f"check {check['code']}: on_by_default",
                "it does not agree with what the area asks",
                f"switch it {'on' if check['code'] in on else 'off'}, or change the area's asked sets",
            )


def _order_of_phases(where: str, checks: Sequence[Mapping[str, Any]]) -> Iterator[Problem]:
    if not any(check.get("kind") == "doing" for check in checks):
        yield Problem(where, "it has no doing check", "add one: only doing checks make a score")
    phases = [(phase, check.get("kind")) for check in checks if is_whole(phase := check.get("phase"))]
    if len({phase for phase, _ in phases}) != len(phases):
        yield Problem(f"{where}: phase", "two checks have the same phase", "number the checks 1, 2, 3, ...")
    doing = [phase for phase, kind in phases if kind == "doing"]
    result = [phase for phase, kind in phases if kind == "result"]
    if doing and result and min(result) < max(doing):
        yield Problem(f"{where}: phase", "a result comes before a doing check", "put the result checks last")


def _check(row: Mapping[str, Any], areas: Mapping[str, Mapping[str, Any]]) -> Iterator[Problem]:
    where = f"check {row['code']}"
    yield from check_texts(row, where, ("name", "met", "missed", "instant", "cue"))
    for field, words in (
        ("kind", KINDS),
        ("unit", UNITS),
        ("decides", DECIDERS),
        ("end", ENDS),
        ("needs", NEEDS),
    ):
        yield from check_word(row, where, field, words)
    yield from check_flags(row, where, ("on_by_default",))
    yield from check_whole(row, where, "phase", 1, 99)
    yield from _bounds(row, where)
    sentences = [row.get(field, "") for field in ("met", "missed", "applies")]
    yield from _figures(where, sentences, _numbers_of(row.get("bounds")))
    area = areas.get(row["area"]) if is_text(row.get("area")) else None
    if area is None:
        yield unknown_name(f"{where}: area", row.get("area"), "area")
        return
    if row.get("unit") == "pair" and area.get("unit") == "player":
        yield Problem(
            f"{where}: unit", "a pair check stands in an area of players", "move it, or judge a player"
        )
    codes = [entry["code"] for entry in small_entries(area, "triggers", ("code", "when")) or ()]
    if row.get("trigger", "") not in ["", *codes]:
        yield unknown_name(f"{where}: trigger", row["trigger"], "trigger of its area")


def _figures(where: str, sentences: Sequence[object], allowed: set[float]) -> Iterator[Problem]:
    # A club that moves a bound and forgets the sentence would have its coaches judge by the old figure.
    told = {
        float(figure)
        for text in sentences
        if isinstance(text, str)
        for figure in _NUMBER.findall(_plain(text))
    }
    for figure in sorted(told - allowed):
        yield Problem(
            where, f"a sentence says {figure:g}, which is no bound", "change the sentence or the bound"
        )


def _plain(text: str) -> str:
    # "L4" in a sentence names a check; its digit is not a measure.
    return re.sub(r"\b[A-Z]\d+\b", "", text)


def _numbers_of(*bounds: object) -> set[float]:
    rows = [row for row in bounds if isinstance(row, Mapping)]
    return {float(value) for row in rows for value in row.values() if is_number(value)}


def _bounds(row: Mapping[str, Any], where: str) -> Iterator[Problem]:
    bounds = row.get("bounds")
    if not isinstance(bounds, Mapping):
        yield Problem(f"{where}: bounds", "it is not an object", "give names and numbers, or {}")
        return
    for name, value in bounds.items():
        if not is_number(value) or value <= 0:
            yield Problem(f"{where}: bounds, {name}", f"{value!r} is no measure", "give a number above zero")
        elif not str(name).endswith(("_m", "_s")):
            yield Problem(f"{where}: bounds, {name}", "its name has no unit", "end it with _m or _s")
