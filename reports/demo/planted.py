"""What the simulation knows and the program does not: skill, what makes it grow, and which fault leads to which."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np

from clubcoach.compute.checklist import asked_checks
from players.lists import current_list
from players.models import Area, Check, Unit
from reports.demo.people import Cast
from reports.demo.scenario import Scenario
from reports.models import FocusPoint

# Checks of what came of it that end the rally when they are missed.
KEPT_IN = ("B5", "S5")
# Where the chain runs and its decoy does not: these areas stand at the level, the checks alone say how weak they are.
CHAIN_AREAS = ("feet", "bandeja")
Span = tuple[date, date | None]


@dataclass
class Truth:
    """Logits: a unit's skill in an area and its own strong and weak checks, how hard each check is, what is planted."""

    rng: np.random.Generator
    told: Scenario
    checks: dict[str, list[Check]]
    check_list: dict[str, Any]
    hardness: dict[str, float] = field(default_factory=dict)
    skill: dict[tuple[int, str], float] = field(default_factory=dict)
    own: dict[tuple[int, str], float] = field(default_factory=dict)
    # Players of whom one fault leads to the next, and the pair whose faults at the net lose it the rally.
    chained: set[int] = field(default_factory=set)
    leaves_net: int = 0
    worked_on: dict[tuple[int, str], list[Span]] = field(default_factory=dict)
    _asked: dict[tuple[str, str, str], tuple[str, ...]] = field(default_factory=dict)

    def asked(self, area: str, end: str, trigger: str) -> tuple[str, ...]:
        """The checks that a situation asks, by the club's list."""
        key = (area, end, trigger)
        if key not in self._asked:
            self._asked[key] = asked_checks(self.check_list, area, end, trigger or None)
        return self._asked[key]

    def learn(self, units: Iterable[Unit]) -> None:
        """Read what the program itself gave these units to work on."""
        wanted = {unit.pk for unit in units}
        self.worked_on = {key: spans for key, spans in self.worked_on.items() if key[0] not in wanted}
        points = FocusPoint.objects.filter(unit__in=wanted).select_related("check_identity__area")
        for point in points:
            key = (point.unit_id, point.check_identity.area.code)
            self.worked_on.setdefault(key, []).append((point.started_on, point.ended_on))

    def grown(self, unit: int, area: str, day: date) -> float:
        """In logits: so much for each day on which a point of the area was worked on; two points are no faster."""
        rule = self.told.planted["growth"]
        return (
            float(rule["logits"])
            / float(rule["days"])
            * days_worked(self.worked_on.get((unit, area), []), day)
        )

    def chance(self, unit: Unit, check: Check, area: str, day: date, more: float) -> float:
        """That the check is met, before the average analyst; ``more`` is what the ball and the rally add."""
        logit = self.skill[unit.pk, area] + self.grown(unit.pk, area, day) + self.own[unit.pk, check.code]
        return sigma(logit - self.hardness[check.code] + more)

    def link(self, people: Iterable[int], faults: dict[int, set[str]], code: str) -> float:
        """What earlier faults of the rally take from this check, for those of whom it is planted."""
        lost = 0.0
        for person in self.chained.intersection(people):
            for row in self.told.planted["chain"]["links"]:
                if code in row["to"] and faults.get(person, set()).intersection(row["from"]):
                    lost += row["logits"]
        return lost

    def rally_lost(self, pair: Unit, faults: dict[int, set[str]]) -> float:
        """What a pair's faults take from its chance to win the rally, in logits; never positive."""
        costs, planted = self.told.simulation["costs"], self.told.planted
        seen = [faults.get(key, set()) for key in (-pair.pk, *pair.player_ids)]
        lost = -sum(cost for of_one in seen for code, cost in costs.items() if code in of_one)
        for person in self.chained.intersection(pair.player_ids):
            if faults.get(person, set()).intersection(planted["chain"]["lost"]["from"]):
                lost += planted["chain"]["lost"]["logits"]
        if pair.pk == self.leaves_net and seen[0].intersection(planted["leaves_net"]["lost"]["from"]):
            lost += planted["leaves_net"]["lost"]["logits"]
        return float(lost)


