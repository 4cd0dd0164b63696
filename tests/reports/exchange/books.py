"""Workbooks for tests: as a coach would fill one, and as somebody would break one."""

from __future__ import annotations

import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from openpyxl import Workbook, load_workbook

from reports.exchange.columns import FILES
from reports.exchange.workbook_layout import BESIDE, sheet_of


def write_book(rows: dict[str, list[dict[str, Any]]], path: Path) -> Path:
    """The rows as sheets, numbers and dates as spreadsheets have them."""
    book = Workbook()
    book.remove(book.active)
    for name, some in rows.items():
        sheet = book.create_sheet(sheet_of(name))
        sheet.append(FILES[name].names)
        for row in some:
            sheet.append([_value(row.get(column)) for column in FILES[name].names])
    book.save(path)
    return path


def _value(value: Any) -> Any:
    if isinstance(value, tuple):
        return ";".join(value)
    return float(value) if isinstance(value, int) else value


def fill(path: Path, rows: dict[str, list[dict[str, Any]]]) -> Path:
    """Fill a blank workbook; checks go beside their situations."""
    seen: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for row in rows["checks.csv"]:
        seen.setdefault((row["analysis_ref"], row["rally"], row["situation"]), []).append(row)
    book = load_workbook(path)
    for name, some in rows.items():
        if name == "checks.csv" or sheet_of(name) not in book.sheetnames:
            continue
        sheet = book[sheet_of(name)]
        heads = {cell.value: cell.column for cell in sheet[1]}
        for line, row in enumerate(some, 2):
            cells = dict(row)
            if name == "situations.csv":
                checks = seen.get((row["analysis_ref"], row["rally"], row["situation"]), [])
                for (check, met), what in zip(BESIDE, checks, strict=False):
                    cells |= {check: what["check"], met: what["met"]}
            for column, value in cells.items():
                sheet.cell(line, heads[column], _value(value))
    book.save(path)
    return path


def rewrite(path: Path, change: Callable[[str, bytes], bytes | None], **more: bytes) -> Path:
    """The same file with its parts changed, left out (None) or added."""
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            changed = change(name, content)
            if changed is not None:
                archive.writestr(name, changed)
        for name, content in more.items():
            archive.writestr(name, content)
    return path
