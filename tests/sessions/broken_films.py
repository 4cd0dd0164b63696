"""Small films as phones and cameras write them, every picture with its number, and ways of damaging them."""

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

FRAMES, FPS = 60, 25


def picture(number: int, height: int = 96, width: int = 160) -> np.ndarray:
    """Eight upright bars, white where the number has a one, over a coloured foot."""
    bars = np.repeat([255 * (number >> bit & 1) for bit in range(8)], width // 8).astype(np.uint8)
    pixels = np.zeros((height, width, 3), dtype=np.uint8)
    pixels[:, : bars.size] = bars[None, :, None]
    pixels[height // 2 :] = (230, 159, 0)
    return pixels


def number_of(pixels: np.ndarray) -> int:
    row = pixels[pixels.shape[0] // 4].astype(int).mean(axis=-1)
    return sum(1 << bit for bit in range(8) if row[pixels.shape[1] // 16 * (2 * bit + 1)] > 127)


def needs_ffmpeg() -> None:
    """Phones' films are written with Debian's command: the wheel's encoders for them are under the GPL."""
    if shutil.which("ffmpeg") is None:
        if os.environ.get("CI") == "true":
            pytest.fail("ffmpeg is not installed")
        pytest.skip("ffmpeg is not installed")


def ffmpeg(
    path: Path,
    *options: str,
    frames: int = FRAMES,
    fps: float = FPS,
    height: int = 96,
    width: int = 160,
    inputs: tuple[str, ...] = (),
) -> Path:
    """Numbered pictures in whatever way the options say; `inputs` are more of them (sound)."""
    needs_ffmpeg()
    raw = b"".join(picture(number % 256, height, width).tobytes() for number in range(frames))
    source = ["-f", "rawvideo", "-pix_fmt", "rgb24", "-s", f"{width}x{height}", "-r", f"{fps}", "-i", "-"]
    command = ["ffmpeg", "-v", "error", "-y", *source, *inputs, *options, str(path)]
    done = subprocess.run(command, input=raw, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr.decode()
    return path


TONE = ("-f", "lavfi", "-i", "sine=frequency=900:sample_rate=44100:duration=2.4")
H264 = ("-c:v", "libx264", "-preset", "veryfast", "-pix_fmt", "yuv420p", "-g", "12", "-bf", "3")
HEVC = ("-c:v", "libx265", "-preset", "ultrafast", "-pix_fmt", "yuv420p", "-tag:v", "hvc1")
HEVC += ("-x265-params", "log-level=error:keyint=12:min-keyint=12:open-gop=1:bframes=3")
AAC = ("-c:a", "aac", "-b:a", "64k")
UNEVEN = (
    "-vf",
    "settb=1/90000,setpts=(N+0.4*mod(N\\,3))/25/TB",
    "-enc_time_base",
    "1:90000",
    "-fps_mode",
    "passthrough",
    "-video_track_timescale",
    "90000",
)

SOURCES: dict[str, tuple[str, ...]] = {
    "h264.mp4": (*H264, *AAC),
    "faststart.mp4": (*H264, *AAC, "-movflags", "+faststart"),
    "fragmented.mp4": (*H264, *AAC, "-movflags", "+frag_keyframe+empty_moov"),
    "hevc.mov": (*HEVC, *AAC),
    "vp9.webm": (
        "-c:v",
        "libvpx-vp9",
        "-pix_fmt",
        "yuv420p",
        "-deadline",
        "realtime",
        "-cpu-used",
        "8",
        "-g",
        "12",
        "-c:a",
        "libopus",
    ),
    "h264.mkv": (*H264, *AAC),
    "h264.ts": (*H264, *AAC),
    "mpeg4.mp4": ("-c:v", "mpeg4", "-b:v", "1M", "-g", "12", *AAC),
}


def sources(folder: Path) -> dict[str, Path]:
    return {name: ffmpeg(folder / name, *options, inputs=TONE) for name, options in SOURCES.items()}


def damaged(data: bytes, rng: np.random.Generator) -> bytes:
    """Cut short, or with some bits turned, or both; the head of the file is hit as often as all the rest."""
    kind = rng.integers(3)
    if kind != 0:
        data = data[: int(rng.integers(1, len(data)))]
    if kind != 1:
        changed = bytearray(data)
        for _ in range(int(2 ** rng.integers(0, 8))):
            reach = len(changed) if rng.random() < 0.5 else min(len(changed), 4096)
            changed[int(rng.integers(reach))] ^= 1 << int(rng.integers(8))
        data = bytes(changed)
    return data


def films_that_are_broken(files: dict[str, Path], count: int, seed: int) -> Iterator[tuple[str, bytes]]:
    rng = np.random.default_rng(seed)
    whole = {name: path.read_bytes() for name, path in files.items()}
    for number in range(count):
        name = list(whole)[number % len(whole)]
        yield f"{number}-{name}", damaged(whole[name], rng)
