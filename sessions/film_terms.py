"""How long each film stays, and why; worked out for a page of films at a time.

Consent goes before everything, then what somebody holds, then analyses that are open, then the club's rule.
"""

from __future__ import annotations

import calendar
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from enum import StrEnum

from django.db.models import Q
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from clubcoach import audit, formatting
from clubcoach.models import AuditEvent, Club
from players.consent import BY_GUARDIAN, needed_from
from players.models import FilmConsent, Player
from sessions.models import Analysis, Film, MatchFilm, Seat

# After a consent ended, for whoever gives it again in time; and after a reading that failed, for another try.
GRACE = timedelta(days=7)
LACKING, BACK = "film.consent_lacking", "film.consent_back"
REFUSED = ("film.refused", "film.cancelled")


class Why(StrEnum):
    CONSENT = "consent"
    HELD = "held"
    OPEN = "open"
    PUBLISHED = "published"
    UPLOADED = "uploaded"
    REFUSED = "refused"
    NOTHING = "nothing"  # no bytes are here: refused, deleted, or on a coach's disk


@dataclass(frozen=True)
class Term:
    """When a film goes; ``at`` is None while nothing says that it does."""

    at: datetime | None
    why: Why
    club: Club
    held_why: str = ""

    @property
    def day(self) -> date | None:
        return self.club.day_of(self.at) if self.at else None

    def over(self, now: datetime) -> bool:
        return self.at is not None and self.at <= now

    @property
    def words(self) -> str:
        """'Until 3 Dec 2027: 12 months after the last analysis was published.'"""
        reason = self._reason()
        if self.day is None:
            return reason
        told = {"day": formatting.day(self.day, self.club), "reason": reason}
        return _("Until %(day)s: %(reason)s") % told

    def _reason(self) -> str:
        months = self.club.film_months
        if self.why == Why.PUBLISHED:
            words = ngettext(
                "%(n)d month after the last analysis of its matches was published.",
                "%(n)d months after the last analysis of its matches was published.",
                months,
            )
            return words % {"n": months}
        if self.why == Why.UPLOADED:
            words = ngettext(
                "%(n)d month after it was uploaded; no analysis of its matches was published since.",
                "%(n)d months after it was uploaded; no analysis of its matches was published since.",
                months,
            )
            return words % {"n": months}
        return {
            Why.CONSENT: _(
                "somebody in it has not agreed, or no longer does. It stays if everybody has agreed before then."
            ),
            Why.HELD: _("Kept until somebody lets it go: %(why)s") % {"why": self.held_why},
            Why.OPEN: _("Not before the open analyses of its matches are over."),
            Why.REFUSED: _("it could not be used; until then it can be tried again."),
            Why.NOTHING: _("Nothing of it is stored here."),
        }[self.why]


@dataclass
class _Known:
    """What the rows say about a page of films; each kind of row was asked for once."""

    matches: dict[int, set[int]]  # by film, its own
    shown: dict[int, set[int]]  # by film, with those of films that have the same content
    seats: dict[int, list[Seat]]
    consents: dict[int, list[FilmConsent]]
    published: dict[int, datetime]
    open: set[int]
    events: dict[int, list[AuditEvent]]
    ages_at: datetime | None
    born_at: dict[int, datetime]


def until(film: Film, now: datetime) -> Term:
    return terms(film.club, [film], now)[film.pk]


def terms(club: Club, films: Iterable[Film], now: datetime) -> dict[int, Term]:
    """By primary key how long each of a club's films stays; the same few queries for any number."""
    rows = list(films)
    known = _known(club, rows)
    return {film.pk: _term(club, film, known, now) for film in rows}


def _term(club: Club, film: Film, known: _Known, now: datetime) -> Term:
    if not (film.file or film.original):
        return Term(None, Why.NOTHING, club)
    if lacking_since(club, film, known, now) is not None:
        return Term(_consent_end(club, film, known, now), Why.CONSENT, club)
    if film.held:
        return Term(None, Why.HELD, club, film.held_why)
    mine = known.matches[film.pk]
    if mine & known.open and film.state != Film.State.REFUSED:
        return Term(None, Why.OPEN, club)
    if film.state == Film.State.REFUSED:
        said = [event.at for event in known.events[film.pk] if event.action in REFUSED]
        return Term(max([film.uploaded_at, *said]) + GRACE, Why.REFUSED, club)
    told = [known.published[match] for match in mine if match in known.published]
    # A film that came after the publication is wanted for something.
    begins = max([film.uploaded_at, *told])
    why = Why.PUBLISHED if begins > film.uploaded_at else Why.UPLOADED
    return Term(months_after(begins, club.film_months, club), why, club)


def _consent_end(club: Club, film: Film, known: _Known, now: datetime) -> datetime:
    return (lacking_since(club, film, known, now) or now) + GRACE


def months_after(moment: datetime, months: int, club: Club) -> datetime:
    """The same hour of the same day so many months later, or the last day of a month that is too short."""
    there = moment.astimezone(club.zone)
    year, month = divmod(there.month - 1 + months, 12)
    last = calendar.monthrange(there.year + year, month + 1)[1]
    return there.replace(year=there.year + year, month=month + 1, day=min(there.day, last))


def lacking(club: Club, films: Iterable[Film], now: datetime) -> set[int]:
    """The films in which somebody does not agree now."""
    rows = list(films)
    known = _known(club, rows)
    return {film.pk for film in rows if lacking_since(club, film, known, now) is not None}


