"""Opening a stranger's film and reading its pictures, one by one or as stills.

Nothing here is called on such a film from a web or worker process: `sessions.footage` runs it in a child process with
limits. PyAV is imported here and in `footage_write`, `_make`, `_probe`, `_sound` and `_motion`, nowhere else.
"""

import importlib
import pkgutil
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from fractions import Fraction
from typing import Any, BinaryIO

import av
import numpy as np
from av.container import InputContainer
from av.video.reformatter import Colorspace
from av.video.stream import VideoStream

from sessions import footage_shape

Frames = Iterator[tuple[float, av.VideoFrame]]

# What phones and cameras write, and what we write ourselves. A decoder that nobody needs is only a way in.
VIDEO_CODECS = {"h264", "hevc", "vp8", "vp9", "av1", "mpeg4", "mpeg2video", "mjpeg", "prores", "h263"}
LibraryError = av.error.FFmpegError
# Files keep times in whole milliseconds, so a frame may stand half of one after the time that was meant.
TOLERANCE = 0.00051


class Refusal(Exception):
    """A film, or a wish about it, that cannot be served: a code, and the facts that its sentence names."""

    def __init__(self, code: str, **facts: Any) -> None:
        super().__init__(code)
        self.code = code
        self.facts = facts


def load_all() -> None:
    """Import what PyAV would import when it first meets a kind of track: later, no file can be opened."""
    for module in pkgutil.walk_packages(av.__path__, "av."):
        if not module.name.endswith("__main__"):
            importlib.import_module(module.name)


def stills(film: BinaryIO, size: int, times: Iterable[float], *, tallest: int | None = None) -> list[bytes]:
    """A JPEG for each time: the frame that stands on the screen then."""
    pictures = []
    with opened(film, kind_of(film, size)) as (container, stream):
        refuse_unreadable(stream)
        for at_s in times:
            if not 0 <= at_s < 86_400 * 7:
                raise Refusal("no_such_time")
            pictures.append(_jpeg(fit(_frame_at(container, stream, at_s), tallest)))
    return pictures


def _head(film: BinaryIO) -> bytes:
    film.seek(0)
    return film.read(1024)


def is_webm(film: BinaryIO) -> bool:
    return b"webm" in _head(film)[:64]


def kind_of(film: BinaryIO, size: int, *, whole: bool = False) -> str:
    """The demuxer for a film; refuses what can be known to be useless, and with `whole` a film without its end."""
    if size == 0:
        raise Refusal("empty")
    kind = footage_shape.kind_of(_head(film))
    if kind is None:
        raise Refusal("not_a_video")
    if footage_shape.unreadable(film, size, kind) or (whole and footage_shape.cut_short(film, size, kind)):
        raise Refusal("cut_short")
    if footage_shape.locked(film, size, kind):
        raise Refusal("locked")
    return kind


def _open_nothing(url: str, flags: int, options: dict[str, str]) -> Any:
    raise PermissionError("a film opens no other file")


@contextmanager
def opened(film: BinaryIO, kind: str) -> Iterator[tuple[InputContainer, VideoStream]]:
    film.seek(0)
    try:
        container = av.open(
            film,
            "r",
            format=kind,
            container_options={
                "format_whitelist": "mov,mp4,matroska,webm,mpegts",
                "protocol_whitelist": "none",
            },
            io_open=_open_nothing,
        )
    except av.error.MemoryError as error:
        raise Refusal("too_heavy") from error
    except (av.error.FFmpegError, ValueError) as error:
        raise Refusal("broken") from error
    with container:
        pictures = [stream for stream in container.streams.video if not _is_cover(stream)]
        if not pictures:
            raise Refusal("no_video")
        yield container, pictures[0]


def _is_cover(stream: VideoStream) -> bool:
    return bool(stream.disposition & av.stream.Disposition.attached_pic)


def codec_of(stream: Any) -> str:
    return stream.codec_context.codec.canonical_name if stream.codec_context is not None else ""


def refuse_unreadable(stream: VideoStream) -> None:
    name = codec_of(stream)
    if name not in VIDEO_CODECS or not stream.width or not stream.height:
        raise Refusal("unsupported", codec=name or "?")
    stream.thread_type = "AUTO"
    stream.codec_context.thread_count = 2


