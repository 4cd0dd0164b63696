"""The child process in which a stranger's film is read: `python -m sessions.footage_child`, a wish on standard input.

It takes limits on processor time, memory and file size before PyAV is imported, opens the film (or a film and the
pieces to be joined) and the file to write, and then gives up the right to open anything else: whatever a film
persuades a decoder to do, the kernel refuses it another file or connection.
"""

import errno
import json
import os
import resource
import sys
import time
import traceback
from contextlib import ExitStack
from typing import TYPE_CHECKING, Any, BinaryIO

if TYPE_CHECKING:
    from sessions.footage_write import Sound


def take_limits(*, cpu_s: int, memory: int, file_bytes: int) -> None:
    for kind, wanted in (
        (resource.RLIMIT_CPU, cpu_s),
        (resource.RLIMIT_AS, memory),
        (resource.RLIMIT_FSIZE, file_bytes),
        (resource.RLIMIT_CORE, 0),
    ):
        ceiling = resource.getrlimit(kind)[1]
        value = wanted if ceiling == resource.RLIM_INFINITY else min(wanted, ceiling)
        resource.setrlimit(kind, (value, value))


# Whoever saves a mark comes before a film that is being read or made on the same machine.
STEPS_BACK = 10


def open_nothing_more() -> None:
    """Lower the limit on descriptors to the first free one, so that the kernel has none left to give."""
    free = os.dup(0)
    os.close(free)
    resource.setrlimit(resource.RLIMIT_NOFILE, (free, free))


class _Say:
    """A line with the share that is done, now and then: who waits for the answer learns that it comes."""

    EVERY_S = 0.25

    def __init__(self) -> None:
        self.last = time.monotonic()

    def __call__(self, share: float) -> None:
        if time.monotonic() - self.last >= self.EVERY_S:
            self.last = time.monotonic()
            sys.stdout.buffer.write(json.dumps({"share": round(share, 3)}).encode() + b"\n")
            sys.stdout.buffer.flush()


def hand_over(samples: "Sound", share: float) -> None:
    """Sound as it is read: a line that says how much, then the samples. Who reads slowly is waited for."""
    count, channels = samples.shape
    head = {"samples": count, "channels": channels, "share": round(share, 3)}
    sys.stdout.buffer.write(json.dumps(head).encode() + b"\n")
    sys.stdout.buffer.write(samples.astype("<f4").tobytes())
    sys.stdout.buffer.flush()


def answer(wish: dict[str, Any]) -> tuple[dict[str, Any], list[bytes]]:
    from sessions import footage_av

    with ExitStack() as files:
        # A long film comes in some hundred pieces, each with a descriptor of its own.
        most = resource.getrlimit(resource.RLIMIT_NOFILE)[1]
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))
        films: list[BinaryIO] = [files.enter_context(open(path, "rb")) for path in wish["films"]]
        out = files.enter_context(open(wish["out"], "w+b")) if wish.get("out") else None
        footage_av.load_all()
        try:
            return _served(wish["action"], films, out, wish["facts"])
        except footage_av.Refusal as refusal:
            return {"code": refusal.code, "facts": refusal.facts}, []
        except MemoryError:
            return {"code": "too_heavy", "facts": {}}, []
        except (footage_av.LibraryError, ValueError, ArithmeticError, LookupError) as error:
            # What a broken film makes of a library in C nobody can list; a full disk is no fault of the film's.
            if getattr(error, "errno", None) in (errno.EFBIG, errno.ENOSPC):
                raise
            return {"code": "broken", "facts": {}, "odd": traceback.format_exc()[-1000:]}, []


def _served(
    action: str, films: list[BinaryIO], out: BinaryIO | None, facts: dict[str, Any]
) -> tuple[dict[str, Any], list[bytes]]:
    from sessions import footage_av, footage_join, footage_make, footage_motion, footage_probe, footage_sound

    open_nothing_more()
    size = os.fstat(films[0].fileno()).st_size if films else 0
    if action == "probe":
        return {"probe": footage_probe.probe(films[0], size, **facts)}, []
    if action == "stills":
        return {}, footage_av.stills(films[0], size, **facts)
    if action == "cut" and out is not None:
        return {"cut": footage_make.cut(films[0], size, out=out, tell=_Say(), **facts)}, []
    if action == "piece" and out is not None:
        return {"piece": footage_make.make_piece(films[0], size, out=out, tell=_Say(), **facts)}, []
    if action == "join" and out is not None:
        return {"join": footage_join.join(films, out=out, tell=_Say(), **facts)}, []
    if action == "sound":
        return {"sound": footage_sound.sound(films[0], hand=hand_over, **facts)}, []
    if action == "motion":
        told, shares = footage_motion.motion(films[0], size, tell=_Say(), **facts)
        return {"motion": told}, [shares.astype("<f4").tobytes()]
    raise NotImplementedError(f"no such wish: {action!r}")


def main() -> None:
    wish = json.loads(sys.stdin.read())
    take_limits(**wish["limits"])
    os.nice(STEPS_BACK)
    told, blobs = answer(wish)
    told["lengths"] = [len(blob) for blob in blobs]
    sys.stdout.buffer.write(json.dumps(told).encode() + b"\n" + b"".join(blobs))


if __name__ == "__main__":
    main()
