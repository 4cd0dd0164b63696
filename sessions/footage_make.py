"""Writing pieces of a film: a clip with its sound, and a stretch of a copy that browsers play."""

import math
from collections.abc import Callable, Iterator
from fractions import Fraction
from typing import Any, BinaryIO

import av
import numpy as np
from av.container import InputContainer
from av.video.reformatter import Colorspace, VideoReformatter
from av.video.stream import VideoStream

from sessions.footage_av import (
    TOLERANCE,
    Frames,
    Refusal,
    fit,
    kind_of,
    opened,
    origin_of,
    rate_of,
    refuse_unreadable,
    shown_from,
    shown_size,
)
from sessions.footage_write import VP9, Sound, write

SOUND_RATE = 48_000
# Without an index a seek may land so far too early (seconds) that reading on to make one is cheaper than decoding.
TOO_EARLY = 15.0

# A far ball is two pixels wide. At this quality a bright one keeps nine tenths of its contrast and a faint one eight,
# half a step from what a quality of 18 keeps, at two thirds of its size; slower ways of encoding keep no more.
COPY = VP9 | {"crf": "22", "aq-mode": "0"}

Tell = Callable[[float], None]


def cut(
    film: BinaryIO,
    size: int,
    start_s: float,
    end_s: float,
    out: BinaryIO,
    *,
    tallest: int | None = None,
    tell: Tell = lambda share: None,
) -> dict[str, Any]:
    """Write the piece from the frame that is shown at one time to the last frame before another."""
    if not 0 <= start_s < end_s:
        raise Refusal("no_such_time")
    with opened(film, kind_of(film, size, whole=True)) as (container, stream):
        refuse_unreadable(stream)
        opening = next(_piece(container, stream, start_s, end_s))[0]
        sound = _sound(container, opening, end_s)
        piece = _piece(container, stream, start_s, end_s)
        timed = ((when - opening, fit(frame, tallest)) for when, frame in _told(piece, opening, end_s, tell))
        written = write(out, timed, stream.average_rate or Fraction(25), sound, SOUND_RATE)
    return {"frames": written, "start_s": round(opening, 4)}


def _told(piece: Frames, opening: float, end_s: float, tell: Tell) -> Frames:
    """The same frames; before each one is handed on, the share of the piece that lies before it is told."""
    for when, frame in piece:
        tell((when - opening) / (end_s - opening))
        yield when, frame


def _piece(
    container: InputContainer, stream: VideoStream, start_s: float, end_s: float
) -> Iterator[tuple[float, av.VideoFrame]]:
    for number, (when, frame) in enumerate(shown_from(container, stream, start_s)):
        if number and when > end_s - TOLERANCE:
            return
        yield when, frame


def _sound(container: InputContainer, start_s: float, end_s: float) -> Sound | None:
    """The sound between two times as one array, silent where the film has none; None without a sound track."""
    track = next(iter(container.streams.audio), None)
    if track is None or track.codec_context is None:
        return None
    sound = np.zeros(max(1, round((end_s - start_s) * SOUND_RATE)), dtype=np.float32)
    resampler = av.AudioResampler(format="flt", layout="mono", rate=SOUND_RATE)
    container.seek(int(max(0.0, start_s + origin_of(container) - 0.5) * av.time_base), backward=True)
    place: int | None = None
    try:
        for frame in container.decode(track):
            due = round(((frame.time or 0.0) - origin_of(container) - start_s) * SOUND_RATE)
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


def make_piece(
    film: BinaryIO,
    size: int,
    start_s: float,
    end_s: float,
    out: BinaryIO,
    *,
    tallest: int,
    most_fps: float,
    tell: Tell = lambda share: None,
) -> dict[str, Any]:
    """Write the pictures with `start_s <= t < end_s` without sound; how many there were, maybe none."""
    if not 0 <= start_s < end_s:
        raise Refusal("no_such_time")
    with opened(film, kind_of(film, size)) as (container, stream):
        refuse_unreadable(stream)
        rate = rate_of(stream)
        steps = steps_of(rate, most_fps)
        pictures = _thinned(_between(container, stream, start_s, end_s, tell), rate, steps)
        first = next(pictures, None)
        if first is None:
            return {"frames": 0}
        shape = _Shape(stream, round(first[1].rotation / 90) % 4, tallest)
        timed = ((when - start_s, shape(frame)) for when, frame in _with(first, pictures))
        step = Fraction(rate / steps).limit_denominator(1001) if rate else Fraction(25)
        return {"frames": write(out, timed, step, options=COPY)}


def _with(first: tuple[float, av.VideoFrame], rest: Frames) -> Frames:
    yield first
    yield from rest


def steps_of(rate: float, most_fps: float) -> int:
    """Every how manieth picture is kept; 60.2 a second still count as 60."""
    return max(1, math.ceil(rate / most_fps - 0.05))


def _thinned(pictures: Frames, rate: float, steps: int) -> Frames:
    """One picture of each so many. They are told by their times, so that pieces made apart agree."""
    if steps == 1:
        yield from pictures
        return
    before: int | None = None
    for when, frame in pictures:
        # Half a picture early, so that a rounded time does not fall into the slot before its own.
        slot = math.floor((when + 0.5 / rate) * rate / steps)
        if before is None:
            before = math.floor((when - 0.5 / rate) * rate / steps)
        if slot != before:
            yield when, frame
        before = slot


