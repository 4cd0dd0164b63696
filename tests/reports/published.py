"""Published analyses straight into rows: tallies with a known chance, as the services would have written them."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np
from django.utils import timezone

from players.models import Area, Check, Level, LevelStandard, Player, Unit
from sessions.models import Analysis, Cover, Tally
from tests import factories as make

FIRST = date(2026, 9, 1)


def unit_of(player: Player) -> Unit:
    return Unit.objects.select_related("first__club").get(first=player, kind="player")


def expect(level: Level, score: int = 60) -> None:
    """The same standard in every area."""
    for area in Area.objects.filter(club=level.club):
        LevelStandard.objects.update_or_create(level=level, area=area, defaults={"score": score})


def publish_rows(
    cast: Any,
    shares: dict[Unit, dict[str, float | tuple[int, int]]],
    *,
    day: date = FIRST,
    seen: int = 10,
    analyst: Any = None,
    seed: int = 1,
    **fields: Any,
) -> Analysis:
    """One match; by unit and check code how often it is met: a chance, or (seen, met) as it is to be."""
    rng = np.random.default_rng([seed, day.toordinal()])
    players = [unit.first for unit in shares if unit.kind == "player"][:4]
    match = make.make_match(
        cast.club, [*players, *[None] * (4 - len(players))], played_on=day, ref=f"{day}-{seed}"
    )
    analysis = make.make_analysis(
        match,
        analyst=analyst or cast.assistant,
        units=list(shares),
        state=fields.pop("state", "published"),
        published_at=fields.pop("published_at", timezone.now()),
        **fields,
    )
    Cover.objects.filter(analysis=analysis).update(current=True)
    checks = {check.code: check for check in Check.objects.filter(club=cast.club)}
    rows = []
    for unit, of_unit in shares.items():
        for code, share in of_unit.items():
            n, met = share if isinstance(share, tuple) else (seen, int(rng.binomial(seen, share)))
            rows.append(
                Tally(
                    analysis=analysis,
                    unit=unit,
                    day=day,
                    check_identity=checks[code],
                    analyst=analysis.analyst,
                    ball="normal",
                    seen=n,
                    met=met,
                )
            )
    Tally.objects.bulk_create(rows)
    return analysis


CODES = ("F1", "F2", "L2", "L3", "B1", "B2")


def publish_many(cast: Any, *, days: int = 4, **fields: Any) -> list[Analysis]:
    """Three players over some weeks, each with shares of their own; one of them gets better."""
    made = []
    for number in range(days):
        shares = {
            unit_of(player): dict.fromkeys(CODES, base + gain * number)
            for player, base, gain in ((cast.ana, 0.3, 0.1), (cast.cleo, 0.6, 0.0), (cast.dan, 0.5, 0.0))
        }
        made.append(publish_rows(cast, shares, day=FIRST + timedelta(days=7 * number), **fields))
    return made
