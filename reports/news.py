"""What a player finds new on their page, when they are on court next, and what coaches have written to them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from django.db.models import F, Q, Window
from django.db.models.functions import RowNumber
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from clubcoach import formatting
from clubcoach.models import Club
from players.models import Goal, Note, Player, Unit
from reports.evidence import WINDOW_DAYS, newest_wordings
from reports.models import FocusPoint
from sessions.models import Analysis
from sessions.services.lessons import Turnout

NOTES, NAMED = 5, 3
TERM = timedelta(days=WINDOW_DAYS)


@dataclass(frozen=True)
class News:
    """What is new since the match before the last one was told."""

    since: date
    said: list[str]


def attendance_words(club: Club, found: Turnout, since: date) -> str:
    """'Came to 7 of 9 lessons since 1 Sep 2025; said no in time to 1.'"""
    if not found.noted:
        return _("No lesson was noted since %(day)s.") % {"day": formatting.day(since, club)}
    came = ngettext(
        "Came to %(came)d of %(n)d lesson since %(day)s",
        "Came to %(came)d of %(n)d lessons since %(day)s",
        found.noted,
    ) % {"came": found.came, "n": found.noted, "day": formatting.day(since, club)}
    if not found.excused:
        return f"{came}."
    excused = ngettext("said no in time to %(n)d", "said no in time to %(n)d", found.excused)
    return f"{came}; {excused % {'n': found.excused}}."


def notes_told(players: Iterable[Player], most: int = NOTES) -> dict[int, list[Note]]:
    """By player the latest notes that they may read, about them alone and in pairs; one query for all of them."""
    ids = {player.pk for player in players}
    place = Window(RowNumber(), partition_by=[F("unit")], order_by=[F("written_at").desc(), F("pk").desc()])
    rows = (
        Note.objects.told()
        .filter(Q(unit__first__in=ids) | Q(unit__second__in=ids))
        .annotate(place=place)
        .filter(place__lte=most)
        .select_related("by", "unit__first__club", "unit__second__club")
        .order_by("-written_at", "-pk")
    )
    found: dict[int, list[Note]] = {player: [] for player in ids}
    for note in rows:
        for player in note.unit.player_ids:
            if player in found and len(found[player]) < most:
                found[player].append(note)
    return found


def news_of(
    club: Club,
    units: Sequence[Unit],
    told: Sequence[Analysis],
    points: Iterable[FocusPoint],
    *,
    minor: bool,
) -> News | None:
    """What came since the match before the last one was told; nothing before there are two."""
    since = told[1].published_at if len(told) > 1 else None
    if since is None:
        return None
    day = club.day_of(since)
    goals = Goal.objects.filter(unit__in=units, closed_at=None, set_at__gt=since)
    notes = Note.objects.told().filter(unit__in=units, written_at__gt=since)
    said = [
        _("the match of %(day)s was looked at") % {"day": formatting.day(row.match.played_on, club)}
        for row in told
        if row.published_at and row.published_at > since
    ]
    said += _points(units, points, day)
    # A minor is held to no score.
    if not minor and (n := goals.count()):
        said.append(ngettext("%(n)d goal was set", "%(n)d goals were set", n) % {"n": n})
    if n := notes.count():
        said.append(ngettext("%(n)d note from a coach", "%(n)d notes from coaches", n) % {"n": n})
    return News(day, said)


def _points(units: Sequence[Unit], points: Iterable[FocusPoint], day: date) -> list[str]:
    """What was reached comes before what is new to work on."""
    ended = FocusPoint.objects.filter(unit__in=units, state=FocusPoint.State.ENDED, ended_on__gt=day)
    reached = [point.check_identity_id for point in ended.order_by("-ended_on", "pk")[:NAMED]]
    fresh = [point.check_identity_id for point in points if point.started_on > day]
    wordings = newest_wordings([*reached, *fresh])
    said = []
    for words, checks in ((_("done with: %(names)s"), reached), (_("new to work on: %(names)s"), fresh)):
        names = [wordings[check].name for check in checks if check in wordings]
        if names:
            said.append(words % {"names": ", ".join(names)})
    return said
