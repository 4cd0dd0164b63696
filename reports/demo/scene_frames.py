"""The pictures of the drawn film, one after the other, drawn here or by children of this process.

Drawing is most of the work on a film, and one process draws on one core. A child draws every so-manieth picture and
writes its bytes to a pipe; whoever draws it, a picture is the same.
"""

import json
import os
import subprocess
import sys
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from clubcoach.compute.camera import Camera
from reports.demo.scene_draw import Stage
from reports.demo.scene_figure import Figure, figures
from reports.demo.scene_play import Play, build

ROOT = Path(__file__).resolve().parent.parent.parent
# The camera place of the check list: 3.5 m high, 1 m behind the glass, 90 degrees.
HEIGHT_M, BEHIND_M, HFOV_DEG, TILT_DEG = 3.5, 1.0, 90.0, 20.0
# Starting a child takes as long as drawing this many pictures.
WORTH_A_CHILD = 250
MOST_CHILDREN = 4
# Pictures that lie ready between each child and whoever takes them.
AHEAD = 6


@dataclass(frozen=True, slots=True)
class Wish:
    """Which pictures: size, numbers from `first` to before `last` in steps, at so many a second."""

    width: int
    height: int
    fps: float
    first: int
    last: int
    seed: int
    step: int = 1

    def count(self) -> int:
        return len(range(self.first, self.last, self.step))


@lru_cache(maxsize=4)
def scene_of(seed: int) -> tuple[Play, dict[int, Figure]]:
    play = build(seed)
    return play, figures(play)


def camera(width: int = 1280, height: int = 720) -> Camera:
    """The camera that the film is drawn for."""
    return Camera(HEIGHT_M, BEHIND_M, HFOV_DEG, width, height, TILT_DEG)


def draw(wish: Wish) -> Iterator[NDArray[np.uint8]]:
    """The pictures, height x width x 3, drawn in this process."""
    play, people = scene_of(wish.seed)
    stage = Stage(camera(wish.width, wish.height), wish.seed)
    for number in range(wish.first, wish.last, wish.step):
        yield stage.frame(play, people, number / wish.fps)


def draw_with_children(wish: Wish, children: int | None = None) -> Iterator[NDArray[np.uint8]]:
    """The same pictures, drawn side by side if there are enough of them and more than one core."""
    if children is None:
        children = min(MOST_CHILDREN, os.cpu_count() or 1, wish.count() // WORTH_A_CHILD)
    if children < 2:
        yield from draw(wish)
        return
    with ExitStack() as stack:
        turns = deque(stack.enter_context(_Child(wish, k, children)) for k in range(children))
        for _ in range(wish.count()):
            yield turns[0].next()
            turns.rotate(-1)


class _Child:
    """A process that draws every n-th picture, and a thread that takes them from its pipe ahead of time."""

    def __init__(self, wish: Wish, place: int, step: int) -> None:
        part = asdict(wish) | {"first": wish.first + place * wish.step, "step": wish.step * step}
        self.shape = (wish.height, wish.width, 3)
        # The environment holds passwords of the deployment; drawing has no use for them.
        self.process = subprocess.Popen(
            [sys.executable, "-m", "reports.demo.scene_frames", json.dumps(part)],
            stdout=subprocess.PIPE,
            cwd=ROOT,
            env={"PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1", "LANG": "C.UTF-8"},
        )
        self.reader = ThreadPoolExecutor(1)
        self.ready: deque[Future[bytes]] = deque()
        for _ in range(AHEAD):
            self._ask()

    def _ask(self) -> None:
        pipe = self.process.stdout
        assert pipe is not None
        self.ready.append(self.reader.submit(pipe.read, self.shape[0] * self.shape[1] * 3))

    def next(self) -> NDArray[np.uint8]:
        pixels = np.frombuffer(self.ready.popleft().result(), dtype=np.uint8)
        if pixels.size != self.shape[0] * self.shape[1] * 3:
            raise RuntimeError(f"drawing the film ended early, with {self.process.wait()}")
        self._ask()
        return pixels.reshape(self.shape)

    def __enter__(self) -> "_Child":
        return self

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        self.reader.shutdown(cancel_futures=True)
        assert self.process.stdout is not None
        self.process.stdout.close()
        self.process.wait()


def main() -> None:
    for picture in draw(Wish(**json.loads(sys.argv[1]))):
        sys.stdout.buffer.write(picture.data)


if __name__ == "__main__":
    main()
