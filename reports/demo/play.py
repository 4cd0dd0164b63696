"""Simulated matches: rallies in which one thing leads to another, and the marks of an analyst who watches them.

A rally is played first and marked then. What an analyst marks differs from what happened by her strictness alone, so
that a strict and a lenient one tell the same rally differently.
"""

from __future__ import annotations

import uuid
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from typing import Literal

import numpy as np

from clubcoach.compute.ledger import Keeper, Position, RallyEntry
from clubcoach.compute.ledger_rules import is_over
from players.models import Area, Check, Unit
from reports.demo.planted import KEPT_IN, Truth, sigma
from sessions.models import Analysis, Closure, Mark, Match, Rally, Situation

Letter = Literal["A", "B"]
# How often an area comes up for a unit in a rally, and when in it: shares of the rally's length.
OFTEN = {"feet": 0.7, "lob": 0.42, "bandeja": 0.6, "serve": 0.95, "net": 0.8}
WHEN = {
    "serve": (0.0, 0.1),
    "feet": (0.12, 0.45),
    "bandeja": (0.3, 0.85),
    "lob": (0.35, 0.95),
    "net": (0.4, 0.97),
}
OTHERWISE = (0.3, (0.2, 0.9))
TRIGGERS = {
    "lob": (("a", 0.3), ("b", 0.7)),
    "bandeja": (("", 0.85), ("deep", 0.15)),
    "net": (("", 0.42), ("own_lob", 0.22), ("lobbed", 0.26), ("wait", 0.1)),
}
NEAR, FAR = "near", "far"


@dataclass
class Sides:
    """Who is on which side of the net in a match: the units by letter, the pair's own unit last."""

    match: Match
    units: dict[Letter, list[Unit]]
    positions: dict[int, int]

    def letter_of(self, unit: Unit) -> Letter:
        return "A" if any(row.pk == unit.pk for row in self.units["A"]) else "B"

    def pair(self, letter: Letter) -> Unit:
        return self.units[letter][-1]


@dataclass
class Moment:
    """A situation as it happened: for each check a number between 0 and 1 and the chance below which it is met."""

    unit: Unit
    area: str
    at: float
    trigger: str
    ball: str
    drawn: list[tuple[Check, float, float]]
    ended: bool = False


def play(truth: Truth, sides: Sides, areas: list[Area], day: date) -> list[tuple[Rally, list[Moment]]]:
    """A match rally by rally, as the ledger would have it served; who wins follows from what happened in it."""
    match, told, start = sides.match, list[tuple[Rally, list[Moment]]](), 12.0
    ledger = Keeper(
        match.match_format,
        first_server=match.first_server,
        first_near="A" if match.first_near == "A" else "B",
    )
    for number in range(1, int(truth.told.simulation["rallies"]) + 1):
        if is_over(match.match_format, ledger.score):
            break
        due = ledger.position()
        moments, faults = _rally(truth, sides, areas, day, due)
        winner = _winner(truth, sides, due, moments, faults)
        length = float(truth.rng.gamma(4, 2.4) + 3)
        ledger.add(RallyEntry(number, winner, due.server, due.near, due.side))
        rally = Rally(
            uuid=_uuid(truth),
            match=match,
            number=number,
            start_s=round(start, 2),
            end_s=round(start + length, 2),
            server=due.server,
            winner=winner,
            near_pair=due.near,
        )
        told.append((rally, moments))
        start += length + 14
    return told


def _rally(
    truth: Truth, sides: Sides, areas: list[Area], day: date, due: Position
) -> tuple[list[Moment], dict[int, set[str]]]:
    """What happens in a rally in its order; a ball that is not kept in ends it. Faults by player, a pair's by -pk."""
    moments: list[Moment] = []
    faults: dict[int, set[str]] = defaultdict(set)
    for at, unit, area in sorted(_comes_up(truth, sides, areas, due), key=lambda row: row[0]):
        moment = _happens(truth, unit, area, at, day, faults)
        moments.append(moment)
        if moment.ended:
            break
    return moments, faults


def _comes_up(
    truth: Truth, sides: Sides, areas: list[Area], due: Position
) -> Iterator[tuple[float, Unit, str]]:
    for unit in (*sides.units["A"], *sides.units["B"]):
        for area in areas:
            pair = unit.kind == Unit.Kind.PAIR
            serving = area.code != "serve" or sides.positions.get(unit.first_id) == due.server
            often, (first, last) = OFTEN.get(area.code, OTHERWISE[0]), WHEN.get(area.code, OTHERWISE[1])
            if area.for_pair == pair and serving and truth.rng.random() < often:
                yield first + (last - first) * float(truth.rng.random()), unit, area.code


