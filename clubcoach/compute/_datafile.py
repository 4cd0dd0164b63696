"""What the checks of our data files share: one problem, and the small tests of a field."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeGuard

_CODE = re.compile(r"[A-Za-z][A-Za-z0-9_-]{0,39}")


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong in a data file.

    Attributes
    ----------
    where : str
        The entry and field, such as ``"check F1: end"``.
    what : str
        What is wrong with it.
    what_to_do : str
        What puts it right.
    """

    where: str
    what: str
    what_to_do: str


def check_head(data: Mapping[str, Any], where: str) -> Iterator[Problem]:
    """Check the fields that every data file starts with."""
    yield from check_texts(data, where, ("code", "source"))
    yield from check_whole(data, where, "version", 1, 1_000_000)


def coded_rows(
    data: Mapping[str, Any], field: str, word: str
) -> tuple[list[Mapping[str, Any]], list[Problem]]:
    """Take the entries that have a code, and a problem for each that has none."""
    rows = data.get(field)
    if not isinstance(rows, list) or not rows:
        return [], [Problem(field, "it is not a list with entries", f"add at least one {word}")]
    good: list[Mapping[str, Any]] = []
    wrong = []
    for number, row in enumerate(rows, 1):
        code = row.get("code") if isinstance(row, Mapping) else None
        if isinstance(code, str) and _CODE.fullmatch(code):
            good.append(row)
        else:
            wrong.append(
                Problem(f"{field}, entry {number}", "it has no code", "give it a short code of letters")
            )
    return good, wrong


def check_repeated(rows: Sequence[Mapping[str, Any]], word: str, fields: Sequence[str]) -> Iterator[Problem]:
    """Find values that two entries share."""
    for field in fields:
        values = [repr(row.get(field)) for row in rows if row.get(field) is not None]
        for value in sorted({value for value in values if values.count(value) > 1}):
            yield Problem(f"{word}: {field}", f"{value} is given twice", "keep one, rename the other")


def check_texts(row: Mapping[str, Any], where: str, fields: Sequence[str]) -> Iterator[Problem]:
    """Check that the texts are there."""
    for field in fields:
        if not is_text(row.get(field)):
            yield Problem(f"{where}: {field}", "it is missing or empty", "write it")


def check_word(row: Mapping[str, Any], where: str, field: str, words: Sequence[str]) -> Iterator[Problem]:
    """Check a word against the known ones."""
    value = row.get(field)
    if not isinstance(value, str) or value not in words:
        choice = ", ".join(word or "nothing" for word in words)
        yield Problem(f"{where}: {field}", f"{value!r} is not known", f"choose from {choice}")


def check_flags(row: Mapping[str, Any], where: str, fields: Sequence[str]) -> Iterator[Problem]:
    """Check that the values are true or false."""
    for field in fields:
        if not isinstance(row.get(field), bool):
            yield Problem(f"{where}: {field}", "it is neither true nor false", "write true or false")


def check_whole(row: Mapping[str, Any], where: str, field: str, least: int, most: int) -> Iterator[Problem]:
    """Check a whole number and its range."""
    value = row.get(field)
    if not is_whole(value) or not least <= value <= most:
        yield Problem(
            f"{where}: {field}", f"{value!r} is not a whole number in range", f"use {least} to {most}"
        )


def small_entries(row: Mapping[str, Any], field: str, texts: Sequence[str]) -> list[Mapping[str, Any]] | None:
    """Take a list of small entries, or None when one lacks a text."""
    entries = row.get(field)
    if not isinstance(entries, list):
        return None
    for entry in entries:
        if not isinstance(entry, Mapping) or not all(is_text(entry.get(text)) for text in texts):
            return None
    return entries


def unknown_name(where: str, value: object, word: str) -> Problem:
    """Say that something is named which does not exist."""
    return Problem(where, f"{value!r} is no known {word}", f"correct it, or add the {word} first")


def is_text(value: object) -> TypeGuard[str]:
    """Tell whether it is a text with something in it."""
    return isinstance(value, str) and bool(value.strip())


def is_whole(value: object) -> TypeGuard[int]:
    """Tell whether it is a whole number, true and false not being numbers."""
    return isinstance(value, int) and not isinstance(value, bool)


def is_number(value: object) -> TypeGuard[float]:
    """Tell whether it is a finite number."""
    # A whole number too large for a float is finite too; math.isfinite would raise.
    return is_whole(value) or (isinstance(value, float) and math.isfinite(value))


def is_list_of_text(value: object) -> TypeGuard[list[str]]:
    """Tell whether it is a list of texts, none of them empty."""
    return isinstance(value, list) and all(is_text(entry) for entry in value)
