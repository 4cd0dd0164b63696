"""The demo's term of lessons: a squad's hour each week, who came, and one that was called off."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import numpy as np

from players.models import Squad
from reports.demo.people import Cast, levels_by_code
from reports.demo.scenario import SquadPlan
from sessions.models import Attendance, Lesson


def add(cast: Cast, first_monday: date, *, weeks: int, now: datetime) -> list[Lesson]:
    """Squads with a lesson a week from the first week of the term to some weeks ahead; returns the lessons."""
    rng = np.random.default_rng([cast.told.seed, 2])
    coming = int(cast.told.data["term"]["coming"])
    made = []
    for plan in cast.told.squads:
        squad = _squad(cast, plan)
        for week in range(weeks + 1 + coming):
            made.append(_lesson(cast, squad, plan, first_monday, week))
    Lesson.objects.bulk_create(made)
    _who_came(cast, made, rng, now)
    return made


def _squad(cast: Cast, plan: SquadPlan) -> Squad:
    squad = Squad.objects.create(
        club=cast.club,
        name=plan.name,
        level=levels_by_code(cast.club)[plan.level],
        coach=cast.users[plan.coach],
    )
    squad.players.set([cast.by_ref[ref] for ref in plan.players])
    return squad


def _lesson(cast: Cast, squad: Squad, plan: SquadPlan, first_monday: date, week: int) -> Lesson:
    rules = cast.told.data["lessons"]
    day = first_monday + timedelta(days=7 * week + plan.weekday)
    return Lesson(
        club=cast.club,
        squad=squad,
        coach=squad.coach,
        starts_at=datetime.combine(day, plan.at, tzinfo=cast.club.zone),
        minutes=rules["minutes"],
        court=plan.court,
        plan=rules["plans"][week % len(rules["plans"])],
    )


def _who_came(cast: Cast, lessons: list[Lesson], rng: np.random.Generator, now: datetime) -> None:
    """Everybody of the squad is expected; what was held is noted on the evening itself."""
    rules: dict[str, Any] = cast.told.data["lessons"]
    off, rows = rules["called_off"], []
    by_squad: dict[int, list[Lesson]] = {}
    for lesson in lessons:
        by_squad.setdefault(lesson.squad_id or 0, []).append(lesson)
    for of_squad in by_squad.values():
        for week, lesson in enumerate(of_squad, 1):
            squad = lesson.squad
            assert squad is not None
            ended = lesson.starts_at + timedelta(minutes=lesson.minutes)
            over = ended < now
            if over and squad.name == off["squad"] and week == off["week"]:
                lesson.state, lesson.reason = Lesson.State.CANCELLED, off["reason"]
            elif over:
                lesson.state = Lesson.State.HELD
            for player in squad.players.all():
                state = _state(rules, rng) if lesson.state == Lesson.State.HELD else Attendance.State.EXPECTED
                rows.append(
                    Attendance(
                        lesson=lesson,
                        player=player,
                        state=state,
                        noted_by=lesson.coach,
                        noted_at=min(ended, now),
                    )
                )
    Lesson.objects.bulk_update(lessons, ["state", "reason"])
    Attendance.objects.bulk_create(rows)


def _state(rules: dict[str, Any], rng: np.random.Generator) -> str:
    if rng.random() < rules["came"]:
        return str(Attendance.State.CAME)
    return str(Attendance.State.EXCUSED if rng.random() < rules["excused"] else Attendance.State.MISSED)
