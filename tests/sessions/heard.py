"""A match whose film was heard: the demo film's own rallies and hits, on a film of plain pictures."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import av
import numpy as np
from django.core.files.base import ContentFile

from reports.demo.scene import scene_truth
from sessions.models import Film, Hearing, Match, MatchFilm, RallyProposal

FPS = 10


def plain_film(path: Path, seconds: float) -> bytes:
    """Grey pictures, each a little lighter than the one before."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libvpx", rate=FPS, options={"g": str(FPS), "deadline": "realtime"})
        stream.width, stream.height, stream.pix_fmt = 64, 36, "yuv420p"
        for number in range(round(seconds * FPS)):
            picture = np.full((36, 64, 3), number % 200, dtype=np.uint8)
            container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")))
        container.mux(stream.encode())
    return path.read_bytes()


@dataclass(frozen=True)
class Played:
    """A rally as it was played: from the serve's hit to the last one, in film time."""

    number: int
    start_s: float
    end_s: float
    winner: str
    hits: list[float] = field(default_factory=list)


def played(until_s: float = float("inf")) -> list[Played]:
    truth = scene_truth()
    rallies = []
    for row in truth["rallies"]:
        hits = [hit["t"] for hit in truth["hits"] if hit["rally"] == row["number"]]
        if hits[-1] < until_s:
            rallies.append(Played(row["number"], hits[0], hits[-1], row["winner"], hits))
    return rallies


def hear(match: Match, folder: Path, seconds: float, spans: Any, hits: Any) -> Film:
    """The film, ready and heard: ``spans`` of start, end and how sure."""
    content = plain_film(folder / "court.webm", seconds)
    film = Film(club=match.club, name="court.webm", size=len(content), digest="0" * 64, state="ready")
    film.duration_s, film.container = seconds, "matroska,webm"
    film.file.save("court.webm", ContentFile(content), save=False)
    film.save()
    MatchFilm.objects.create(match=match, film=film, offset_s=0)
    heard = [[at, "racket", 0.9] for at in sorted(hits)]
    hearing = Hearing.objects.create(film=film, verdict="good", hits=heard)
    for start_s, end_s, sure in spans:
        RallyProposal.objects.create(hearing=hearing, start_s=start_s, end_s=end_s, confidence=sure)
    return film
