"""Texts as they travel: what a club typed before there were rules, made into what the way in takes.

Both sides of an import are compared in this form, so that what went out is known again where it came from.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from clubcoach.validators import FORMULA
from reports.exchange.cells import CONTROL, CONTROL_IN_TEXT, SPACES
from reports.exchange.columns import Cell, FileSpec


def cleaned(spec: FileSpec, cells: dict[str, Any]) -> dict[str, Any]:
    """Cells of a row by column, as they travel."""
    out = {}
    for name, value in cells.items():
        clean = _CLEAN.get(spec.column(name).cell)
        out[name] = value if clean is None else clean(value) if value else None
    return out


def name_of(text: str) -> str | None:
    """As the way in takes it: what was typed before there were rules may begin like a formula of a spreadsheet."""
    text = CONTROL.sub(" ", text).strip(SPACES)
    return f"'{text}" if text.startswith(FORMULA) else text or None


def _text(text: str) -> str | None:
    # A carriage return alone is no line break to those who write CSV, and one to those who read it.
    text = CONTROL_IN_TEXT.sub(" ", text).replace("\r\n", "\n").replace("\r", "\n").strip(SPACES)
    return f"'{text}" if text.startswith(FORMULA) else text or None


def _names(names: tuple[str, ...]) -> tuple[str, ...]:
    # A ; is what stands between two of them.
    return tuple(sorted(told for name in names if (told := name_of(name.replace(";", ",")))))


def _email(address: str) -> str | None:
    # With a sign before it, it would be somebody else's.
    return None if address.startswith(FORMULA) else address


_CLEAN: dict[Cell, Callable[[Any], Any]] = {
    Cell.NAME: name_of,
    Cell.TEXT: _text,
    Cell.NAMES: _names,
    Cell.EMAIL: _email,
}
