"""Writing VP9 and Opus in WebM. The wheel of PyAV holds encoders under the GPL (H.264, HEVC); none is used."""

from collections.abc import Iterable, Iterator
from fractions import Fraction
from itertools import chain
from typing import BinaryIO

import av
import numpy as np
from av.container import OutputContainer
from av.video.reformatter import Colorspace, VideoReformatter
from av.video.stream import VideoStream
from numpy.typing import NDArray

Pixels = NDArray[np.uint8]
Sound = NDArray[np.float32]

OPUS_RATES = (8_000, 12_000, 16_000, 24_000, 48_000)
# Times of phones do not fall on a grid of 1/rate; 90,000 is what films share.
TICKS = 90_000
VP9 = {"deadline": "realtime", "cpu-used": "8", "lag-in-frames": "0", "auto-alt-ref": "0", "crf": "30"}
# Two threads find work only where a picture is cut into columns.
VP9 |= {"row-mt": "1", "tile-columns": "2"}


def write_webm(frames: Iterable[Pixels], fps: float, audio: Sound | None, rate: int, out: BinaryIO) -> int:
    """Write frames of height x width x 3 and mono sound between -1 and 1; how many frames it wrote."""
    step = Fraction(fps).limit_denominator(1001)
    timed = (
        (float(number / step), av.VideoFrame.from_ndarray(np.ascontiguousarray(pixels), format="rgb24"))
        for number, pixels in enumerate(frames)
    )
    return write(out, timed, step, audio, rate)


def webm(out: BinaryIO) -> OutputContainer:
    # Without `bitexact` the muxer writes a random number, and the same film would never be the same file twice.
    return av.open(out, "w", format="webm", container_options={"fflags": "+bitexact"})


def write(
    out: BinaryIO,
    frames: Iterable[tuple[float, av.VideoFrame]],
    rate: Fraction,
    sound: Sound | None = None,
    sound_rate: int = 48_000,
    options: dict[str, str] | None = None,
) -> int:
    """Write frames with their times in seconds; how many there were."""
    pictures = iter(frames)
    first = next(pictures, None)
    if first is None:
        raise ValueError("a film needs a frame")
    with webm(out) as film:
        video = _vp9(film, first[1], rate, options or VP9)
        voice = Voice(film, [sound], sound_rate) if sound is not None else None
        # One for all frames: setting one up takes as long as turning a frame does.
        convert = VideoReformatter()
        count = 0
        for when, frame in chain([first], pictures):
            space = Colorspace.ITU709 if frame.format.is_rgb else None
            picture = convert.reformat(frame, format="yuv420p", dst_colorspace=space)
            picture.pts, picture.time_base = round(when * TICKS), Fraction(1, TICKS)
            picture.pict_type = av.video.frame.PictureType.NONE
            film.mux(video.encode(picture))
            if voice is not None:
                voice.up_to(when)
            count += 1
        film.mux(video.encode(None))
        if voice is not None:
            voice.up_to(None)
    return count


def _vp9(film: OutputContainer, frame: av.VideoFrame, rate: Fraction, options: dict[str, str]) -> VideoStream:
    stream = film.add_stream("libvpx-vp9", rate=rate)
    stream.width, stream.height, stream.pix_fmt = frame.width, frame.height, "yuv420p"
    context = stream.codec_context
    context.time_base = Fraction(1, TICKS)
    context.options = dict(options)
    context.bit_rate = 0
    context.thread_count = 2
    context.gop_size = max(1, round(2 * rate))
    rgb = frame.format.is_rgb
    context.colorspace = Colorspace.ITU709 if rgb else frame.colorspace
    context.color_range = 1
    return stream


class Voice:
    """Opus packets, handed over as far as the pictures have come, so that a player finds both side by side."""

    SPAN = 50  # packets a second

    def __init__(self, film: OutputContainer, blocks: Iterable[Sound], rate: int, channels: int = 1) -> None:
        """`blocks` hold samples x channels between -1 and 1, one after the other without a gap from time 0 on."""
        if rate not in OPUS_RATES:
            raise ValueError(f"Opus takes sound at {OPUS_RATES} samples a second, not {rate}")
        self.film, self.rate, self.channels, self.sent = film, rate, channels, 0
        self.blocks = _cut_evenly(blocks, rate // self.SPAN, channels)
        self.layout = "mono" if channels == 1 else "stereo"
        self.stream = film.add_stream("libopus", rate=rate, layout=self.layout)
        self.stream.codec_context.format = "flt"
        self.stream.codec_context.bit_rate = 64_000 * channels

    def up_to(self, when: float | None) -> None:
        """Hand over the packets that end before a time, or all that there are."""
        size = self.rate // self.SPAN
        while when is None or self.sent + size <= when * self.rate:
            block = next(self.blocks, None)
            if block is None:
                break
            frame = av.AudioFrame.from_ndarray(block.reshape(1, -1), format="flt", layout=self.layout)
            frame.rate, frame.pts, frame.time_base = self.rate, self.sent, Fraction(1, self.rate)
            self.film.mux(self.stream.encode(frame))
            self.sent += size
        if when is None:
            self.film.mux(self.stream.encode(None))


def _cut_evenly(blocks: Iterable[Sound], size: int, channels: int) -> Iterator[Sound]:
    """The same samples in blocks of one size, the last one filled up with silence."""
    held, there = [], 0
    for block in blocks:
        held.append(np.clip(block.reshape(-1, channels), -1.0, 1.0))
        there += len(held[-1])
        if there < size:
            continue
        joined = np.concatenate(held)
        whole = there // size * size
        yield from joined[:whole].reshape(-1, size, channels)
        held, there = [joined[whole:]], there - whole
    if there:
        rest = np.concatenate(held)
        yield np.concatenate([rest, np.zeros((size - len(rest), channels), rest.dtype)])
