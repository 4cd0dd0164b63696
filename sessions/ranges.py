"""Byte ranges, as RFC 9110 section 14 has them, for one range at a time."""

import re
from dataclasses import dataclass

# Longer numbers than any film has bytes would only cost time to read.
LONGEST = 200
SPEC = re.compile(r"(?P<first>[0-9]*)-(?P<last>[0-9]*)")


@dataclass(frozen=True)
class Span:
    """Bytes first to last, both included."""

    first: int
    last: int

    @property
    def length(self) -> int:
        return self.last - self.first + 1

    def content_range(self, length: int) -> str:
        return f"bytes {self.first}-{self.last}/{length}"


class NotSatisfiable(Exception):
    """A range that is well written but lies outside: 416."""


def parse(header: str, length: int) -> Span | None:
    """The bytes that a Range header asks for out of ``length``; None means the whole.

    Whole are also: no header, another unit, a header that is not well formed, and several ranges at once, all of
    which a server may answer so.
    """
    unit, equals, specs = header.partition("=")
    if not equals or unit.strip().lower() != "bytes" or len(header) > LONGEST or not length:
        return None
    found = SPEC.fullmatch(specs.strip(" \t"))
    if found is None or not (found["first"] or found["last"]):
        return None
    if not found["first"]:
        suffix = int(found["last"])
        if not suffix:
            raise NotSatisfiable
        return Span(max(0, length - suffix), length - 1)
    first, last = int(found["first"]), int(found["last"]) if found["last"] else length - 1
    if found["last"] and last < first:
        return None
    if first >= length:
        raise NotSatisfiable
    return Span(first, min(last, length - 1))


def still_meant(if_range: str, etag: str) -> bool:
    """Whether the copy that a range would complete is this one; weak tags and dates never prove it."""
    return not if_range or if_range.strip() == etag
