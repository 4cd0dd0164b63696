"""Between the demo's matches: drills given and logged, notes and goals, through the services of the pages."""

from __future__ import annotations

import uuid
from datetime import date, datetime, time, timedelta
from typing import Any

import numpy as np
from django.core.exceptions import ValidationError

from players.models import Area, Drill, Player, Unit
from players.services import set_goal, write_note
from reports.demo.people import Cast
from reports.focus import drop_focus, reword_focus
from reports.homework import STAGES, give_homework, log_homework
from reports.models import FocusPoint, Homework

TRIED = 10


def at(cast: Cast, day: date, hour: int) -> datetime:
    return datetime.combine(day, time(hour), tzinfo=cast.club.zone)


def monday_morning(cast: Cast, week: int, monday: date, now: datetime) -> None:
    """The head coach writes down what the week's rows of the scenario say, and gives the week's drills."""
    moment = at(cast, monday, 9)
    if moment > now:
        return
    for row in cast.told.data["notes"]:
        if row["week"] == week:
            _note(cast, row, moment)
    for row in cast.told.data["goals"]:
        if row["week"] == week:
            _goal(cast, row, moment)
    for row in cast.told.data["reviews"]:
        if row["week"] == week:
            _review(cast, row, moment)
    for player in cast.players:
        _give(cast, player, week, moment)


def _note(cast: Cast, row: dict[str, Any], moment: datetime) -> None:
    write_note(
        by=cast.users[row["by"]],
        unit=cast.unit(row["unit"]),
        text=row["text"],
        for_players=row.get("for_players", False),
        now=moment,
    )


def _goal(cast: Cast, row: dict[str, Any], moment: datetime) -> None:
    set_goal(
        by=cast.head_coach,
        unit=cast.unit(row["unit"]),
        area=Area.objects.get(club=cast.club, code=row["area"]),
        target=row["target"],
        due_on=cast.club.day_of(moment) + timedelta(days=row["days"]),
        now=moment,
    )


def _review(cast: Cast, row: dict[str, Any], moment: datetime) -> None:
    """What the head coach makes of the first thing that somebody works on."""
    point = _first_point(cast.unit(row["unit"]))
    if point is None:
        return
    if row["what"] == "reworded":
        reword_focus(by=cast.head_coach, point=point, words=row["words"], cue="")
    else:
        drop_focus(by=cast.head_coach, point=point, done=row["what"] == "done", now=moment)


def _first_point(unit: Unit) -> FocusPoint | None:
    active = FocusPoint.objects.filter(unit=unit, state=FocusPoint.State.ACTIVE)
    return active.select_related("unit__club").order_by("rank").first()


def _give(cast: Cast, player: Player, week: int, moment: datetime) -> None:
    """One drill for what a player works on first, a stage further every third week, and the promise for the match."""
    unit = cast.unit(next(ref for ref, row in cast.by_ref.items() if row.pk == player.pk))
    point = _first_point(unit)
    if point is None:
        return
    drills = list(Drill.objects.filter(club=cast.club, retired_on=None, checks=point.check_identity_id))
    promises = [row for row in drills if row.place == Drill.Place.IN_YOUR_MATCH]
    others = sorted(
        (row for row in drills if row.place != Drill.Place.IN_YOUR_MATCH),
        key=lambda row: (STAGES.index(Drill.Stage(row.stage)), row.code),
    )
    begun = (cast.club.day_of(moment) - point.started_on).days // 21
    for row, times in [
        *((row, 3) for row in others[begun : begun + 1] or others[-1:]),
        *((row, 1) for row in promises[:1]),
    ]:
        try:
            give_homework(by=cast.head_coach, player=player, drill=row, focus=point, times=times, now=moment)
        except ValidationError:
            # Given already when the point was found, or more overheads than a week allows.
            continue


def sunday_evening(cast: Cast, monday: date, rng: np.random.Generator, now: datetime) -> None:
    """Who does their drills logs them; how often somebody does is the scenario's."""
    for ref, share in cast.told.data["homework"]["diligence"].items():
        player = cast.by_ref[ref]
        if player.user is None:
            continue
        given = Homework.objects.filter(player=player, week_of=monday, withdrawn_at=None).select_related(
            "player__club"
        )
        for row in given.order_by("pk"):
            for turn in range(row.times):
                day = monday + timedelta(days=1 + 2 * turn)
                if rng.random() < share and at(cast, day, 20) <= now:
                    _log(row, day, at(cast, day, 20), rng)


def _log(row: Homework, day: date, moment: datetime, rng: np.random.Generator) -> None:
    weeks = 0 if row.focus is None else (day - row.focus.started_on).days // 7
    good = int(rng.binomial(TRIED, min(0.9, 0.45 + 0.05 * weeks)))
    log_homework(
        by=row.player.user,
        homework=row,
        uuid=uuid.UUID(bytes=rng.bytes(16), version=4),
        done_on=day,
        good=good,
        tried=TRIED,
        felt="hard" if good < 5 else "right" if good < 8 else "easy",
        now=moment,
    )
