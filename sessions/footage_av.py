"""Reading and writing films. The only module that imports PyAV.

Nothing here is called on a stranger's film from a web or worker process: `sessions.footage` runs it in a child
process with limits. The wheel of PyAV holds encoders under the GPL (H.264, HEVC among them); none is used. What is
written is VP9 and Opus in WebM, and JPEG by FFmpeg's own encoder.
"""

import importlib
import pkgutil
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from fractions import Fraction
from itertools import chain
from typing import Any, BinaryIO

import av
import numpy as np
from av.container import InputContainer
from av.video.reformatter import Colorspace, VideoReformatter
from av.video.stream import VideoStream
from numpy.typing import NDArray

from sessions import footage_shape

Pixels = NDArray[np.uint8]
Sound = NDArray[np.float32]
Frames = Iterator[tuple[float, av.VideoFrame]]

SOUND_RATE = 48_000
OPUS_RATES = (8_000, 12_000, 16_000, 24_000, 48_000)
# What phones and cameras write, and what we write ourselves. A decoder that nobody needs is only a way in.
VIDEO_CODECS = {"h264", "hevc", "vp8", "vp9", "av1", "mpeg4", "mpeg2video", "mjpeg", "prores", "h263"}
# Files keep times in whole milliseconds, so a frame may stand half of one after the time that was meant.
TOLERANCE = 0.00051
_VP9 = {"deadline": "realtime", "cpu-used": "8", "lag-in-frames": "0", "auto-alt-ref": "0", "crf": "30"}
# Two threads find work only where a picture is cut into columns.
_VP9 |= {"row-mt": "1", "tile-columns": "2"}


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


def probe(film: BinaryIO, size: int, *, max_s: float, max_bytes: int, max_pixels: int) -> dict[str, Any]:
    """What the film is, as far as a page or a job needs it; width and height as it is shown, after rotation."""
    if size > max_bytes:
        raise Refusal("too_large", gigabytes=round(max_bytes / 2**30, 1))
    kind = _kind(film, size)
    with _opened(film, kind) as (container, stream):
        _refuse_unreadable(stream)
        if stream.width * stream.height > max_pixels:
            raise Refusal("too_sharp", width=stream.width, height=stream.height)
        told = float(container.duration) / av.time_base if container.duration else None
        if told is not None and told > max_s:
            raise Refusal("too_long", hours=round(max_s / 3600, 1))
        first = next(_decoded(container, stream), None)
        if first is None:
            raise Refusal("broken")
        ends = _last_end(container, told)
        # A file may round its duration up; a second is more than any of them does.
        if ends <= 0 or (told is not None and ends < told - max(1.0, 0.01 * told)):
            raise Refusal("cut_short")
        duration = told if told is not None else ends
        if duration > max_s:
            raise Refusal("too_long", hours=round(max_s / 3600, 1))
        rotation = round(first[1].rotation) % 360
        sideways = rotation in (90, 270)
        rate = float(stream.average_rate or stream.guessed_rate or 0)
        sound = next(iter(container.streams.audio), None)
        return {
            "container": {"mov": "mp4", "matroska": "webm" if _is_webm(film) else "matroska"}.get(kind, kind),
            "duration_s": round(duration, 3),
            "width": stream.height if sideways else stream.width,
            "height": stream.width if sideways else stream.height,
            "frame_rate": round(rate, 3),
            "video_codec": _codec(stream),
            "audio_codec": _codec(sound) if sound is not None else "",
            "rotation": rotation,
            "frames": stream.frames or round(duration * rate),
            "has_audio": sound is not None,
        }


def stills(film: BinaryIO, size: int, times: Iterable[float], *, tallest: int | None = None) -> list[bytes]:
    """A JPEG for each time: the frame that stands on the screen then."""
    pictures = []
    with _opened(film, _kind(film, size)) as (container, stream):
        _refuse_unreadable(stream)
        for at_s in times:
            if not 0 <= at_s < 86_400 * 7:
                raise Refusal("no_such_time")
            pictures.append(_jpeg(_fit(_frame_at(container, stream, at_s), tallest)))
    return pictures


