"""Putting pieces of a copy behind each other, with the sound of the film that they were made of."""

import os
from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction
from typing import Any, BinaryIO

import av
import numpy as np
from av.audio.stream import AudioStream
from av.container import InputContainer
from av.stream import Discard

from sessions.footage_av import LibraryError, Refusal, codec_of, kind_of, opened, origin_of
from sessions.footage_write import Sound, Voice, webm

SOUND_RATE = 48_000
# Times of sound shake by some milliseconds; only what is more than that is a gap (samples).
SHAKE = SOUND_RATE * 15 // 1000
# What phones, cameras and recorders write; as with pictures, a decoder that nobody needs is only a way in.
SOUND_CODECS = {"aac", "mp3", "mp2", "opus", "vorbis", "ac3", "eac3", "flac", "alac", "amr_nb", "amr_wb"}

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
    pieces = [(film, start_s) for film, start_s in zip(films, starts, strict=False) if _size(film) > 0]
    if not pieces:
        raise Refusal("no_such_time")
    film = films[-1] if len(films) > len(starts) else None
    number, tracks = _first_sound(film) if film is not None else (None, 0)
    if film is None or number is None:
        duration_s = _joined(pieces, None, out, tell)
        return {"duration_s": duration_s, "remarks": ["sound_damaged"] if tracks else []}
    with opened(film, kind_of(film, _size(film))) as (container, _stream):
        track = _Track(container, container.streams.audio[number], max_s)
        duration_s = _joined(pieces, track, out, tell)
        return {"duration_s": duration_s, "remarks": ["sound_damaged"] if track.damaged else []}


def _size(film: BinaryIO) -> int:
    return os.fstat(film.fileno()).st_size


def _joined(
    pieces: Sequence[tuple[BinaryIO, float]], track: "_Track | None", out: BinaryIO, tell: Tell
) -> float:
    """Hand the packets of the pieces over as they are, each with its time in the film; when the last one ends."""
    video, voice, ends = None, None, 0
    with webm(out) as film:
        for number, (piece, start_s) in enumerate(pieces):
            with opened(piece, kind_of(piece, _size(piece), whole=True)) as (source, stream):
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


def _first_sound(film: BinaryIO) -> tuple[int | None, int]:
    """Which sound track is the first that gives sound, and how many there may be."""
    try:
        with opened(film, kind_of(film, _size(film))) as (container, _stream):
            tracks = container.streams.audio
            for number, track in enumerate(tracks):
                if _readable(track) and next(_Track(container, track, 1.0).frames(), None) is not None:
                    return number, len(tracks)
                container.seek(0)
            return None, len(tracks)
    except (Refusal, LibraryError) as error:
        # The pictures are made already, and are worth having without sound.
        if isinstance(error, Refusal) and error.code == "too_heavy":
            raise
        return None, 1


def _readable(track: AudioStream) -> bool:
    name = codec_of(track)
    return (name in SOUND_CODECS or name.startswith("pcm_")) and bool(track.codec_context.sample_rate)


class _Track:
    """A sound track in blocks that follow each other without a gap from time 0 of the film on."""

    def __init__(self, container: InputContainer, track: AudioStream, max_s: float) -> None:
        self.container, self.track = container, track
        self.most = int(max_s * SOUND_RATE)
        self.channels = 1 if track.codec_context.channels == 1 else 2
        self.damaged = False
        for stream in container.streams:
            if stream.index != track.index:
                stream.discard = Discard.all

    def blocks(self) -> Iterator[Sound]:
        """Blocks of samples x channels; where the film has nothing they are silent."""
        place = 0
        for due, samples in self._placed():
            while place < due and place < self.most:
                silent = min(SOUND_RATE, due - place, self.most - place)
                yield np.zeros((silent, self.channels), np.float32)
                place += silent
            # What comes before the beginning, or a second time, is left out.
            part = samples[max(0, place - due) :][: self.most - place]
            if len(part):
                yield part
                place += len(part)
            if place >= self.most:
                return

    def _placed(self) -> Iterator[tuple[int, Sound]]:
        """Samples at our rate, each time with the place of the first one."""
        origin = origin_of(self.container)
        resampler, expected, place = None, 0.0, 0
        for frame in self.frames():
            if not frame.sample_rate:
                continue
            due = expected if frame.time is None else (frame.time - origin) * SOUND_RATE
            if resampler is None or abs(due - expected) > SHAKE:
                for samples in self._turned(resampler, None):
                    yield place, samples
                resampler, place, expected = self._resampler(), round(due), due
            expected += frame.samples * SOUND_RATE / frame.sample_rate
            for samples in self._turned(resampler, frame):
                yield place, samples
                place += len(samples)
        for samples in self._turned(resampler, None):
            yield place, samples

    def _resampler(self) -> av.AudioResampler:
        layout = "mono" if self.channels == 1 else "stereo"
        return av.AudioResampler(format="flt", layout=layout, rate=SOUND_RATE)

    def _turned(self, resampler: av.AudioResampler | None, frame: av.AudioFrame | None) -> Iterator[Sound]:
        if resampler is None:
            return
        try:
            pieces = resampler.resample(frame)
        except (av.error.FFmpegError, ValueError):
            # A damaged frame may claim to be of another kind than those before it.
            self.damaged = True
            return
        for piece in pieces:
            yield np.asarray(piece.to_ndarray(), np.float32).reshape(-1, self.channels)

    def frames(self) -> Iterator[av.AudioFrame]:
        """What can be decoded; the rest is passed over."""
        packets = self.container.demux(self.track)
        while True:
            try:
                packet = next(packets, None)
            except av.error.MemoryError as error:
                raise Refusal("too_heavy") from error
            except av.error.FFmpegError:
                return
            if packet is None:
                return
            try:
                frames = packet.decode()
            except av.error.MemoryError as error:
                raise Refusal("too_heavy") from error
            except av.error.FFmpegError:
                self.damaged = True
                continue
            yield from frames
