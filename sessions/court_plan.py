"""The printed plan of the court with its landmarks numbered, and where its lines lie in a picture."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from django.utils.html import format_html
from django.utils.safestring import SafeString
from django.utils.translation import gettext as _
from numpy.typing import NDArray

from clubcoach import svg
from clubcoach.compute.camera import court_lines
from clubcoach.compute.court import LANDMARKS, CourtFit

# Units of the drawing for a metre, and the margin in which the camera and the numbers of the corners stand.
SCALE, PAD, FOOT = 16.0, 22.0, 34.0
MARK = 9.0
HALF_WIDTH, HALF_LENGTH = 5.0, 10.0
# Points along a line in the picture: enough for the bow that a lens gives it.
POINTS = 81
# Lines are drawn a little beyond the picture; farther out a lens' bend is a guess.
BEYOND = 0.15


def plan() -> SafeString:
    """The court from above, the camera's end below; numbers are those of the list beside it."""
    width, height = 2 * (PAD + HALF_WIDTH * SCALE), 2 * HALF_LENGTH * SCALE + 2 * PAD + FOOT
    parts = [_floor()]
    parts += [svg.line("court-line", *_at(a), *_at(b)) for a, b in _floor_segments()]
    parts.append(svg.line("court-net", *_at((-HALF_WIDTH, 0)), *_at((HALF_WIDTH, 0))))
    parts += [_mark(number, name) for number, name in enumerate(LANDMARKS, 1)]
    parts += _camera(width / 2, height - FOOT + 4)
    return format_html(
        '<svg class="court-plan" viewBox="0 0 {} {}" role="img" aria-label="{}">{}</svg>',
        svg.number(width),
        svg.number(height),
        _("Plan of the court from above with its landmarks numbered; the camera stands below."),
        svg.joined(parts),
    )


def _at(place: Sequence[float]) -> tuple[float, float]:
    x, y = place
    return PAD + (x + HALF_WIDTH) * SCALE, PAD + (HALF_LENGTH - y) * SCALE


def _floor() -> SafeString:
    left, top = _at((-HALF_WIDTH, HALF_LENGTH))
    return format_html(
        '<rect class="court-floor" x="{}" y="{}" width="{}" height="{}"/>',
        svg.number(left),
        svg.number(top),
        svg.number(2 * HALF_WIDTH * SCALE),
        svg.number(2 * HALF_LENGTH * SCALE),
    )


def _floor_segments() -> list[tuple[Any, Any]]:
    """Of all lines of the court those on the floor, as two places each."""
    flat = [line for line in court_lines().values() if not line[:, 2].any()]
    return [(line[0, :2], line[1, :2]) for line in flat]


def _mark(number: int, name: str) -> SafeString:
    x, y = _at(LANDMARKS[name])
    return format_html(
        '<g class="court-mark" data-mark="{}"><circle cx="{}" cy="{}" r="{}"/>{}</g>',
        name,
        svg.number(x),
        svg.number(y),
        svg.number(MARK),
        svg.text("court-number", x, y + 3.5, str(number)),
    )


def _camera(x: float, y: float) -> list[SafeString]:
    body = format_html(
        '<path class="court-camera" d="M{} {}h18v12h-18z m5 0l2 -4h4l2 4"/>', svg.number(x - 9), svg.number(y)
    )
    return [body, svg.text("court-word", x, y + 24, _("the camera"))]


def lines_in_picture(fit: CourtFit) -> list[dict[str, Any]]:
    """The court's lines on the floor in pixels, several points each, cut off where the picture ends."""
    width, height = fit.image_size
    lines = []
    for name, (start, end) in _named_segments():
        share = np.linspace(0.0, 1.0, POINTS)[:, None]
        pixels = np.asarray(fit.to_image(start + (end - start) * share), dtype=np.float64)
        for run in _runs(pixels, width, height):
            lines.append({"name": name, "points": [[round(float(u), 1), round(float(v), 1)] for u, v in run]})
    return lines


