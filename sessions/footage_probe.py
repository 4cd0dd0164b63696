"""What a film is, from its head, its tail and its tables: a film of many gigabytes is not read for that."""

import itertools
import statistics
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, BinaryIO

import av
from av.container import InputContainer
from av.video.stream import VideoStream

from sessions import footage_shape
from sessions.footage_av import (
    Refusal,
    codec_of,
    decoded,
    is_webm,
    kind_of,
    opened,
    origin_of,
    rate_of,
    refuse_unreadable,
    shown_size,
)
from sessions.footage_make import steps_of

MOST_FPS = 60.0
# What browsers play as it is: which pictures, in which of their profiles, with which sound.
PLAYED_PICTURES = {"mp4": {"h264"}, "webm": {"vp8", "vp9", "av1"}}
PLAYED_SOUND = {"mp4": {"aac", "mp3"}, "webm": {"opus", "vorbis"}}
PLAYED_PROFILES = {"Constrained Baseline", "Baseline", "Main", "High"}
PLAYED_FORMATS = {"yuv420p", "yuvj420p"}
# Seconds of packets that are read at each of some places to see whether pictures come evenly.
GLANCE = 2.0
GLANCES = 6


def probe(film: BinaryIO, size: int, *, max_s: float, max_bytes: int, max_pixels: int) -> dict[str, Any]:
    """What the film is, as far as a page or a job needs it; width and height as it is shown, after rotation."""
    if size > max_bytes:
        raise Refusal("too_large", gigabytes=round(max_bytes / 2**30, 1))
    kind = kind_of(film, size)
    short = footage_shape.cut_short(film, size, kind)
    seekable = footage_shape.seekable(film, size, kind)
    name = {"mov": "mp4", "matroska": "webm" if is_webm(film) else "matroska"}.get(kind, kind)
    with opened(film, kind) as (container, stream):
        refuse_unreadable(stream)
        if stream.width * stream.height > max_pixels:
            raise Refusal("too_sharp", width=stream.width, height=stream.height)
        told = float(container.duration) / av.time_base if container.duration else None
        if told is not None and told > max_s and not short:
            raise Refusal("too_long", hours=round(max_s / 3600, 1))
        first = next(decoded(container, stream), None)
        if first is None:
            raise Refusal("broken")
        reach = _reach(container, stream, told, short, size)
        # A file may round its duration up; a second is more than any of them does.
        short = short or (told is not None and reach.ends < told - max(1.0, 0.01 * told))
        if reach.ends <= 0:
            raise Refusal("cut_short" if short else "broken")
        duration = reach.ends if short or told is None or reach.ends > told + 1.0 else told
        if duration > max_s:
            raise Refusal("too_long", hours=round(max_s / 3600, 1))
        plays = seekable and not short and told is not None and _played(name, container, stream, first[1])
        steady = _steady(container, stream, reach, duration)
        facts = _facts(container, stream, first[1], duration) | {"container": name, "plays": plays}
        if short or not stream.frames:
            facts["frames"] = round(duration * rate_of(stream))
        return facts | {"steady": steady, "remarks": _remarks(facts, short=short, steady=steady)}


def _facts(
    container: InputContainer, stream: VideoStream, frame: av.VideoFrame, duration: float
) -> dict[str, Any]:
    rotation = round(frame.rotation) % 360
    width, height = shown_size(stream)
    sideways = rotation in (90, 270)
    sounds = container.streams.audio
    return {
        "duration_s": round(duration, 3),
        "there_s": round(duration, 3),
        "width": height if sideways else width,
        "height": width if sideways else height,
        "frame_rate": round(rate_of(stream), 3),
        "video_codec": codec_of(stream),
        "audio_codec": codec_of(sounds[0]) if sounds else "",
        "rotation": rotation,
        "frames": stream.frames,
        "has_audio": bool(sounds),
        "sound_tracks": len(sounds),
    }


