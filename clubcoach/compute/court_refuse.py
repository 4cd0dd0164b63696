"""Landmarks that do not say where the court is, and why."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clubcoach.compute.court_fit import solve
from clubcoach.compute.court_lens import View

Floats = NDArray[np.float64]

MOST_RMS_M = 0.25
FEWEST = 4
# A triangle lower than this says nothing about a second direction (common practice): metres, and clicks' sd.
LOW_TRIANGLE_M = 0.5
LOW_TRIANGLE_SD = 1.5
# Landmarks may be guessed a little outside the picture, no farther than this share of its long side.
OUTSIDE = 0.5


class CourtError(Exception):
    """Landmarks that give no court view.

    Parameters
    ----------
    code : str
        ``too_few``, ``in_a_line``, ``mirrored``, ``too_far_off``, ``outside``, ``not_numbers`` or ``twice``.
    facts : dict
        What a sentence needs: ``n`` and ``need``; ``index`` or ``indices`` of the landmarks meant; ``how``;
        ``rms_m`` and ``most_m``.
    """

    def __init__(self, code: str, facts: dict[str, Any] | None = None) -> None:
        super().__init__(code)
        self.code = code
        self.facts = facts or {}


def check_points(image: Floats, court: Floats, size: tuple[int, int], click_sd: float) -> None:
    """Refuse what can be seen without a fit.

    Raises
    ------
    CourtError
        ``not_numbers``, ``too_few``, ``twice``, ``outside``, ``in_a_line``.
    """
    bad = ~(np.isfinite(image).all(axis=1) & np.isfinite(court).all(axis=1))
    if bad.any():
        raise CourtError("not_numbers", {"indices": np.flatnonzero(bad).tolist()})
    if len(image) < FEWEST:
        raise CourtError("too_few", {"n": len(image), "need": FEWEST})
    for first, second in combinations(range(len(image)), 2):
        if (
            np.hypot(*(court[first] - court[second])) < 0.01
            or np.hypot(*(image[first] - image[second])) < 0.5
        ):
            raise CourtError("twice", {"indices": [first, second]})
    room = OUTSIDE * max(size)
    away = ((image < -room) | (image > np.array(size) + room)).any(axis=1)
    if away.any():
        raise CourtError("outside", {"indices": np.flatnonzero(away).tolist()})
    if _best_four(court) < LOW_TRIANGLE_M or _best_four(image) < LOW_TRIANGLE_SD * click_sd:
        raise CourtError("in_a_line", {"n": len(image)})


def _best_four(points: Floats) -> float:
    """Of all fours the one whose lowest triangle is highest: that height."""
    fours = np.array(list(combinations(range(len(points)), 4)))
    heights = [_height(points[fours[:, list(three)]]) for three in combinations(range(4), 3)]
    return float(np.min(heights, axis=0).max())


def _height(triangles: Floats) -> Floats:
    """Least height of triangles, shape (m, 3, 2)."""
    sides = triangles - np.roll(triangles, 1, axis=1)
    double = np.abs(sides[:, 0, 0] * sides[:, 1, 1] - sides[:, 0, 1] * sides[:, 1, 0])
    height: Floats = double / np.maximum(np.linalg.norm(sides, axis=2).max(axis=1), 1e-12)
    return height


def check_order(view: View, image: Floats, court: Floats) -> None:
    """Refuse a court seen from below, upside down or from its other end.

    Raises
    ------
    CourtError
        ``mirrored``, with ``how``: ``crossed``, ``left_right``, ``turned``.
    """
    _, front = view.flat(court)
    if not front.all():
        raise CourtError("mirrored", {"how": "crossed", "indices": np.flatnonzero(~front).tolist()})
    if np.linalg.det(view.plane) > 0:
        raise CourtError("mirrored", {"how": "left_right"})
    across, along = np.array([[1.0, 0.0], [0.0, 1.0]]) * view.metre
    ends = view.project(view.origin + np.array([-across, across, -along, along]) * 0.05)
    if ends[3, 1] > ends[2, 1]:
        raise CourtError("mirrored", {"how": "turned"})


def worst_landmark(image: Floats, court: Floats, size: tuple[int, int], click_sd: float) -> dict[str, Any]:
    """The landmark without which the others fit best: its index, and how well they fit then, pixels."""
    left: list[float] = []
    for index in range(len(image)) if len(image) > FEWEST + 1 else []:
        keep = np.arange(len(image)) != index
        view = solve(image[keep], court[keep], size, click_sd).view
        off = np.sqrt(np.mean(np.sum((view.project(court[keep]) - image[keep]) ** 2, axis=1)))
        left.append(float(off) if np.isfinite(off) else float("inf"))
    if not left or not np.isfinite(min(left)):
        return {"most_m": MOST_RMS_M}
    return {"most_m": MOST_RMS_M, "index": int(np.argmin(left)), "rms_px_without": min(left)}
