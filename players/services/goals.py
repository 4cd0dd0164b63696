from datetime import date, datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from clubcoach.audit import record
from players.models import Area, Goal, Unit


@transaction.atomic
def set_goal(
    *, by: Any, unit: Unit, area: Area, target: int, due_on: date, now: datetime | None = None
) -> Goal:
    """A score in an area by a date. It takes the place of the open one, which stays readable."""
    moment = now or timezone.now()
    # Two goals set at once would both find the same open one.
    row = Unit.objects.select_for_update(of=("self",)).select_related("club").get(pk=unit.pk)
    problems = {}
    if area.club_id != row.club_id:
        problems["area"] = _("This is no area of the club.")
    elif area.for_pair != (row.kind == Unit.Kind.PAIR):
        problems["area"] = (
            _("This area is looked at as a pair: set the goal for a pair.")
            if area.for_pair
            else _("This area is looked at player by player: set the goal for one player.")
        )
    elif not area.on:
        problems["area"] = _("This area is not looked at this term.")
    if not 1 <= target <= 100:
        problems["target"] = _("A target lies between 1 and 100.")
    if due_on <= row.club.today(moment):
        problems["due_on"] = _("Choose a day in the future.")
    if problems:
        raise ValidationError(problems)
    Goal.objects.filter(unit=row, area=area, closed_at__isnull=True).update(closed_at=moment)
    goal = Goal.objects.create(unit=row, area=area, target=target, due_on=due_on, set_by=by, set_at=moment)
    record(by=by, club=row.club, action="goal.set", target=goal, fields=["area", "target", "due_on"])
    return goal
