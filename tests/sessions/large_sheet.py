"""A sheet as large as they come, written straight into rows: situations of one area with four marks each."""

from __future__ import annotations

import random
import uuid
from typing import Any

from players.models import Check
from sessions.models import Closure, Mark, Rally, Situation
from tests.sessions.coding import Court, make_court

VALUES = ("met", "missed", "not_seen")


def large_sheet(
    cast: Any, *, rallies: int = 160, situations: int = 2000, unmarked: int = 0, **fields: Any
) -> Court:
    """Every rally closed and won by somebody; the last ``unmarked`` situations have no marks yet."""
    dice = random.Random(160)
    court = make_court(cast, **fields)
    feet = court.area("feet")
    checks = [Check.objects.get(club=cast.club, code=code) for code in ("F1", "F2", "F4", "F5")]
    rows = Rally.objects.bulk_create(
        Rally(
            uuid=uuid.uuid4(),
            match=court.match,
            number=number,
            start_s=30.0 * number + 0.137,
            end_s=30.0 * number + 21.413,
            winner=dice.choice("AB"),
        )
        for number in range(1, rallies + 1)
    )
    each = [situations // rallies + (number < situations % rallies) for number in range(rallies)]
    listed = Situation.objects.bulk_create(
        Situation(
            uuid=uuid.uuid4(),
            analysis=court.analysis,
            rally=rally,
            unit=court.ana,
            area=feet,
            hit_s=round(rally.start_s + 20 * (n + dice.random()) / count, 3),
            end="near",
            ball=dice.choices(("normal", "easy", "hard"), (6, 2, 2))[0],
            drawn=fields.get("plan") == "drawn",
        )
        for rally, count in zip(rows, each, strict=True)
        for n in range(count)
    )
    Mark.objects.bulk_create(
        (
            Mark(situation=situation, check_identity=check, value=dice.choice(VALUES))
            for situation in listed[: situations - unmarked]
            for check in checks
        ),
        batch_size=500,
    )
    Closure.objects.bulk_create(
        Closure(analysis=court.analysis, rally=rally, area=feet, situations=count)
        for rally, count in zip(rows, each, strict=True)
    )
    return court