def _remarks(facts: dict[str, Any], *, short: bool, steady: bool) -> list[str]:
    signs = {
        "cut_short": short,
        "two_sounds": facts["sound_tracks"] > 1,
        "varied_rate": not steady,
        "thinned": not facts["plays"] and steps_of(facts["frame_rate"], MOST_FPS) > 1,
        "sideways_stored": facts["rotation"] != 0,
        "no_sound": facts["sound_tracks"] == 0,
    }
    return [code for code, there in signs.items() if there]


def _played(name: str, container: InputContainer, stream: VideoStream, frame: av.VideoFrame) -> bool:
    if shown_size(stream) != (stream.width, stream.height):
        return False
    if codec_of(stream) not in PLAYED_PICTURES.get(name, ()) or frame.format.name not in PLAYED_FORMATS:
        return False
    if codec_of(stream) == "h264" and stream.profile not in PLAYED_PROFILES:
        return False
    sounds = container.streams.audio
    return not sounds or codec_of(sounds[0]) in PLAYED_SOUND[name]


@dataclass
class _Reach:
    """When the last packet that can be read ends, and the times of pictures that were met on the way."""

    ends: float = 0.0
    times: list[list[float]] = field(default_factory=list)


def _reach(
    container: InputContainer, stream: VideoStream, told: float | None, short: bool, size: int
) -> _Reach:
    if short or told is None:
        from_s = _last_in_file(container, stream, size) if short else 0.0
        # The sound of a film that breaks off may reach further than its pictures.
        return _walk(container, stream, from_s - 10.0, pictures_only=short)
    return _walk(container, stream, told - 10.0)


def _last_in_file(container: InputContainer, stream: VideoStream, size: int) -> float:
    """The time of a picture that a table promises near the end of what is there; 0 without a table."""
    entries = stream.index_entries
    low, high = 0, len(entries)
    while low < high:
        middle = (low + high) // 2
        if entries[middle].pos + entries[middle].size <= size:
            low = middle + 1
        else:
            high = middle
    if low == 0 or stream.time_base is None:
        return 0.0
    return float(entries[low - 1].timestamp * stream.time_base) - origin_of(container)


def _walk(
    container: InputContainer,
    stream: VideoStream,
    from_s: float,
    *,
    long_s: float | None = None,
    pictures_only: bool = False,
) -> _Reach:
    """Read packets without decoding them, from a time on, to the end or for so long."""
    origin = origin_of(container)
    reach, times = _Reach(), []
    with suppress(av.error.FFmpegError):
        if from_s > 10.0:
            container.seek(int((from_s + origin) * av.time_base), backward=True)
        else:
            container.seek(0)
        for packet in container.demux():
            if packet.pts is None or packet.time_base is None:
                continue
            when = float(packet.pts * packet.time_base) - origin
            ours = packet.stream_index == stream.index
            if ours:
                times.append(when)
            if ours or not pictures_only:
                reach.ends = max(reach.ends, when + float((packet.duration or 0) * packet.time_base))
            if long_s is not None and when > max(0.0, from_s) + long_s:
                break
    reach.times = [times]
    return reach


def _steady(container: InputContainer, stream: VideoStream, reach: _Reach, duration: float) -> bool:
    """Whether pictures come at even intervals: by the table where there is one, else by glances at the film."""
    base = stream.time_base
    entries = stream.index_entries
    if base is not None and stream.frames and len(entries) >= stream.frames:
        runs = [[float(entry.timestamp * base) for entry in entries]]
    else:
        runs = list(reach.times)
        if sum(map(len, runs)) < 3000:
            for number in range(GLANCES):
                runs += _walk(container, stream, duration * number / GLANCES, long_s=GLANCE).times
    steps = [step for run in runs for step in _steps(run)]
    if not steps:
        return True
    usual = statistics.median(steps)
    # Files keep whole milliseconds: a step may be one too long or too short.
    uneven = sum(abs(step - usual) > max(0.0015, 0.1 * usual) for step in steps)
    return uneven <= 0.01 * len(steps)


def _steps(times: Sequence[float]) -> Iterator[float]:
    # Packets come in the order of decoding: at the end of a run some pictures in between have not come yet.
    ordered = sorted(times)
    whole = ordered if len(ordered) < 40 else ordered[8:-16]
    for one, other in itertools.pairwise(whole):
        yield other - one
