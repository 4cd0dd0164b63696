"""What is wrong with what came in: every row counted, the first thousand told."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

SHOWN = 1000


class Problem(NamedTuple):
    """One thing that is wrong. `line` is that of the file, header 1; 0 for the file as a whole."""

    file: str
    line: int
    column: str
    value: str
    reason: str

    def __str__(self) -> str:
        where = ", ".join(
            part for part in (self.file, f"line {self.line}" if self.line else "", self.column) if part
        )
        return (f"{where}: " if where else "") + self.reason + (f" ({self.value})" if self.value else "")


class Problems:
    """Collects problems; a million of them cost no more memory than a thousand."""

    def __init__(self) -> None:
        self.count = 0
        self.first: list[Problem] = []

    def add(self, file: str, line: int, column: str, value: object, reason: Any) -> None:
        self.count += 1
        if len(self.first) < SHOWN:
            self.first.append(
                Problem(file, line, column, str(value)[:120] if value is not None else "", str(reason))
            )

    def __bool__(self) -> bool:
        return self.count > 0

    def __iter__(self) -> Iterator[Problem]:
        return iter(self.first)

    def as_rows(self) -> list[list[Any]]:
        return [list(problem) for problem in self.first]
