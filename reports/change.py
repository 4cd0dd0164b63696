"""How a unit's score in an area changed since a chosen day: five phrases, and for coaches the points.

From joint draws of the unit's own scores, so that what both days share (who looked, how hard the checks are) cancels.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

import numpy as np
from django.utils.translation import gettext as _

from clubcoach import formatting
from clubcoach.models import Club
from reports.reading import Reading

DRAWS = 3000
CLEARLY, PROBABLY = 0.95, 0.80
INTERVAL = (0.1, 0.9)
# Of what somebody typed into the address a page repeats no more.
LONGEST = 30


@dataclass(frozen=True)
class Change:
    """The chance of being better than on an earlier day, and by how many points, with an 80 % interval."""

    since: date
    until: date
    p: float
    points: float
    low: float
    high: float

    @property
    def phrase(self) -> str:
        return phrase(self.p)

    def told(self, club: Club, *, counts: bool) -> str:
        """The phrase alone for students; points and chance beside it for coaches."""
        values = {"day": formatting.day(self.since, club), "phrase": self.phrase}
        if not counts:
            return _("Since %(day)s: %(phrase)s.") % values
        values["points"] = formatting.signed_range(self.points, self.low, self.high)
        values["percent"] = str(round(100 * self.p))
        return (
            _("Since %(day)s: %(phrase)s; %(points)s points, the chance that it is better is %(percent)s %%.")
            % values
        )


def phrase(p: float) -> str:
    """A chance of being better, in one of five phrases."""
    if p >= CLEARLY:
        return _("clearly better")
    if p >= PROBABLY:
        return _("probably better")
    if 1 - p >= CLEARLY:
        return _("clearly lower")
    if 1 - p >= PROBABLY:
        return _("probably lower")
    return _("no change to see")


Wanted = tuple[int, int, date, date]


def changes(reading: Reading, wanted: Iterable[Wanted]) -> dict[tuple[int, int], Change]:
    """By unit and area the change between two days; of what the reading does not know there is none.

    The seed comes from the keys of club and unit, so that a page says the same each time it is opened.
    """
    of_unit: dict[int, list[Wanted]] = {}
    for row in wanted:
        if reading.knows(row[0], row[1]):
            of_unit.setdefault(row[0], []).append(row)
    found = {}
    where = {int(area): at for at, area in enumerate(reading.result.areas)}
    for unit, rows in of_unit.items():
        days = sorted({day for row in rows for day in row[2:]})
        rng = np.random.default_rng([reading.club.pk, unit])
        drawn = reading.result.draws(unit, [day.toordinal() for day in days], rng=rng, n=DRAWS)
        for _unit, area, since, until in rows:
            of_area = drawn[:, :, where[area]]
            moved = of_area[:, days.index(until)] - of_area[:, days.index(since)]
            low, high = np.quantile(moved, INTERVAL)
            p = float(np.mean(moved > 0) + 0.5 * np.mean(moved == 0))
            found[unit, area] = Change(since, until, p, float(moved.mean()), float(low), float(high))
    return found


@dataclass(frozen=True)
class Since:
    """A day that was asked for, or the first one with a sentence that says what is wrong with what was asked."""

    day: date
    wrong: str = ""


def since_when(asked: str, first: date, last: date, club: Club) -> Since:
    """Any day from the first match day on which the area was seen, and before the last one."""
    if not asked:
        return Since(first)
    try:
        day = date.fromisoformat(asked.strip())
    except ValueError:
        wrong = _("“%(asked)s” is no date. Choose one of the match days.") % {"asked": asked[:LONGEST]}
        return Since(first, wrong)
    values = {"day": formatting.day(day, club)}
    if day >= last:
        values["last"] = formatting.day(last, club)
        return Since(
            first,
            _(
                "The last match day here is %(last)s: nothing can have changed since %(day)s. Choose an earlier day."
            )
            % values,
        )
    if day < first:
        values["first"] = formatting.day(first, club)
        return Since(
            first,
            _(
                "Nothing was seen here before %(first)s, so not on %(day)s either. Choose that day or a later one."
            )
            % values,
        )
    return Since(day)