def cut(
    film: BinaryIO,
    size: int,
    start_s: float,
    end_s: float,
    out: BinaryIO,
    *,
    tallest: int | None = None,
    tell: Callable[[float], None] = lambda share: None,
) -> dict[str, Any]:
    """Write the piece from the frame that is shown at one time to the last frame before another."""
    if not 0 <= start_s < end_s:
        raise Refusal("no_such_time")
    with _opened(film, _kind(film, size)) as (container, stream):
        _refuse_unreadable(stream)
        opening = next(_piece(container, stream, start_s, end_s))[0]
        sound = _sound(container, opening, end_s)
        piece = _piece(container, stream, start_s, end_s)
        timed = ((when - opening, _fit(frame, tallest)) for when, frame in _told(piece, opening, end_s, tell))
        written = _write(out, timed, stream.average_rate or Fraction(25), sound, SOUND_RATE)
    return {"frames": written, "start_s": round(opening, 4)}


def _told(piece: Frames, opening: float, end_s: float, tell: Callable[[float], None]) -> Frames:
    """The same frames; before each one is handed on, the share of the piece that lies before it is told."""
    for when, frame in piece:
        tell((when - opening) / (end_s - opening))
        yield when, frame


def write_webm(frames: Iterable[Pixels], fps: float, audio: Sound | None, rate: int, out: BinaryIO) -> int:
    """Write frames of height x width x 3 and mono sound between -1 and 1; how many frames it wrote."""
    step = Fraction(fps).limit_denominator(1001)
    timed = (
        (float(number / step), av.VideoFrame.from_ndarray(np.ascontiguousarray(pixels), format="rgb24"))
        for number, pixels in enumerate(frames)
    )
    return _write(out, timed, step, audio, rate)


def _head(film: BinaryIO) -> bytes:
    film.seek(0)
    return film.read(1024)


def _is_webm(film: BinaryIO) -> bool:
    return b"webm" in _head(film)[:64]


def _kind(film: BinaryIO, size: int) -> str:
    if size == 0:
        raise Refusal("empty")
    kind = footage_shape.kind_of(_head(film))
    if kind is None:
        raise Refusal("not_a_video")
    if footage_shape.cut_short(film, size, kind):
        raise Refusal("cut_short")
    if footage_shape.locked(film, size, kind):
        raise Refusal("locked")
    return kind


def _open_nothing(url: str, flags: int, options: dict[str, str]) -> Any:
    raise PermissionError("a film opens no other file")


@contextmanager
def _opened(film: BinaryIO, kind: str) -> Iterator[tuple[InputContainer, VideoStream]]:
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


def _codec(stream: Any) -> str:
    return stream.codec_context.codec.canonical_name if stream.codec_context is not None else ""


def _refuse_unreadable(stream: VideoStream) -> None:
    name = _codec(stream)
    if name not in VIDEO_CODECS or not stream.width or not stream.height:
        raise Refusal("unsupported", codec=name or "?")
    stream.thread_type = "AUTO"
    stream.codec_context.thread_count = 2


def _origin(container: InputContainer) -> float:
    # A player counts from the first picture or sound; Opus begins a few milliseconds before zero and is trimmed.
    return max(0.0, (container.start_time or 0) / av.time_base)


def _decoded(
    container: InputContainer, stream: VideoStream, from_s: float = 0.0
) -> Iterator[tuple[float, av.VideoFrame]]:
    """Frames in the order they are shown, from the key frame before a time (or earlier), each with its time."""
    origin = _origin(container)
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


