"""Putting pieces of a copy behind each other, with the sound of the film that they were made of."""

from collections.abc import Callable, Sequence
from fractions import Fraction
from typing import Any, BinaryIO

from sessions.footage_av import Refusal, kind_of, opened
from sessions.footage_sound import Track, first_sound, size_of
from sessions.footage_write import Voice, webm

SOUND_RATE = 48_000

Tell = Callable[[float], None]


def join(
    films: Sequence[BinaryIO],
    out: BinaryIO,
    *,
    starts: Sequence[float],
    max_s: float,
    tell: Tell = lambda share: None,
) -> dict[str, Any]:
    """Write the first films, which are pieces that begin at `starts`, with the sound of the one after them, if any."""
    pieces = [(film, start_s) for film, start_s in zip(films, starts, strict=False) if size_of(film) > 0]
    if not pieces:
        raise Refusal("no_such_time")
    film = films[-1] if len(films) > len(starts) else None
    number, tracks = first_sound(film) if film is not None else (None, 0)
    if film is None or number is None:
        duration_s = _joined(pieces, None, out, tell)
        return {"duration_s": duration_s, "remarks": ["sound_damaged"] if tracks else []}
    with opened(film, kind_of(film, size_of(film))) as (container, _stream):
        track = Track(container, container.streams.audio[number], max_s, SOUND_RATE)
        duration_s = _joined(pieces, track, out, tell)
        return {"duration_s": duration_s, "remarks": ["sound_damaged"] if track.damaged else []}


def _joined(
    pieces: Sequence[tuple[BinaryIO, float]], track: Track | None, out: BinaryIO, tell: Tell
) -> float:
    """Hand the packets of the pieces over as they are, each with its time in the film; when the last one ends."""
    video, voice, ends = None, None, 0
    with webm(out) as film:
        for number, (piece, start_s) in enumerate(pieces):
            with opened(piece, kind_of(piece, size_of(piece), whole=True)) as (source, stream):
                if video is None:
                    video = film.add_stream_from_template(stream, opaque=True)
                    voice = Voice(film, track.blocks(), SOUND_RATE, track.channels) if track else None
                elif (video.width, video.height) != (stream.width, stream.height):
                    raise Refusal("broken")
                for packet in source.demux(stream):
                    if packet.pts is None or packet.size == 0:
                        continue
                    length = max(1, round(1000 * (packet.duration or 0) * packet.time_base))
                    when = round(1000 * (start_s + float(packet.pts * packet.time_base)))
                    packet.stream, packet.time_base = video, Fraction(1, 1000)
                    packet.pts = packet.dts = when
                    packet.duration = length
                    film.mux_one(packet)
                    ends = max(ends, when + length)
                    if voice is not None:
                        voice.up_to(when / 1000)
                    tell(number / len(pieces))
        if voice is not None:
            voice.up_to(None)
            ends = max(ends, round(1000 * voice.sent / SOUND_RATE))
    return ends / 1000
