"""What counts: publishing a version, correcting it by a newer one, and taking it back."""

from collections.abc import Iterable
from datetime import datetime
from typing import Any, TypeVar

from django.core.exceptions import ValidationError
from django.db import IntegrityError, models, transaction
from django.db.models import Count, Q
from django.utils.translation import gettext as _

from clubcoach import audit
from clubcoach.access import viewer_of
from clubcoach.jobs import enqueue
from clubcoach.models import User
from sessions.models import Analysis, Closure, Cover, Hunch, LensArea, Mark, Situation, Spot, Tally
from sessions.services.analyses import WORDS_MOST, analyst_row
from sessions.services.rules import (
    Standing,
    State,
    all_arrived,
    hold,
    in_time,
    lock,
    long_enough,
    move,
)
from sessions.signals import analysis_published, analysis_withdrawn

Row = TypeVar("Row", bound=models.Model)


@transaction.atomic
def publish(
    *,
    by: User,
    analysis: Analysis,
    words: str | None = None,
    devices: dict[str, int] | None = None,
    now: datetime | None = None,
) -> Analysis:
    """Make a version known. One that counts writes its tallies here, and takes the place of the one before it.

    ``words`` are for the student (None keeps what stands there). With ``devices``, the head coach's own analysis is
    held to the same rule as one that is handed in.
    """
    lock(analysis)
    club = analysis.match.club
    hold(Standing(viewer_of(by, club), analysis).publish())
    if devices is not None:
        all_arrived(analysis, devices)
    moment = in_time(now)
    changed: dict[str, Any] = {
        "state": State.PUBLISHED,
        "published_at": moment,
        "published_by": by,
        "submitted_at": analysis.submitted_at or moment,
    }
    if words is not None:
        changed["words"] = long_enough("words", words, WORDS_MOST)
    old = analysis.supersedes
    move(analysis, (analysis.state,), **changed)
    if analysis.purpose == Analysis.Purpose.COUNT:
        _take_the_place(analysis, old)
        write_tallies(analysis)
        if Situation.objects.kept_in(analysis).filter(timed=True).exists():
            enqueue("film.stills", club=club, by=by, key=str(analysis.uuid), analysis=analysis.pk)
    audit.record(by=by, club=club, action="analysis.published", target=analysis, fields=list(changed))
    analysis_published.send(sender=Analysis, analysis=analysis, old=old)
    return analysis


def _take_the_place(analysis: Analysis, old: Analysis | None) -> None:
    if old is not None:
        Cover.objects.filter(analysis=old).update(current=False)
    taken = (
        Cover.objects.filter(match=analysis.match_id, current=True, unit__covers__analysis=analysis)
        .exclude(analysis=analysis)
        .select_related("unit__first", "unit__second")
        .first()
    )
    if taken is not None:
        raise ValidationError(
            _(
                "Another published analysis of this match counts for %(unit)s already."
                " Withdraw that one first, or correct it by a new version of it."
            )
            % {"unit": taken.unit.name}
        )
    try:
        # Two that are published at once: the constraint lets one through, and this one hears why not.
        with transaction.atomic():
            Cover.objects.filter(analysis=analysis).update(current=True)
    except IntegrityError:
        raise ValidationError(
            _("Another published analysis of this match counts for one of these units already.")
        ) from None


def write_tallies(analysis: Analysis) -> int:
    """Count met and missed of what counts, for each unit, check and ball; returns how many rows that made."""
    counted = Situation.objects.counted().filter(analysis=analysis, unit__covers__analysis=analysis)
    rows = (
        Mark.objects.filter(situation__in=counted, value__in=[Mark.Value.MET, Mark.Value.MISSED])
        .order_by()
        .values("situation__unit", "check_identity", "situation__ball")
        .annotate(seen=Count("pk"), met=Count("pk", filter=Q(value=Mark.Value.MET)))
    )
    made = Tally.objects.bulk_create(
        Tally(
            analysis=analysis,
            unit_id=row["situation__unit"],
            day=analysis.match.played_on,
            check_identity_id=row["check_identity"],
            analyst_id=analysis.analyst_id,
            ball=row["situation__ball"],
            seen=row["seen"],
            met=row["met"],
        )
        for row in rows
    )
    return len(made)


@transaction.atomic
def withdraw(*, by: User, analysis: Analysis) -> Analysis:
    """Take back what was published: its tallies stay, and count no more."""
    lock(analysis)
    club = analysis.match.club
    hold(Standing(viewer_of(by, club), analysis).withdraw())
    move(analysis, (State.PUBLISHED,), state=State.WITHDRAWN)
    Cover.objects.filter(analysis=analysis).update(current=False)
    audit.record(by=by, club=club, action="analysis.withdrawn", target=analysis, fields=["state"])
    analysis_withdrawn.send(sender=Analysis, analysis=analysis)
    return analysis


@transaction.atomic
def new_version(*, by: User, analysis: Analysis, now: datetime | None = None) -> Analysis:
    """A correction: everything copied, under the eye of the one who corrects; the old one counts until it is out."""
    lock(analysis)
    club = analysis.match.club
    hold(Standing(viewer_of(by, club), analysis).new_version())
    fresh = Analysis.objects.create(
        match=analysis.match,
        analyst=analyst_row(club, by),
        purpose=analysis.purpose,
        plan=analysis.plan,
        extent=analysis.extent,
        rally_facts=analysis.rally_facts,
        version=analysis.version + 1,
        supersedes=analysis,
        state=State.IN_PROGRESS,
        check_list_id=analysis.check_list_id,
        requested_by=by,
        requested_at=in_time(now),
        words=analysis.words,
    )
    _copy(Cover.objects.filter(analysis=analysis), analysis=fresh, current=False)
    _copy(LensArea.objects.filter(analysis=analysis), analysis=fresh)
    _copy(Hunch.objects.filter(analysis=analysis), analysis=fresh)
    _copy(Closure.objects.filter(analysis=analysis), analysis=fresh)
    _copy(Situation.objects.kept_in(analysis), analysis=fresh)
    _copy_of_situations(analysis, fresh)
    audit.record(by=by, club=club, action="analysis.version_begun", target=fresh)
    return fresh


def _copy(rows: Iterable[Row], **changed: Any) -> None:
    copies = [_twin(row, **changed) for row in rows]
    if copies:
        type(copies[0])._default_manager.bulk_create(copies, batch_size=500)


def _twin(row: Row, **changed: Any) -> Row:
    fields = [field.attname for field in row._meta.concrete_fields if not field.primary_key]
    twin = type(row)(**{name: getattr(row, name) for name in fields})
    for name, value in changed.items():
        setattr(twin, name, value)
    return twin


def _copy_of_situations(analysis: Analysis, fresh: Analysis) -> None:
    """What hangs on the situations: marks, and places on the floor."""
    now_at = dict(Situation.objects.filter(analysis=fresh).values_list("uuid", "pk"))
    there = Situation.objects.kept_in(analysis)
    _copy_at(Mark.objects.filter(situation__in=there).select_related("situation"), now_at)
    _copy_at(Spot.objects.filter(situation__in=there).select_related("situation"), now_at)


def _copy_at(rows: models.QuerySet[Any], now_at: dict[Any, int]) -> None:
    rows.model._default_manager.bulk_create(
        [_twin(row, situation_id=now_at[row.situation.uuid]) for row in rows], batch_size=500
    )
