"""One film: played, what it is and shows, how far the work on it is, and how long it stays."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe

from clubcoach import formatting
from clubcoach.access import Can, Refusal, Viewer, club_view, insist
from players.forms import tell
from sessions import court_words, film_jobs_make, film_store, film_terms, listening_words, services, stills
from sessions.forms_films import OffsetForm, ShowMatchForm, offset_words
from sessions.models import Film, Match, MatchFilm
from sessions.services.film_care import open_analyses, work_on
from sessions.views.films import note_watching

LATEST = 50
State = Film.State


def film_here(viewer: Viewer, uuid: UUID) -> Film:
    rows = Film.objects.filter(club=viewer.club)
    return get_object_or_404(rows.select_related("club", "uploaded_by", "held_by", "camera"), uuid=uuid)


@require_safe
@club_view(Can.WATCH_FILM)
def film(request: Any, film: UUID) -> HttpResponse:
    row = film_here(request.viewer, film)
    if request.htmx:
        return _part(request, row)
    return _page(request, row)


def _part(request: Any, film: Film) -> HttpResponse:
    response = render(request, "sessions/parts/film_work.html", _work(request, film))
    if film.state == State.READY:
        # There is something to look at now, which stands outside of this part.
        response["HX-Refresh"] = "true"
    return response


def _work(request: Any, film: Film) -> dict[str, Any]:
    """What the part needs that says how far it is."""
    job = work_on(film).first() if film.state in (State.ARRIVED, State.MAKING) else None
    going = job is not None and not job.over
    said = job.note if job else ""
    return {
        "film": film,
        "job": job,
        "going": going,
        "said": _("Waiting for its turn") if going and not said else said,
        "bytes_here": bool(film.file or film.original),
        "may_edit": bool(request.viewer.can(Can.EDIT_MATCHES)),
    }


def _page(request: Any, film: Film, show: ShowMatchForm | None = None, wrong: Any = None) -> HttpResponse:
    links = list(
        MatchFilm.objects.filter(film=film)
        .select_related("match__club")
        .prefetch_related("match__seats__player")
        .order_by("match__played_on", "pk")
    )
    may_edit = bool(request.viewer.can(Can.EDIT_MATCHES))
    allowed = stills.may_be_shown(film) if film.state == State.READY else False
    if may_edit and show is None:
        show = ShowMatchForm(matches=_others(request.viewer, links))
    now = timezone.now()
    may_keep = bool(request.viewer.can(Can.KEEP_FILMS))
    term = film_terms.until(film, now)
    context = {
        **_work(request, film),
        "plays": bool(allowed),
        "refused": str(allowed.reason) if isinstance(allowed, Refusal) else "",
        "facts": facts(film),
        "links": [_link(link, wrong) for link in links],
        "only_one": len(links) == 1,
        "show_form": show if film.state != State.GONE else None,
        "strip": [(at_s, round(at_s * 1000)) for at_s in film.strip] if allowed else [],
        "court": court_words.summary(film),
        "listening": listening_words.summary(film),
        "term": term,
        "may_keep": may_keep,
        "open_analyses": open_analyses(film) if may_keep else 0,
    }
    problem = (show is not None and show.errors) or wrong
    return render(request, "sessions/film.html", context, status=422 if problem else 200)


def _link(link: MatchFilm, wrong: Any) -> dict[str, Any]:
    """A match that the film shows, with the form that moves it; `wrong` is the one that was sent and refused."""
    mine = wrong is not None and wrong[0] == link.match_id
    form = wrong[1] if mine else OffsetForm(initial={"offset": offset_words(link.offset_s)}, auto_id=False)
    return {
        "match": link.match,
        "words": begins(link.offset_s),
        "form": form,
        "errors": form.errors.get("offset", []),
    }


def begins(offset_s: float) -> str:
    if offset_s < 0:
        return _("The match begins at %(at)s of the film.") % {"at": formatting.clock(-offset_s)}
    if offset_s > 0:
        return _("The film begins at %(at)s of the match.") % {"at": formatting.clock(offset_s)}
    return _("The film begins with the match.")


def _others(viewer: Viewer, links: list[MatchFilm]) -> list[Match]:
    rows = Match.objects.seen_by(viewer).exclude(pk__in=[link.match_id for link in links])
    return list(rows.select_related("club").prefetch_related("seats__player")[:LATEST])


CODECS = {
    **{"h264": "H.264", "hevc": "H.265", "vp8": "VP8", "vp9": "VP9", "av1": "AV1", "aac": "AAC"},
    **{"opus": "Opus", "vorbis": "Vorbis", "mp3": "MP3"},
}


def facts(film: Film) -> list[tuple[str, str]]:
    """What a film is, in words; what is not known is left out."""
    rows = []
    if film.duration_s:
        rows.append((_("Length"), formatting.clock(film.duration_s)))
    if film.width and film.height:
        said = _("%(width)d by %(height)d points") % {"width": film.width, "height": film.height}
        if film.frame_rate:
            rate = {"picture": said, "rate": f"{film.frame_rate:.1f}".removesuffix(".0")}
            said = (
                _("%(picture)s, %(rate)s pictures a second")
                if film.steady
                else _("%(picture)s, about %(rate)s pictures a second, at uneven intervals")
            ) % rate
        rows.append((_("Picture"), said))
    if film.video_codec:
        sound = CODECS.get(film.audio_codec, film.audio_codec) or _("no sound")
        stored = {"picture": CODECS.get(film.video_codec, film.video_codec), "sound": sound}
        rows.append((_("As it came"), _("%(picture)s, %(sound)s") % stored))
    if film.state != State.GONE:
        rows.append((_("Size"), formatting.file_size(film.size)))
    return rows


@require_safe
@club_view(Can.WATCH_FILM)
def film_strip(request: Any, film: UUID, ms: int) -> HttpResponseBase:
    """One picture of the strip; 404 until it is made, and then it is asked for."""
    row = get_object_or_404(Film.objects.filter(club=request.club, state=State.READY), uuid=film)
    at_s = next((at_s for at_s in row.strip if round(at_s * 1000) == ms), None)
    if at_s is None:
        raise Http404
    insist(stills.may_be_shown(row))
    large = bool(request.GET.get("large"))
    try:
        picture = film_store.strip_path(row, at_s, large=large).read_bytes()
    except FileNotFoundError:
        film_jobs_make.ask_for_strip(row, at_s, large=large)
        raise Http404 from None
    note_watching(request, "film.watched", row, since=timezone.now() - timedelta(days=1))
    return HttpResponse(picture, content_type="image/jpeg", headers={"Cache-Control": "private, no-store"})


def _act(request: Any, uuid: UUID, act: Callable[..., Any], done: str) -> HttpResponse:
    row = film_here(request.viewer, uuid)
    try:
        act(by=request.user, film=row)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    else:
        messages.success(request, done)
    return redirect("film", slug=request.club.slug, film=row.uuid)


@require_POST
@club_view(Can.EDIT_MATCHES)
def film_pause(request: Any, film: UUID) -> HttpResponse:
    return _act(request, film, services.pause_film, _("Paused. What is made stays."))


@require_POST
@club_view(Can.EDIT_MATCHES)
def film_resume(request: Any, film: UUID) -> HttpResponse:
    return _act(request, film, services.resume_film, _("It goes on where it was left off."))


@require_POST
@club_view(Can.EDIT_MATCHES)
def film_cancel(request: Any, film: UUID) -> HttpResponse:
    return _act(request, film, services.cancel_film, _("Called off. What was uploaded is kept for a week."))


@require_POST
@club_view(Can.EDIT_MATCHES)
def film_again(request: Any, film: UUID) -> HttpResponse:
    return _act(request, film, services.again_film, _("It is tried once more."))


@require_POST
@club_view(Can.EDIT_MATCHES)
def film_matches(request: Any, film: UUID) -> HttpResponse:
    """Show another match, say anew when it begins, or show it no more."""
    row = film_here(request.viewer, film)
    act = request.POST.get("act", "")
    if act == "show":
        return _show(request, row)
    match = get_object_or_404(_matches(request), uuid=_uuid(request.POST.get("match", "")))
    if act == "move":
        form = OffsetForm(request.POST, auto_id=False)
        if form.is_valid():
            try:
                services.move_film(
                    by=request.user, film=row, match=match, offset_s=form.cleaned_data["offset"]
                )
            except ValidationError as error:
                tell(form, error)
        if form.errors:
            return _page(request, row, wrong=(match.pk, form))
        messages.success(request, _("The film has another beginning now."))
    elif act == "hide":
        try:
            services.hide_match(by=request.user, film=row, match=match)
        except ValidationError as error:
            messages.error(request, " ".join(error.messages))
        else:
            messages.success(request, _("The film no longer shows this match."))
    else:
        messages.error(request, _("Say what is to be done with the match."))
    return redirect("film", slug=request.club.slug, film=row.uuid)


def _show(request: Any, film: Film) -> HttpResponse:
    links = list(MatchFilm.objects.filter(film=film))
    form = ShowMatchForm(request.POST, matches=_others(request.viewer, links))
    if form.is_valid():
        match = get_object_or_404(_matches(request), uuid=form.cleaned_data["match"])
        try:
            services.show_match(by=request.user, film=film, match=match, offset_s=form.cleaned_data["offset"])
        except ValidationError as error:
            tell(form, error)
    if form.errors:
        return _page(request, film, show=form)
    messages.success(request, _("The film shows this match too now."))
    return redirect("film", slug=request.club.slug, film=film.uuid)


def _matches(request: Any) -> Any:
    return Match.objects.seen_by(request.viewer).select_related("club").prefetch_related("seats__player")


def _uuid(text: str) -> UUID:
    try:
        return UUID(text)
    except ValueError:
        raise Http404 from None
