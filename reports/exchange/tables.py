"""A file's cells, column by column: how every part of the exchange hands rows to the next."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from reports.exchange.columns import FILES, FileSpec


@dataclass(eq=False)
class Table:
    """Cells by column, each a list as long as `lines`; see `Cell` for their types.

    A column that the file does not have is a list of None. `lines` are the file's line numbers, for what is said
    about a row later; a row with a bad cell is not in the table.
    """

    spec: FileSpec
    lines: list[int] = field(default_factory=list)
    columns: dict[str, list[Any]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in self.spec.names:
            self.columns.setdefault(name, [])

    def __len__(self) -> int:
        return len(self.lines)

    def __getitem__(self, name: str) -> list[Any]:
        return self.columns[name]

    def rows(self) -> Iterator[tuple[int, dict[str, Any]]]:
        """Line and cells of each row; for small tables."""
        for i, line in enumerate(self.lines):
            yield line, {name: column[i] for name, column in self.columns.items()}

    def add(self, line: int = 0, **cells: Any) -> None:
        self.lines.append(line)
        for name, column in self.columns.items():
            column.append(cells.get(name))


@dataclass(eq=False)
class Tables:
    """All files of an exchange by name; one that was not there is absent."""

    files: dict[str, Table] = field(default_factory=dict)

    def __contains__(self, name: str) -> bool:
        return name in self.files

    def __getitem__(self, name: str) -> Table:
        """The table; empty where the file was not there."""
        return self.files.get(name) or Table(FILES[name])
