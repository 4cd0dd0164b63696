"""By what a film on a disk is known again without being read whole: its size and three slices of it.

The page works the same out in the browser (``static/sessions/fingerprint.js``); docs/films.md says how.
"""

import os
import re
from hashlib import sha256
from typing import Any

SLICE = 1024 * 1024
WRITTEN = re.compile(r"[0-9a-f]{64}", re.ASCII)


def slices_of(file: Any) -> str:
    """The fingerprint of an open file, as 64 hexadecimal digits; its place in the file is moved."""
    size = file.seek(0, os.SEEK_END)
    # Files of forms do not say where a move has led them.
    size = file.tell() if size is None else size
    found = sha256(b"%d\n" % size)
    whole = [(0, size)]
    parts = (
        whole if size <= 3 * SLICE else [(start, SLICE) for start in (0, (size - SLICE) // 2, size - SLICE)]
    )
    for start, length in parts:
        file.seek(start)
        found.update(file.read(length))
    return found.hexdigest()


def is_one(text: str) -> bool:
    """Whether a text can be such a fingerprint at all."""
    return bool(WRITTEN.fullmatch(text))
