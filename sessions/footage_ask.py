"""Asking the limited child process about a film (`sessions.footage_child`), and saying why it died."""

import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryFile
from typing import Any

import structlog

from sessions.footage_words import film_error

ROOT = Path(__file__).resolve().parent.parent

log = structlog.get_logger(__name__)

Tell = Callable[[float], None]
Name = str | os.PathLike[str]


@dataclass(frozen=True, slots=True)
class Limits:
    """What a film may be, and what reading it may use."""

    max_bytes: int = 20 * 2**30
    max_s: float = 4 * 3600.0
    max_pixels: int = 4096 * 2304
    memory: int = 3 * 2**30
    cpu_s: int = 60
    out_bytes: int = 2 * 2**30


def ask(
    action: str,
    films: Sequence[Name],
    facts: dict[str, Any],
    limits: Limits,
    *,
    out: Path | None = None,
    tell: Tell | None = None,
) -> tuple[dict[str, Any], list[bytes]]:
    """What a child of its own answers: facts, and blobs of bytes; raises FilmError where it could not."""
    if not all(os.path.isfile(path) for path in films):
        raise film_error("missing")
    wish = {
        "action": action,
        "films": [os.path.abspath(path) for path in films],
        "out": os.path.abspath(out) if out else "",
        "facts": facts,
        "limits": {"cpu_s": limits.cpu_s, "memory": limits.memory, "file_bytes": limits.out_bytes},
    }
    # A slow disk is no fault of the film's: time to read it once at 20 MB a second is added.
    longest_s = limits.cpu_s * 4 + sum(os.path.getsize(path) for path in films) / 20e6
    status, said, errors = _run(json.dumps(wish).encode(), longest_s, tell)
    if status != 0:
        raise film_error(_why_it_died(status, errors))
    head, _newline, body = said.partition(b"\n")
    told = json.loads(head)
    if "odd" in told:
        log.warning("film_reading_failed", action=action, odd=told["odd"])
    if "code" in told:
        raise film_error(told["code"], **told["facts"])
    blobs, start = [], 0
    for length in told["lengths"]:
        blobs.append(body[start : start + length])
        start += length
    return told, blobs


def ask_for_file(
    action: str,
    films: Sequence[Name],
    facts: dict[str, Any],
    limits: Limits,
    out_path: Name,
    tell: Tell | None,
) -> dict[str, Any]:
    """The same for a wish that writes a file, which stands under its name only when it is whole."""
    part = Path(f"{os.fspath(out_path)}.part")
    try:
        # A child whose parent was killed may still write to the old one: not into ours.
        part.unlink(missing_ok=True)
        told, _blobs = ask(action, films, facts, limits, out=part, tell=tell)
        part.replace(out_path)
    finally:
        part.unlink(missing_ok=True)
    return told


def _run(wish: bytes, longest_s: float, tell: Tell | None) -> tuple[int, bytes, bytes]:
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


def _heard(child: "subprocess.Popen[bytes]", wish: bytes, tell: Tell | None) -> bytes:
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
