"""Which clubs are fitted anew this morning: each once a day, before its people are up, on its own clock."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from django.db.models import Max, Sum

from clubcoach.models import Club, Job
from players.models import Check
from reports.models import SharedFit
from sessions.models import Tally

# Common practice: after the last who stay up and before the first who get up.
FROM_HOUR, TO_HOUR = 4, 7


def clubs_to_fit(now: datetime) -> list[Club]:
    """Clubs where it is early morning, of which something is counted that the last fit has not read.

    A clock that is put forward or back moves nothing between four and seven. Four queries whatever the number of clubs.
    """
    early = {club.pk: club for club in Club.objects.order_by("pk") if is_early(club, now)}
    if not early:
        return []
    counted = _counted(early)
    fits = _last_fits(counted)
    at_it = set(
        Job.objects.filter(kind="score.club", club__in=counted, state=Job.State.RUNNING).values_list(
            "club", flat=True
        )
    )
    return [
        early[pk]
        for pk, read in counted.items()
        if pk not in at_it and _is_new(early[pk], read, fits.get(pk), now)
    ]


def is_early(club: Club, now: datetime) -> bool:
    return FROM_HOUR <= now.astimezone(club.zone).hour < TO_HOUR


def _is_new(club: Club, counted: tuple[int, int], fit: dict[str, Any] | None, now: datetime) -> bool:
    if fit is None:
        return True
    this_morning = club.day_of(fit["made_at"]) >= club.today(now)
    return not this_morning and counted != (fit["highest_tally"], fit["shared__n"])


def _counted(clubs: Iterable[int]) -> dict[int, tuple[int, int]]:
    """By club the highest key of its current tallies and the checks seen in them; another, when one came or went."""
    rows = (
        Tally.objects.current()
        .filter(unit__club__in=list(clubs), check_identity__kind=Check.Kind.DOING)
        .order_by("unit__club")
        .values_list("unit__club")
        .annotate(last=Max("pk"), seen=Sum("seen"))
    )
    return {club: (last, seen) for club, last, seen in rows}


def _last_fits(clubs: Iterable[int]) -> dict[int, dict[str, Any]]:
    """Without what was found: a fit holds a large table, and a morning only asks when it was and what it read."""
    rows = SharedFit.objects.filter(club__in=list(clubs)).order_by("pk")
    return {row["club"]: row for row in rows.values("club", "made_at", "highest_tally", "shared__n")}
