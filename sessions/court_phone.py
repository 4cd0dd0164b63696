"""Where to put the phone: what three heights show, and two drawings, all worked out by the geometry of the court."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from django.utils.functional import Promise
from django.utils.html import format_html
from django.utils.safestring import SafeString
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy as _lazy

from clubcoach import svg
from clubcoach.compute.camera import Camera, court_lines
from clubcoach.compute.court import LANDMARKS
from clubcoach.formatting import measure
from sessions import court_reading

WIDTH, HEIGHT = 1280, 720
# What a phone is told to film with.
LINES = 1080
# Where an error of a pixel is told, on the middle of the court: metres from the net, the camera's end negative.
PLACES = (-3.0, 3.0, 6.95)
HALF_LENGTH, WALL, FENCE = 10.0, 3.0, 4.0


@dataclass(frozen=True, slots=True)
class Stand:
    """One way of putting a phone up: behind the middle of the back glass, looking along the court."""

    what: str | Promise
    height: float
    tilt: float
    hfov: float = 90.0
    behind: float = 1.0

    def camera(self) -> Camera:
        return Camera(self.height, self.behind, self.hfov, WIDTH, HEIGHT, self.tilt)


STANDS = (
    Stand(_lazy("a tripod on the floor"), 1.6, 10.0),
    Stand(_lazy("above the glass, on a pole or the fence"), 3.5, 20.0),
    Stand(_lazy("a balcony or a high mast"), 5.0, 25.0),
)


def landmarks_seen(camera: Camera) -> dict[str, list[float]]:
    """The landmarks that lie in the picture, in pixels."""
    names = list(LANDMARKS)
    pixels = camera.project([[*LANDMARKS[name], 0.0] for name in names])
    return {
        name: [float(u), float(v)]
        for name, (u, v) in zip(names, pixels, strict=True)
        if 0 <= u <= camera.width and 0 <= v <= camera.height_px
    }


@cache
def _figures(stand: Stand) -> dict[str, Any]:
    camera = stand.camera()
    costs = camera.metres_per_pixel([[0.0, place] for place in PLACES])[:, 1]
    first = float(camera.floor([WIDTH / 2, HEIGHT])[1])
    upwards = math.degrees(math.atan(HEIGHT / 2 / camera.focal)) - stand.tilt
    top = stand.height + math.tan(math.radians(upwards)) * (2 * HALF_LENGTH + stand.behind)
    seen = landmarks_seen(camera)
    return {
        "costs": [float(cost) for cost in costs],
        "first_m": first + HALF_LENGTH,
        "top_m": top,
        "fit": court_reading.fit_of(seen, WIDTH, HEIGHT),
    }


def rows(check_list: Mapping[str, Any]) -> list[dict[str, Any]]:
    """For the table: each way with what an error of a pixel in depth costs, what is seen, and what can be judged."""
    table = []
    for stand in STANDS:
        figures = _figures(stand)
        table.append(
            {
                "what": stand.what,
                "height": measure(stand.height, "m"),
                "tilt": _("%(n)d degrees") % {"n": round(stand.tilt)},
                "costs": [_("%(n)d cm") % {"n": round(100 * cost)} for cost in figures["costs"]],
                "first": measure(round(figures["first_m"], 1), "m"),
                "zones": court_reading.zone_sentence(figures["fit"]),
                "judged": court_reading.judged_by(figures["fit"], check_list, LINES),
            }
        )
    return table


def side_view() -> SafeString:
    """The court from the side: where the phone stands, and what its picture takes in."""
    stand, scale, left, floor = STANDS[1], 13.0, 44.0, 108.0
    camera = stand.camera()

    def at(y: float, z: float) -> tuple[float, float]:
        return left + (y + HALF_LENGTH) * scale, floor - z * scale

    eye = (-(HALF_LENGTH + stand.behind), stand.height)
    first = float(camera.floor([WIDTH / 2, HEIGHT])[1])
    top = _figures(stand)["top_m"]
    parts = [
        _polygon("phone-seen", [at(*eye), at(first, 0), at(HALF_LENGTH, 0), at(HALF_LENGTH, min(top, 7.0))]),
        svg.line("court-line", *at(-HALF_LENGTH - 2, 0), *at(HALF_LENGTH + 1, 0)),
        svg.line("court-net", *at(0, 0), *at(0, 0.9)),
        svg.text("court-word", *at(0, -1.5), _("net")),
    ]
    for y in (-HALF_LENGTH, HALF_LENGTH):
        parts += [
            svg.line("phone-glass", *at(y, 0), *at(y, WALL)),
            svg.line("phone-mesh", *at(y, WALL), *at(y, FENCE)),
        ]
    parts += [
        svg.line("phone-pole", *at(eye[0], 0), *at(*eye)),
        svg.dot("phone-body", *at(*eye), 4),
        svg.text("court-word", *at(-HALF_LENGTH + 1.5, FENCE + 1), measure(stand.height, "m")),
        svg.text("court-word", *at(first, -1.5), _("first floor seen")),
    ]
    return _drawing(
        "phone-side",
        left + 21.5 * scale,
        floor + 28,
        _(
            "From the side: the phone stands a metre behind the back glass, above it, and looks down along the court."
        ),
        parts,
    )


def frame_view() -> SafeString:
    """What the picture should look like: the court as the middle one of the places shows it."""
    camera = STANDS[1].camera()
    scale = 360 / WIDTH
    parts = [
        format_html(
            '<rect class="phone-frame" x="1" y="1" width="358" height="{}"/>', svg.number(HEIGHT * scale - 2)
        )
    ]
    for line in court_lines().values():
        share = np.linspace(0.0, 1.0, 60)[:, None]
        pixels = camera.project(line[0] + (line[1] - line[0]) * share)
        shown = [(u * scale, v * scale) for u, v in pixels if 0 <= u <= WIDTH and 0 <= v <= HEIGHT]
        if len(shown) > 1:
            parts.append(_polyline("court-net" if line[:, 2].any() else "court-line", shown))
    parts += [
        svg.dot("phone-corner", u * scale, v * scale, 4.5)
        for name, (u, v) in landmarks_seen(camera).items()
        if name.endswith(("corner", "service"))
    ]
    return _drawing(
        "phone-picture",
        360,
        HEIGHT * scale,
        _(
            "What the picture shows: it lies, the net crosses its middle, both far corners and both ends of each"
            " service line are in it."
        ),
        parts,
    )


def _drawing(kind: str, width: float, height: float, label: str, parts: list[SafeString]) -> SafeString:
    return format_html(
        '<svg class="court-plan {}" viewBox="0 0 {} {}" role="img" aria-label="{}">{}</svg>',
        kind,
        svg.number(width),
        svg.number(height),
        label,
        svg.joined(parts),
    )


def _points(places: Iterable[tuple[float, float]]) -> str:
    return " ".join(f"{svg.number(x)},{svg.number(y)}" for x, y in places)


def _polygon(kind: str, places: list[tuple[float, float]]) -> SafeString:
    return format_html('<polygon class="{}" points="{}"/>', kind, _points(places))


def _polyline(kind: str, places: list[tuple[float, float]]) -> SafeString:
    return format_html('<polyline class="{}" points="{}"/>', kind, _points(places))
