"""How a workbook differs from a folder of files."""

from __future__ import annotations

from clubcoach.compute.checklist import MOST_ASKED

# Sheets that are there to be read, and are not read back. Not translated: a workbook may come back in another language.
GUIDE, LISTS = "how to fill this", "lists"
# Columns beside a situation, for each check that it may be asked.
BESIDE = tuple((f"check_{n}", f"met_{n}") for n in range(1, MOST_ASKED + 1))


def sheet_of(file: str) -> str:
    return file.removesuffix(".csv")
