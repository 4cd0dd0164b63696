"""A whole list version from the few columns that travel: what they leave open comes from the lists that we know."""

from __future__ import annotations

from collections.abc import Iterator
from copy import deepcopy
from string import ascii_lowercase
from typing import Any

from django.utils.translation import gettext as _

from clubcoach.compute.checklist import MOST_ASKED, Problem, validate_check_list
from players.lists import default_data
from reports.exchange.known import Known


def list_data(
    known: Known, rows: dict[str, dict[str, Any]] | None, label: str
) -> tuple[dict[str, Any], list[Problem]]:
    """Data of a list version, and what is wrong with it; without rows the default list.

    Triggers, choices, bounds and sentences of a check or area are those of the club's newest list or the default
    list where its code is known there, else as plain as can be.
    """
    standard = default_data("check_list")
    if rows is None:
        return standard, []
    sources = [known.lists[known.newest].data] if known.newest else []
    sources.append(standard)
    areas: dict[str, dict[str, Any]] = {}
    checks: list[dict[str, Any]] = []
    for code, row in rows.items():
        known_check = _find(sources, "checks", code, unit=row["unit"], kind=row["kind"], area=row["area"])
        check = known_check or _plain_check(code)
        checks.append(
            check
            | {"code": code, "phase": row["phase"], "name": row["wording"]}
            | {name: row[name] for name in ("area", "unit", "kind")}
        )
        areas.setdefault(row["area"], _find(sources, "areas", row["area"]) or _plain_area(row["area"]))
    _number_areas(known, areas, checks)
    for code, area in areas.items():
        _ask(area, [check for check in checks if check["area"] == code])
    order = {code: area["order"] for code, area in areas.items()}
    checks.sort(key=lambda check: (order[check["area"]], check["phase"], check["code"]))
    data = {
        "code": label,
        "version": 1,
        "source": standard["source"],
        "areas": sorted(areas.values(), key=lambda area: area["order"]),
        "checks": checks,
    }
    return data, validate_check_list(data)


def _find(sources: list[dict[str, Any]], part: str, code: str, **same: str) -> dict[str, Any] | None:
    for source in sources:
        for row in source.get(part, ()):
            if row["code"] == code and all(row[name] == value for name, value in same.items()):
                return deepcopy(row)
    return None


def _plain_check(code: str) -> dict[str, Any]:
    return {
        "met": _("Seen as the list says it."),
        "missed": _("Not seen as the list says it."),
        "cue": code,
        "trigger": "",
        "applies": "",
        "instant": "H0",
        "decides": "eye",
        "end": "both",
        "needs": "",
        "bounds": {},
        "on_by_default": True,
    }


def _plain_area(code: str) -> dict[str, Any]:
    return {
        "code": code,
        "name": code,
        "unit": "player",
        "on_by_default": True,
        "order": 0,
        "key": "",
        "trigger": _("As the list says it."),
        "triggers": [],
        "bounds": {},
        "ball": {"hard": _("Hard, as the list says it."), "easy": _("Easy, as the list says it.")},
        "asked": {"any": []},
        "choices": [],
    }


def _number_areas(known: Known, areas: dict[str, dict[str, Any]], checks: list[dict[str, Any]]) -> None:
    """Places and keys that no two areas share; the unit that the club's own area, else its checks, say."""
    keys, places = _free_keys(areas), _free_places(areas)
    seen_keys: set[str] = set()
    seen_places: set[int] = set()
    for code, area in areas.items():
        if area["key"] in seen_keys or not area["key"]:
            area["key"] = next(keys)
        if area["order"] in seen_places or not area["order"]:
            area["order"] = next(places)
        seen_keys.add(area["key"])
        seen_places.add(area["order"])
        if code in known.areas:
            area["unit"] = "pair" if known.areas[code][1] else "player"
        elif not _known_area(area):
            pairs = any(check["unit"] == "pair" for check in checks if check["area"] == code)
            area["unit"] = "pair" if pairs else "player"


def _known_area(area: dict[str, Any]) -> bool:
    return bool(area["name"] != area["code"])


def _free_keys(areas: dict[str, dict[str, Any]]) -> Iterator[str]:
    used = {area["key"] for area in areas.values()}
    yield from (letter for letter in ascii_lowercase + "0123456789" if letter not in used)
    yield from iter(lambda: "?", None)


def _free_places(areas: dict[str, dict[str, Any]]) -> Iterator[int]:
    used = {area["order"] for area in areas.values()}
    return (place for place in range(1, 1000) if place not in used)


def _ask(area: dict[str, Any], checks: list[dict[str, Any]]) -> None:
    """Sets of checks that are asked, of what the list still has; a check is on where one of them names it."""
    own = {check["code"]: check for check in checks}
    triggers = {entry["code"] for entry in area["triggers"]}
    for check in checks:
        if check["trigger"] not in triggers:
            check["trigger"] = ""
    asked = {name: [code for code in codes if code in own] for name, codes in area["asked"].items()}
    if not any(asked.values()):
        doing = sorted((c for c in checks if c["kind"] == "doing"), key=lambda check: check["phase"])
        asked["any"] = [check["code"] for check in doing[:MOST_ASKED]]
    area["asked"] = asked
    on = {code for codes in asked.values() for code in codes}
    for check in checks:
        check["on_by_default"] = check["code"] in on
