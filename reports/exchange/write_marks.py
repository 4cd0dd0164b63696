"""Situations, marks, closures and tallies of a chunk of analyses."""

from __future__ import annotations

import uuid
from collections import Counter, defaultdict
from typing import TYPE_CHECKING, Any

from django.utils import timezone

from reports.exchange.columns import CHECKS, SITUATIONS
from reports.exchange.load import insert, kept
from reports.exchange.plan import AnalysisEntry, Plan
from sessions.models import Closure, Mark, Situation, Tally

if TYPE_CHECKING:
    from reports.exchange.write import Written

_SITUATION = (
    "id",
    "uuid",
    "analysis",
    "rally",
    "unit",
    "area",
    "hit_s",
    "timed",
    "number",
    "end",
    "trigger",
    "ball",
    "outcome",
    "choice",
    "drawn",
    "shown_only",
    "not_codable",
    "note",
    "dropped",
    "rev",
)
_MARK = ["situation", "check_identity", "value", "rev", "marked_at"]
_CLOSURE = ["analysis", "rally", "area", "situations", "rev"]
_TALLY = ["analysis", "unit", "day", "check_identity", "analyst", "ball", "seen", "met"]
# Situations without times keep their order by this step.
_STEP = 0.000001


class Marks:
    """Rows as the database keeps them, from the tables of a plan."""

    def __init__(self, plan: Plan, written: Written) -> None:
        self.plan, self.written = plan, written
        self.situations = plan.tables[SITUATIONS.name].columns
        checks = plan.tables[CHECKS.name]
        self.check, self.met = checks["check"], checks["met"]
        self.now = kept(Mark, "marked_at", timezone.now())
        self.rows: dict[type[Any], list[tuple[Any, ...]]] = defaultdict(list)

    def insert(self) -> None:
        for model, names in ((Situation, _SITUATION), (Mark, _MARK), (Closure, _CLOSURE), (Tally, _TALLY)):
            insert(model, names, self.rows[model])

    def add(self, entry: AnalysisEntry, key: int) -> None:
        """Everything that was seen in an analysis of this key."""
        wanted = entry.situations
        at = dict(zip(wanted, self.written.keys(Situation).take(len(wanted)), strict=True))
        written, cells = self.written, self.situations
        chosen, drawn = entry.cells["plan"] == "chosen", entry.cells["plan"] == "drawn"
        closures: Counter[tuple[int, int]] = Counter()
        units: dict[str, int] = {}
        seen: Counter[tuple[int, str, str]] = Counter()
        met: Counter[tuple[int, str, str]] = Counter()
        for i in entry.situations:
            letter, number = cells["unit"][i], cells["rally"][i]
            unit = units.get(letter)
            if unit is None:
                unit = units[letter] = self._unit(entry, letter)
            rally = written.rallies[entry.match.ref, number]
            area, hit = written.areas[cells["area"][i]], cells["hit_s"][i]
            counted = cells["counted"][i] != 0
            ball = cells["ball"][i] or "normal"
            order = (
                (entry.match.rallies[number].order + _STEP * cells["situation"][i]) if hit is None else hit
            )
            self.rows[Situation].append(
                (
                    at[i],
                    uuid.uuid4().hex,
                    key,
                    rally,
                    unit,
                    area,
                    order,
                    hit is not None,
                    cells["situation"][i],
                    self._end(entry, number, letter),
                    "",
                    ball,
                    cells["outcome"][i] or "",
                    cells["choice"][i] or "",
                    drawn and counted,
                    not counted and not chosen,
                    "",
                    "",
                    False,
                    1,
                )
            )
            closures[rally, area] += counted
            for j in entry.marks.get(i, ()):
                check, good = self.check[j], self.met[j]
                value = "met" if good else "missed"
                self.rows[Mark].append((at[i], written.checks[check], value, 1, self.now))
                if counted and not chosen:
                    seen[unit, check, ball] += 1
                    met[unit, check, ball] += good
        self.rows[Closure] += [(key, rally, area, n, 1) for (rally, area), n in closures.items()]
        for unit in dict.fromkeys(units.values()):
            written.covers.append((key, entry.match.ref, unit, entry.counts))
        if entry.counts:
            self._add_tallies(entry, key, seen, met)

    def _add_tallies(
        self,
        entry: AnalysisEntry,
        key: int,
        seen: Counter[tuple[int, str, str]],
        met: Counter[tuple[int, str, str]],
    ) -> None:
        day = kept(Tally, "day", entry.match.cells["played_on"])
        analyst = self.written.analysts.get(entry.cells["analyst_ref"]) or self.written.own
        self.rows[Tally] += [
            (key, unit, day, self.written.checks[check], analyst, ball, n, met[unit, check, ball])
            for (unit, check, ball), n in seen.items()
        ]

    def _unit(self, entry: AnalysisEntry, letter: str) -> int:
        players = [entry.match.player(seat) or "" for seat in entry.match.seats_of(letter)]
        if len(players) == 1:
            return self.written.units[players[0]]
        return self.written.pairs[players[0], players[1]]

    def _end(self, entry: AnalysisEntry, number: int, letter: str) -> str:
        near = entry.match.rallies[number].cells.get("near_pair")
        pair = letter if letter in "AB" else "AB"[int(letter) > 2]
        return "far" if near and near != pair else "near"
