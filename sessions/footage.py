"""Films, safely: what one is, a still, a piece of it, a playable copy, and writing one of our own.

A film comes from outside and is read by a large library in C, so each reading runs in a child process of its own
(`sessions.footage_child`) with limits, an empty environment and nothing to open but that film. Only the child, and
writing our own frames, import PyAV (the modules that the contract in pyproject.toml names).
"""

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from sessions.footage_ask import Limits, Name, Tell, ask, ask_for_file, stream
from sessions.footage_words import MESSAGES, REMARKS, FilmError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sessions.footage_write import Pixels, Sound

__all__ = [
    "MESSAGES",
    "REMARKS",
    "FilmError",
    "Limits",
    "Probe",
    "cut",
    "join",
    "make_piece",
    "motion",
    "probe",
    "sound",
    "still",
    "stills",
    "write_webm",
]


@dataclass(frozen=True, slots=True)
class Probe:
    """What a film is.

    Width and height are as it is shown; `rotation` is how far it was turned for that, in degrees. `steady` is false
    where pictures follow each other at uneven intervals. `plays`: a browser plays and seeks it as it is. `there_s`:
    how much of it can be read; the duration of a film whose end is missing is that. `remarks` are keys of REMARKS.
    """

    container: str
    duration_s: float
    width: int
    height: int
    frame_rate: float
    video_codec: str
    audio_codec: str
    rotation: int
    frames: int
    has_audio: bool
    steady: bool
    sound_tracks: int
    plays: bool
    there_s: float
    remarks: tuple[str, ...]


def probe(path: Name, *, limits: Limits | None = None) -> Probe:
    """What the film is; raises FilmError with the reason, in plain words, when it is none that can be used."""
    limits = limits or Limits()
    facts = {"max_s": limits.max_s, "max_bytes": limits.max_bytes, "max_pixels": limits.max_pixels}
    told, _blobs = ask("probe", [path], facts, limits)
    return Probe(**told["probe"] | {"remarks": tuple(told["probe"]["remarks"])})


def still(path: Name, at_s: float, *, tallest: int | None = None) -> bytes:
    """The frame that is on the screen at a time, as JPEG; at most `tallest` pixels high."""
    return stills(path, [at_s], tallest=tallest)[0]


def stills(path: Name, times: Sequence[float], *, tallest: int | None = None) -> list[bytes]:
    """Many stills of one film; the child process starts once, which takes longer than a still."""
    facts = {"times": [float(at_s) for at_s in times], "tallest": tallest}
    return ask("stills", [path], facts, Limits(cpu_s=60 + 2 * len(times)))[1]


def cut(
    path: Name,
    start_s: float,
    end_s: float,
    out_path: Name,
    *,
    tallest: int | None = None,
    limits: Limits | None = None,
    tell: Tell | None = None,
) -> int:
    """Write a piece as VP9 and Opus in WebM, exact to the frame; how many frames it has.

    It begins with the frame that is on the screen at `start_s` and ends before `end_s`. The file appears under its
    name only when it is whole. `tell` hears now and then the share that is done; what it raises ends the cut.
    """
    allowed = limits or Limits(cpu_s=120 + int(30 * max(0.0, end_s - start_s)))
    facts = {"start_s": float(start_s), "end_s": float(end_s), "tallest": tallest}
    return int(ask_for_file("cut", [path], facts, allowed, out_path, tell)["cut"]["frames"])


def make_piece(
    path: Name,
    start_s: float,
    end_s: float,
    out_path: Name,
    *,
    tallest: int = 1080,
    most_fps: float = 60.0,
    tell: Tell | None = None,
    limits: Limits | None = None,
) -> int:
    """Write the pictures with `start_s <= t < end_s` as VP9 in WebM, without sound; how many there are.

    Pieces that meet hold every picture of the film once. Times are the film's minus `start_s`, to the millisecond.
    The shorter side has at most `tallest` pixels and nothing is enlarged; above `most_fps` every second, third ...
    picture is kept. Where there is no picture the file is empty, which `join` passes over. As with `cut` the file
    appears only when it is whole, and what `tell` raises ends the work.
    """
    allowed = limits or Limits(cpu_s=240 + int(60 * max(0.0, end_s - start_s)))
    facts = {
        "start_s": float(start_s),
        "end_s": float(end_s),
        "tallest": int(tallest),
        "most_fps": float(most_fps),
    }
    return int(ask_for_file("piece", [path], facts, allowed, out_path, tell)["piece"]["frames"])


