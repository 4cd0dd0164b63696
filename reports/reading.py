"""What the club's last fit says of a few units: all their tallies, solved with the shared effects held.

A page asks it what no stored score answers: a change since some day, a forecast, why a count and a score differ.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from clubcoach.compute.progression import Progression, Shared
from clubcoach.models import Club
from players.models import Unit
from reports.scoring import Tallied, last_fit, read_tallies


@dataclass(frozen=True, eq=False)
class Reading:
    club: Club
    tallies: Tallied
    result: Progression

    def knows(self, unit: int, area: int) -> bool:
        return bool(((self.tallies["unit"] == unit) & (self.tallies["area"] == area)).any())


def read(*, club: Club, units: Iterable[Unit]) -> Reading | None:
    """Two queries; None where nothing was fitted or nothing is counted of the units."""
    fit = last_fit(club)
    if fit is None or not fit.shared:
        return None
    tallies = read_tallies(club=club, units=[unit.pk for unit in units])
    if not len(tallies):
        return None
    return Reading(club, tallies, tallies.fit(shared=Shared.from_dict(fit.shared)))