def _named_segments() -> Iterable[tuple[str, tuple[Any, Any]]]:
    for name, line in court_lines().items():
        if not line[:, 2].any():
            yield name, (line[0, :2], line[1, :2])
    yield "net foot", (np.array([-HALF_WIDTH, 0.0]), np.array([HALF_WIDTH, 0.0]))


def _runs(pixels: NDArray[np.float64], width: int, height: int) -> list[NDArray[np.float64]]:
    """Pieces of a line that lie in the picture or just beside it."""
    low = np.array([-BEYOND * width, -BEYOND * height])
    high = np.array([(1 + BEYOND) * width, (1 + BEYOND) * height])
    with np.errstate(invalid="ignore"):
        shown = np.all((pixels >= low) & (pixels <= high), axis=1)
    cuts = np.flatnonzero(np.diff(shown.astype(np.int8))) + 1
    pieces = np.split(np.arange(len(pixels)), cuts)
    return [pixels[piece] for piece in pieces if shown[piece[0]] and len(piece) > 1]


def lines_drawn(lines: Iterable[dict[str, Any]]) -> SafeString:
    """The lines as SVG, for the page that comes without scripts."""
    return svg.joined([_polyline(line["points"]) for line in lines])


def _polyline(points: Sequence[Sequence[float]]) -> SafeString:
    told = " ".join(f"{svg.number(u)},{svg.number(v)}" for u, v in points)
    return format_html('<polyline class="halo" points="{}"/><polyline points="{}"/>', told, told)


# Metres beside the half that the plan of places draws, for its words.
WORDS_PAD = 26.0
PLACES_SCALE = 28.0
SHADES = 4


def places_plan(
    numbers: Sequence[Sequence[int]], bands: Sequence[float], third: float, label: str
) -> SafeString:
    """One half of the court from above, the net on top: a number in each zone, three to a band."""
    most = max((n for row in numbers for n in row), default=0)
    edges_y = [0.0, *bands, HALF_LENGTH]
    edges_x = [-HALF_WIDTH, -third, third, HALF_WIDTH]
    parts: list[SafeString] = []
    for band, row in enumerate(numbers):
        for column, n in enumerate(row):
            left, top = _half(edges_x[column], edges_y[band])
            right, bottom = _half(edges_x[column + 1], edges_y[band + 1])
            shade = 0 if not n else max(1, round(SHADES * n / most))
            parts.append(
                format_html(
                    '<rect class="place-zone place-{}" x="{}" y="{}" width="{}" height="{}"/>',
                    shade,
                    svg.number(left),
                    svg.number(top),
                    svg.number(right - left),
                    svg.number(bottom - top),
                )
            )
            parts.append(svg.text("place-number", (left + right) / 2, (top + bottom) / 2 + 7, str(n)))
    parts += [
        svg.line("court-line", *_half(-HALF_WIDTH, bands[-1]), *_half(HALF_WIDTH, bands[-1])),
        *(
            # Broken where a number stands.
            svg.line("court-line", *_half(0, start), *_half(0, stop))
            for top, bottom in pairwise(edges_y[:-1])
            for start, stop in ((top, (top + bottom) / 2 - 0.5), ((top + bottom) / 2 + 0.5, bottom))
        ),
        svg.line("place-net", *_half(-HALF_WIDTH - 0.3, 0), *_half(HALF_WIDTH + 0.3, 0)),
        svg.text("court-word", *_half(0, -0.35), _("net")),
        svg.text("court-word", *_half(0, HALF_LENGTH + 0.65), _("back glass")),
    ]
    width, height = _half(HALF_WIDTH, HALF_LENGTH)
    return format_html(
        '<svg class="court-plan places-plan" viewBox="0 0 {} {}" role="img" aria-label="{}">{}</svg>',
        svg.number(width + WORDS_PAD),
        svg.number(height + WORDS_PAD),
        label,
        svg.joined(parts),
    )


def _half(x: float, depth: float) -> tuple[float, float]:
    return WORDS_PAD + (x + HALF_WIDTH) * PLACES_SCALE, WORDS_PAD + depth * PLACES_SCALE
