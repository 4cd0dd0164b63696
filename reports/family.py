"""The home of whoever looks after children: each child's consent, next lesson and news, and what a guardian can do."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db.models import Q
from django.utils.translation import gettext as _

from clubcoach import formatting
from clubcoach.access import Viewer
from clubcoach.models import Club
from players.consent import BY_GUARDIAN, BY_PLAYER, ConsentState, consent_states
from players.models import Guardianship, Note, Player, own_player_ids
from reports.news import notes_told
from reports.roster import ENDS_SOON
from sessions.models import Analysis, Cover, Lesson
from sessions.services.lessons import next_lessons_of

NOTES = 3


@dataclass(frozen=True)
class Child:
    """One's own page, or that of a child; ``to_do`` is empty where the consent needs nothing."""

    player: Player
    mine: bool
    state: ConsentState
    to_do: str
    lesson: Lesson | None
    last: Analysis | None
    notes: list[Note]


def household(viewer: Viewer, *, now: datetime) -> dict[str, Any]:
    """Oneself first, then the children; in a number of queries that does not grow with them."""
    club = viewer.club
    players = list(Player.objects.filter(pk__in=own_player_ids(viewer)).with_level())
    players.sort(key=lambda player: player.user_id != viewer.user.pk)
    wards = Guardianship.objects.filter(guardian=viewer.user, player__club=club).select_related(
        "player__club"
    )
    kept = {player.pk for player in players}
    grown = [row.player for row in wards if row.player_id not in kept]
    return {
        "players": players,
        "children": children(club, players, viewer.user, now=now),
        "guards": any(player.user_id != viewer.user.pk for player in players),
        "grown": sorted(grown, key=lambda player: (player.given_name, player.pk)),
    }


def children(club: Club, players: list[Player], user: Any, *, now: datetime) -> list[Child]:
    today = club.today(now)
    states = consent_states(players, club, today)
    lessons = next_lessons_of(players, now)
    notes = notes_told(players, NOTES)
    last = _last_told(players)
    return [
        Child(
            player,
            player.user_id == user.pk,
            states[player.pk],
            _to_do(states[player.pk], today, mine=player.user_id == user.pk),
            lessons.get(player.pk),
            last.get(player.pk),
            notes[player.pk],
        )
        for player in players
    ]


def _to_do(state: ConsentState, today: date, *, mine: bool) -> str:
    """What to do about the consent, in words for whoever reads it."""
    asked, other = (BY_PLAYER, BY_GUARDIAN) if mine else (BY_GUARDIAN, BY_PLAYER)
    if asked in state.missing:
        return _("To be filmed and analysed, your yes is missing: give it here.")
    if other in state.missing and mine:
        return _("Your guardian has to agree too, on their own page or on paper at the club.")
    if other in state.missing:
        return _("The child has to agree too: on their own page, or on paper at the club.")
    ends = state.ends_on
    if ends is not None and ends <= today + ENDS_SOON:
        return _("It ends on %(day)s: renew it here if films may go on.") % {
            "day": formatting.day(ends, state.club)
        }
    return ""


def _last_told(players: Iterable[Player]) -> dict[int, Analysis]:
    """By player the analysis that was published last and counts for them, alone or in a pair; one query."""
    ids = {player.pk for player in players}
    covers = (
        Cover.objects.filter(Q(unit__first__in=ids) | Q(unit__second__in=ids), current=True)
        .filter(analysis__state=Analysis.State.PUBLISHED)
        .select_related("unit", "analysis__match")
        .order_by("analysis__published_at", "analysis")
    )
    return {player: cover.analysis for cover in covers for player in cover.unit.player_ids if player in ids}
