"""A thousand films that were cut short or have bits turned: each is read or refused, and nothing else happens."""

import os
import random
import resource
import subprocess
import time
from collections import Counter

import pytest

from sessions import footage
from sessions.footage import FilmError, Limits
from tests.sessions.broken_films import films_that_are_broken, sources

pytestmark = pytest.mark.long
COUNT, SEED = 1000, 20
# No reading of a film of two seconds may take longer, however it is broken (seconds of a busy machine).
LONGEST_S = 60
LIMITS = Limits(cpu_s=10, out_bytes=64 * 2**20)


def asked(path, folder):
    """Probe, and for every second one a still, a piece or its sound; the code of each refusal."""
    told = Counter()
    wishes = {"probe": lambda: footage.probe(path, limits=LIMITS)}
    other = random.Random(path.name).randrange(6)
    if other == 0:
        wishes["still"] = lambda: footage.still(path, 1.0)
    elif other == 1:
        wishes["piece"] = lambda: footage.make_piece(path, 0.5, 1.5, folder / "piece.webm", limits=LIMITS)
    elif other == 2:
        wishes["join"] = lambda: footage.join(
            [folder / "good.webm"], path, folder / "copy.webm", starts=[0.0]
        )
    for name, wish in wishes.items():
        began = time.monotonic()
        try:
            wish()
            told[name, "read"] += 1
        except FilmError as error:
            told[name, error.code] += 1
        assert time.monotonic() - began < LONGEST_S, (path, name)
    return told


def test_a_thousand_broken_films(tmp_path):
    (tmp_path / "whole").mkdir()
    folder = tmp_path / "work"
    folder.mkdir()
    files = sources(tmp_path / "whole")
    footage.make_piece(files["h264.mp4"], 0, 2, folder / "good.webm")
    told, before = Counter(), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    open_before = set(os.listdir("/proc/self/fd"))
    for name, data in films_that_are_broken(files, COUNT, SEED):
        path = folder / name
        path.write_bytes(data)
        told += asked(path, folder)
        for made in ("piece.webm", "copy.webm", name):
            (folder / made).unlink(missing_ok=True)
        assert os.listdir(folder) == ["good.webm"], name
    for (wish, code), count in sorted(told.items()):
        print(f"{wish:6} {code:14} {count}")
    assert sum(count for (wish, _), count in told.items() if wish == "probe") == COUNT
    # Neither all refused nor all read: the films are broken, and what is there is used.
    assert COUNT / 5 < told["probe", "read"] < COUNT * 4 / 5
    assert len(set(os.listdir("/proc/self/fd")) - open_before) <= 1
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 64 * 1024
    children = subprocess.run(
        ["ps", "--no-headers", "--ppid", str(os.getpid()), "-o", "args"], capture_output=True
    )
    assert b"footage_child" not in children.stdout
