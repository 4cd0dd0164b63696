"""Reading the sound of a stranger's film: one track, in blocks that follow each other from the film's zero on."""

import os
from collections.abc import Callable, Iterator
from typing import Any, BinaryIO

import av
import numpy as np
from av.audio.stream import AudioStream
from av.container import InputContainer
from av.stream import Discard

from sessions.footage_av import LibraryError, Refusal, codec_of, kind_of, opened, origin_of
from sessions.footage_write import Sound

# Times of sound shake by some milliseconds; only what is more than that is a gap.
SHAKE_S = 0.015
# What phones, cameras and recorders write; as with pictures, a decoder that nobody needs is only a way in.
SOUND_CODECS = {"aac", "mp3", "mp2", "opus", "vorbis", "ac3", "eac3", "flac", "alac", "amr_nb", "amr_wb"}
# So much is handed over at a time: little memory, and few enough pieces that counting them costs nothing.
BLOCK_S = 5.0

Hand = Callable[[Sound, float], None]


def sound(film: BinaryIO, *, rate: int, max_s: float, hand: Hand) -> dict[str, Any]:
    """Hand over the first track that has sound, with the share of the film that is done; what is to be said of it."""
    with opened(film, kind_of(film, size_of(film))) as (container, _stream):
        number = _first_in(container)
    if number is None:
        raise Refusal("no_sound")
    with opened(film, kind_of(film, size_of(film))) as (container, _stream):
        track = Track(container, container.streams.audio[number], max_s, rate)
        long_s = (container.duration or 0) / av.time_base
        place = 0
        for block in _gathered(track.blocks(), int(BLOCK_S * rate)):
            place += len(block)
            hand(block, min(1.0, place / rate / long_s) if long_s else 0.0)
        return {"remarks": ["sound_damaged"] if track.damaged else []}


def _gathered(blocks: Iterator[Sound], size: int) -> Iterator[Sound]:
    """The same samples in fewer blocks, each of about a size."""
    held: list[Sound] = []
    there = 0
    for block in blocks:
        held.append(block)
        there += len(block)
        if there >= size:
            yield np.concatenate(held)
            held, there = [], 0
    if held:
        yield np.concatenate(held)


def size_of(film: BinaryIO) -> int:
    return os.fstat(film.fileno()).st_size


def first_sound(film: BinaryIO) -> tuple[int | None, int]:
    """Which sound track is the first that gives sound, and how many there may be."""
    try:
        with opened(film, kind_of(film, size_of(film))) as (container, _stream):
            return _first_in(container), len(container.streams.audio)
    except (Refusal, LibraryError) as error:
        # Whoever asks has the pictures, which are worth something without sound.
        if isinstance(error, Refusal) and error.code == "too_heavy":
            raise
        return None, 1


def _first_in(container: InputContainer) -> int | None:
    for number, track in enumerate(container.streams.audio):
        if _readable(track) and next(Track(container, track, 1.0, 48_000).frames(), None) is not None:
            return number
        container.seek(0)
    return None


def _readable(track: AudioStream) -> bool:
    name = codec_of(track)
    return (name in SOUND_CODECS or name.startswith("pcm_")) and bool(track.codec_context.sample_rate)


class Track:
    """A sound track in blocks that follow each other without a gap from time 0 of the film on."""

    def __init__(self, container: InputContainer, track: AudioStream, max_s: float, rate: int) -> None:
        self.container, self.track, self.rate = container, track, rate
        self.most = int(max_s * rate)
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
                silent = min(self.rate, due - place, self.most - place)
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
            due = expected if frame.time is None else (frame.time - origin) * self.rate
            if resampler is None or abs(due - expected) > SHAKE_S * self.rate:
                for samples in self._turned(resampler, None):
                    yield place, samples
                resampler, place, expected = self._resampler(), round(due), due
            expected += frame.samples * self.rate / frame.sample_rate
            for samples in self._turned(resampler, frame):
                yield place, samples
                place += len(samples)
        for samples in self._turned(resampler, None):
            yield place, samples

    def _resampler(self) -> av.AudioResampler:
        layout = "mono" if self.channels == 1 else "stereo"
        return av.AudioResampler(format="flt", layout=layout, rate=self.rate)

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