def join(
    pieces: Sequence[Name],
    sound_from: Name | None,
    out_path: Name,
    *,
    starts: Sequence[float],
    tell: Tell | None = None,
    limits: Limits | None = None,
    note: Callable[[str], None] | None = None,
) -> float:
    """Put pieces behind each other without encoding them again, with the sound of a film; the duration in seconds.

    `starts` are the film times at which the pieces begin. The sound is the film's first track that can be read, as
    Opus; none is no error, and damaged sound does not cost the picture: `note` hears the key of such a remark.
    """
    if len(pieces) != len(starts):
        raise ValueError(f"{len(pieces)} pieces and {len(starts)} starts")
    sizes = sum(os.path.getsize(piece) for piece in pieces if os.path.isfile(piece))
    # An hour of sound takes about half a minute, and much more on a slow machine.
    allowed = limits or Limits(cpu_s=1200, out_bytes=2 * sizes + 2**30)
    facts = {"starts": [float(start_s) for start_s in starts], "max_s": allowed.max_s}
    films = [*pieces, sound_from] if sound_from is not None else list(pieces)
    told = ask_for_file("join", films, facts, allowed, out_path, tell)["join"]
    if note is not None:
        for remark in told["remarks"]:
            note(remark)
    return float(told["duration_s"])


def sound(
    path: Name,
    *,
    rate: int = 24_000,
    tell: Tell | None = None,
    limits: Limits | None = None,
    note: Callable[[str], None] | None = None,
) -> "Iterator[Sound]":
    """The sound of a film as it is read, in blocks of samples x channels (one or two) between -1 and 1.

    The first track that can be read, from the picture's zero on: silent where it begins later or has gaps. Memory does
    not grow with the film's length. Of damaged sound comes what can be read, and `note` hears the key of the remark.
    The first block raises FilmError, with the code `no_sound` for a film without any. Closing the iterator, or raising
    from `tell`, ends the reading at once.
    """
    allowed = limits or Limits(cpu_s=1200)
    facts = {"rate": int(rate), "max_s": allowed.max_s}
    blocks = stream("sound", path, facts, allowed, tell)
    try:
        while True:
            try:
                channels, samples = next(blocks)
            except StopIteration as end:
                for remark in end.value["sound"]["remarks"]:
                    if note is not None:
                        note(remark)
                return
            yield np.frombuffer(samples, "<f4").reshape(-1, channels)
    finally:
        blocks.close()


def motion(
    path: Name,
    polygon: Sequence[Sequence[float]] | None,
    *,
    per_second: float = 5.0,
    tell: Tell | None = None,
    limits: Limits | None = None,
) -> "NDArray[np.float32]":
    """How much moves in a part of a film's picture: for each sample the share of it that changed since the last one.

    The polygon's corners are shares of the upright picture's width and height, from the upper left; without one it is
    the picture but for its upper quarter. Sample n is taken at `n / per_second` seconds.
    """
    # All pictures have to be decoded: some minutes for an hour of film, and more on a slow machine.
    allowed = limits or Limits(cpu_s=4 * 3600)
    facts = {
        "polygon": None if polygon is None else [[float(x), float(y)] for x, y in polygon],
        "per_second": float(per_second),
        "max_s": allowed.max_s,
    }
    _told, blobs = ask("motion", [path], facts, allowed, tell=tell)
    return np.frombuffer(blobs[0], "<f4")


def write_webm(
    frames: "Iterable[Pixels]", fps: float, audio: "Sound | None", rate: int, out_path: Name
) -> int:
    """Write our own frames (height x width x 3, 8 bits) and mono sound (-1 to 1) as VP9 and Opus in WebM.

    Runs in this process: nothing of it comes from outside. Returns the number of frames.
    """
    from sessions import footage_write

    part = Path(f"{os.fspath(out_path)}.part")
    try:
        with open(part, "w+b") as out:
            written = footage_write.write_webm(frames, fps, audio, rate, out)
        part.replace(out_path)
    finally:
        part.unlink(missing_ok=True)
    return written