def _shown_from(
    container: InputContainer, stream: VideoStream, at_s: float
) -> Iterator[tuple[float, av.VideoFrame]]:
    """Frames from the one that is shown at a time on."""
    held = None
    # In a film without an index a seek may land too late; then go further back, at last to the beginning.
    for back in (0.0, 10.0, at_s):
        frames = _decoded(container, stream, at_s - back)
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


def _piece(
    container: InputContainer, stream: VideoStream, start_s: float, end_s: float
) -> Iterator[tuple[float, av.VideoFrame]]:
    for number, (when, frame) in enumerate(_shown_from(container, stream, start_s)):
        if number and when > end_s - TOLERANCE:
            return
        yield when, frame


def _last_end(container: InputContainer, told: float | None) -> float:
    """When the last packet of any track ends. Only the tail is read, unless the file does not say how long it is."""
    if told is not None and told > 20:
        container.seek(int((told + _origin(container) - 10) * av.time_base), backward=True)
    else:
        container.seek(0)
    last = 0.0
    try:
        for packet in container.demux():
            if packet.pts is not None and packet.time_base is not None:
                last = max(last, float((packet.pts + (packet.duration or 0)) * packet.time_base))
    except av.error.FFmpegError:
        pass  # what could be read before is what the film has
    return last - _origin(container)


def _sound(container: InputContainer, start_s: float, end_s: float) -> Sound | None:
    """The sound between two times as one array, silent where the film has none; None without a sound track."""
    track = next(iter(container.streams.audio), None)
    if track is None or track.codec_context is None:
        return None
    sound = np.zeros(max(1, round((end_s - start_s) * SOUND_RATE)), dtype=np.float32)
    resampler = av.AudioResampler(format="flt", layout="mono", rate=SOUND_RATE)
    container.seek(int(max(0.0, start_s + _origin(container) - 0.5) * av.time_base), backward=True)
    place: int | None = None
    try:
        for frame in container.decode(track):
            due = round(((frame.time or 0.0) - _origin(container) - start_s) * SOUND_RATE)
            # Rounded times shake by a millisecond: only a real gap moves the place.
            if place is None or abs(due - place) > SOUND_RATE // 50:
                place = due
            for piece in resampler.resample(frame):
                samples = piece.to_ndarray().reshape(-1)
                skip = max(0, -place)
                room = sound[max(0, place) : max(0, place + len(samples))]
                room[:] = samples[skip : skip + len(room)]
                place += len(samples)
            if place >= len(sound):
                break
    except av.error.FFmpegError:
        pass  # a picture with half its sound is worth more than none
    return sound


def _rgb(frame: av.VideoFrame) -> av.VideoFrame:
    # A film that does not name its colours is shown by its size: BT.709 from 720 lines on, as browsers do.
    unnamed = frame.colorspace in (0, 2) and not frame.format.is_rgb
    source = (Colorspace.ITU709 if frame.height >= 720 else Colorspace.ITU601) if unnamed else None
    return frame.reformat(format="rgb24", src_colorspace=source)


def _fit(frame: av.VideoFrame, tallest: int | None) -> av.VideoFrame:
    """The frame upright, at most so tall, with even sides: half of the colour samples need them."""
    turns = round(frame.rotation / 90) % 4
    if turns:
        upright: Any = np.ascontiguousarray(np.rot90(_rgb(frame).to_ndarray(), turns))
        frame = av.VideoFrame.from_ndarray(upright, format="rgb24")
    scale = min(1.0, tallest / frame.height) if tallest else 1.0
    width, height = (max(2, 2 * round(side * scale / 2)) for side in (frame.width, frame.height))
    if (width, height) != (frame.width, frame.height):
        frame = _rgb(frame).reformat(width=width, height=height)
    return frame


def _frame_at(container: InputContainer, stream: VideoStream, at_s: float) -> av.VideoFrame:
    return next(_shown_from(container, stream, at_s))[1]


