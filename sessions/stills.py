"""One picture of a situation, at the moment of the hit: where it is kept, who may see it, when it goes."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Iterable
from pathlib import Path
from uuid import uuid4

from django.conf import settings
from django.db.models import Exists, OuterRef, Q

from clubcoach.access import Can, Viewer
from players.models import Player, Unit, own_player_ids
from sessions import footage
from sessions.models import Analysis, Cover, Film, Match, MatchFilm, Situation
from sessions.models.marks import SituationQuerySet
from sessions.services.films import film_may_be_shown

# Wide enough to see where the feet are, small enough for a page with several of them on a phone.
TALLEST = 480


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


def path_of(situation: Situation) -> Path | None:
    """Where a situation's picture is, or would be; None while no film shows it."""
    found = film_at(situation.rally.match.match_films.select_related("film"), situation.hit_s)
    return path_at(*found) if found else None


def missing_of(analysis: Analysis) -> dict[Film, list[float]]:
    """Film times of the analysis' situations that have no picture yet."""
    films = list(MatchFilm.objects.filter(match=analysis.match_id).select_related("film"))
    wanted: dict[Film, set[float]] = defaultdict(set)
    for hit_s in Situation.objects.kept_in(analysis).order_by("hit_s").values_list("hit_s", flat=True):
        found = film_at(films, hit_s)
        if found and not path_at(*found).exists():
            wanted[found[0]].add(found[1])
    return {film: sorted(times) for film, times in wanted.items()}


def make(film: Film, times: list[float]) -> int:
    """Take the pictures; a moment that the film turns out not to have is left out. Returns how many there are."""
    try:
        pictures = footage.stills(film.file.path, times, tallest=TALLEST)
    except footage.FilmError:
        if len(times) == 1:
            return 0
        return sum(make(film, [at_s]) for at_s in times)
    folder().mkdir(parents=True, exist_ok=True)
    for at_s, picture in zip(times, pictures, strict=True):
        _write(path_at(film, at_s), picture)
    return len(pictures)


def _write(path: Path, picture: bytes) -> None:
    # A page that asks while it is written must not get half a picture.
    part = path.with_suffix(f".{uuid4().hex}")
    part.write_bytes(picture)
    os.replace(part, path)


def matches_of(film: Film) -> list[Match]:
    return list(
        Match.objects.filter(match_films__film=film).select_related("club").prefetch_related("seats__player")
    )


def may_be_made(film: Film) -> bool:
    return all(bool(film_may_be_shown([match], match.club)) for match in matches_of(film))


def situations_seen_by(viewer: Viewer) -> SituationQuerySet:
    """Coaches see every situation of the club; others their own and their children's, once it is published."""
    here = Situation.objects.filter(analysis__match__club=viewer.club, dropped=False)
    if viewer.can(Can.SEE_SCORES):
        return here
    own = own_player_ids(viewer)
    units = Unit.objects.filter(Q(first__in=own) | Q(second__in=own))
    current = Cover.objects.filter(analysis=OuterRef("analysis"), unit=OuterRef("unit"), current=True)
    told = here.filter(Exists(current), analysis__state=Analysis.State.PUBLISHED, unit__in=units)
    counted = Situation.objects.counted().values("pk")
    shown = Situation.objects.shown().values("pk")
    return told.filter(Q(pk__in=counted) | Q(pk__in=shown))


def drop_stills_of(player: Player) -> int:
    """Delete every picture from films in which the player is; returns how many there were."""
    films = Film.objects.filter(match_films__match__seats__player=player).distinct()
    return sum(drop_stills_of_film(film) for film in films)


def drop_stills_of_film(film: Film) -> int:
    gone = 0
    for path in folder().glob(f"{film.digest}-*.jpg"):
        path.unlink(missing_ok=True)
        gone += 1
    return gone