def lacking_since(club: Club, film: Film, known: _Known, now: datetime) -> datetime | None:
    """Since when somebody in a film does not agree; None while everybody does.

    A consent that ended says when. One that never was, or that a change of the club's ages asks for, does not: then it
    counts from when it was noticed.
    """
    starts = [
        start
        for match in known.shown[film.pk]
        for seat in known.seats[match]
        for start in _starts(club, film, seat, known, now)
    ]
    if not known.shown[film.pk]:
        starts.append(None)
    if not starts:
        return None
    noticed = _noticed(known.events[film.pk]) or now
    return min(noticed if start is None else max(start, film.uploaded_at) for start in starts)


def _starts(club: Club, film: Film, seat: Seat, known: _Known, now: datetime) -> list[datetime | None]:
    if seat.player is None:
        return [] if seat.visitor_consent else [None]
    given: dict[str, list[FilmConsent]] = defaultdict(list)
    for consent in known.consents[seat.player_id or 0]:
        given[consent.by].append(consent)
    found: list[datetime | None] = []
    for by in needed_from(seat.player, club, club.day_of(now)):
        ends = [_end_of(consent, club) for consent in given[by]]
        if not ends:
            found.append(None)
        elif max(ends) <= now:
            changes = [known.ages_at, known.born_at.get(seat.player.pk)] if by == BY_GUARDIAN else []
            found.append(max([max(ends), *filter(None, changes)]))
    return found


def _end_of(consent: FilmConsent, club: Club) -> datetime:
    """The moment from which a consent is no longer in force."""
    over = datetime.combine(consent.expires_on + timedelta(days=1), time(), club.zone)
    return min(over, consent.withdrawn_at) if consent.withdrawn_at else over


def _noticed(events: list[AuditEvent]) -> datetime | None:
    """When it was first seen that somebody does not agree, unless everybody has agreed since."""
    noticed = None
    for event in sorted(events, key=lambda row: row.at):
        if event.action == LACKING and noticed is None:
            noticed = event.at
        elif event.action == BACK:
            noticed = None
    return noticed


def _known(club: Club, films: list[Film]) -> _Known:
    matches, shown = _matches(club, films)
    wanted = set().union(*shown.values()) if shown else set()
    seats: dict[int, list[Seat]] = defaultdict(list)
    for seat in Seat.objects.filter(match__in=wanted).select_related("player"):
        seats[seat.match_id].append(seat)
    players = {seat.player for row in seats.values() for seat in row if seat.player}
    consents: dict[int, list[FilmConsent]] = defaultdict(list)
    for consent in FilmConsent.objects.filter(player__in=players):
        consents[consent.player_id].append(consent)
    published: dict[int, datetime] = {}
    open_ones: set[int] = set()
    for match, state, at in Analysis.objects.filter(match__in=wanted).values_list(
        "match", "state", "published_at"
    ):
        if state in Analysis.OPEN:
            open_ones.add(match)
        if at is not None:
            published[match] = max(at, published.get(match, at))
    events, ages_at, born_at = _events(club, films, players)
    return _Known(matches, shown, seats, consents, published, open_ones, events, ages_at, born_at)


def _matches(club: Club, films: list[Film]) -> tuple[dict[int, set[int]], dict[int, set[int]]]:
    digests = {film.digest for film in films if film.digest}
    own: dict[int, set[int]] = defaultdict(set)
    by_content: dict[str, set[int]] = defaultdict(set)
    rows = MatchFilm.objects.filter(Q(film__in=films) | Q(film__digest__in=digests), film__club=club)
    for film, digest, match in rows.values_list("film", "film__digest", "match"):
        own[film].add(match)
        by_content[digest].add(match)
    mine = {film.pk: own[film.pk] for film in films}
    return mine, {film.pk: by_content[film.digest] if film.digest else own[film.pk] for film in films}


def _events(
    club: Club, films: list[Film], players: Iterable[Player]
) -> tuple[dict[int, list[AuditEvent]], datetime | None, dict[int, datetime]]:
    of_films = Q(
        target_type=Film._meta.label_lower,
        target_id__in=[str(film.pk) for film in films],
        action__in=[LACKING, BACK, *REFUSED],
    )
    of_club = Q(target_type=Club._meta.label_lower, action="club.changed")
    of_players = Q(
        target_type=Player._meta.label_lower,
        target_id__in=[str(player.pk) for player in players],
        action="player.changed",
    )
    events: dict[int, list[AuditEvent]] = defaultdict(list)
    ages_at, born_at = None, {}
    for event in AuditEvent.objects.filter(of_films | of_club | of_players, club=club).order_by("at", "pk"):
        if event.target_type == Film._meta.label_lower:
            events[int(event.target_id)].append(event)
        elif "own_consent_age" in event.fields:
            ages_at = event.at
        elif "born_on" in event.fields:
            born_at[int(event.target_id)] = event.at
    return events, ages_at, born_at


def notice(club: Club, films: Iterable[Film], found: dict[int, Term], now: datetime) -> None:
    """Write down in which films somebody does not agree, and in which everybody does again."""
    rows = list(films)
    events = _events(club, rows, [])[0]
    for film in rows:
        lacks, noticed = found[film.pk].why == Why.CONSENT, _noticed(events[film.pk]) is not None
        if lacks != noticed:
            event = audit.record(by=None, club=club, action=LACKING if lacks else BACK, target=film)
            AuditEvent.objects.filter(pk=event.pk).update(at=now)