def rate_of(stream: VideoStream) -> float:
    """Pictures a second in the mean, 0 where nobody knows."""
    return float(stream.average_rate or stream.guessed_rate or 0)


def shown_size(stream: VideoStream) -> tuple[int, int]:
    """Width and height of the track as they are shown before any turning: some cameras store narrow samples."""
    shape = float(stream.sample_aspect_ratio or 1)
    if shape == 1 or not 0.25 <= shape <= 4:
        return stream.width, stream.height
    return max(2, 2 * int(stream.width * shape / 2)), stream.height


def origin_of(container: InputContainer) -> float:
    # A player counts from the first picture or sound; Opus begins a few milliseconds before zero and is trimmed.
    return max(0.0, (container.start_time or 0) / av.time_base)


def decoded(
    container: InputContainer, stream: VideoStream, from_s: float = 0.0
) -> Iterator[tuple[float, av.VideoFrame]]:
    """Frames in the order they are shown, from the key frame before a time (or earlier), each with its time."""
    origin = origin_of(container)
    if from_s > 0:
        base = stream.time_base or Fraction(1, av.time_base)
        container.seek(int((from_s + origin) / base), stream=stream, backward=True)
    else:
        container.seek(0)
    try:
        for frame in container.decode(stream):
            if frame.pts is not None and frame.time is not None:
                yield frame.time - origin, frame
    except av.error.MemoryError as error:
        raise Refusal("too_heavy") from error
    except av.error.FFmpegError as error:
        raise Refusal("broken") from error


def shown_from(
    container: InputContainer, stream: VideoStream, at_s: float
) -> Iterator[tuple[float, av.VideoFrame]]:
    """Frames from the one that is shown at a time on."""
    held = None
    # In a film without an index a seek may land too late; then go further back, at last to the beginning.
    for back in (0.0, 10.0, at_s):
        frames = decoded(container, stream, at_s - back)
        held = next(frames, None)
        if held is not None and (held[0] <= at_s + TOLERANCE or back >= at_s):
            break
    if held is None:
        raise Refusal("no_such_time")
    for when, frame in frames:
        if when > at_s + TOLERANCE:
            yield held
            yield when, frame
            yield from frames
            return
        held = (when, frame)
    # The last picture stays on the screen until the film ends.
    if at_s > max(held[0] + 0.1, (container.duration or 0) / av.time_base):
        raise Refusal("no_such_time")
    yield held


def rgb(frame: av.VideoFrame) -> av.VideoFrame:
    # A film that does not name its colours is shown by its size: BT.709 from 720 lines on, as browsers do.
    unnamed = frame.colorspace in (0, 2) and not frame.format.is_rgb
    source = (Colorspace.ITU709 if frame.height >= 720 else Colorspace.ITU601) if unnamed else None
    return frame.reformat(format="rgb24", src_colorspace=source)


def fit(frame: av.VideoFrame, tallest: int | None) -> av.VideoFrame:
    """The frame upright, at most so tall, with even sides: half of the colour samples need them."""
    turns = round(frame.rotation / 90) % 4
    if turns:
        upright: Any = np.ascontiguousarray(np.rot90(rgb(frame).to_ndarray(), turns))
        frame = av.VideoFrame.from_ndarray(upright, format="rgb24")
    scale = min(1.0, tallest / frame.height) if tallest else 1.0
    width, height = (max(2, 2 * round(side * scale / 2)) for side in (frame.width, frame.height))
    if (width, height) != (frame.width, frame.height):
        frame = rgb(frame).reformat(width=width, height=height)
    return frame


def _frame_at(container: InputContainer, stream: VideoStream, at_s: float) -> av.VideoFrame:
    return next(shown_from(container, stream, at_s))[1]


def _jpeg(frame: av.VideoFrame) -> bytes:
    picture = rgb(frame).reformat(format="yuvj444p", dst_colorspace=Colorspace.ITU601)
    encoder = av.VideoCodecContext.create("mjpeg", "w")
    encoder.width, encoder.height, encoder.pix_fmt = picture.width, picture.height, "yuvj444p"
    encoder.time_base = Fraction(1, 25)
    encoder.color_range = 2
    encoder.options = {"qmin": "3", "qmax": "3"}
    picture.pts = 0
    picture.pict_type = av.video.frame.PictureType.NONE
    return b"".join(bytes(packet) for packet in [*encoder.encode(picture), *encoder.encode(None)])
