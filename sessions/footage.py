"""Films, safely: what one is, a still, a piece of it, and writing one of our own.

A film comes from outside and is read by a large library in C, so each reading runs in a child process of its own
(`sessions.footage_child`) with limits, an empty environment and nothing to open but that film. Only the child, and
writing our own frames, import PyAV (`sessions.footage_av`).
"""

import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryFile
from typing import TYPE_CHECKING, Any

from django.utils.functional import Promise
from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy as _

if TYPE_CHECKING:
    from sessions.footage_av import Pixels, Sound

ROOT = Path(__file__).resolve().parent.parent

MESSAGES: dict[str, Promise] = {
    "missing": _("The film's file is not there any more."),
    "empty": _("The file is empty. The upload may have been interrupted: please upload it again."),
    "not_a_video": _("This file is not a film. MP4, MOV, MKV, WebM and TS files can be read."),
    "no_video": _("This file has sound but no picture. Please choose the film itself."),
    "cut_short": _(
        "The end of the film is missing. Copying it may have been interrupted: please upload it again."
    ),
    "broken": _("The film cannot be read: the file is damaged."),
    "locked": _("The film is encrypted. Please export it without copy protection."),
    "unsupported": _(
        "The pictures are stored in a way that cannot be read here ({codec}). Please export it as a plain MP4."
    ),
    "too_large": _("The file is larger than {gigabytes} GB. Please cut it or export it in a lower quality."),
    "too_sharp": _("The picture is too large ({width} × {height}). Please export it in 4K or less."),
    "too_long": _("The film is longer than {hours} hours. Please cut it into parts."),
    "too_heavy": _(
        "Reading the film took more time or memory than is allowed. Please export it as a plain MP4."
    ),
    "no_such_time": _("The film has no picture at that time."),
    "no_room": _("The piece could not be written: it is larger than is allowed, or the disk is full."),
}


class FilmError(Exception):
    """A film that cannot be used, or a time that it does not have; `message` is for the person who chose it."""

    def __init__(self, code: str, message: Promise | str) -> None:
        super().__init__(code, message)
        self.code = code
        self.message = message

    def __str__(self) -> str:
        return str(self.message)


@dataclass(frozen=True, slots=True)
class Probe:
    """What a film is. Width and height are as it is shown; rotation is how far it was turned for that, in degrees."""

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


@dataclass(frozen=True, slots=True)
class Limits:
    """What a film may be, and what reading it may use."""

    max_bytes: int = 20 * 2**30
    max_s: float = 4 * 3600.0
    max_pixels: int = 4096 * 2304
    memory: int = 3 * 2**30
    cpu_s: int = 60
    out_bytes: int = 2 * 2**30


def probe(path: str | os.PathLike[str], *, limits: Limits = Limits()) -> Probe:
    """What the film is; raises FilmError with the reason, in plain words, when it is none that can be used."""
    facts = {"max_s": limits.max_s, "max_bytes": limits.max_bytes, "max_pixels": limits.max_pixels}
    told, _blobs = _ask("probe", path, facts, limits)
    return Probe(**told["probe"])


def still(path: str | os.PathLike[str], at_s: float, *, tallest: int | None = None) -> bytes:
    """The frame that is on the screen at a time, as JPEG; at most `tallest` pixels high."""
    return stills(path, [at_s], tallest=tallest)[0]


def stills(
    path: str | os.PathLike[str], times: Sequence[float], *, tallest: int | None = None
) -> list[bytes]:
    """Many stills of one film; the child process starts once, which takes longer than a still."""
    facts = {"times": [float(at_s) for at_s in times], "tallest": tallest}
    return _ask("stills", path, facts, Limits(cpu_s=60 + 2 * len(times)))[1]


def cut(
    path: str | os.PathLike[str],
    start_s: float,
    end_s: float,
    out_path: str | os.PathLike[str],
    *,
    tallest: int | None = None,
    limits: Limits | None = None,
    tell: Callable[[float], None] | None = None,
) -> int:
    """Write a piece as VP9 and Opus in WebM, exact to the frame; how many frames it has.

    It begins with the frame that is on the screen at `start_s` and ends before `end_s`. The file appears under its
    name only when it is whole. `tell` hears now and then the share that is done; what it raises ends the cut.
    """
    allowed = limits or Limits(cpu_s=120 + int(30 * max(0.0, end_s - start_s)))
    part = Path(f"{os.fspath(out_path)}.part")
    facts = {"start_s": float(start_s), "end_s": float(end_s), "tallest": tallest}
    try:
        told, _blobs = _ask("cut", path, facts, allowed, out=part, tell=tell)
        part.replace(out_path)
    finally:
        part.unlink(missing_ok=True)
    return int(told["cut"]["frames"])


