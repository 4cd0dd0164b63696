"""What reading a film and making a playable copy cost, against a plain decode of the same film in the same run."""

from __future__ import annotations

import os
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from sessions import footage
from tests.bench.board import Board
from tests.sessions.broken_films import needs_ffmpeg

pytestmark = pytest.mark.bench
SECONDS, PIECE_S, RUNS = 6, 3, 3
KINDS = {
    "H.264 1080p60": (
        "-c:v",
        "libx264",
        "-preset",
        "veryfast",
        "-pix_fmt",
        "yuv420p",
        "-b:v",
        "20M",
        "-bf",
        "2",
    ),
    "HEVC 1080p60": (
        *("-c:v", "libx265", "-preset", "ultrafast", "-pix_fmt", "yuv420p", "-b:v", "14M", "-tag:v", "hvc1"),
        *("-x265-params", "log-level=error"),
    ),
}
# As the child process decodes: with two threads, and nothing done with the pictures.
DECODE = (
    "import av, sys\n"
    "with av.open(sys.argv[1]) as film:\n"
    "    stream = film.streams.video[0]\n"
    "    stream.thread_type, stream.codec_context.thread_count = 'AUTO', 2\n"
    "    print(sum(1 for _ in film.decode(stream)))\n"
)


def film_of(path: Path, options: tuple[str, ...]) -> Path:
    """A court's worth of motion: a plain pattern that moves everywhere, with the noise of a phone, and sound."""
    picture = f"testsrc2=s=1920x1080:r=60:d={SECONDS},noise=alls=5:allf=t"
    sound = f"sine=frequency=440:sample_rate=48000:duration={SECONDS}"
    source = ("-f", "lavfi", "-i", picture, "-f", "lavfi", "-i", sound)
    command = ["ffmpeg", "-v", "error", *source, *options, "-c:a", "aac", str(path)]
    subprocess.run(command, check=True)
    return path


def took(work: Callable[[], object]) -> tuple[float, float]:
    """Seconds on the clock, and of processors in the children that did it: the clock is other programs' too."""
    began, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    work()
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    busy = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return time.perf_counter() - began, busy


@pytest.mark.parametrize("kind", KINDS)
def test_reading_and_making(board: Board, tmp_path: Path, kind: str) -> None:
    needs_ffmpeg()
    film = film_of(tmp_path / "film.mp4", KINDS[kind])
    pieces = [tmp_path / f"{number}.webm" for number in range(SECONDS // PIECE_S)]
    starts = [float(PIECE_S * number) for number in range(len(pieces))]
    made: list[int] = []

    def make() -> None:
        made[:] = [
            footage.make_piece(film, start_s, start_s + PIECE_S, piece)
            for piece, start_s in zip(pieces, starts, strict=True)
        ]

    steps: dict[str, Callable[[], object]] = {
        "decode": lambda: subprocess.run(
            [sys.executable, "-c", DECODE, str(film)], check=True, capture_output=True
        ),
        "probe": lambda: footage.probe(film),
        "pieces": make,
        "join": lambda: footage.join(pieces, film, tmp_path / "copy.webm", starts=starts),
    }
    times: dict[str, list[tuple[float, float]]] = {name: [] for name in steps}
    for _ in range(RUNS):
        for name, work in steps.items():
            times[name].append(took(work))
    copy = footage.probe(tmp_path / "copy.webm")
    assert sum(made) == SECONDS * 60
    assert (copy.plays, copy.height) == (True, 1080)
    assert abs(copy.duration_s - SECONDS) < 0.1
    clock = {name: statistics.median(wall for wall, _ in values) for name, values in times.items()}
    busy = {name: statistics.median(cpu for _, cpu in values) for name, values in times.items()}
    note = (
        f"{SECONDS} s with motion everywhere and noise; pieces of {PIECE_S} s and their joining, median of {RUNS} "
        "alternating runs. The peer decodes all pictures in a process of its own, with two threads as ours, and drops "
        "them. Ratios are of processor time."
    )
    with board.section(f"A playable copy of {kind}", note) as section:
        whats = (("probe", "reading what it is"), ("pieces", "making the pieces"), ("join", "joining them"))
        for name, what in whats:
            section.tell(f"{what}, times a plain decode", busy[name] / busy["decode"], show="{:.2f}")
        section.tell("reading what it is, ms", 1000 * clock["probe"], show="{:.0f}")
        whole = clock["pieces"] + clock["join"]
        section.tell("the whole copy, seconds of film a second of the clock", SECONDS / whole, show="{:.2f}")
        section.tell("a plain decode, the same", SECONDS / clock["decode"], show="{:.2f}")
        work = busy["pieces"] + busy["join"]
        section.tell(
            "the whole copy, seconds of film a second of one processor", SECONDS / work, show="{:.2f}"
        )
        size = os.path.getsize(tmp_path / "copy.webm")
        section.tell("size of the copy, of the film's", size / film.stat().st_size, show="{:.2f}")
