"""Films with a sound that is known, short ones and long ones that cost nothing to make."""

from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from numpy.typing import NDArray

from tests.sessions import moving

RATE = 48_000
FPS = 10
Sound = NDArray[np.float32]


def clicks(times: Sequence[float], seconds: float, rate: int = RATE) -> Sound:
    """Short clicks at their very times, in silence."""
    sound = np.zeros(round(seconds * rate), np.float32)
    wave = np.sin(2 * np.pi * 1100 * np.arange(rate // 50) / rate) * np.exp(
        -np.arange(rate // 50) / (rate / 300)
    )
    for at in times:
        part = sound[round(at * rate) :][: len(wave)]
        part += 0.8 * wave[: len(part)].astype(np.float32)
    return sound


def heard_at(sound: Sound, rate: int, level: float = 0.2) -> list[float]:
    """Where it first gets loud again after a tenth of a second of quiet."""
    loud = np.flatnonzero(np.abs(sound).max(axis=1) > level) / rate
    return [float(at) for n, at in enumerate(loud) if n == 0 or at - loud[n - 1] > 0.1]


def write(
    path: Path,
    sounds: Sequence[Sound],
    *,
    rate: int = RATE,
    seconds: float = 2.0,
    codec: str = "libopus",
    container: str = "matroska",
    starts_s: float = 0.0,
    gap: tuple[float, float] | None = None,
) -> Path:
    """A film with a track for each sound (samples, or samples x 2); they begin at `starts_s` and leave a gap out."""
    with av.open(str(path), "w", format=container) as film:
        video = film.add_stream("libvpx-vp9", rate=FPS)
        video.width, video.height, video.pix_fmt = moving.WIDTH, moving.HEIGHT, "yuv420p"
        video.codec_context.options = {"deadline": "realtime", "cpu-used": "8"}
        layouts = ["mono" if sound.ndim == 1 else "stereo" for sound in sounds]
        voices = [film.add_stream(codec, rate=rate, layout=layout) for layout in layouts]
        for voice in voices:
            voice.codec_context.format = "flt" if codec == "libopus" else "fltp" if codec == "aac" else "s16"
        for number in range(round(seconds * FPS)):
            picture = av.VideoFrame.from_ndarray(moving.frame(number), format="rgb24")
            picture.pts, picture.time_base = number, Fraction(1, FPS)
            film.mux(video.encode(picture.reformat(format="yuv420p")))
        film.mux(video.encode(None))
        for voice, sound, layout in zip(voices, sounds, layouts, strict=True):
            size = voice.codec_context.frame_size or rate // 50
            for start in range(0, len(sound) - size + 1, size):
                at_s = starts_s + start / rate
                if gap and gap[0] <= at_s < gap[1]:
                    continue
                film.mux(voice.encode(_frame(sound[start : start + size], layout, rate, at_s, codec)))
            film.mux(voice.encode(None))
    return path


def _frame(block: Sound, layout: str, rate: int, at_s: float, codec: str) -> av.AudioFrame:
    if codec == "aac":
        made = av.AudioFrame.from_ndarray(
            np.ascontiguousarray(block.reshape(len(block), -1).T), "fltp", layout
        )
    elif codec == "libopus":
        made = av.AudioFrame.from_ndarray(block.reshape(1, -1), "flt", layout)
    else:
        made = av.AudioFrame.from_ndarray((block.reshape(1, -1) * 32_000).astype(np.int16), "s16", layout)
    made.rate, made.time_base, made.pts = rate, Fraction(1, rate), round(at_s * rate)
    return made


def loop(path: Path, out: Path, times: int) -> Path:
    """The same film many times over, without encoding it again."""
    with av.open(str(path)) as film, av.open(str(out), "w", format="matroska") as long:
        streams = {row.index: long.add_stream_from_template(row, opaque=True) for row in film.streams}
        packets = [
            (
                packet.stream_index,
                bytes(packet),
                packet.pts,
                packet.dts,
                packet.duration,
                packet.time_base,
                packet.is_keyframe,
            )
            for packet in film.demux()
            if packet.pts is not None and packet.size
        ]
        ends = max((pts + (duration or 0)) * base for _i, _c, pts, _d, duration, base, _k in packets)
        span = ends - min(pts * base for _i, _c, pts, _d, _l, base, _k in packets)
        for turn in range(times):
            for index, content, pts, dts, duration, base, key in packets:
                packet = av.Packet(content)
                shift = round(turn * span / base)
                packet.pts, packet.dts, packet.duration = pts + shift, (dts or pts) + shift, duration
                packet.time_base, packet.stream, packet.is_keyframe = base, streams[index], key
                long.mux_one(packet)
    return out
