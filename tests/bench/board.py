"""Figures of the bars: printed as they come, and written into the marked part of docs/benchmarks.md."""

from __future__ import annotations

import os
import platform
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

PAGE = Path(__file__).parents[2] / "docs" / "benchmarks.md"
BEGIN, END = "<!-- bars -->", "<!-- /bars -->"


@dataclass
class Section:
    """One table. `note` stands below its title."""

    title: str
    note: str
    rows: list[str] = field(default_factory=list)

    def tell(
        self,
        what: str,
        values: Sequence[float] | float,
        *,
        bar: str = "",
        show: str = "{:.3f}",
        worst: str = "high",
    ) -> None:
        """A row with the mean, the worst and each value. `worst` is high, low, or "off x": furthest from x."""
        given = np.atleast_1d(np.asarray(values, dtype=float))
        off = float(worst.split()[1]) if worst.startswith("off") else 0.0
        rank = {"high": given, "low": -given}.get(worst, np.abs(given - off))
        each = " ".join(show.format(value) for value in given) if given.size > 1 else ""
        cells = [
            what,
            bar,
            show.format(given.mean()),
            show.format(given[rank.argmax()]) if each else "",
            each,
        ]
        self.rows.append("| " + " | ".join(cells) + " |")
        print("   ", self.rows[-1], flush=True)

    def lines(self) -> list[str]:
        head = ["| what | bar | mean | worst | each |", "|---|---|---|---|---|"]
        return [f"### {self.title}", "", self.note, "", *head, *self.rows, ""]


@dataclass
class Board:
    """The sections of one run, in the order in which they came."""

    sections: list[Section] = field(default_factory=list)

    @contextmanager
    def section(self, title: str, note: str) -> Iterator[Section]:
        """A section that is kept if its figures were all found; judge them afterwards, so that a miss is told too."""
        section = Section(title, note)
        print(f"\n{title}", flush=True)
        yield section
        self.sections.append(section)

    def write(self, page: Path = PAGE) -> None:
        """Put the sections in the place of those of the same title; what this run left out stays as it was."""
        text = page.read_text(encoding="utf-8")
        before, rest = text.split(BEGIN)
        old, after = rest.split(END)
        parts = {part.splitlines()[0]: part.strip() for part in re.split(r"^### ", old, flags=re.M)[1:]}
        parts |= {section.title: "\n".join(section.lines()).strip()[4:] for section in self.sections}
        body = "\n\n".join([machine(), *(f"### {part}" for part in parts.values())])
        page.write_text(f"{before}{BEGIN}\n{body}\n{END}{after}", encoding="utf-8")


def machine() -> str:
    """What the figures were made with."""
    info = Path("/proc/cpuinfo")
    names = re.findall(r"^model name\s*:\s*(.+)$", info.read_text() if info.exists() else "", flags=re.M)
    threads = "one thread" if os.environ.get("OMP_NUM_THREADS") == "1" else "threads not held to one"
    return (
        f"Written by `make bench` ({names[0] if names else platform.machine()}, {os.cpu_count()} cores, "
        f"Python {platform.python_version()}, {threads}). "
        "What a run leaves out stays as the last one left it."
    )