def _jpeg(frame: av.VideoFrame) -> bytes:
    picture = _rgb(frame).reformat(format="yuvj444p", dst_colorspace=Colorspace.ITU601)
    encoder = av.VideoCodecContext.create("mjpeg", "w")
    encoder.width, encoder.height, encoder.pix_fmt = picture.width, picture.height, "yuvj444p"
    encoder.time_base = Fraction(1, 25)
    encoder.color_range = 2
    encoder.options = {"qmin": "3", "qmax": "3"}
    picture.pts = 0
    picture.pict_type = av.video.frame.PictureType.NONE
    return b"".join(bytes(packet) for packet in [*encoder.encode(picture), *encoder.encode(None)])


def _write(
    out: BinaryIO,
    frames: Iterable[tuple[float, av.VideoFrame]],
    rate: Fraction,
    sound: Sound | None,
    sound_rate: int,
) -> int:
    pictures = iter(frames)
    first = next(pictures, None)
    if first is None:
        raise ValueError("a film needs a frame")
    # Without `bitexact` the muxer writes a random number, and the same film would never be the same file twice.
    with av.open(out, "w", format="webm", container_options={"fflags": "+bitexact"}) as film:
        video = _vp9(film, first[1], rate)
        voice = _Voice(film, sound, sound_rate) if sound is not None else None
        # One for all frames: setting one up takes as long as turning a frame does.
        convert = VideoReformatter()
        count = 0
        for when, frame in chain([first], pictures):
            space = Colorspace.ITU709 if frame.format.is_rgb else None
            picture = convert.reformat(frame, format="yuv420p", dst_colorspace=space)
            picture.pts, picture.time_base = round(when * 90_000), Fraction(1, 90_000)
            picture.pict_type = av.video.frame.PictureType.NONE
            film.mux(video.encode(picture))
            if voice is not None:
                voice.up_to(when)
            count += 1
        film.mux(video.encode(None))
        if voice is not None:
            voice.up_to(None)
    return count


def _vp9(film: Any, frame: av.VideoFrame, rate: Fraction) -> VideoStream:
    stream = film.add_stream("libvpx-vp9", rate=rate)
    stream.width, stream.height, stream.pix_fmt = frame.width, frame.height, "yuv420p"
    context = stream.codec_context
    # Times of phones do not fall on a grid of 1/rate; 90,000 is what films share.
    context.time_base = Fraction(1, 90_000)
    context.options = dict(_VP9)
    context.bit_rate = 0
    context.thread_count = 2
    context.gop_size = max(1, round(2 * rate))
    rgb = frame.format.is_rgb
    context.colorspace = Colorspace.ITU709 if rgb else frame.colorspace
    context.color_range = 1
    return stream


class _Voice:
    """Opus packets, handed over as far as the pictures have come, so that a player finds both side by side."""

    SPAN = 50  # packets a second

    def __init__(self, film: Any, sound: Sound, rate: int) -> None:
        if rate not in OPUS_RATES:
            raise ValueError(f"Opus takes sound at {OPUS_RATES} samples a second, not {rate}")
        self.film, self.sound, self.rate, self.sent = film, np.clip(sound, -1.0, 1.0), rate, 0
        self.stream = film.add_stream("libopus", rate=rate, layout="mono")
        self.stream.codec_context.format = "flt"
        self.stream.codec_context.bit_rate = 64_000

    def up_to(self, when: float | None) -> None:
        size = self.rate // self.SPAN
        end = len(self.sound) if when is None else min(len(self.sound), int(when * self.rate))
        while self.sent + size <= end or (when is None and self.sent < end):
            block = np.zeros((1, size), dtype=np.float32)
            part = self.sound[self.sent : min(self.sent + size, end)]
            block[0, : len(part)] = part
            frame = av.AudioFrame.from_ndarray(block, format="flt", layout="mono")
            frame.rate, frame.pts, frame.time_base = self.rate, self.sent, Fraction(1, self.rate)
            self.film.mux(self.stream.encode(frame))
            self.sent += size
        if when is None:
            self.film.mux(self.stream.encode(None))
