"""How much moves in a part of a stranger's film: small grey pictures, a few a second, each against the one before."""

from collections.abc import Callable, Sequence
from typing import Any, BinaryIO

import av
import numpy as np
from av.video.reformatter import Interpolation, VideoReformatter
from numpy.typing import NDArray

from sessions.footage_av import decoded, kind_of, opened, rate_of, refuse_unreadable

Grey = NDArray[np.float32]
Mask = NDArray[np.bool_]
# Wide enough for a player at the far wall to be some pixels.
WIDE = 160
# Steps of 255 by which a pixel differs that has changed; of a camera's noise less is left once it is made small.
CHANGED = 12
# Nobody plays in the upper quarter of a picture in which both corners can be seen.
LOWER = 0.25


def motion(
    film: BinaryIO,
    size: int,
    *,
    polygon: Sequence[Sequence[float]] | None,
    per_second: float,
    max_s: float,
    tell: Callable[[float], None] = lambda share: None,
) -> tuple[dict[str, Any], NDArray[np.float32]]:
    """The share of pixels inside a polygon (0 to 1 across and down) that changed since the sample before."""
    shares: list[float] = []
    with opened(film, kind_of(film, size)) as (container, stream):
        refuse_unreadable(stream)
        # Pictures that no other needs may be left out where others come often enough.
        if rate_of(stream) >= 4 * per_second:
            stream.codec_context.skip_frame = "NONREF"
        stream.codec_context.options = {"skip_loop_filter": "all"}
        long_s = (container.duration or 0) / av.time_base
        made_small, last, mask = _MadeSmall(), None, None
        for when, frame in decoded(container, stream):
            if when > max_s:
                break
            if when * per_second < len(shares):
                continue
            grey = made_small(frame)
            if mask is None or last is None or mask.shape != grey.shape:
                mask, last = _mask(polygon, *grey.shape), grey
            share = _changed(grey, last, mask)
            # Where the camera gave no picture for a while nothing is known to have moved.
            shares += [0.0] * (int(when * per_second) - len(shares)) + [share]
            last = grey
            tell(min(1.0, when / long_s) if long_s else 0.0)
    return {"n": len(shares)}, np.array(shares, np.float32)


class _MadeSmall:
    """Frames upright, grey and small. One for all frames: setting it up takes as long as turning a frame does."""

    def __init__(self) -> None:
        self.convert = VideoReformatter()

    def __call__(self, frame: av.VideoFrame) -> Grey:
        turns = round(frame.rotation / 90) % 4
        small = self.convert.reformat(
            frame,
            width=WIDE,
            height=max(2, 2 * round(WIDE * frame.height / frame.width / 2)),
            format="gray",
            interpolation=Interpolation.AREA,
        )
        grey: Grey = np.rot90(small.to_ndarray(), turns).astype(np.float32)
        return grey


def _changed(grey: Grey, last: Grey, mask: Mask) -> float:
    step = (grey - last)[mask]
    if not len(step):
        return 0.0
    # Lamps that flicker and a camera that adapts change all of it alike.
    half = len(step) // 2
    return float(np.mean(np.abs(step - np.partition(step, half)[half]) > CHANGED))


def _mask(polygon: Sequence[Sequence[float]] | None, height: int, width: int) -> Mask:
    """Pixels whose middle lies inside a polygon, by the even-odd rule."""
    y, x = np.mgrid[0:height, 0:width]
    y, x = (y + 0.5) / height, (x + 0.5) / width
    inside = np.zeros((height, width), bool)
    if polygon is None:
        return np.asarray(y >= LOWER)
    for (x0, y0), (x1, y1) in zip(polygon, [*polygon[1:], polygon[0]], strict=True):
        if y0 == y1:
            continue
        between = (y0 > y) != (y1 > y)
        inside ^= between & (x < (x1 - x0) * (y - y0) / (y1 - y0) + x0)
    return inside
