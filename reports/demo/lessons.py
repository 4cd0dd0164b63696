"""The demo's term of lessons: a squad's hour each week, who came, and one that was called off."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import numpy as np

from players.models import Squad
from players.services import save_squad
from reports.demo.people import Cast, levels_by_code
from reports.demo.scenario import SquadPlan
from sessions.models import Attendance, Lesson
from sessions.services import cancel_lesson, note_attendance, plan_lessons


def add(cast: Cast, monday: date, *, weeks: int, now: datetime) -> list[Lesson]:
    """Squads with a lesson a week, from the term's first Monday to some weeks ahead; what is over is noted."""
    rng = np.random.default_rng([cast.told.seed, 2])
    coming = int(cast.told.data["term"]["coming"])
    begins = datetime.combine(monday, datetime.min.time(), tzinfo=cast.club.zone)
    made = []
    for plan in cast.told.squads:
        squad = _squad(cast, plan, begins)
        lessons = [_lesson(cast, squad, plan, monday, week, begins) for week in range(1, weeks + 2 + coming)]
        over = [lesson for lesson in lessons if lesson.ends_at < now]
        # Something is left to do for whoever opens the coach's page: the first assistant has not noted the last one.
        waits = over[-1:] if squad.coach == cast.assistants[0] else []
        for week, lesson in enumerate(over, 1):
            if lesson not in waits:
                _note(cast, plan, lesson, week, rng)
        made += lessons
    return made


def _squad(cast: Cast, plan: SquadPlan, now: datetime) -> Squad:
    return save_squad(
        by=cast.head_coach,
        club=cast.club,
        name=plan.name,
        level=levels_by_code(cast.club)[plan.level],
        coach=cast.users[plan.coach],
        players=[cast.by_ref[ref] for ref in plan.players],
        now=now,
    )


def _lesson(cast: Cast, squad: Squad, plan: SquadPlan, monday: date, week: int, now: datetime) -> Lesson:
    rules = cast.told.data["lessons"]
    day = monday + timedelta(days=7 * (week - 1) + plan.weekday)
    (lesson,) = plan_lessons(
        by=cast.head_coach,
        club=cast.club,
        squad=squad,
        coach=squad.coach,
        first=datetime.combine(day, plan.at, tzinfo=cast.club.zone),
        minutes=rules["minutes"],
        court=plan.court,
        plan=rules["plans"][(week - 1) % len(rules["plans"])],
        now=now,
    )
    return lesson


def _note(cast: Cast, plan: SquadPlan, lesson: Lesson, week: int, rng: np.random.Generator) -> None:
    """On the evening itself, by whoever gave the lesson."""
    rules = cast.told.data["lessons"]
    off = rules["called_off"]
    if (plan.name, week) == (off["squad"], off["week"]):
        cancel_lesson(by=cast.head_coach, lesson=lesson, reason=off["reason"])
        return
    states = {cast.by_ref[ref].pk: _state(rules, rng) for ref in plan.players}
    note_attendance(by=cast.users[plan.coach], lesson=lesson, states=states, now=lesson.ends_at)


def _state(rules: dict[str, Any], rng: np.random.Generator) -> str:
    if rng.random() < rules["came"]:
        return str(Attendance.State.CAME)
    return str(Attendance.State.EXCUSED if rng.random() < rules["excused"] else Attendance.State.MISSED)
