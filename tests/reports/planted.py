"""What a filled demo club shows of what was planted: changes of scores, raw shares, faults that follow faults."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from clubcoach.models import Club
from players.models import Area, Player, Unit
from reports.demo.planted import days_worked
from reports.demo.scenario import Scenario
from reports.models import FocusPoint, Score
from sessions.models import Mark, Seat, Tally

# Days for which a point was worked on before its area is asked to have moved.
LONG_ENOUGH = 30


def unit_named(club: Club, told: Scenario, name: str) -> Unit:
    people = {row.ref: row for row in told.students}
    players = [
        Player.objects.get(club=club, given_name=people[ref].given, family_name=people[ref].family)
        for ref in name.split("+")
    ]
    if len(players) > 1:
        return Unit.objects.pair_of(*players)
    return Unit.objects.get(first=players[0], kind=Unit.Kind.PLAYER)


@dataclass(frozen=True)
class Change:
    """A unit's score in an area, from its first match day to its last."""

    unit: int
    area: str
    days: int
    points: float
    better: float


def changes(club: Club) -> tuple[list[Change], list[Change]]:
    """Of what was worked on for long enough, and of what never was; three match days at least."""
    worked = defaultdict(list)
    for point in FocusPoint.objects.filter(unit__club=club).select_related("check_identity__area"):
        worked[point.unit_id, point.check_identity.area.code].append((point.started_on, point.ended_on))
    rows = defaultdict(list)
    codes = dict(Area.objects.filter(club=club).values_list("pk", "code"))
    for score in Score.objects.filter(club=club, series="now").order_by("day"):
        rows[score.unit_id, codes[score.area_id]].append(score)
    with_focus, without = [], []
    for (unit, area), scores in sorted(rows.items()):
        if len(scores) < 3:
            continue
        first, last = scores[0], scores[-1]
        days = days_worked(worked[unit, area], last.day)
        change = Change(unit, area, days, last.score - first.score, last.better_than_first or 0.5)
        if days >= LONG_ENOUGH:
            with_focus.append(change)
        elif not worked[unit, area]:
            without.append(change)
    return with_focus, without


def mean(rows: Iterable[Change], what: str = "points") -> float:
    return float(np.mean([getattr(row, what) for row in rows]))


def weakest_again(club: Club, without: list[Change]) -> tuple[float, float]:
    """Raw shares of the check that looked weakest at the first look, and of the same check at the next: the means."""
    tallies = defaultdict(lambda: defaultdict(lambda: [0, 0]))
    rows = Tally.objects.current().filter(unit__club=club, check_identity__kind="doing")
    for unit, area, day, check, seen, met in rows.values_list(
        "unit", "check_identity__area__code", "day", "check_identity", "seen", "met"
    ):
        cell = tallies[unit, area][day, check]
        cell[0] += seen
        cell[1] += met
    first, second = [], []
    for change in without:
        cells = tallies[change.unit, change.area]
        days = sorted({day for day, _check in cells})[:2]
        both = [
            (cells[days[0], check], cells[days[1], check])
            for day, check in cells
            if day == days[0] and (days[1], check) in cells
        ]
        both = [(one, other) for one, other in both if min(one[0], other[0]) >= 5]
        if len(both) > 1:
            weakest = min(both, key=lambda pair: pair[0][1] / pair[0][0])
            first.append(weakest[0][1] / weakest[0][0])
            second.append(weakest[1][1] / weakest[1][0])
    return float(np.mean(first)), float(np.mean(second))


@dataclass(frozen=True)
class Seen:
    """A mark in its rally."""

    match: int
    unit: int
    player: int
    hit_s: float
    ball: str
    code: str
    missed: bool
    lost: bool


def marks_by_rally(club: Club) -> list[list[Seen]]:
    pairs = dict(
        ((match, player), position)
        for match, player, position in Seat.objects.filter(match__club=club).values_list(
            "match", "player", "position"
        )
    )
    rallies = defaultdict(list)
    rows = (
        Mark.objects.filter(situation__analysis__match__club=club)
        .exclude(value="not_seen")
        .order_by("situation__hit_s", "check_identity__phase")
        .values_list(
            "situation__rally",
            "situation__analysis__match",
            "situation__unit",
            "situation__unit__first",
            "situation__hit_s",
            "situation__ball",
            "check_identity__code",
            "value",
            "situation__rally__winner",
        )
    )
    for rally, match, unit, player, hit, ball, code, value, winner in rows:
        mine = "A" if pairs[match, player] <= 2 else "B"
        rallies[rally].append(Seen(match, unit, player, hit, ball, code, value == "missed", mine != winner))
    return list(rallies.values())


Table = tuple[int, int, int, int]


def followed(rallies: list[list[Seen]], causes: set[str], effect: str, units: Iterable[int]) -> list[Table]:
    """How often ``effect`` was missed after an earlier miss of a cause, of how many; and otherwise.

    A table for each player and match, as a strict analyst makes both misses more likely; and for each ball where
    both are of one situation.
    """
    one_situation = effect[0] in {code[0] for code in causes}
    chosen, tables = set(units), defaultdict(lambda: [0, 0, 0, 0])
    for rally in rallies:
        for at, seen in enumerate(rally):
            before = [row for row in rally[:at] if row.unit == seen.unit and row.code in causes]
            if seen.unit in chosen and seen.code == effect and before:
                table = tables[seen.unit, seen.match, seen.ball if one_situation else ""]
                place = 0 if any(row.missed for row in before) else 2
                table[place] += seen.missed
                table[place + 1] += 1
    return [(table[0], table[1], table[2], table[3]) for table in tables.values()]


def share_missed(rallies: list[list[Seen]], unit: int, codes: set[str]) -> float:
    marks = [seen.missed for rally in rallies for seen in rally if seen.unit == unit and seen.code in codes]
    return float(np.mean(marks))


def lost_after(rallies: list[list[Seen]], codes: set[str], chosen: Callable[[Seen], bool]) -> Table:
    """How often the rally was lost where a check was missed, of how many; and where it was met."""
    table = [0, 0, 0, 0]
    for rally in rallies:
        for seen in rally:
            if seen.code in codes and chosen(seen):
                place = 0 if seen.missed else 2
                table[place] += seen.lost
                table[place + 1] += 1
    return table[0], table[1], table[2], table[3]


def difference(tables: Iterable[Table]) -> float:
    """Risk difference over strata, each weighed by Mantel and Haenszel's n1 * n0 / (n1 + n0)."""
    top = bottom = 0.0
    for a, n1, b, n0 in tables:
        if n1 and n0:
            weight = n1 * n0 / (n1 + n0)
            top += weight * (a / n1 - b / n0)
            bottom += weight
    return top / bottom
