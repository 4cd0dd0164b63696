"""An hour of film from its bytes to proposals on one core, against decoding its sound alone in the same run."""

from __future__ import annotations

import json
import os
import resource
import statistics
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from sessions import footage
from tests.bench.board import Board
from tests.bench.court_sounds import QUIET, make
from tests.sessions import sounding

pytestmark = pytest.mark.bench
MINUTES, RUNS = 60, 3
# A process of its own, so that its memory is that of hearing alone; both it and its reader stay on one core.
HEAR = """
import json, os, resource, sys, time
os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
import django
django.setup()
from clubcoach.compute.onsets import Ear
from clubcoach.compute.rallies import listen
from sessions import footage
def busy(who):
    used = resource.getrusage(who)
    return used.ru_utime + used.ru_stime
began = {name: busy(who) for name, who in (("own", resource.RUSAGE_SELF), ("child", resource.RUSAGE_CHILDREN))}
clock = time.perf_counter()
ear = Ear(24_000)
for block in footage.sound(sys.argv[1], rate=24_000):
    ear.hear(block)
heard = busy(resource.RUSAGE_SELF)
found = listen(ear.bands())
whole = time.perf_counter() - clock
print(json.dumps({
    "decode": busy(resource.RUSAGE_CHILDREN) - began["child"],
    "ear": heard - began["own"],
    "listen": busy(resource.RUSAGE_SELF) - heard,
    "clock": whole,
    "memory": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    "child_memory": resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024,
    "rallies": len(found.rallies),
    "verdict": found.verdict,
}))
"""
DECODE = (
    "import av, sys\n"
    "with av.open(sys.argv[1]) as film:\n"
    "    print(sum(frame.samples for frame in film.decode(film.streams.audio[0])))\n"
)


def hour_of_play(folder: Path, codec: str) -> Path:
    """Five minutes of a court in stereo, over and over; the picture is small, since nobody looks at it."""
    court = make(7, QUIET)
    rate = 48_000
    sound = np.repeat(np.asarray(court.sound, np.float32), rate // QUIET.rate)
    both = np.stack([sound, 0.8 * sound], axis=1)
    short = sounding.write(folder / "short.mkv", [both], seconds=len(sound) / rate, codec=codec)
    return sounding.loop(short, folder / "hour.mkv", round(60 * MINUTES / (len(sound) / rate)))


def run(*command: str) -> str:
    env = {**os.environ, "DJANGO_SETTINGS_MODULE": "tests.settings", "SECRET_KEY": "x"}
    done = subprocess.run([sys.executable, "-c", *command], check=True, capture_output=True, env=env)
    return done.stdout.decode()


def busy_in(work: Callable[[], object]) -> float:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    work()
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


@pytest.mark.parametrize(("name", "codec"), [("AAC", "aac"), ("Opus", "libopus")])
def test_an_hour(board: Board, tmp_path: Path, name: str, codec: str) -> None:
    film = hour_of_play(tmp_path, codec)
    assert footage.probe(film).duration_s > 60 * MINUTES - 10
    told, alone = [], []
    for _ in range(RUNS):
        alone.append(busy_in(lambda: run(DECODE, str(film))))
        told.append(json.loads(run(HEAR, str(film)).splitlines()[-1]))
    mid = {key: statistics.median(row[key] for row in told) for key in told[0] if key != "verdict"}
    plain = statistics.median(alone)
    busy = mid["decode"] + mid["ear"] + mid["listen"]
    note = (
        "Five minutes of a synthetic court in stereo at 48 kHz, over and over; decoded in the limited child, streamed, "
        f"heard and listened to on one core, median of {RUNS} runs. The peer decodes the sound and drops it."
    )
    with board.section(f"An hour of film by ear, {name}", note) as section:
        section.tell("decoding alone (the peer), s of processor", plain, show="{:.1f}")
        section.tell("decode, resample and stream, times that", mid["decode"] / plain, show="{:.2f}")
        section.tell("the ear, times that", mid["ear"] / plain, show="{:.2f}")
        section.tell("hits and rallies, times that", mid["listen"] / plain, show="{:.2f}")
        section.tell("all, s of processor", busy, bar="under 60", show="{:.1f}")
        section.tell("all, s of the clock", mid["clock"], show="{:.1f}")
        section.tell("memory of the worker, MB", mid["memory"], bar="under 1000", show="{:.0f}")
        section.tell("memory of the child that reads, MB", mid["child_memory"], show="{:.0f}")
    assert {row["verdict"] for row in told} == {"good"}
    assert mid["rallies"] > 60
    assert busy < 60
    assert mid["memory"] + mid["child_memory"] < 1000
