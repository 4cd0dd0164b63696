"""A film whose camera is known, so that what is clicked in it can be told exactly."""

from typing import Any

import numpy as np
from django.core.files.base import ContentFile

from clubcoach.compute.camera import Camera
from clubcoach.compute.court import LANDMARKS
from sessions.models import Film, MatchFilm

CAMERA = Camera(3.5, 1.0, 90.0, 1280, 720, 20.0)


def seen(camera: Camera = CAMERA) -> dict[str, list[float]]:
    """Every landmark in the picture of a camera, in pixels."""
    pixels = {name: camera.project([x, y, 0.0]) for name, (x, y) in LANDMARKS.items()}
    return {
        name: [float(u), float(v)]
        for name, (u, v) in pixels.items()
        if 0 <= u <= camera.width and 0 <= v <= camera.height_px
    }


def clicked(camera: Camera = CAMERA, *, sd: float = 1.0, seed: int = 7) -> dict[str, list[float]]:
    """The same as somebody's hand sets them."""
    hand = np.random.default_rng(seed)
    return {
        name: [float(part + hand.normal(0, sd)) for part in place] for name, place in seen(camera).items()
    }


def make_film(match: Any, **fields: Any) -> Film:
    """A minute of film that has been read."""
    film = Film(
        club=match.club, name=fields.pop("name", "court.webm"), size=9, digest="d" * 64, state="ready"
    )
    film.duration_s, film.width, film.height = 60.0, 1280, 720
    for name, value in fields.items():
        setattr(film, name, value)
    if film.state == "ready":
        film.file.save("court.webm", ContentFile(b"\x1a\x45\xdf\xa3film."), save=False)
    film.save()
    MatchFilm.objects.create(match=match, film=film)
    return film


def sent(**fields: Any) -> dict[str, Any]:
    """What a page sends for a court that was placed well."""
    base = {"from_s": 0.0, "at_s": 2.0, "width": 1280, "height": 720, "landmarks": clicked(), "looked": False}
    return {**base, **fields}
