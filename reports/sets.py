"""Which scores of a club may stand beside each other: those that some analysts' eyes hold together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from django.utils.translation import gettext as _

from clubcoach.compute.progression_sets import connected_sets
from clubcoach.models import Club
from reports.scoring import scored_tallies


@dataclass(frozen=True)
class ClubSets:
    """How many sets a club's units fall into that share no analyst, and in which each unit is, from 1."""

    n: int
    of_unit: dict[int, int]
    one_eye: bool

    @property
    def apart(self) -> bool:
        return self.n > 1

    def mark(self, unit: int | None) -> str:
        """'set 2', where there are several; nothing for a unit that was never seen."""
        number = self.of_unit.get(unit) if unit is not None else None
        return _("set %(number)d") % {"number": number} if self.apart and number else ""

    def sentence(self) -> str:
        """For a page on which several units' scores stand together."""
        if not self.apart:
            return ""
        return _(
            "The club's analyses fall into %(n)d sets that share no analyst. Scores of one set can be held against each"
            " other, scores of two sets can not: a stricter eye and weaker play look the same there. One match"
            " analysed across the sets joins them."
        ) % {"n": self.n}

    def sentence_of(self, unit: int) -> str:
        """For the page of one unit."""
        number = self.of_unit.get(unit)
        if not self.apart or not number:
            return ""
        return _(
            "The club's analyses fall into %(n)d sets that share no analyst, and this is set %(number)d: its scores can"
            " be held against those of the same set only."
        ) % {"n": self.n, "number": number}


def sets_of(club: Club) -> ClubSets:
    """One query, whatever was analysed."""
    looks = list(scored_tallies(club).order_by().values_list("unit", "analyst").distinct())
    table = np.array(looks, dtype=np.int64).reshape(-1, 2)
    found = connected_sets(table[:, 0], table[:, 1])
    numbers = zip(found.players.tolist(), found.set_of_player.tolist(), strict=True)
    return ClubSets(found.n, {unit: number + 1 for unit, number in numbers}, found.one_eye)
