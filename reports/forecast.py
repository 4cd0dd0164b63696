"""How likely a goal is reached by its day, if things go on as they went."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from django.utils.translation import gettext as _

from clubcoach import formatting
from players.models import Goal
from reports.reading import Reading

DRAWS = 3000


def chances(reading: Reading, goals: Iterable[Goal]) -> dict[int, float]:
    """By goal the chance that the score stands at its target or above on its day; of days after the last match only."""
    of_unit: dict[int, list[Goal]] = {}
    for goal in goals:
        if reading.knows(goal.unit_id, goal.area_id) and goal.due_on.toordinal() > _last(
            reading, goal.unit_id
        ):
            of_unit.setdefault(goal.unit_id, []).append(goal)
    where = {int(area): at for at, area in enumerate(reading.result.areas)}
    found = {}
    for unit, rows in of_unit.items():
        days = sorted({goal.due_on.toordinal() for goal in rows})
        drawn = reading.result.draws(unit, days, rng=np.random.default_rng([reading.club.pk, unit]), n=DRAWS)
        for goal in rows:
            scores = drawn[:, days.index(goal.due_on.toordinal()), where[goal.area_id]]
            found[goal.pk] = float(np.mean(scores >= goal.target))
    return found


def _last(reading: Reading, unit: int) -> int:
    return int(reading.tallies["day"][reading.tallies["unit"] == unit].max())


def chance_words(p: float) -> str:
    """'about 6 in 10'; never none and never all of ten."""
    if p < 0.05:
        return _("less than 1 in 10")
    if p > 0.95:
        return _("more than 9 in 10")
    return _("about %(tenths)d in 10") % {"tenths": min(9, max(1, formatting.tenths(p)))}
