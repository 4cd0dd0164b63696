"""The fingerprint of a film, worked out here a second time from its description in docs/films.md."""

import hashlib
import random
from io import BytesIO

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from sessions.fingerprint import is_one, slices_of

MIB = 2**20


def said(size, *slices):
    return hashlib.sha256(str(size).encode() + b"\n" + b"".join(slices)).hexdigest()


def content(size):
    # Nowhere the same twice, so that a slice from another place is another one.
    return random.Random(size).randbytes(size)


@pytest.mark.parametrize("size", [8, 1000, MIB, 3 * MIB - 1, 3 * MIB])
def test_a_short_file_counts_whole(size):
    data = content(size)
    assert slices_of(BytesIO(data)) == said(size, data)


@pytest.mark.parametrize("size", [3 * MIB + 1, 3 * MIB + 2, 5 * MIB + 17])
def test_a_long_file_counts_at_three_places(size):
    data = content(size)
    middle = (size - MIB) // 2
    assert slices_of(BytesIO(data)) == said(size, data[:MIB], data[middle : middle + MIB], data[-MIB:])


def test_a_change_inside_a_slice_is_seen_and_one_between_is_not():
    size = 9 * MIB
    data = bytearray(content(size))
    before = slices_of(BytesIO(data))
    data[2 * MIB] ^= 1
    assert slices_of(BytesIO(data)) == before
    for place in (0, size // 2, size - 1):
        changed = bytearray(data)
        changed[place] ^= 1
        assert slices_of(BytesIO(changed)) != before


def test_a_file_of_a_form(tmp_path):
    data = content(4 * MIB)
    path = tmp_path / "film"
    path.write_bytes(data)
    with path.open("rb") as file:
        assert slices_of(SimpleUploadedFile("a.mp4", data)) == slices_of(file)


@pytest.mark.parametrize(
    ("text", "so"),
    [("a" * 64, True), ("A" * 64, False), ("a" * 63, False), ("a" * 64 + "\n", False), ("", False)],
)
def test_what_can_be_one(text, so):
    assert is_one(text) is so
