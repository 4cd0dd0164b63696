"""What happens to a film that is here: the work on it, what it shows, how long it stays."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from clubcoach import audit, jobs
from clubcoach.access import Can, insist, viewer_of
from clubcoach.models import Job, User
from sessions import clips, film_store, stills
from sessions.models import Analysis, Clip, Film, Hearing, Match, MatchFilm
from sessions.models.matches import players_without_consent
from sessions.services.films import LONGEST_S, match_films_like, visitors_without_consent
from sessions.services.rules import in_time

State = Film.State
AT_WORK = ("film.read", "film.make")
AT_STAGE = [State.ARRIVED, State.MAKING, State.PAUSED]
TRIABLE = [State.ARRIVED, State.MAKING, State.REFUSED]
WHY_MOST = 200
NOT_GONE = [state for state in State.values if state != State.GONE]
STORED = [state for state in NOT_GONE if state != State.AWAY]


def work_on(film: Film) -> Any:
    """The jobs that read a film or make it playable, the latest first."""
    return Job.objects.filter(kind__in=AT_WORK, key=str(film.uuid)).order_by("-pk")


def halt(film: Film) -> None:
    """End what is at work on a film. Before its row is held: a job that ends holds its own first, then the film's."""
    for job in work_on(film).filter(state__in=[Job.State.WAITING, Job.State.RUNNING]):
        jobs.stop(job)


def _held(film: Film, *states: Any) -> Film:
    """The film's row, so that nobody else changes it meanwhile; refused in a state in which this means nothing."""
    film_store.hold(film.club_id)
    row = Film.objects.select_for_update(of=("self",)).select_related("club").get(pk=film.pk)
    if row.state not in states:
        raise ValidationError(
            _("This film is %(state)s: that cannot be done now.") % {"state": row.get_state_display()}
        )
    return row


@transaction.atomic
def pause_film(*, by: User, film: Film) -> Film:
    """Leave off making a film playable; what is made stays."""
    viewer_of(by, film.club).must(Can.EDIT_MATCHES)
    halt(film)
    row = _held(film, State.MAKING)
    row.state, row.problem = State.PAUSED, ""
    row.save(update_fields=["state", "problem"])
    audit.record(by=by, club=row.club, action="film.paused", target=row)
    return row


@transaction.atomic
def resume_film(*, by: User, film: Film) -> Film:
    """Go on making a film playable where it was left off."""
    viewer_of(by, film.club).must(Can.EDIT_MATCHES)
    insist(stills.may_be_shown(film))
    row = _held(film, State.PAUSED)
    row.state, row.problem = State.MAKING, ""
    row.save(update_fields=["state", "problem"])
    audit.record(by=by, club=row.club, action="film.resumed", target=row)
    _enqueue("film.make", row, by)
    return row


@transaction.atomic
def cancel_film(*, by: User, film: Film) -> Film:
    """End the reading or the making; the bytes stay for another try, what was made of them goes."""
    viewer_of(by, film.club).must(Can.EDIT_MATCHES)
    halt(film)
    row = _held(film, *AT_STAGE)
    row.state = State.REFUSED
    row.problem = _("Somebody called this off. What was uploaded is kept for a week.")
    row.save(update_fields=["state", "problem"])
    audit.record(by=by, club=row.club, action="film.cancelled", target=row)
    transaction.on_commit(lambda: film_store.drop_pieces(row))
    return row


@transaction.atomic
def again_film(*, by: User, film: Film) -> Film:
    """Try once more what failed or was refused, while the bytes are here."""
    viewer_of(by, film.club).must(Can.EDIT_MATCHES)
    insist(stills.may_be_shown(film))
    row = _held(film, *TRIABLE)
    name = film_store.source_of(row)
    if not name:
        raise ValidationError(_("The bytes of this film are no longer here: please upload it again."))
    if work_on(row).filter(state__in=[Job.State.WAITING, Job.State.RUNNING]).exists():
        raise ValidationError(_("Somebody is at work on this film already."))
    if row.state == State.REFUSED:
        row.state = State.ARRIVED
    row.problem = ""
    row.save(update_fields=["state", "problem"])
    audit.record(by=by, club=row.club, action="film.again", target=row)
    _enqueue("film.make" if row.state == State.MAKING else "film.read", row, by)
    return row


def _enqueue(kind: str, film: Film, by: User | None) -> None:
    jobs.enqueue(kind, club=film.club, by=by, key=str(film.uuid), film=film.pk)


@transaction.atomic
def show_match(*, by: User, film: Film, match: Match, offset_s: float, now: datetime | None = None) -> None:
    """Say that a film shows another match too. Everybody in that match has to agree."""
    viewer_of(by, film.club).must(Can.EDIT_MATCHES)
    row = _held(film, *NOT_GONE)
    if match.club_id != row.club_id:
        raise ValidationError({"match": _("This match is another club's.")})
    shown = MatchFilm.objects.filter(match=match, film=row).exists()
    if shown or match_films_like(match, row).exists():
        raise ValidationError({"match": _("The film shows this match already.")})
    day = row.club.day_of(in_time(now))
    if players_without_consent(match, day) or visitors_without_consent(match):
        raise ValidationError(
            {"match": _("Somebody in this match has not agreed to be filmed. Ask for consent first.")}
        )
    MatchFilm.objects.create(match=match, film=row, offset_s=_offset(offset_s))
    audit.record(by=by, club=row.club, action="film.shown", target=row, fields=["match"])


