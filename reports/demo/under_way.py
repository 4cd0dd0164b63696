"""The demo's third filmed match: an analyst has listed what there is, drawn, and is in the middle of marking."""

import uuid
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from clubcoach.compute.checklist import asked_checks
from clubcoach.models import User
from players.models import Area, Check, Unit
from sessions.draws import make_draw
from sessions.models import Analysis, Match, Situation
from sessions.ops.engine import apply_ops
from sessions.services import HunchEntry, request_analysis, write_hunches

if TYPE_CHECKING:
    from reports.demo.people import Cast

AREAS = ("feet", "lob")
DRAWN = {"feet": 10, "lob": 8}
MARKED = 6
SEED = 19
MOST_OPS = 100


def add(
    cast: "Cast", match: Match, unit: Unit, position: str, truth: dict[str, Any], *, now: datetime
) -> Analysis:
    """Everything as a device of the analyst would send it; ``position`` is what the truth calls the player."""
    analyst = cast.assistants[0]
    areas = {area.code: area for area in Area.objects.filter(club=cast.club, code__in=AREAS)}
    analysis = request_analysis(
        by=cast.head_coach,
        match=match,
        units=[unit],
        areas=areas.values(),
        analyst=analyst,
        due_on=cast.club.today(now) + timedelta(days=1),
        plan="drawn",
        now=now,
    )
    checks = {check.code: check for check in Check.objects.filter(club=cast.club, area__code__in=AREAS)}
    write_hunches(by=analyst, analysis=analysis, hunches=_hunches(areas, checks), now=now)
    device = _Device(analyst, analysis, now)
    seen = [row for row in truth["situations"] if row["unit"] == position and row["area"] in AREAS]
    rallies = {row["number"]: str(uuid.uuid4()) for row in truth["rallies"]}
    names = {str(uuid.uuid4()): row for row in seen}
    device.send(_rallies(truth, rallies))
    device.send(_situations(names, rallies, unit))
    for code, area in areas.items():
        make_draw(by=analyst, analysis=analysis, area=area, planned=DRAWN[code], seed=SEED)
    drawn = Situation.objects.filter(analysis=analysis, area=areas["feet"], drawn=True).order_by("hit_s")
    device.send(_marks(analysis, {str(row.uuid): names[str(row.uuid)] for row in drawn[:MARKED]}))
    return analysis


def _hunches(areas: dict[str, Area], checks: dict[str, Check]) -> list[HunchEntry]:
    return [
        HunchEntry("The feet land after their hit, not with it", areas["feet"], checks["F1"], "missed"),
        HunchEntry("Hardly ever caught in the middle strip", areas["feet"], checks["F5"], "met"),
        HunchEntry("The lobs are good as a whole", areas["lob"], None, "met"),
    ]


Sent = tuple[str, str, dict[str, Any]]


def _rallies(truth: dict[str, Any], rallies: dict[int, str]) -> Iterator[Sent]:
    facts = ("number", "start_s", "end_s", "server", "winner", "near_pair", "side")
    for row in truth["rallies"]:
        yield "rally.add", rallies[row["number"]], {name: row[name] for name in facts}


def _situations(names: dict[str, Any], rallies: dict[int, str], unit: Unit) -> Iterator[Sent]:
    for name, row in names.items():
        own = {key: row[key] for key in ("area", "hit_s", "end", "trigger")}
        yield "situation.add", name, {"rally": rallies[row["rally"]], "unit": unit.pk, **own}


def _marks(analysis: Analysis, drawn: dict[str, Any]) -> Iterator[Sent]:
    """Every check that is asked; what figures as simple as these do not show was not seen."""
    for name, row in drawn.items():
        for code in asked_checks(analysis.check_list.data, row["area"], row["end"], row["trigger"] or None):
            yield "mark.set", f"{name}/{code}", {"value": row["checks"].get(code, "not_seen")}


class _Device:
    """Numbers its operations, and hears what is not taken."""

    def __init__(self, by: User, analysis: Analysis, now: datetime) -> None:
        self.by, self.analysis, self.now = by, analysis, now
        self.name, self.seq = str(uuid.uuid4()), 0

    def send(self, sent: Iterator[Sent]) -> None:
        ops = []
        for kind, target, body in sent:
            self.seq += 1
            head = {"op": str(uuid.uuid4()), "device": self.name, "seq": self.seq}
            ops.append({**head, "kind": kind, "target": target, "body": body})
        for first in range(0, len(ops), MOST_OPS):
            part = ops[first : first + MOST_OPS]
            for result in apply_ops(by=self.by, analysis=self.analysis, ops=part, now=self.now):
                if result["status"] != "applied":
                    raise RuntimeError(f"the demo's own sheet was not taken: {result}")