def _between(
    container: InputContainer, stream: VideoStream, start_s: float, end_s: float, tell: Tell
) -> Frames:
    """Each picture of the stretch once, in order. What is damaged is passed over, as players do."""
    origin = origin_of(container)
    last = -math.inf
    for key_s, frame in _from_key(container, stream, start_s, tell):
        if frame.pts is None or frame.time is None:
            continue
        when = frame.time - origin
        tell(max(0.0, (when - start_s) / (end_s - start_s)))
        # Before its key frame stand pictures that need those before: they come again with the stretch before.
        if when < key_s or when < start_s or when <= last:
            continue
        if when >= end_s:
            return
        last = when
        yield when, frame


def _from_key(
    container: InputContainer, stream: VideoStream, start_s: float, tell: Tell
) -> Iterator[tuple[float, av.VideoFrame]]:
    """Frames from a key frame at or before a time, each with the time of that key frame."""
    packets, key_s = _packets_from_key(container, stream, start_s)
    if key_s < start_s - TOO_EARLY:
        _read_up_to(packets, start_s + origin_of(container), tell)
        packets, key_s = _packets_from_key(container, stream, start_s)
    for packet in packets:
        for frame in _decoded(packet):
            yield key_s, frame
    for frame in _rest(stream):
        yield key_s, frame


def _packets_from_key(
    container: InputContainer, stream: VideoStream, start_s: float
) -> tuple[Iterator[av.Packet], float]:
    origin = origin_of(container)
    base = stream.time_base or Fraction(1, av.time_base)
    for back in (0.0, 1.0, 10.0, start_s):
        from_s = start_s - back
        try:
            if from_s > 0:
                container.seek(int((from_s + origin) / base), stream=stream, backward=True)
            else:
                container.seek(0)
        except av.error.FFmpegError:
            continue
        packets = _read(container, stream)
        first = next((packet for packet in packets if packet.is_keyframe), None)
        if first is not None and first.pts is not None and first.time_base is not None:
            key_s = float(first.pts * first.time_base) - origin
            if key_s <= start_s:
                return _after(first, packets), key_s
    # No key frame before it: from the first packet on, whatever the decoder makes of it.
    container.seek(0)
    return _read(container, stream), -math.inf


def _after(first: av.Packet, packets: Iterator[av.Packet]) -> Iterator[av.Packet]:
    yield first
    yield from packets


def _read(container: InputContainer, stream: VideoStream) -> Iterator[av.Packet]:
    """Packets as far as they can be read: a film whose end is missing ends there."""
    try:
        yield from container.demux(stream)
    except av.error.MemoryError as error:
        raise Refusal("too_heavy") from error
    except av.error.FFmpegError:
        return


def _read_up_to(packets: Iterator[av.Packet], until: float, tell: Tell) -> None:
    for packet in packets:
        tell(0.0)
        if packet.dts is not None and packet.time_base is not None and packet.dts * packet.time_base > until:
            return


def _decoded(packet: av.Packet) -> list[av.VideoFrame]:
    try:
        return packet.decode()
    except av.error.MemoryError as error:
        raise Refusal("too_heavy") from error
    except av.error.FFmpegError:
        return []


def _rest(stream: VideoStream) -> list[av.VideoFrame]:
    """What the decoder still held when packets ended in an error; nothing where they ended by themselves."""
    try:
        return stream.codec_context.decode(None)
    except av.error.FFmpegError:
        return []


class _Shape:
    """How pictures of a film are turned, scaled and coloured for browsers: upright, even sides, 8 bits, 4:2:0."""

    def __init__(self, stream: VideoStream, turns: int, tallest: int) -> None:
        self.turns = turns
        # The track's size, not the picture's: all pieces must have the same.
        width, height = shown_size(stream)
        scale = min(1.0, tallest / min(width, height))
        self.width, self.height = (
            max(2, 2 * math.floor(side * scale / 2 + 0.01)) for side in (width, height)
        )
        self.convert = VideoReformatter()

    def __call__(self, frame: av.VideoFrame) -> av.VideoFrame:
        source = frame.colorspace if frame.colorspace in (1, 4, 5, 6, 7, 9) else None
        if source is None:
            # A film that does not name its colours is shown by its size: BT.709 from 720 lines on, as browsers do.
            source = Colorspace.ITU709 if min(frame.width, frame.height) >= 720 else Colorspace.ITU601
        picture = self.convert.reformat(
            frame,
            width=self.width,
            height=self.height,
            format="yuv420p",
            src_colorspace=source,
            dst_colorspace=Colorspace.ITU709 if source == 9 else source,
            dst_color_range="MPEG",
            interpolation="BICUBIC",
        )
        return _turned(picture, self.turns) if self.turns else picture


def _turned(picture: av.VideoFrame, turns: int) -> av.VideoFrame:
    flat = picture.to_ndarray()
    height, width = picture.height, picture.width
    light = flat[:height]
    colours = flat[height:].reshape(2, height // 2, width // 2)
    planes = [np.rot90(plane, turns).reshape(-1) for plane in (light, *colours)]
    shape = (height * 3 // 2, width) if turns == 2 else (width * 3 // 2, height)
    upright = av.VideoFrame.from_ndarray(
        np.ascontiguousarray(np.concatenate(planes).reshape(shape)), format="yuv420p"
    )
    upright.colorspace, upright.color_range = picture.colorspace, picture.color_range
    return upright
