"""One picture of a situation, at the moment of the hit: where it is kept, who may see it, when it goes."""

from __future__ import annotations

import os
import time
from collections import defaultdict
from collections.abc import Iterable
from datetime import datetime, timedelta
from pathlib import Path
from uuid import uuid4

from django.conf import settings
from django.db.models import Exists, OuterRef, Q
from django.utils import timezone

from clubcoach.access import Answer, Can, Viewer
from clubcoach.jobs import enqueue
from clubcoach.models import Job
from players.models import Player, Unit, own_player_ids
from sessions import footage
from sessions.models import Analysis, Cover, Film, Match, MatchFilm, Situation
from sessions.models.marks import SituationQuerySet
from sessions.services.films import film_may_be_shown

# Wide enough to see where the feet are, small enough for a page with several of them on a phone.
TALLEST = 480
# A picture that could not be taken is not tried again at each look, but once the film may have been mended.
GIVEN_UP_FOR = timedelta(days=1)


def folder() -> Path:
    return Path(settings.MEDIA_ROOT) / "stills"


def path_at(film: Film, film_s: float) -> Path:
    """The name says what is in it, so that a picture that was made twice is the same file."""
    return folder() / f"{film.digest}-{round(film_s * 1000)}.jpg"


def film_at(films: Iterable[MatchFilm], match_s: float) -> tuple[Film, float] | None:
    """The film that shows a moment of a match, and where in it."""
    for row in films:
        film, film_s = row.film, match_s - row.offset_s
        if film.state == Film.State.READY and film.duration_s and 0 <= film_s < film.duration_s:
            return film, film_s
    return None


def place_of(situation: Situation) -> tuple[Film, float] | None:
    """The film that shows a situation, and where in it; None while none does, or nobody knows when it was."""
    if not situation.timed:
        return None
    return film_at(situation.rally.match.match_films.select_related("film__club"), situation.hit_s)


def path_of(situation: Situation) -> Path | None:
    """Where a situation's picture is, or would be; None while no film shows it."""
    found = place_of(situation)
    return path_at(*found) if found else None


def missing_of(analysis: Analysis) -> dict[Film, list[float]]:
    """Film times of the analysis' situations that have no picture yet."""
    films = list(MatchFilm.objects.filter(match=analysis.match_id).select_related("film"))
    wanted: dict[Film, set[float]] = defaultdict(set)
    timed = Situation.objects.kept_in(analysis).filter(timed=True)
    for hit_s in timed.order_by("hit_s").values_list("hit_s", flat=True):
        found = film_at(films, hit_s)
        if found and not path_at(*found).exists() and not gave_up(path_at(*found)):
            wanted[found[0]].add(found[1])
    return {film: sorted(times) for film, times in wanted.items()}


def make(film: Film, times: list[float]) -> int:
    """Take the pictures; a moment that the film turns out not to have is left out. Returns how many there are."""
    try:
        pictures = footage.stills(film.file.path, times, tallest=TALLEST)
    except footage.FilmError:
        if len(times) == 1:
            _give_up(path_at(film, times[0]))
            return 0
        return sum(make(film, [at_s]) for at_s in times)
    folder().mkdir(parents=True, exist_ok=True)
    for at_s, picture in zip(times, pictures, strict=True):
        write(path_at(film, at_s), picture)
    return len(pictures)


def write(path: Path, picture: bytes) -> None:
    # A page that asks while it is written must not get half a picture.
    part = path.with_suffix(f".{uuid4().hex}")
    part.write_bytes(picture)
    os.replace(part, path)


def _marker(path: Path) -> Path:
    return path.with_suffix(".none")


def _give_up(path: Path) -> None:
    folder().mkdir(parents=True, exist_ok=True)
    _marker(path).touch()


def gave_up(path: Path) -> bool:
    """Whether the film lately turned out not to have this picture."""
    try:
        return time.time() - _marker(path).stat().st_mtime < GIVEN_UP_FOR.total_seconds()
    except FileNotFoundError:
        return False


def ask_for(situation: Situation, path: Path) -> None:
    """Have a picture taken that is not there, unless that failed within the last day."""
    analysis = situation.analysis
    if not gave_up(path) and not failed_lately("film.stills", str(analysis.uuid)):
        enqueue("film.stills", club=analysis.match.club, key=str(analysis.uuid), analysis=analysis.pk)


def failed_lately(kind: str, key: str) -> bool:
    since = timezone.now() - GIVEN_UP_FOR
    failed = Job.objects.filter(kind=kind, key=key, state=Job.State.FAILED, finished_at__gt=since)
    return failed.exists()


def matches_of(film: Film) -> list[Match]:
    """The matches that the film shows; a film that was uploaded twice shows the same people."""
    # Of one that nobody has read yet the content is not known.
    same = Q(match_films__film__digest=film.digest) if film.digest else Q(match_films__film=film)
    shown = Match.objects.filter(same, club=film.club_id).distinct()
    return list(shown.select_related("club").prefetch_related("seats__player"))


def may_be_shown(film: Film, now: datetime | None = None) -> Answer:
    """Whether everybody in all the film's matches agrees."""
    return film_may_be_shown(matches_of(film), film.club, now)


def may_be_made(film: Film) -> bool:
    return bool(may_be_shown(film))


def situations_seen_by(viewer: Viewer) -> SituationQuerySet:
    """Coaches see every situation of the club; others their own and their children's, once it is published."""
    here = Situation.objects.filter(analysis__match__club=viewer.club, dropped=False)
    if viewer.can(Can.SEE_SCORES):
        return here
    own = own_player_ids(viewer)
    units = Unit.objects.filter(Q(first__in=own) | Q(second__in=own))
    return told(here).filter(unit__in=units)


def told(situations: SituationQuerySet) -> SituationQuerySet:
    """Those of current published versions: what counts, and what a coach picked by hand to show."""
    current = Cover.objects.filter(analysis=OuterRef("analysis"), unit=OuterRef("unit"), current=True)
    published = situations.filter(Exists(current), analysis__state=Analysis.State.PUBLISHED)
    counted = Situation.objects.counted().values("pk")
    shown = Situation.objects.shown().values("pk")
    return published.filter(Q(pk__in=counted) | Q(pk__in=shown))


def drop_stills_of(player: Player) -> int:
    """Delete every picture from films in which the player is; returns how many there were."""
    films = Film.objects.filter(match_films__match__seats__player=player).exclude(digest="").distinct()
    return sum(drop_stills_of_film(film) for film in films)


def drop_stills_of_film(film: Film) -> int:
    gone = 0
    for path in folder().glob(f"{film.digest}-*"):
        path.unlink(missing_ok=True)
        gone += path.suffix == ".jpg"
    return gone


def contents_with_stills() -> set[str]:
    """The digests of the films of which there are pictures."""
    return {path.name.partition("-")[0] for path in folder().glob("*.jpg")}
