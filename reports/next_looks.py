"""Which checks to look for next where too little was seen: those the list asks for and nobody has seen much of."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Any

from clubcoach.models import Club
from players.lists import current_list
from players.models import Area, Check, CheckWording
from reports.reading import Reading

MOST = 3


def look_next(
    *, club: Club, reading: Reading | None, unit: int, areas: Iterable[Area]
) -> dict[int, list[CheckWording]]:
    """By area two or three doing checks, the least seen first, against how often the list asks each; two queries."""
    version = current_list(club)
    wanted = list(areas)
    if version is None or not wanted:
        return {}
    wordings = CheckWording.objects.filter(
        version=version,
        asked=True,
        check_identity__kind=Check.Kind.DOING,
        check_identity__retired_on=None,
        check_identity__area__in=[area.pk for area in wanted],
    ).select_related("check_identity__area")
    by_area: dict[int, list[CheckWording]] = {area.pk: [] for area in wanted}
    for row in wordings.order_by("check_identity__phase", "pk"):
        by_area[row.check_identity.area_id].append(row)
    seen, asked = _seen(reading, unit), asked_shares(version.data)
    for area, listed in by_area.items():
        rows = [row for row in listed if not asked or row.check_identity.code in asked]
        rows.sort(key=lambda row: seen[row.check_identity_id] / asked.get(row.check_identity.code, 1.0))
        # All of an area's checks would be no answer to what to look for.
        by_area[area] = rows[: min(MOST, max(2, len(rows) - 1))]
    return by_area


def _seen(reading: Reading | None, unit: int) -> Counter[int]:
    found: Counter[int] = Counter()
    if reading is not None:
        mine = reading.tallies.where(reading.tallies["unit"] == unit)
        for check, seen in zip(mine["check"].tolist(), mine["seen"].tolist(), strict=True):
            found[check] += seen
    return found


def asked_shares(data: Mapping[str, Any]) -> dict[str, float]:
    """By code in how many of an area's asked sets a check stands: one asked after few triggers is seen less."""
    found = {}
    for area in data.get("areas", ()):
        sets = list(area.get("asked", {}).values())
        for code in {code for codes in sets for code in codes}:
            found[code] = sum(code in codes for codes in sets) / len(sets)
    return found
