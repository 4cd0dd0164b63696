"""Asking the limited child process about a film (`sessions.footage_child`), and saying why it died."""

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from tempfile import TemporaryFile
from typing import IO, Any

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
    wish, longest_s = _wish(action, films, facts, limits, out)
    status, said, errors = _run(wish, longest_s, tell)
    if status != 0:
        raise film_error(_why_it_died(status, errors))
    head, _newline, body = said.partition(b"\n")
    told = _told(action, head)
    blobs, start = [], 0
    for length in told["lengths"]:
        blobs.append(body[start : start + length])
        start += length
    return told, blobs


def _wish(
    action: str, films: Sequence[Name], facts: dict[str, Any], limits: Limits, out: Path | None = None
) -> tuple[bytes, float]:
    """What a child is asked, and for how many seconds it may be waited for."""
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
    return json.dumps(wish).encode(), longest_s


def _told(action: str, head: bytes) -> dict[str, Any]:
    """The facts of an answer; raises FilmError where it is a refusal."""
    told: dict[str, Any] = json.loads(head)
    if "odd" in told:
        log.warning("film_reading_failed", action=action, odd=told["odd"])
    if "code" in told:
        raise film_error(told["code"], **told["facts"])
    return told


def stream(
    action: str, film: Name, facts: dict[str, Any], limits: Limits, tell: Tell | None
) -> Generator[tuple[int, bytes], None, dict[str, Any]]:
    """Samples as a child reads them, each time with the number of channels; its answer at the end.

    Nothing is kept here: the child waits until somebody takes the next block. Whoever closes this early, or raises
    from `tell`, ends the child.
    """
    wish, longest_s = _wish(action, [film], facts, limits)
    with _started() as (child, errors), _Impatience(child, longest_s) as waiting:
        answer = _hand(child, wish)
        head = b""
        while line := waiting(answer.readline):
            if not line.startswith(b'{"samples"'):
                head = line
                break
            block = json.loads(line)
            length = 4 * block["samples"] * block["channels"]
            samples = waiting(partial(answer.read, length))
            if tell is not None:
                tell(block["share"])
            # Of a child that died in the middle of a block the end is missing.
            if len(samples) == length:
                yield block["channels"], samples
        child.wait()
        errors.seek(0)
        if child.returncode != 0 or not head:
            raise film_error(_why_it_died(child.returncode, errors.read()))
    return _told(action, head)


class _Impatience:
    """Ends a child that gives nothing for too long; how long it is kept waiting itself does not count."""

    def __init__(self, child: "subprocess.Popen[bytes]", longest_s: float) -> None:
        self.child, self.longest_s = child, longest_s
        self.over = threading.Event()
        self.since: float | None = None
        self.watch = threading.Thread(target=self._look, daemon=True)

    def __enter__(self) -> Callable[[Callable[[], bytes]], bytes]:
        self.watch.start()
        return self._wait_for

    def __exit__(self, *error: object) -> None:
        self.over.set()

    def _wait_for(self, read: Callable[[], bytes]) -> bytes:
        self.since = time.monotonic()
        try:
            return read()
        finally:
            self.since = None

    def _look(self) -> None:
        while not self.over.wait(min(1.0, self.longest_s / 4)):
            since = self.since
            if since is not None and time.monotonic() - since > self.longest_s:
                self.child.kill()


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


@contextmanager
def _started() -> Iterator[tuple["subprocess.Popen[bytes]", IO[bytes]]]:
    """A child, and what it says of errors; ended if whoever asks it is done before it is."""
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
        try:
            yield child, errors
        except BaseException:
            child.kill()
            raise


def _run(wish: bytes, longest_s: float, tell: Tell | None) -> tuple[int, bytes, bytes]:
    """Status, answer and errors of a child; ended from here when it takes too long or `tell` raises."""
    with _started() as (child, errors):
        clock = threading.Timer(longest_s, child.kill)
        clock.start()
        try:
            said = _heard(child, wish, tell)
            child.wait()
        finally:
            clock.cancel()
        errors.seek(0)
        return child.returncode, said, errors.read()


def _heard(child: "subprocess.Popen[bytes]", wish: bytes, tell: Tell | None) -> bytes:
    """Hand the wish over and pass on how far it is, until the answer itself comes; nothing from one that died."""
    answer = _hand(child, wish)
    for line in answer:
        if not line.startswith(b'{"share"'):
            return line + answer.read()
        if tell is not None:
            tell(json.loads(line)["share"])
    return b""


def _hand(child: "subprocess.Popen[bytes]", wish: bytes) -> IO[bytes]:
    """Hand the wish over; from where the answer comes."""
    if child.stdin is None or child.stdout is None:
        raise RuntimeError("the reader of films was started without its pipes")
    with suppress(BrokenPipeError), child.stdin as pipe:
        pipe.write(wish)
    return child.stdout


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
