"""Simulated matches: players of known skill, analysts of known strictness, marks drawn by chance from both."""

import uuid
from collections import Counter
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

import numpy as np

from clubcoach.compute.checklist import asked_checks
from clubcoach.compute.ledger import RallyEntry, keep_ledger
from players.models import Area, Check, Unit
from sessions.models import Analysis, Closure, Mark, Match, Rally, Situation

Letter = Literal["A", "B"]
RALLIES = 44
# Logits. Who of the analysts is strict is planted, so that a page can be asked whether it finds it.
STRICTNESS = (0.55, 0.0, -0.55)
BALL = {"easy": -0.45, "normal": 0.0, "hard": 0.65}
BALL_SHARES = {"easy": 0.2, "normal": 0.58, "hard": 0.22}
NOT_SEEN = 0.06
LEVEL_SKILL = {0: -0.75, 1: 0.05, 2: 0.8}
HARDNESS_SD, AREA_SD, OWN_SD = 0.55, 0.45, 0.45


@dataclass
class Truth:
    """What the simulation knows: skill by unit and area, how hard checks are, and who gets better at what."""

    rng: np.random.Generator
    checks: dict[str, list[Check]]
    hardness: dict[str, float]
    skill: dict[tuple[int, str], float]
    own: dict[tuple[int, str], float]
    gain: dict[tuple[int, str], float]
    began: date

    def chance(self, unit: Unit, check: Check, area: str, day: date, strictness: float, ball: str) -> float:
        grown = self.gain.get((unit.pk, area), 0.0) * (day - self.began).days / 60
        logit = self.skill[unit.pk, area] + grown + self.own[unit.pk, check.code]
        logit -= self.hardness[check.code] + strictness + BALL[ball]
        return float(1 / (1 + np.exp(-logit)))


def plant(seed: int, units: list[tuple[Unit, int]], areas: list[Area], began: date) -> Truth:
    """Draw the truth; every third unit gains about one logit in two months in its weakest area, others none."""
    rng = np.random.default_rng(seed)
    by_area = {
        area.code: list(Check.objects.filter(area=area, retired_on=None).order_by("phase")) for area in areas
    }
    truth = Truth(rng, by_area, {}, {}, {}, {}, began)
    for checks in by_area.values():
        for check in checks:
            truth.hardness[check.code] = float(rng.normal(-0.2, HARDNESS_SD))
    for number, (unit, level) in enumerate(units):
        for area in areas:
            truth.skill[unit.pk, area.code] = LEVEL_SKILL[level] + float(rng.normal(0, AREA_SD))
            for check in by_area[area.code]:
                truth.own[unit.pk, check.code] = float(rng.normal(0, OWN_SD))
        if number % 3 == 0:
            weakest = min(areas, key=lambda area: truth.skill[unit.pk, area.code])
            truth.gain[unit.pk, weakest.code] = 1.1
    return truth


def play_rallies(match: Match, rng: np.random.Generator, edge: float) -> list[Rally]:
    """Write a match's rallies as the ledger would have them served; ``edge`` is pair A's advantage in logits."""
    serving_wins = 0.55
    entries: list[RallyEntry] = []
    rows: list[Rally] = []
    start = 12.0
    for number in range(1, RALLIES + 1):
        ledger = keep_ledger(
            match.match_format, entries, first_server=match.first_server, first_near=match.first_near
        )
        if ledger.final.finished:
            break
        due = ledger.next
        share_a = serving_wins if due.server in (1, 2) else 1 - serving_wins
        share_a = 1 / (1 + np.exp(-(np.log(share_a / (1 - share_a)) + edge)))
        winner: Letter = "A" if rng.random() < share_a else "B"
        length = float(rng.gamma(4, 2.4) + 3)
        entries.append(RallyEntry(number, winner, due.server, due.near, due.side))
        rows.append(
            Rally(
                uuid=uuid.UUID(bytes=rng.bytes(16), version=4),
                match=match,
                number=number,
                start_s=round(start, 2),
                end_s=round(start + length, 2),
                server=due.server,
                winner=winner,
                near_pair=due.near,
            )
        )
        start += length + 14
    return Rally.objects.bulk_create(rows)


def see(truth: Truth, analysis: Analysis, rallies: list[Rally], strictness: float) -> None:
    """Write what an analyst marks in these rallies: the same rows that the sheet's operations write."""
    match = analysis.match
    pair_of = {seat.player_id: seat.pair for seat in match.seat_list}
    units = [cover.unit for cover in analysis.covers.select_related("unit")]
    areas = [row.area for row in analysis.lens.select_related("area")]
    situations: list[Situation] = []
    marks: list[tuple[Situation, Check, str]] = []
    closed: Counter[tuple[int, int]] = Counter()
    for rally in rallies:
        for unit in units:
            for area in areas:
                if area.for_pair != (unit.kind == Unit.Kind.PAIR) or truth.rng.random() > 0.3:
                    continue
                end = "near" if pair_of[unit.first_id] == rally.near_pair else "far"
                made, seen = _situation(truth, analysis, rally, unit, area, end, strictness)
                situations.append(made)
                marks += seen
                closed[rally.pk, area.pk] += 1
    Situation.objects.bulk_create(situations)
    Mark.objects.bulk_create(
        Mark(situation=situation, check_identity=check, value=value) for situation, check, value in marks
    )
    Closure.objects.bulk_create(
        Closure(analysis=analysis, rally=rally, area=area, situations=closed[rally.pk, area.pk])
        for rally in rallies
        for area in areas
    )


def _situation(
    truth: Truth, analysis: Analysis, rally: Rally, unit: Unit, area: Area, end: str, strictness: float
) -> tuple[Situation, list[tuple[Situation, Check, str]]]:
    rng = truth.rng
    ball = str(rng.choice(list(BALL_SHARES), p=list(BALL_SHARES.values())))
    trigger = "b" if area.code == "lob" else ""
    hit = rally.start_s + 0.15 + 0.8 * float(rng.random()) * ((rally.end_s or 0) - rally.start_s)
    situation = Situation(
        uuid=uuid.UUID(bytes=rng.bytes(16), version=4),
        analysis=analysis,
        rally=rally,
        unit=unit,
        area=area,
        hit_s=round(hit, 2),
        end=end,
        trigger=trigger,
        ball=ball,
    )
    asked = set(asked_checks(analysis.check_list.data, area.code, end, trigger or None))
    marks = []
    for check in truth.checks[area.code]:
        if check.code not in asked:
            continue
        chance = truth.chance(unit, check, area.code, analysis.match.played_on, strictness, ball)
        met = "met" if rng.random() < chance else "missed"
        marks.append((situation, check, "not_seen" if rng.random() < NOT_SEEN else met))
    return situation, marks


def words_for(analysis: Analysis, rng: np.random.Generator) -> str:
    """A head coach's sentence or two; which one is chance."""
    said: list[Any] = [
        "You hold your shape longer than in spring. Now let the feet do the work before the hand does.",
        "Good patience at the back. When they push you deep, lob earlier and walk in behind it together.",
        "Your net is a place to stay, not to visit. Look at how you leave it after the first high ball.",
        "Quieter hands than last time. The ball you dislike is the one you prepare late: start with that.",
    ]
    return str(said[int(rng.integers(len(said)))])
