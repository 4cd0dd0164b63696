"""Lessons: what other pages ask about them, how a term is planned, who came, and what is called off."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from clubcoach import formatting
from clubcoach.access import Can, viewer_of
from clubcoach.audit import record
from clubcoach.models import Club, User
from players.models import Player, Squad
from sessions.models import Attendance, Lesson, LessonQuerySet
from sessions.rota import COUNTED, Turnout, attendance_of, lessons_of_day, next_lessons_of, span_of
from sessions.services.rules import in_time

__all__ = [
    "Turnout",
    "attendance_of",
    "cancel_lesson",
    "lessons_of_day",
    "next_lessons_of",
    "note_attendance",
    "plan_lessons",
    "span_of",
]
MOST_WEEKS = 30
MOST_WORDS = 2000
FARTHEST = timedelta(days=731)  # a year typed wrong, not a term
LONGEST = timedelta(minutes=240)
EARLY = timedelta(minutes=15)
NOTED = {str(state) for state in (Attendance.State.CAME, Attendance.State.EXCUSED, Attendance.State.MISSED)}


@transaction.atomic
def plan_lessons(
    *,
    by: User,
    club: Club,
    squad: Squad,
    coach: User | None,
    first: datetime,
    weeks: int = 1,
    minutes: int = 60,
    court: str = "",
    plan: str = "",
    now: datetime | None = None,
) -> list[Lesson]:
    """One lesson a week at the same time on the club's clock, also where the clock is changed in between.

    Where one of them cannot be, none is planned.
    """
    viewer_of(by, club).must(Can.PLAN_LESSONS)
    # Two terms planned at once would not see each other's lessons: one waits for the other.
    Club.objects.select_for_update(no_key=True).get(pk=club.pk)
    found = Squad.objects.filter(club=club, pk=squad.pk).select_for_update(of=("self",)).first()
    _refuse_plan(club, found, coach, first, weeks, minutes, in_time(now))
    if len(plan) > MOST_WORDS:
        raise ValidationError({"plan": _("Use at most %(most)d characters.") % {"most": MOST_WORDS}})
    times = weekly(club, first, weeks)
    lessons = [
        Lesson(
            club=club,
            squad=found,
            coach=coach,
            starts_at=start,
            minutes=minutes,
            court=" ".join(court.split()),
            plan=plan.strip(),
        )
        for start in times
    ]
    lessons[0].full_clean(
        exclude=["squad", "coach", "club"], validate_unique=False, validate_constraints=False
    )
    _refuse_clashes(club, lessons)
    Lesson.objects.bulk_create(lessons)
    members = list(Player.objects.filter(squads=found, active=True))
    Attendance.objects.bulk_create(
        Attendance(lesson=lesson, player=player) for lesson in lessons for player in members
    )
    for lesson in lessons:
        record(by=by, club=club, action="lesson.planned", target=lesson)
    return lessons


@transaction.atomic
def note_attendance(
    *, by: User, lesson: Lesson, states: Mapping[int, str], now: datetime | None = None
) -> Lesson:
    """Write down who came, by the player's key; who is not named stays as they are. Later it can be put right."""
    row = _locked(lesson)
    viewer_of(by, row.club).must(Can.RUN_LESSONS)
    moment = in_time(now)
    _refuse_noting(row, moment)
    expected = {entry.player_id: entry for entry in row.attendances.select_related("player")}
    problems = {}
    if set(states) - set(expected):
        problems["states"] = _("Somebody marked was not expected at this lesson. Nothing was saved.")
    elif set(states.values()) - NOTED:
        problems["states"] = _("A mark is one of: came, said no in time, did not come. Nothing was saved.")
    elif expected and not states and row.state != Lesson.State.HELD:
        problems["states"] = _("Mark at least one player, or press “All came”.")
    if problems:
        raise ValidationError(problems)
    changed = [expected[player] for player, state in states.items() if expected[player].state != state]
    corrected = any(entry.state in NOTED for entry in changed)
    for entry in changed:
        entry.state, entry.noted_by, entry.noted_at = states[entry.player_id], by, moment
    Attendance.objects.bulk_update(changed, ["state", "noted_by", "noted_at"])
    held = row.state == Lesson.State.HELD
    if not held:
        row.state = Lesson.State.HELD
        row.save(update_fields=["state"])
    if changed or not held:
        action = "lesson.attendance_corrected" if corrected else "lesson.attendance_noted"
        record(by=by, club=row.club, action=action, target=row, fields=["attendances"])
    return row


