"""What an import will write: every row checked against the others and against the club, and nothing written yet."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Any

from clubcoach.models import Club, User
from reports.exchange.columns import SITUATIONS
from reports.exchange.known import Known
from reports.exchange.problems import Problems
from reports.exchange.tables import Tables

if TYPE_CHECKING:
    from reports.exchange.write import Written


@dataclass(eq=False)
class ListEntry:
    """A check list that the club does not have: its rows by check code, and the data of a list version."""

    label: str
    rows: dict[str, dict[str, Any]]
    data: dict[str, Any] = field(default_factory=dict)


@dataclass(eq=False)
class RallyEntry:
    """A rally of a match, there already (`pk`) or to be written."""

    number: int
    cells: dict[str, Any] = field(default_factory=dict)
    pk: int | None = None
    # Where it stands in the order of time; its start where that is known.
    order: float = 0.0


@dataclass(eq=False)
class MatchEntry:
    """A match that is there already (`pk`) or to be written, with what analyses ask of it."""

    ref: str
    cells: dict[str, Any]
    pk: int | None = None
    rallies: dict[int, RallyEntry] = field(default_factory=dict)

    def player(self, seat: int) -> str | None:
        found: str | None = self.cells[f"player_{seat}"]
        return found

    def seats_of(self, unit: str) -> tuple[int, ...]:
        return {"A": (1, 2), "B": (3, 4)}.get(unit) or (int(unit),)

    @property
    def fresh_rallies(self) -> list[RallyEntry]:
        return [rally for rally in self.rallies.values() if rally.pk is None]


@dataclass(eq=False)
class AnalysisEntry:
    """An analysis to be written. `situations` and `marks` point into the tables, in the order of the key."""

    ref: str
    match: MatchEntry
    cells: dict[str, Any]
    line: int = 0
    situations: list[int] = field(default_factory=list)
    # For each of `situations`, the rows of checks.csv.
    marks: dict[int, list[int]] = field(default_factory=dict)

    @property
    def counts(self) -> bool:
        return bool(self.cells["purpose"] == "count")

    @property
    def size(self) -> int:
        """About how many rows it makes."""
        return 2 * len(self.situations) + sum(len(rows) for rows in self.marks.values())


@dataclass(eq=False)
class Plan:
    """Everything new, and what of it was there."""

    club: Club
    by: User
    known: Known
    tables: Tables
    levels: list[dict[str, Any]] = field(default_factory=list)
    lists: list[ListEntry] = field(default_factory=list)
    analysts: list[dict[str, Any]] = field(default_factory=list)
    players: list[dict[str, Any]] = field(default_factory=list)
    squads: list[str] = field(default_factory=list)
    matches: dict[str, MatchEntry] = field(default_factory=dict)
    analyses: dict[str, AnalysisEntry] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)
    new: Counter[str] = field(default_factory=Counter)
    there: Counter[str] = field(default_factory=Counter)
    written: Written | None = None

    def unit_of(self, situation: int) -> str:
        found: str = self.tables[SITUATIONS.name]["unit"][situation]
        return found

    @property
    def counts(self) -> dict[str, dict[str, int]]:
        """By kind of row, how many are new and how many were there, in the order of the files."""
        kinds = ("levels", "check_lists", "analysts", "players", "squads", "matches", "rallies", "analyses")
        return {
            kind: {"new": self.new[kind], "there": self.there[kind]}
            for kind in (*kinds, "situations", "checks")
            if self.new[kind] or self.there[kind]
        }

    @property
    def empty(self) -> bool:
        return not any(self.new.values())

    @property
    def today(self) -> date:
        return self.club.today()


def make_plan(
    *,
    club: Club,
    by: User,
    tables: Tables,
    problems: Problems,
    tell: Callable[[], None] = lambda: None,
) -> Plan:
    """Check an import against itself and the club; `tell` is called between the steps.

    The plan may only be written where `problems` stayed empty.
    """
    from reports.exchange.plan_marks import add_checks, add_situations, compare_known
    from reports.exchange.plan_matches import add_analyses, add_matches, add_rallies
    from reports.exchange.plan_people import add_analysts, add_levels, add_lists, add_players

    plan = Plan(club, by, Known.of(club), tables)
    for step in (
        add_levels,
        add_lists,
        add_analysts,
        add_players,
        add_matches,
        add_rallies,
        add_analyses,
        add_situations,
        add_checks,
        compare_known,
    ):
        tell()
        step(plan, problems)
    return plan


def differs(cells: dict[str, Any], there: dict[str, Any]) -> list[tuple[str, Any, Any]]:
    """Cells that say something else than what is there: name, new value, value there. An empty cell says nothing."""
    return [
        (name, value, there.get(name))
        for name, value in cells.items()
        if value is not None and name in there and value != there[name]
    ]
