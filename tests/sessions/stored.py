"""Films as they come, small ones that browsers play and ones that they do not, and what lies on the disk."""

import os
import time
from fractions import Fraction
from pathlib import Path
from typing import Any
from uuid import uuid4

import av
import numpy as np
from django.utils import timezone

from clubcoach import jobs
from clubcoach.models import Job
from sessions import film_store
from sessions.models import Clip, Film, Match, MatchFilm, Upload
from tests.sessions import moving

FPS = 10


def write_mkv(path: Path, *, seconds: float = 2.5, fps: int = FPS, sound: bool = True) -> Path:
    """The moving film in a container that browsers do not open, so that a copy has to be made."""
    with av.open(str(path), "w", format="matroska") as film:
        video = film.add_stream("libvpx-vp9", rate=fps)
        video.width, video.height, video.pix_fmt = moving.WIDTH, moving.HEIGHT, "yuv420p"
        video.codec_context.options = {"deadline": "realtime", "cpu-used": "8", "crf": "18"}
        video.codec_context.bit_rate = 0
        voice = film.add_stream("libopus", rate=48_000, layout="mono") if sound else None
        for number in range(round(seconds * fps)):
            picture = av.VideoFrame.from_ndarray(moving.frame(number), format="rgb24")
            picture.pts, picture.time_base = number, Fraction(1, fps)
            film.mux(video.encode(picture.reformat(format="yuv420p")))
        film.mux(video.encode(None))
        if voice is not None:
            wave = (0.3 * np.sin(np.arange(round(seconds * 48_000)) / 20)).astype(np.float32)
            for start in range(0, len(wave), 960):
                block = wave[start : start + 960]
                if len(block) < 960:
                    break
                frame = av.AudioFrame.from_ndarray(block[None, :], format="flt", layout="mono")
                frame.rate, frame.pts, frame.time_base = 48_000, start, Fraction(1, 48_000)
                film.mux(voice.encode(frame))
            film.mux(voice.encode(None))
    return path


def arrived(match: Match, content: bytes, name: str = "court.webm", **fields: Any) -> Film:
    """Bytes that have come and that nobody has read yet, with the job that is to read them."""
    film = Film(club=match.club, name=name, size=len(content), **fields)
    film.original = film_store.name_incoming(uuid4())
    path = film_store.path_of(film.original.name)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    film.save()
    MatchFilm.objects.create(match=match, film=film)
    jobs.enqueue("film.read", club=match.club, key=str(film.uuid), film=film.pk)
    return film


def stored(
    match: Match, content: bytes = b"\x1a\x45\xdf\xa3film", *, digest: str = "d", **fields: Any
) -> Film:
    """A film that is ready, without anybody reading it."""
    whole = f"{digest:0<64}"[:64]
    film = Film(
        club=match.club, name="court.webm", size=len(content), digest=whole, served=whole, state="ready"
    )
    film.duration_s = 60
    for name, value in fields.items():
        setattr(film, name, value)
    film.file = film_store.name_of(match.club_id, whole, "webm")
    path = film_store.path_of(film.file.name)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    film.save()
    MatchFilm.objects.create(match=match, film=film)
    return film


def give_up_leases() -> None:
    """What a dead worker held may be taken by another."""
    past = timezone.now() - timezone.timedelta(seconds=1)
    Job.objects.filter(state="running").update(lease_until=past)


def do_all() -> int:
    """Everything that waits, also what that asks for."""
    return jobs.run_due()


def files() -> list[str]:
    root = film_store.media()
    return sorted(path.relative_to(root).as_posix() for path in root.rglob("*") if path.is_file())


def later_s() -> float:
    """A time at which everything that is written now is old."""
    return time.time() + 2 * 3600


def age_all() -> None:
    """Let everything on the disk have been written hours ago."""
    old = time.time() - 2 * 3600
    for path in film_store.media().rglob("*"):
        os.utime(path, (old, old))


def orphans() -> list[str]:
    """Files that no row has a use for."""
    films = list(Film.objects.all())
    named = {name for film in films for name in (film.file.name, film.original.name) if name}
    named |= {f"incoming/{upload.uuid.hex}" for upload in Upload.objects.filter(film=None)}
    named |= {f"clips/{digest}.webm" for digest in Clip.objects.values_list("digest", flat=True)}
    worked_on = {str(film.uuid) for film in films if film.original.name}
    pictured = {(str(film.club_id), film.digest) for film in films if film.file.name}
    left = []
    for name in files():
        folder, *rest = name.split("/")
        if folder == "making" and rest[0] in worked_on:
            continue
        if folder == "strips" and (rest[0], rest[1].partition("-")[0]) in pictured:
            continue
        if folder == "stills" and rest[0].partition("-")[0] in {digest for _club, digest in pictured}:
            continue
        if name not in named:
            left.append(name)
    return left


def lost() -> list[str]:
    """Names that rows have and nothing on the disk bears."""
    rows = Film.objects.values_list("file", "original")
    names = {name for row in rows for name in row if name}
    return sorted(name for name in names if not film_store.path_of(name).is_file())