@transaction.atomic
def cancel_lesson(*, by: User, lesson: Lesson, reason: str) -> Lesson:
    row = _locked(lesson)
    viewer_of(by, row.club).must(Can.PLAN_LESSONS)
    tidy = " ".join(reason.split())
    if row.state == Lesson.State.HELD:
        raise ValidationError(_("This lesson was held: who came is on record. It cannot be called off."))
    if row.state == Lesson.State.CANCELLED:
        raise ValidationError(_("This lesson is called off already."))
    if not tidy:
        raise ValidationError({"reason": _("Say why: whoever was expected may ask.")})
    row.state, row.reason = Lesson.State.CANCELLED, tidy
    row.clean_fields(exclude=["club", "squad", "coach"])
    row.save(update_fields=["state", "reason"])
    record(by=by, club=row.club, action="lesson.called_off", target=row, fields=["state", "reason"])
    return row


def expect_squad(*, squad: Squad, now: datetime) -> None:
    """Make those who are in the squad, and nobody else, expected at its lessons that have not begun."""
    coming = list(_ahead(squad, now).values_list("pk", flat=True))
    members = set(squad.players.filter(active=True).values_list("pk", flat=True))
    rows = Attendance.objects.filter(lesson__in=coming)
    rows.filter(state=Attendance.State.EXPECTED).exclude(player__in=members).delete()
    there = set(rows.values_list("lesson", "player"))
    Attendance.objects.bulk_create(
        Attendance(lesson_id=lesson, player_id=player)
        for lesson in coming
        for player in members
        if (lesson, player) not in there
    )


def end_lessons_of(*, by: Any, squad: Squad, call_off: bool, now: datetime) -> None:
    """Nothing stays planned for a squad that is retired: refuse, or call it all off if that was said."""
    ahead = list(_ahead(squad, now).select_for_update(of=("self",)))
    if ahead and not call_off:
        raise ValidationError(
            {
                "call_off": ngettext(
                    "%(n)d lesson of this squad is still planned: %(day)s. Call it off too, or keep the squad"
                    " until it is over.",
                    "%(n)d lessons of this squad are still planned, the last on %(day)s. Call them off too, or"
                    " keep the squad until they are over.",
                    len(ahead),
                )
                % {"n": len(ahead), "day": formatting.day(ahead[-1].starts_at, squad.club)}
            }
        )
    for lesson in ahead:
        cancel_lesson(by=by, lesson=lesson, reason=_("The squad was retired."))


def opens_at(lesson: Lesson) -> datetime:
    """From when on one may note who came."""
    return lesson.starts_at - EARLY


def weekly(club: Club, first: datetime, weeks: int) -> list[datetime]:
    """The same weekday and time on the club's clock, ``weeks`` times; one that the clock skips is refused."""
    wall = first.astimezone(club.zone).replace(tzinfo=None)
    times = []
    for week in range(weeks):
        local = wall + timedelta(weeks=week)
        start = local.replace(tzinfo=club.zone)
        if start.astimezone(UTC).astimezone(club.zone).replace(tzinfo=None) != local:
            raise ValidationError(
                {
                    "first": _(
                        "On %(day)s the clock is changed and this time does not exist. Choose another."
                    )
                    % {"day": formatting.day(local.date(), club)}
                }
            )
        times.append(start.astimezone(UTC))
    return times


