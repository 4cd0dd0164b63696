"""Situations behind a focus point: the faulty ones and good ones beside them, with a picture where there is one."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from django.db.models import Exists, F, OuterRef, Prefetch, Q, Window
from django.db.models.functions import RowNumber
from django.utils import timezone

from clubcoach.models import Club
from players.consent import consent_states
from players.models import Unit
from sessions import stills
from sessions.models import Analysis, Cover, Film, Mark, Match, MatchFilm, Seat, Situation
from sessions.models.marks import SituationQuerySet

EACH = 2


@dataclass(frozen=True)
class Picture:
    """One situation as a student sees it: when it was, what was marked, and whether a picture may be shown."""

    mark: Mark
    has_still: bool

    @property
    def situation(self) -> Situation:
        return self.mark.situation


def told_situations(units: Iterable[Unit]) -> SituationQuerySet:
    """Of current published versions: what counts, and what a coach picked by hand to show."""
    rows = list(units)
    current = Cover.objects.filter(analysis=OuterRef("analysis"), unit=OuterRef("unit"), current=True)
    mine = Situation.objects.filter(unit__in=rows)
    counted, shown = mine.counted().values("pk"), mine.shown().values("pk")
    return mine.filter(Exists(current), analysis__state=Analysis.State.PUBLISHED).filter(
        Q(pk__in=counted) | Q(pk__in=shown)
    )


def pictures(
    *, club: Club, wanted: Iterable[tuple[Unit, int]], each: int = EACH
) -> dict[tuple[int, int, str], list[Picture]]:
    """By unit, check and mark ("missed", "met"): the latest few, hand-picked ones first."""
    pairs = list(wanted)
    if not pairs:
        return {}
    place = Window(
        RowNumber(),
        partition_by=[F("situation__unit"), F("check_identity"), F("value")],
        order_by=[
            F("situation__shown_only").desc(),
            F("situation__analysis__match__played_on").desc(),
            F("situation__hit_s").asc(),
            F("pk").asc(),
        ],
    )
    marks = list(
        Mark.objects.filter(
            check_identity__in={check for _unit, check in pairs},
            value__in=[Mark.Value.MET, Mark.Value.MISSED],
            situation__in=told_situations(unit for unit, _check in pairs),
        )
        .annotate(place=place)
        .filter(place__lte=each)
        .select_related("situation__rally__match", "check_identity")
        .order_by("place")
    )
    keys = {(unit.pk, check) for unit, check in pairs}
    marks = [mark for mark in marks if (mark.situation.unit_id, mark.check_identity_id) in keys]
    showable = _showable(club, {mark.situation.rally.match_id for mark in marks})
    found: dict[tuple[int, int, str], list[Picture]] = defaultdict(list)
    for mark in marks:
        picture = Picture(mark, _has_still(mark.situation, showable))
        found[mark.situation.unit_id, mark.check_identity_id, mark.value].append(picture)
    return dict(found)


def _showable(club: Club, matches: set[int]) -> dict[int, list[MatchFilm]]:
    """By match the films that may be shown: the rule of `stills.may_be_shown`, for many at once.

    One film may show several matches, and everybody in each of them has to agree.
    """
    # Of a film that nobody has read yet the content is not known, and nothing is shown.
    digests = Film.objects.filter(match_films__match__in=matches).exclude(digest="").values("digest")
    rows = list(
        Match.objects.filter(club=club, match_films__film__digest__in=digests)
        .distinct()
        .prefetch_related(
            Prefetch("seats", Seat.objects.select_related("player")),
            Prefetch("match_films", MatchFilm.objects.select_related("film")),
        )
    )
    players = {seat.player for match in rows for seat in match.seats.all() if seat.player}
    states = consent_states(players, club, club.day_of(timezone.now())) if players else {}
    refused = {
        row.film.digest
        for match in rows
        if not all(
            states[seat.player_id].complete if seat.player_id else seat.visitor_consent
            for seat in match.seats.all()
        )
        for row in match.match_films.all()
    }
    return {
        match.pk: [row for row in match.match_films.all() if row.film.digest not in refused]
        for match in rows
        if match.pk in matches
    }


def _has_still(situation: Situation, showable: dict[int, list[MatchFilm]]) -> bool:
    if not situation.timed:
        return False
    found = stills.film_at(showable.get(situation.rally.match_id, []), situation.hit_s)
    return found is not None and stills.path_at(*found).exists()
