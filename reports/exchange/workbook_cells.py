"""What stands in a spreadsheet's cell, as the text that the same cell has in a CSV file."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any

from django.utils.translation import gettext as _

from clubcoach.validators import FORMULA
from reports.exchange.cells import Bad
from reports.exchange.columns import Cell, Column

MIDNIGHT = dt.time()


def text_of(value: Any, data_type: str, column: Column | None) -> str | Bad:
    """The text of a cell; `column` is None where the header names none of ours."""
    if value is None:
        return ""
    if data_type == "e":
        return Bad(_("The spreadsheet says that this is an error. Write the value."))
    if isinstance(value, bool):
        is_flag = column is not None and column.cell is Cell.FLAG
        return str(int(value)) if is_flag else str(value).upper()
    if isinstance(value, int | float):
        return _digits(value)
    if isinstance(value, dt.date | dt.time | dt.timedelta):
        return _of_calendar(value, column)
    return str(value)


def _digits(value: int | float) -> str:
    """A spreadsheet has no whole numbers: 3 is 3.0 to it."""
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return format(Decimal(repr(value)), "f") if abs(value) < 1e300 else str(value)


def _of_calendar(value: dt.date | dt.time | dt.timedelta, column: Column | None) -> str | Bad:
    wants_date = column is not None and column.cell is Cell.DATE
    if isinstance(value, dt.datetime):
        if wants_date and value.time() == MIDNIGHT:
            return value.date().isoformat()
        if wants_date:
            return Bad(_("There is a time of day in this date. Write the day alone, such as 2025-03-31."))
    elif isinstance(value, dt.date) and wants_date:
        return value.isoformat()
    if isinstance(value, dt.time | dt.timedelta) and column is not None and column.cell is Cell.NUMBER:
        # 12:34 is twelve hours and 34 minutes to a spreadsheet, and minutes and seconds to whoever typed it.
        return Bad(
            _("Write seconds as a number, such as 754.5. A spreadsheet reads 12:34 as hours and minutes.")
        )
    return Bad(
        _("The spreadsheet made a date or a time of this cell. Format it as text, and write it once more.")
    )


def put(cell: Any, value: Any) -> Any:
    """Write a value into a cell; a text stays one, even where it looks like a formula."""
    cell.value = value
    if isinstance(value, str):
        cell.data_type = "s"
        if value.startswith(FORMULA):
            # The spreadsheet's own mark for it, which lasts when somebody edits the cell.
            cell.quotePrefix = True
    return cell
