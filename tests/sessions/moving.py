"""A film in which everything moves, so that a frame is never mistaken for the one before it; and how to compare."""

from functools import cache
from itertools import pairwise
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Any

import av
import numpy as np
from django.core.files.base import ContentFile
from django.utils import timezone

from clubcoach import jobs
from clubcoach.models import Club, Job
from sessions import footage
from sessions.footage import FilmError
from sessions.models import Analysis, Cover, Film, Match, MatchFilm
from tests import factories as make

SECONDS, FPS, HEIGHT, WIDTH = 16, 25, 96, 160
KNOCK_S = 8.0


def frame(number: int, height: int = HEIGHT, width: int = WIDTH) -> np.ndarray:
    """Soft hills that drift by 5 pixels a frame, and a light square that jumps."""
    x, y = np.arange(width)[None, :] + 5 * number, np.arange(height)[:, None]
    hills = 110 + 45 * np.sin(x / 7.0) + 35 * np.sin(x / 3.1 + y / 9.0)
    pixels = np.stack([hills, hills[:, ::-1], np.full_like(hills, 90)], axis=-1)
    at = 8 * (number * 7 % (width // 8 - 1))
    pixels[40:56, at : at + 16] = 235
    return pixels.clip(0, 255).astype(np.uint8)


def write(path: Path, *, fps: float = FPS, seconds: float = SECONDS) -> Path:
    rate = 48_000
    sound = np.zeros(int(seconds * rate), dtype=np.float32)
    wave = np.sin(2 * np.pi * 900 * np.arange(2400) / rate) * np.exp(-np.arange(2400) / 900)
    sound[int(KNOCK_S * rate) :][: len(wave)] = 0.8 * wave
    footage.write_webm((frame(number) for number in range(round(seconds * fps))), fps, sound, rate, path)
    return path


def frames_of(path: Path) -> list[np.ndarray]:
    with av.open(str(path)) as film:
        return [picture.to_ndarray(format="rgb24").astype(float) for picture in film.decode(video=0)]


def sound_of(path: Path) -> tuple[str, np.ndarray]:
    with av.open(str(path)) as film:
        name = film.streams.audio[0].codec_context.name
        return name, np.concatenate([piece.to_ndarray().reshape(-1) for piece in film.decode(audio=0)])


def likeness(one: np.ndarray, other: np.ndarray) -> float:
    """Peak signal to noise ratio, dB."""
    return float(10 * np.log10(255**2 / max(1e-9, np.mean((one - other) ** 2))))


def follows(clip: list[np.ndarray], film: list[np.ndarray], first: int, least: float = 30) -> bool:
    """Whether frame n of the clip is frame first + n of the film: far more like it than its neighbours, each one."""
    for number, seen in enumerate(clip, first):
        if not 0 <= number < len(film):
            return False
        near = [film[other] for other in (number - 1, number + 1) if 0 <= other < len(film)]
        own = likeness(seen, film[number])
        if own < least or any(own < likeness(seen, other) + 6 for other in near):
            return False
    return True


@cache
def long_s(content: bytes) -> float:
    with NamedTemporaryFile(suffix=".webm") as file:
        file.write(content)
        file.flush()
        return footage.probe(file.name).duration_s


def cut_quickly(path: Any, start_s: float, end_s: float, out: Path, *, tell: Any, **wish: Any) -> int:
    """In the place of a cut, where a test is not about pictures: a child process takes a second each time."""
    if not Path(path).is_file():
        raise FilmError("missing", "The film's file is not there any more.")
    tell(0.5)
    out.write_bytes(f"{start_s} to {end_s}".encode())
    return round((end_s - start_s) * FPS)


def add_film(match: Match, content: Path | bytes, *, offset_s: float = 0.0, digest: str = "d") -> Film:
    """A film as it stands once it was read."""
    data = content if isinstance(content, bytes) else content.read_bytes()
    club: Club = match.club
    film = Film(club=club, name="court.webm", size=len(data), digest=f"{digest:0<64}"[:64], state="ready")
    film.file.save(f"{film.uuid}.webm", ContentFile(data), save=False)
    film.duration_s = long_s(data)
    film.save()
    MatchFilm.objects.create(match=match, film=film, offset_s=offset_s)
    return film


def agree(match: Match) -> None:
    for seat in match.seats.select_related("player"):
        if seat.player:
            make.consent(seat.player)
    match.seats.filter(player=None).update(visitor_consent=True)


def publish(analysis: Analysis) -> None:
    Analysis.objects.filter(pk=analysis.pk).update(state="published", published_at=timezone.now())
    Cover.objects.filter(analysis=analysis).update(current=True)


def every_frame_differs(film: list[np.ndarray]) -> bool:
    return all(likeness(one, other) < 20 for one, other in pairwise(film))


def work(kind: str = "clip.cut") -> int:
    """Do the waiting jobs of a kind; how many were done."""
    waiting = list(Job.objects.filter(kind=kind, state="waiting").values_list("pk", flat=True))
    return sum(jobs.perform(pk) for pk in waiting)


def kept(settings: Any, folder: str = "clips") -> list[str]:
    return sorted(path.name for path in (Path(settings.MEDIA_ROOT) / folder).glob("*"))