@transaction.atomic
def move_film(*, by: User, film: Film, match: Match, offset_s: float) -> None:
    """Say anew at which moment of a match a film begins."""
    viewer_of(by, film.club).must(Can.EDIT_MATCHES)
    row = _held(film, *NOT_GONE)
    moved = MatchFilm.objects.filter(film=row, match=match).update(offset_s=_offset(offset_s))
    if not moved:
        raise ValidationError({"match": _("The film does not show this match.")})
    audit.record(by=by, club=row.club, action="film.moved", target=row, fields=["offset_s"])


@transaction.atomic
def hide_match(*, by: User, film: Film, match: Match) -> None:
    """Say that a film does not show a match after all."""
    viewer_of(by, film.club).must(Can.EDIT_MATCHES)
    row = _held(film, *State.values)
    links = MatchFilm.objects.filter(film=row)
    if not links.filter(match=match).exists():
        raise ValidationError({"match": _("The film does not show this match.")})
    if links.count() == 1:
        raise ValidationError(
            {
                "match": _(
                    "It is the only match that the film shows. Delete the film, or show another match first."
                )
            }
        )
    links.filter(match=match).delete()
    audit.record(by=by, club=row.club, action="film.hidden", target=row, fields=["match"])


def _offset(offset_s: float) -> float:
    # Below nothing for a match that begins somewhere in the film. Written so that what is no number is refused too.
    if not -LONGEST_S <= offset_s <= LONGEST_S:
        raise ValidationError({"offset": _("Say when the film begins in minutes and seconds of the match.")})
    return round(offset_s, 3)


@transaction.atomic
def hold_film(*, by: User, film: Film, why: str) -> Film:
    """Keep a film beyond the club's rule; a consent that ends still ends it."""
    viewer_of(by, film.club).must(Can.KEEP_FILMS)
    row = _held(film, *STORED)
    words = " ".join(why.split())
    if not words:
        raise ValidationError({"why": _("Say why the film is kept for longer.")})
    if len(words) > WHY_MOST:
        raise ValidationError({"why": _("Say it in %(n)d letters at most.") % {"n": WHY_MOST}})
    row.held, row.held_by, row.held_why = True, by, words
    row.save(update_fields=["held", "held_by", "held_why"])
    audit.record(by=by, club=row.club, action="film.held", target=row)
    return row


@transaction.atomic
def let_go(*, by: User, film: Film) -> Film:
    """Leave a film to the club's rule again."""
    viewer_of(by, film.club).must(Can.KEEP_FILMS)
    row = _held(film, *NOT_GONE)
    row.held, row.held_by, row.held_why = False, None, ""
    row.save(update_fields=["held", "held_by", "held_why"])
    audit.record(by=by, club=row.club, action="film.let_go", target=row)
    return row


def open_analyses(film: Film) -> int:
    return Analysis.objects.open().filter(match__match_films__film=film).distinct().count()


@transaction.atomic
def remove_film(*, by: User, film: Film, although_open: bool = False, now: datetime | None = None) -> Film:
    """Delete a film now, with the pictures and pieces that were made of it."""
    viewer_of(by, film.club).must(Can.KEEP_FILMS)
    n = open_analyses(film)
    if n and not although_open:
        raise ValidationError(
            ngettext(
                "%(n)d analysis of its matches is still open and would lose its film.",
                "%(n)d analyses of its matches are still open and would lose their film.",
                n,
            )
            % {"n": n}
        )
    return end_film(by=by, film=film, why=Film.Gone.HAND, now=in_time(now))


@transaction.atomic
def end_film(*, by: User | None, film: Film, why: str, now: datetime) -> Film:
    """Take the bytes away and what was made of them; the row stays and says when and why."""
    halt(film)
    row = _held(film, *NOT_GONE)
    names = [row.file.name, row.original.name]
    digest, club = row.digest, row.club_id
    row.state, row.gone_at, row.gone_why = State.GONE, now, why
    row.name = row.file = row.original = row.problem = row.held_why = ""
    row.held, row.held_by, row.strip = False, None, []
    row.save()
    clips.drop(Clip.objects.filter(film=row))
    if why == Film.Gone.CONSENT:
        row.court_views.all().delete()
        # Rallies that somebody accepted are facts of the match by now and stay.
        Hearing.objects.filter(film=row).delete()
    audit.record(by=by, club=row.club, action="film.gone", target=row, fields=[why])

    def take_away() -> None:
        film_store.let_go(club, *filter(None, names))
        film_store.drop_pieces(row)
        if digest and not _still_here([digest], club):
            film_store.drop_strip(row)
            stills.drop_stills_of_film(row)

    transaction.on_commit(take_away)
    return row


def _still_here(digests: Iterable[str], club: int) -> bool:
    live = Film.objects.filter(club=club, digest__in=digests).exclude(file="", original="")
    return live.exists()
