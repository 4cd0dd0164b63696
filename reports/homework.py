"""Drills for the week: suggested for focus points, given by the coach, logged by whoever does them."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any
from uuid import UUID

from django.core.exceptions import PermissionDenied, ValidationError
from django.db import IntegrityError, transaction
from django.db.models import Q, QuerySet, Sum
from django.utils import timezone
from django.utils.translation import gettext as _

from clubcoach import audit
from clubcoach.access import Can, viewer_of
from clubcoach.models import User
from players.models import Drill, Player, own_player_ids
from reports.models import FocusPoint, Homework, HomeworkLog

STAGES = [Drill.Stage.SHADOW, Drill.Stage.FED, Drill.Stage.VARIED, Drill.Stage.IN_PLAY]
# Overheads in one week's homework, all drills together: common practice, no limit is published. Half for juniors.
OVERHEADS, OVERHEADS_MINOR = 30, 15
TIMES = 3
# With its focus point a drill leaves the page.
ON_THE_PAGE = Q(focus=None) | Q(focus__state=FocusPoint.State.ACTIVE)


def monday_of(day: date) -> date:
    return day - timedelta(days=day.weekday())


def overheads_allowed(player: Player, day: date) -> int:
    return OVERHEADS_MINOR if player.is_minor(day) else OVERHEADS


def _overheads(player: Player, week: date) -> int:
    given = Homework.objects.filter(player=player, week_of=week, withdrawn_at=None)
    return given.aggregate(sum=Sum("drill__overheads"))["sum"] or 0


@transaction.atomic
def suggest(*, point: FocusPoint, by: User | None, now: datetime | None = None) -> list[Homework]:
    """One drill that trains the point's check, the simplest stage first, and one promise for the next match.

    A player has one promise a week, whatever the number of points; what asks for too many overheads is passed over.
    """
    club = point.unit.club
    week = monday_of(club.today(now))
    drills = Drill.objects.filter(club=club, retired_on=None)
    training = list(drills.filter(checks=point.check_identity_id))
    related = list(drills.filter(areas=point.check_identity.area_id))
    made = []
    for player in Player.objects.filter(pk__in=point.unit.player_ids).select_related("club"):
        mine = Homework.objects.filter(player=player, week_of=week, withdrawn_at=None)
        for drill in (
            _drill(training, overheads_allowed(player, week) - _overheads(player, week)),
            None
            if mine.filter(drill__place=Drill.Place.IN_YOUR_MATCH).exists()
            else _promise(training) or _promise(related),
        ):
            if drill is not None:
                made += _give(player, drill, point, week, by, now or timezone.now())
    return made


def _drill(drills: list[Drill], overheads: int) -> Drill | None:
    fit = [row for row in drills if row.place != Drill.Place.IN_YOUR_MATCH and row.overheads <= overheads]
    return min(
        fit,
        key=lambda row: (STAGES.index(Drill.Stage(row.stage)), row.players_min, row.code),
        default=None,
    )


def _promise(drills: list[Drill]) -> Drill | None:
    promises = [row for row in drills if row.place == Drill.Place.IN_YOUR_MATCH]
    return min(promises, key=lambda row: row.code, default=None)


def _give(
    player: Player, drill: Drill, point: FocusPoint | None, week: date, by: User | None, now: datetime
) -> list[Homework]:
    if not still_in_use(drill):
        return []
    times = 1 if drill.place == Drill.Place.IN_YOUR_MATCH else TIMES
    row, fresh = Homework.objects.get_or_create(
        player=player,
        drill=drill,
        week_of=week,
        defaults={"focus": point, "times": times, "given_by": by, "given_at": now},
    )
    return [row] if fresh else []


def still_in_use(drill: Drill) -> bool:
    """Whether a drill may be given, asked at its row: nobody takes it out of use before this transaction ends."""
    row = Drill.objects.select_for_update().get(pk=drill.pk)
    return row.retired_on is None


@transaction.atomic
def give_homework(
    *,
    by: User,
    player: Player,
    drill: Drill,
    focus: FocusPoint | None = None,
    week_of: date | None = None,
    times: int = TIMES,
    now: datetime | None = None,
) -> Homework:
    """Give a drill for a week, this one where none is named."""
    club = player.club
    viewer_of(by, club).must(Can.SET_FOCUS)
    week = monday_of(week_of or club.today(now))
    problems = _problems(player, drill, focus, week, times, monday_of(club.today(now)))
    if problems:
        raise ValidationError(problems)
    try:
        with transaction.atomic():
            row, _fresh = Homework.objects.update_or_create(
                player=player,
                drill=drill,
                week_of=week,
                # What was taken back and is given again is the same row, with what was logged on it.
                defaults={"focus": focus, "times": times, "given_by": by, "withdrawn_at": None},
                create_defaults={
                    "focus": focus,
                    "times": times,
                    "given_by": by,
                    "given_at": now or timezone.now(),
                },
            )
    except IntegrityError:
        raise ValidationError({"drill": _("This drill was given for that week a moment ago.")}) from None
    audit.record(by=by, club=club, action="homework.given", target=row, fields=["drill", "week_of", "times"])
    return row


def _problems(
    player: Player, drill: Drill, focus: FocusPoint | None, week: date, times: int, this_week: date
) -> dict[str, str]:
    problems: dict[str, str] = {}
    if drill.club_id != player.club_id:
        problems["drill"] = _("This is no drill of the club.")
    elif not still_in_use(drill):
        problems["drill"] = _("This drill is out of use and is not given any more.")
    elif Homework.objects.filter(player=player, drill=drill, week_of=week, withdrawn_at=None).exists():
        problems["drill"] = _("This drill is given for that week already.")
    elif drill.overheads and drill.overheads + _overheads(player, week) > overheads_allowed(player, week):
        problems["drill"] = _(
            "With this drill there would be more than %(most)d overheads in the week's homework."
        ) % {"most": overheads_allowed(player, week)}
    if focus is not None and player.pk not in focus.unit.player_ids:
        problems["focus"] = _("This focus point is somebody else's.")
    if week < this_week:
        problems["week_of"] = _("This week is past.")
    if not 1 <= times <= 7:
        problems["times"] = _("Between once and seven times a week.")
    return problems


@transaction.atomic
def withdraw_homework(*, by: User, row: Homework, now: datetime | None = None) -> Homework:
    """Take a drill back; what was logged stays."""
    club = row.player.club
    viewer_of(by, club).must(Can.SET_FOCUS)
    if not Homework.objects.filter(pk=row.pk, withdrawn_at=None).update(withdrawn_at=now or timezone.now()):
        raise ValidationError(_("This drill was taken back already."))
    audit.record(by=by, club=club, action="homework.withdrawn", target=row, fields=["withdrawn_at"])
    return row


def withdraw_of(*, point: FocusPoint, now: datetime) -> int:
    """Take back what was given for a focus point that is over, unless somebody has begun with it."""
    return Homework.objects.filter(focus=point, withdrawn_at=None, logs=None).update(withdrawn_at=now)


def given_now(today: date) -> QuerySet[Homework]:
    """What players have for this week or a coming one, and see on their page then."""
    return Homework.objects.filter(week_of__gte=monday_of(today), withdrawn_at=None).filter(ON_THE_PAGE)


def current_homework(player: Player, today: date) -> list[Homework]:
    """What a player has to do: this week's drills, or those of the last week that had any.

    A drill that went out of use stays until its week ends.
    """
    rows = (
        Homework.objects.filter(player=player, withdrawn_at=None, week_of__lte=today)
        .filter(ON_THE_PAGE)
        .select_related("drill", "focus")
        .prefetch_related("logs")
        .order_by("-week_of", "pk")[:20]
    )
    listed = list(rows)
    week = monday_of(today)
    return [
        row
        for row in listed
        if row.week_of == listed[0].week_of and (row.drill.retired_on is None or row.week_of >= week)
    ]


def log_homework(
    *,
    by: User,
    homework: Homework,
    uuid: UUID,
    done_on: date,
    good: int,
    tried: int,
    felt: str = "",
    now: datetime | None = None,
) -> HomeworkLog:
    """ "8 of 10, felt easy." The device names the entry, so that one sent twice is one."""
    club = homework.player.club
    if homework.player_id not in own_player_ids(viewer_of(by, club)):
        raise PermissionDenied(_("Only the player or a guardian logs this."))
    known = HomeworkLog.objects.filter(uuid=uuid).first()
    if known is not None:
        return _same(known, homework)
    problems = _wrong_log(homework, done_on, good, tried, felt, club.today(now))
    if problems:
        raise ValidationError(problems)
    fields: dict[str, Any] = {"done_on": done_on, "good": good, "tried": tried, "felt": felt}
    try:
        with transaction.atomic():
            entry = HomeworkLog.objects.create(
                homework=homework, uuid=uuid, logged_by=by, logged_at=now or timezone.now(), **fields
            )
            audit.record(by=by, club=club, action="homework.logged", target=entry, fields=list(fields))
    except IntegrityError:
        # The same form twice at once: the other one was a moment earlier.
        return _same(HomeworkLog.objects.get(uuid=uuid), homework)
    return entry


def _same(entry: HomeworkLog, homework: Homework) -> HomeworkLog:
    if entry.homework_id != homework.pk:
        raise ValidationError({"uuid": _("This entry belongs to another drill. Reload the page.")})
    return entry


def _wrong_log(
    homework: Homework, done_on: date, good: int, tried: int, felt: str, today: date
) -> dict[str, str]:
    problems: dict[str, str] = {}
    if homework.withdrawn_at:
        problems["homework"] = _("Your coach took this drill back.")
    if done_on > today:
        problems["done_on"] = _("This day is still to come.")
    elif done_on < homework.week_of:
        problems["done_on"] = _("This day is before the drill was given.")
    if not 1 <= tried <= 100:
        problems["tried"] = _("Between 1 and 100.")
    if good < 0:
        problems["good"] = _("Not below none.")
    elif good > tried:
        problems["good"] = _("More went well than were tried.")
    if felt and felt not in HomeworkLog.Felt.values:
        problems["felt"] = _("Choose one of the three.")
    return problems