def _happens(
    truth: Truth, unit: Unit, area: str, at: float, day: date, faults: dict[int, set[str]]
) -> Moment:
    rules = truth.told.simulation["ball"]
    ball = _one_of(truth, [(name, row["share"]) for name, row in rules.items()])
    trigger = _one_of(truth, TRIGGERS.get(area, (("", 1.0),)))
    mine = unit.pk if unit.kind == Unit.Kind.PLAYER else 0
    key = unit.first_id if mine else -unit.pk
    moment = Moment(unit, area, at, trigger, ball, [])
    for code in truth.asked(area, NEAR, trigger):
        check = next(row for row in truth.checks[area] if row.code == code)
        more = rules[ball]["logits"] + truth.link(unit.player_ids, faults, code)
        chance, luck = truth.chance(unit, check, area, day, more), float(truth.rng.random())
        moment.drawn.append((check, luck, chance))
        if luck >= chance:
            faults[key].add(code)
            moment.ended = moment.ended or code in KEPT_IN
    return moment


def _winner(
    truth: Truth, sides: Sides, due: Position, moments: list[Moment], faults: dict[int, set[str]]
) -> Letter:
    if moments and moments[-1].ended:
        return "B" if sides.letter_of(moments[-1].unit) == "A" else "A"
    serving = float(truth.told.simulation["serving_pair_wins"])
    share = serving if due.server in (1, 2) else 1 - serving
    one, other = sides.pair("A"), sides.pair("B")
    better = 0.25 * (truth.skill[one.pk, "net"] - truth.skill[other.pk, "net"])
    logit = float(np.log(share / (1 - share))) + better
    logit += truth.rally_lost(one, faults) - truth.rally_lost(other, faults)
    return "A" if truth.rng.random() < sigma(logit) else "B"


def see(
    truth: Truth, analysis: Analysis, sides: Sides, told: list[tuple[Rally, list[Moment]]], strict: float
) -> None:
    """Write what an analyst marks in a match: the same rows that the sheet's operations write."""
    areas = {row.area.code: row.area for row in analysis.lens.select_related("area")}
    rallies = Rally.objects.bulk_create(rally for rally, _moments in told)
    situations: list[Situation] = []
    marks: list[Mark] = []
    found: Counter[tuple[int, str]] = Counter()
    for rally, moments in told:
        for moment in moments:
            situation = _situation(truth, analysis, rally, moment, areas[moment.area], sides)
            situations.append(situation)
            marks += _marks(truth, situation, moment, strict)
            found[rally.pk, moment.area] += 1
    Situation.objects.bulk_create(situations)
    Mark.objects.bulk_create(marks)
    Closure.objects.bulk_create(
        Closure(analysis=analysis, rally=rally, area=area, situations=found[rally.pk, code])
        for rally in rallies
        for code, area in areas.items()
    )


def _situation(
    truth: Truth, analysis: Analysis, rally: Rally, moment: Moment, area: Area, sides: Sides
) -> Situation:
    near = sides.letter_of(moment.unit) == rally.near_pair
    return Situation(
        uuid=_uuid(truth),
        analysis=analysis,
        rally=rally,
        unit=moment.unit,
        area=area,
        hit_s=round(rally.start_s + moment.at * ((rally.end_s or 0) - rally.start_s), 2),
        end=NEAR if near else FAR,
        trigger=moment.trigger,
        ball=moment.ball,
        outcome="point_lost" if moment.ended else "",
    )


def _marks(truth: Truth, situation: Situation, moment: Moment, strict: float) -> list[Mark]:
    """The far end shows less. What came of a ball everybody sees alike; how it was played is where eyes differ."""
    asked = truth.asked(moment.area, situation.end, moment.trigger)
    marks = []
    for check, luck, chance in moment.drawn:
        if check.code not in asked:
            continue
        if check.kind == Check.Kind.DOING and 0 < chance < 1:
            chance = sigma(float(np.log(chance / (1 - chance))) - strict)
        seen = truth.rng.random() >= truth.told.simulation["not_seen"]
        value = ("met" if luck < chance else "missed") if seen else "not_seen"
        marks.append(Mark(situation=situation, check_identity=check, value=value))
    return marks


def _one_of(truth: Truth, choices: Iterable[tuple[str, float]]) -> str:
    names, shares = zip(*choices, strict=True)
    at = int(np.searchsorted(np.cumsum(shares), truth.rng.random(), side="right"))
    return str(names[min(at, len(names) - 1)])


def _uuid(truth: Truth) -> uuid.UUID:
    return uuid.UUID(bytes=truth.rng.bytes(16), version=4)


def words_for(truth: Truth) -> str:
    """A head coach's sentence or two; which one is chance."""
    said = [
        "You hold your shape longer than in spring. Now let the feet do the work before the hand does.",
        "Good patience at the back. When they push you deep, lob earlier and walk in behind it together.",
        "Your net is a place to stay, not to visit. Look at how you leave it after the first high ball.",
        "Quieter hands than last time. The ball you dislike is the one you prepare late: start with that.",
        "You serve and arrive: that is half of it. The other half is to stand still when they hit.",
        "The lobs are higher and you have time again. Use it to look up before you choose the next one.",
        "More balls came back than ever before. Let a few more of the deep ones bounce.",
        "A match with few easy points for them. One thing for next week, and only one: see below.",
    ]
    return said[int(truth.rng.integers(len(said)))]