def write_webm(
    frames: "Iterable[Pixels]",
    fps: float,
    audio: "Sound | None",
    rate: int,
    out_path: str | os.PathLike[str],
) -> int:
    """Write our own frames (height x width x 3, 8 bits) and mono sound (-1 to 1) as VP9 and Opus in WebM.

    Runs in this process: nothing of it comes from outside. Returns the number of frames.
    """
    from sessions import footage_av

    part = Path(f"{os.fspath(out_path)}.part")
    try:
        with open(part, "w+b") as out:
            written = footage_av.write_webm(frames, fps, audio, rate, out)
        part.replace(out_path)
    finally:
        part.unlink(missing_ok=True)
    return written


def _ask(
    action: str,
    path: str | os.PathLike[str],
    facts: dict[str, Any],
    limits: Limits,
    *,
    out: Path | None = None,
    tell: Callable[[float], None] | None = None,
) -> tuple[dict[str, Any], list[bytes]]:
    if not os.path.isfile(path):
        raise _error("missing")
    wish = {
        "action": action,
        "path": os.path.abspath(path),
        "out": os.path.abspath(out) if out else "",
        "facts": facts,
        "limits": {"cpu_s": limits.cpu_s, "memory": limits.memory, "file_bytes": limits.out_bytes},
    }
    status, said, errors = _run(json.dumps(wish).encode(), limits.cpu_s * 4, tell)
    if status != 0:
        raise _error(_why_it_died(status, errors))
    head, _newline, body = said.partition(b"\n")
    told = json.loads(head)
    if "code" in told:
        raise _error(told["code"], **told["facts"])
    blobs, start = [], 0
    for length in told["lengths"]:
        blobs.append(body[start : start + length])
        start += length
    return told, blobs


def _run(wish: bytes, longest_s: float, tell: Callable[[float], None] | None) -> tuple[int, bytes, bytes]:
    """Status, answer and errors of a child; ended from here when it takes too long or `tell` raises."""
    # The environment holds passwords of the deployment; a decoder has no use for them.
    env = {"PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1", "LANG": "C.UTF-8"}
    command = [sys.executable, "-m", "sessions.footage_child"]
    # Errors go to a file: a film may cause more of them than a pipe holds while nobody reads it.
    with (
        TemporaryFile() as errors,
        subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=errors, cwd=ROOT, env=env
        ) as child,
    ):
        clock = threading.Timer(longest_s, child.kill)
        clock.start()
        try:
            said = _heard(child, wish, tell)
            child.wait()
        except BaseException:
            child.kill()
            raise
        finally:
            clock.cancel()
        errors.seek(0)
        return child.returncode, said, errors.read()


def _heard(child: "subprocess.Popen[bytes]", wish: bytes, tell: Callable[[float], None] | None) -> bytes:
    """Hand the wish over and pass on how far it is, until the answer itself comes; nothing from one that died."""
    if child.stdin is None or child.stdout is None:
        raise RuntimeError("the reader of films was started without its pipes")
    with suppress(BrokenPipeError), child.stdin as pipe:
        pipe.write(wish)
    for line in child.stdout:
        if not line.startswith(b'{"share"'):
            return line + child.stdout.read()
        if tell is not None:
            tell(json.loads(line)["share"])
    return b""


def _why_it_died(status: int, errors: bytes) -> str:
    # Ended by the kernel for its processor time or memory; by its own limit on the file; by damage in the film.
    if status in (-9, -24):
        return "too_heavy"
    if status == -25 or b"File too large" in errors or b"No space left" in errors:
        return "no_room"
    if any(sign in errors for sign in (b"MemoryError", b"Cannot allocate memory", b"failed to map")):
        return "too_heavy"
    if status < 0:
        return "broken"
    raise RuntimeError(f"the reader of films failed: {errors.decode(errors='replace')[-2000:]}")


def _error(code: str, **facts: Any) -> FilmError:
    return FilmError(code, format_lazy(MESSAGES[code], **facts) if facts else MESSAGES[code])
