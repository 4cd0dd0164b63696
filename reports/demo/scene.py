"""A film of a match, drawn by us for the demo and the tests, and the truth about it kept beside it.

Everything follows from a seed: the play, the pictures, the sound. What the truth says of a moment is worked out from
the very places that are drawn.
"""

import json
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reports.demo.scene_frames import (
    BEHIND_M,
    HEIGHT_M,
    HFOV_DEG,
    TILT_DEG,
    Wish,
    camera,
    draw_with_children,
    scene_of,
)
from reports.demo.scene_sound import RATE, sound_of
from reports.demo.scene_truth import as_dict
from sessions import footage

SEED = 7

__all__ = ["SEED", "camera", "frames", "player_at", "render_scene", "scene_truth"]


def scene_truth(*, seed: int = SEED) -> dict[str, Any]:
    """What there is to see: camera, rallies, hits, touches, and situations with their checks; times in film seconds.

    Places are metres from the middle of the net, x to the camera's right, y away from it, z up. Players 1 and 2 are
    pair A, 3 and 4 pair B. A check is *met* or *missed*; what cannot be judged at that end is not in the list.
    `tallies` counts them by player and pair.
    """
    play, people = scene_of(seed)
    place = {"height_m": HEIGHT_M, "behind_m": BEHIND_M, "hfov_deg": HFOV_DEG, "tilt_deg": TILT_DEG}
    return as_dict(play, people) | {"camera": place}


def player_at(player: int, at_s: float, *, seed: int = SEED) -> tuple[float, float]:
    """Where a player is drawn at a time, metres."""
    x, y = scene_of(seed)[1][player].place(at_s)
    return float(x), float(y)


def frames(
    *,
    width: int = 1280,
    height: int = 720,
    fps: float = 25,
    start_s: float = 0.0,
    end_s: float | None = None,
    seed: int = SEED,
    progress: Callable[[float], None] | None = None,
) -> Iterator[NDArray[np.uint8]]:
    """The pictures between two times, height x width x 3, the same bytes for the same arguments."""
    play, _people = scene_of(seed)
    last = round(min(play.duration, end_s or play.duration) * fps)
    wish = Wish(width, height, fps, round(start_s * fps), last, seed)
    for number, picture in enumerate(draw_with_children(wish), 1):
        yield picture
        if progress is not None and number % 25 == 0:
            progress(number / wish.count())


def render_scene(
    out_path: str | os.PathLike[str],
    truth_path: str | os.PathLike[str] | None,
    *,
    width: int = 1280,
    height: int = 720,
    fps: float = 25,
    start_s: float = 0.0,
    end_s: float | None = None,
    seed: int = SEED,
    progress: Callable[[float], None] | None = None,
) -> dict[str, Any]:
    """Write the film as VP9 and Opus in WebM and the truth as JSON beside it; returns the truth.

    `progress` is told a share between 0 and 1. With `start_s` and `end_s` only that piece is written, and the truth
    keeps the times of the whole film.
    """
    play, _people = scene_of(seed)
    whole = sound_of(play)
    end = min(play.duration, end_s or play.duration)
    sound = whole[round(start_s * RATE) : round(end * RATE)]
    pictures = frames(
        width=width, height=height, fps=fps, start_s=start_s, end_s=end_s, seed=seed, progress=progress
    )
    footage.write_webm(pictures, fps, sound, RATE, out_path)
    truth = scene_truth(seed=seed)
    if truth_path is not None:
        Path(truth_path).write_text(json.dumps(truth, indent=1) + "\n")
    if progress is not None:
        progress(1.0)
    return truth