def _locked(lesson: Lesson) -> Lesson:
    rows = Lesson.objects.select_for_update(of=("self",)).select_related("club", "squad", "coach")
    return rows.get(pk=lesson.pk)


def _ahead(squad: Squad, now: datetime) -> LessonQuerySet:
    return Lesson.objects.filter(squad=squad, state=Lesson.State.PLANNED, starts_at__gt=now)


def _refuse_plan(
    club: Club,
    squad: Squad | None,
    coach: User | None,
    first: datetime,
    weeks: int,
    minutes: int,
    now: datetime,
) -> None:
    problems: dict[str, Any] = {}
    if squad is None:
        problems["squad"] = _("This is no squad of the club.")
    elif squad.retired_on is not None:
        problems["squad"] = _("This squad is retired. Bring it back into use, or choose another.")
    if coach is not None and not viewer_of(coach, club).can(Can.RUN_LESSONS):
        problems["coach"] = _("%(name)s is no coach of the club.") % {"name": coach.name}
    if not 1 <= weeks <= MOST_WEEKS:
        problems["weeks"] = _("Plan between 1 and %(most)d weeks at a time.") % {"most": MOST_WEEKS}
    if abs(first - now) > FARTHEST:
        problems["first"] = _("This day is more than two years away. Check the year.")
    if not 15 <= minutes <= LONGEST.total_seconds() / 60:
        problems["minutes"] = _("A lesson lasts between 15 and 240 minutes.")
    if problems:
        raise ValidationError(problems)


def _refuse_clashes(club: Club, lessons: Sequence[Lesson]) -> None:
    """A squad, a coach and a court are in one lesson at a time; says which lesson is in the way."""
    new = lessons[0]
    busy = Q(squad=new.squad)
    if new.coach_id:
        busy |= Q(coach=new.coach_id)
    if new.court:
        busy |= Q(court__iexact=new.court)
    near = (
        Lesson.objects.filter(busy, club=club, state__in=COUNTED)
        .filter(starts_at__gt=new.starts_at - LONGEST, starts_at__lt=lessons[-1].ends_at)
        .select_related("squad", "coach")
    )
    problems: dict[str, list[Lesson]] = {}
    for there in near:
        if any(there.starts_at < one.ends_at and one.starts_at < there.ends_at for one in lessons):
            problems.setdefault(_what_is_taken(new, there), []).append(there)
    if problems:
        raise ValidationError({field: _clash_words(club, field, rows) for field, rows in problems.items()})


def _what_is_taken(new: Lesson, there: Lesson) -> str:
    if there.squad_id == new.squad_id:
        return "first"
    return "coach" if new.coach_id and there.coach_id == new.coach_id else "court"


def _clash_words(club: Club, field: str, rows: list[Lesson]) -> str:
    first = rows[0]
    names = {
        "squad": first.squad.name if first.squad else "",
        "coach": first.coach.name if first.coach else "",
        "court": first.court,
        "when": formatting.moment(first.starts_at, club),
    }
    words = {
        "first": _("%(squad)s has a lesson at that time already: %(when)s."),
        "coach": _("%(coach)s has a lesson with %(squad)s at that time: %(when)s."),
        "court": _("%(court)s is taken by %(squad)s at that time: %(when)s."),
    }[field] % names
    if len(rows) > 1:
        more = ngettext("%(n)d more week too.", "%(n)d more weeks too.", len(rows) - 1) % {"n": len(rows) - 1}
        words = f"{words} {more}"
    return f"{words} {_('Nothing was planned.')}"


def _refuse_noting(lesson: Lesson, now: datetime) -> None:
    if lesson.state == Lesson.State.CANCELLED:
        raise ValidationError(_("This lesson was called off: there is nobody to note."))
    if now < opens_at(lesson):
        raise ValidationError(
            _("This lesson is still to come: who comes can be noted from %(when)s on.")
            % {"when": formatting.moment(opens_at(lesson), lesson.club)}
        )