def days_worked(spans: list[Span], day: date) -> int:
    """Days before ``day`` that lie in at least one of the spans."""
    reached, total = date.min, 0
    for start, end in sorted(spans, key=lambda span: span[0]):
        begins, ends = max(start, reached), min(end or day, day)
        if ends > begins:
            total += (ends - begins).days
            reached = ends
    return total


def sigma(logit: float) -> float:
    return 1 / (1 + math.exp(-logit))


def plant(cast: Cast, areas: list[Area]) -> Truth:
    """Draw the truth of every unit that plays in the term, in the order of the scenario."""
    told = cast.told
    rng = np.random.default_rng(told.seed)
    by_area = {
        area.code: list(Check.objects.filter(area=area, retired_on=None).order_by("phase")) for area in areas
    }
    truth = Truth(rng, told, by_area, _list_of(cast))
    spread = told.simulation["spread"]
    for check in (check for checks in by_area.values() for check in checks):
        truth.hardness[check.code] = float(rng.normal(spread["hardness_mean"], spread["hardness"]))
    truth.hardness |= truth.told.simulation["hardness"]
    # Whether the ball stays in play is easier than how it was played, at every level.
    truth.hardness |= {code: spread["kept_in"] for code in KEPT_IN if code in truth.hardness}
    for name in _units(told):
        _draw(truth, cast.unit(name), _level(told, name), areas)
    _weaken(truth, cast)
    return truth


def _list_of(cast: Cast) -> dict[str, Any]:
    version = current_list(cast.club)
    return dict(version.data) if version else {}


def _units(told: Scenario) -> list[str]:
    pairs = [pair for row in told.fixtures for pair in (row.home, row.away)]
    listed = [*told.pairs, *pairs]
    return [row.ref for row in told.students] + list(dict.fromkeys("+".join(pair) for pair in listed))


def _level(told: Scenario, name: str) -> float:
    """A pair stands between its players."""
    skills, levels = told.simulation["levels"], {row.ref: row.level for row in told.students}
    return float(np.mean([skills[levels[ref]] for ref in name.split("+")]))


def _draw(truth: Truth, unit: Unit, level: float, areas: list[Area]) -> None:
    spread = truth.told.simulation["spread"]
    for area in areas:
        if area.for_pair != (unit.kind == Unit.Kind.PAIR):
            continue
        truth.skill[unit.pk, area.code] = level + float(truth.rng.normal(0, spread["area"]))
        for check in truth.checks[area.code]:
            truth.own[unit.pk, check.code] = float(truth.rng.normal(0, spread["own"]))


def _weaken(truth: Truth, cast: Cast) -> None:
    """What is planted is set, not drawn: the chain and its decoy are to be equally weak, and nothing else may be."""
    told, planted = truth.told, truth.told.planted
    chain, decoy, net = planted["chain"], planted["decoy"], planted["leaves_net"]
    for ref in (*chain["students"], decoy["student"]):
        unit = cast.unit(ref)
        for area in CHAIN_AREAS:
            truth.skill[unit.pk, area] = _level(told, ref)
        _own(truth, unit, (chain if ref in chain["students"] else decoy)["weak"])
    truth.chained = {cast.by_ref[ref].pk for ref in chain["students"]}
    pair = cast.unit(net["pair"])
    truth.leaves_net = pair.pk
    truth.skill[pair.pk, "net"] = _level(told, net["pair"])
    _own(truth, pair, net["weak"])


def _own(truth: Truth, unit: Unit, logits: dict[str, float]) -> None:
    truth.own.update({(unit.pk, code): float(value) for code, value in logits.items()})
