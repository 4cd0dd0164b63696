"""Readings of clubs whose truth is known, without a database."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace
from typing import Any

import numpy as np

from clubcoach.compute.progression import fit_progression
from reports.change import Change, changes
from reports.reading import Reading
from reports.scoring import Tallied

NAMES = ("unit", "day", "area", "check", "analyst", "ball", "seen", "met")
BEGIN = date(2026, 1, 1).toordinal()


def reading_of(columns: np.ndarray, **how: Any) -> Reading:
    """``columns`` as of `simulate`, with days from 0 on."""
    moved = columns.astype(np.int64).copy()
    moved[1] += BEGIN
    table = dict(zip(NAMES, moved, strict=True))
    tallies = Tallied({"pk": np.arange(moved.shape[1]), **table})
    club: Any = SimpleNamespace(pk=1)
    return Reading(club, tallies, fit_progression(*moved, **how))


def first_to_last(reading: Reading) -> dict[tuple[int, int], Change]:
    """Every unit's change in every area, from its first day to its last."""
    wanted = []
    for unit, area in {*zip(reading.tallies["unit"].tolist(), reading.tallies["area"].tolist(), strict=True)}:
        mine = (reading.tallies["unit"] == unit) & (reading.tallies["area"] == area)
        days = reading.tallies["day"][mine]
        ends = date.fromordinal(int(days.min())), date.fromordinal(int(days.max()))
        wanted.append((unit, area, *ends))
    return changes(reading, wanted)
