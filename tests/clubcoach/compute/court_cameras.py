"""Cameras behind a court with lenses that bend, drawn at random and projected by OpenCV, not by our own code."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from clubcoach.compute.court import LANDMARKS, CourtError, CourtFit, calibrate

PLACES = np.array(list(LANDMARKS.values()))
CHI2_80 = 3.2189
TILTS = {1.6: (2, 10), 3.5: (14, 24), 5.0: (18, 28)}
LENSES = {
    "none": lambda rng: (0.0, 0.0),
    "radial": lambda rng: (rng.uniform(-0.3, 0.1), 0.0),
    "strong": lambda rng: (rng.uniform(-0.3, -0.2), 0.0),
    "two terms": lambda rng: (k := rng.uniform(-0.3, 0.0), rng.uniform(0.3, 1.0) * k**2),
}


@dataclass
class Lens:
    """A camera and its picture."""

    inner: np.ndarray
    bend: np.ndarray
    turn: np.ndarray
    place: np.ndarray
    size: tuple[int, int]

    def project(self, spots: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Pixels, and whether the spot is in the picture where the lens does not fold it back."""
        away = np.column_stack([spots, np.zeros(len(spots))]) - self.place
        depth = away @ self.turn[2]
        pixels, _ = cv2.projectPoints(
            np.column_stack([spots, np.zeros(len(spots))]),
            cv2.Rodrigues(self.turn)[0],
            -self.turn @ self.place,
            self.inner,
            self.bend,
        )
        pixels = pixels[:, 0]
        with np.errstate(divide="ignore", invalid="ignore"):
            square = np.sum((away @ self.turn[:2].T / depth[:, None]) ** 2, axis=1)
        # Where the picture still grows with the angle at every place further in: tried on a grid.
        grid = np.linspace(0, 1, 60)[:, None] * square
        grows = (1 + 3 * self.bend[0] * grid + 5 * self.bend[1] * grid**2 > 0.1).all(axis=0)
        inside = ((pixels >= 0) & (pixels <= self.size)).all(axis=1)
        return pixels, (depth > 0.1) & grows & inside


def lens(
    rng: np.random.Generator,
    height: float,
    kind: str = "none",
    size: tuple[int, int] = (1280, 720),
    off_centre: float = 0.0,
) -> Lens:
    """A camera half a metre to two behind the back wall, turned and rolled a little, 80 to 100 degrees wide."""
    wide, high = size
    focal = wide / 2 / np.tan(np.radians(rng.uniform(80, 100)) / 2)
    tilt, pan, roll = np.radians([rng.uniform(*TILTS[height]), rng.normal(0, 3), rng.normal(0, 1.5)])
    ahead = np.array([np.sin(pan) * np.cos(tilt), np.cos(pan) * np.cos(tilt), -np.sin(tilt)])
    right = np.array([np.cos(pan), -np.sin(pan), 0.0])
    down = np.cross(ahead, right)
    turn = np.array(
        [np.cos(roll) * right + np.sin(roll) * down, -np.sin(roll) * right + np.cos(roll) * down, ahead]
    )
    middle = np.array([wide, high]) / 2 + rng.normal(0, off_centre * wide, 2)
    inner = np.array([[focal, 0, middle[0]], [0, focal, middle[1]], [0, 0, 1.0]])
    place = np.array([rng.normal(0, 0.7), -10 - rng.uniform(0.5, 2), height])
    return Lens(inner, np.array([*LENSES[kind](rng), 0.0, 0.0]), turn, place, size)


def clicked(
    rng: np.random.Generator, camera: Lens, n: int, sd: float
) -> tuple[np.ndarray, np.ndarray] | None:
    """Any n landmarks in the picture, clicked; None where there are fewer."""
    pixels, seen = camera.project(PLACES)
    if seen.sum() < n:
        return None
    some = rng.choice(np.flatnonzero(seen), n, replace=False)
    return pixels[some] + rng.normal(0, sd, (n, 2)), PLACES[some]


def judged(
    rng: np.random.Generator, camera: Lens, fit: Any, half: str, sd: float, spots: int = 40
) -> tuple[np.ndarray, np.ndarray]:
    """Spots of a half that the picture shows, clicked: errors in metres, and whether the 80 % region holds them."""
    truth = rng.uniform(*{"near": ([-5, -10], [5, 0]), "far": ([-5, 0], [5, 10])}[half], (spots, 2))
    pixels, seen = camera.project(truth)
    truth, pixels = truth[seen], pixels[seen]
    places, covariances = fit.to_court(pixels + rng.normal(0, sd, pixels.shape))
    shown = np.isfinite(places).all(axis=1)
    off = np.where(shown[:, None], places - truth, 99.0)
    covariances[~shown] = np.eye(2)
    square = np.einsum("ni,ni->n", off, np.linalg.solve(covariances, off[:, :, None])[:, :, 0])
    return np.linalg.norm(off, axis=1), square < CHI2_80


@dataclass
class Tried:
    """Errors (metres) and coverage by half, and what was refused, over many cameras."""

    errors: dict[str, np.ndarray]
    held: dict[str, np.ndarray]
    refused: list[str]
    fits: int


def try_many(
    seed: int,
    height: float,
    kind: str,
    n: int,
    *,
    cameras: int,
    sd: float = 1.0,
    fitter: Any = calibrate,
    **how: Any,
) -> Tried:
    """Random cameras and clicks; sets of landmarks that lie in a line are drawn anew, other refusals are kept."""
    rng = np.random.default_rng(seed)
    errors: dict[str, list[np.ndarray]] = {"near": [], "far": []}
    held: dict[str, list[np.ndarray]] = {"near": [], "far": []}
    refused: list[str] = []
    fits = 0
    for _ in range(40 * cameras):
        camera = lens(rng, height, kind, **how)
        drawn = clicked(rng, camera, n, sd)
        if drawn is None:
            continue
        try:
            fit: CourtFit = fitter(*drawn, image_size=camera.size, click_sd=sd)
        except CourtError as error:
            refused += [error.code] if error.code != "in_a_line" else []
            continue
        for half in errors:
            off, inside = judged(rng, camera, fit, half, sd)
            errors[half].append(off)
            held[half].append(inside)
        fits += 1
        if fits == cameras:
            break
    return Tried(
        {half: np.concatenate(parts) for half, parts in errors.items()},
        {half: np.concatenate(parts) for half, parts in held.items()},
        refused,
        fits,
    )
