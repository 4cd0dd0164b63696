"""From what stands in a cell to what it means, or to the sentence that says what to write instead."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from datetime import date
from typing import Any

from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.utils.translation import gettext as _

from reports.exchange.columns import Cell, Column

# Spreadsheets leave plain and no-break spaces around a cell; other blanks inside or around one are somebody's error.
SPACES = " \t\r\n\u00a0"
FORMULA = ("=", "+", "-", "@")
# Besides the control characters: line separators, and what turns the direction of the text around it.
CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ufeff]")
CONTROL_IN_TEXT = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ufeff]"
)
# What is left of a byte that is not UTF-8, see `folder`.
STRAY = re.compile("[\ud800-\udfff]")
WHOLE = re.compile(r"-?[0-9]+")
NUMBER = re.compile(r"-?(?:[0-9]+\.?[0-9]*|\.[0-9]+)")
POWER = re.compile(r"[+-]?[0-9.]+[eE][+-]?[0-9]+")
NO_NUMBER = re.compile(r"[+-]?(?:nan|inf|infinity|n/?a|#n/a|null|none|-+)", re.IGNORECASE)
DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
# Clocks and time zones have no room at the ends of the calendar.
FIRST_YEAR, LAST_YEAR = 1900, 2200
# More digits are exact nowhere else, and thousands of them nothing Python reads.
MOST_DIGITS = 15
# Longer cells hardly repeat, and more different ones are not worth their memory.
LONGEST_KEPT, MOST_KEPT = 100, 100_000


class Bad:
    """Stands where a cell's value would."""

    __slots__ = ("reason",)

    def __init__(self, reason: str) -> None:
        self.reason = reason


class Cells(dict[str, Any]):
    """Looks a cell's text up and gives its value; what comes again is the same object, without being read again.

    A dict because lookups of known texts then never leave C. Bad cells are not kept, only counted: there may be
    a million different ones.
    """

    def __init__(self, read: Callable[[str], Any]) -> None:
        super().__init__()
        self.read = read
        self.refused = 0

    def __missing__(self, text: str) -> Any:
        value = self.read(text)
        if type(value) is Bad:
            self.refused += 1
        elif len(text) <= LONGEST_KEPT:
            if len(self) >= MOST_KEPT:
                self.clear()
            self[text] = value
        return value


class Readers:
    """The `Cells` of columns; columns that hold the same share one, so that a reference exists once in memory."""

    def __init__(self) -> None:
        self._made: dict[tuple[Any, ...], Cells] = {}

    def of(self, column: Column) -> Cells:
        what = (column.cell, column.words, column.least, column.most)
        if what not in self._made:
            self._made[what] = Cells(reader(column))
        return self._made[what]


def reader(column: Column) -> Callable[[str], Any]:
    """What reads the cells of the column: a value, None for an empty cell, or `Bad`."""
    convert = _KINDS[column.cell](column)
    control = CONTROL_IN_TEXT if column.cell is Cell.TEXT else CONTROL

    def read(text: str) -> Any:
        text = text.strip(SPACES)
        if not text:
            return None
        if not text.isprintable():
            if STRAY.search(text):
                return Bad(_("This is not UTF-8. Save the file as “CSV UTF-8”."))
            if control.search(text):
                return Bad(_("There is a control character or a line break in this cell. Delete it."))
        return convert(text)

    return read


def shown(text: str) -> str:
    """Text from outside as it may be shown and kept: short, and without what a database or a page would choke on."""
    text = text[:200]
    if text.isprintable():
        return text
    # Most sheets that are not UTF-8 are Latin-1, and their owner knows the word when it is written out.
    text = STRAY.sub(lambda found: chr(ord(found[0]) & 0xFF), text)
    return "".join(char if char.isprintable() or char == "\u00a0" else "\ufffd" for char in text)


def _too_long(text: str, column: Column) -> Bad | None:
    if column.most is not None and len(text) > column.most:
        return Bad(
            _("Write it in %(most)d characters at most; these are %(n)d.")
            % {"most": column.most, "n": len(text)}
        )
    return None


def _formula() -> Bad:
    return Bad(
        _(
            "A text may not begin with = + - or @: a spreadsheet would take it for a formula. "
            "Begin it with a letter or a digit."
        )
    )


def _out_of_bounds(value: float, column: Column) -> Bad | None:
    least, most = column.least, column.most
    if (least is None or value >= least) and (most is None or value <= most):
        return None
    if least is not None and most is not None:
        return Bad(
            _("Write a number from %(least)s to %(most)s.")
            % {"least": f"{least:.15g}", "most": f"{most:.15g}"}
        )
    if least is not None:
        return Bad(_("Write a number that is at least %(least)s.") % {"least": f"{least:.15g}"})
    return Bad(_("Write a number that is at most %(most)s.") % {"most": f"{most:.15g}"})


def _ref(column: Column) -> Callable[[str], Any]:
    def convert(text: str) -> Any:
        return _too_long(text, column) or text

    return convert


def _name(column: Column) -> Callable[[str], Any]:
    def convert(text: str) -> Any:
        if text.startswith(FORMULA):
            return _formula()
        return _too_long(text, column) or text

    return convert


def _names(column: Column) -> Callable[[str], Any]:
    one = _name(column)

    def convert(text: str) -> Any:
        parts = [part.strip(SPACES) for part in text.split(";")]
        # The same squad twice says no more than once; the order stays.
        names = tuple(dict.fromkeys(one(part) for part in parts if part))
        return next((name for name in names if type(name) is Bad), names or None)

    return convert


def _whole(column: Column) -> Callable[[str], Any]:
    def convert(text: str) -> Any:
        if not WHOLE.fullmatch(text) or len(text) > MOST_DIGITS:
            return _no_number(text) or Bad(_("Write a whole number in digits, such as 12."))
        value = int(text)
        return _out_of_bounds(value, column) or value

    return convert


def _number(column: Column) -> Callable[[str], Any]:
    def convert(text: str) -> Any:
        if not NUMBER.fullmatch(text):
            return _no_number(text) or Bad(_("Write a number in digits, such as 12.5."))
        value = float(text)
        if not math.isfinite(value):
            return Bad(_("This number is too large."))
        # Adding 0 makes 0 of -0, which would be written differently on the way out.
        return _out_of_bounds(value, column) or value + 0.0

    return convert


def _no_number(text: str) -> Bad | None:
    """What people most often write where a number is due, each with its own advice."""
    if NO_NUMBER.fullmatch(text):
        return Bad(_("This is no number. Leave the cell empty where nothing is recorded."))
    if POWER.fullmatch(text):
        return Bad(_("Write all digits of the number, without e: 1000, not 1e3."))
    if "," in text and NUMBER.fullmatch(dotted := text.replace(",", ".")):
        return Bad(
            _("Write %(good)s, not %(bad)s: decimals stand after a point.") % {"good": dotted, "bad": text}
        )
    return None


def _date(_column: Column) -> Callable[[str], Any]:
    def convert(text: str) -> Any:
        if not DATE.fullmatch(text):
            return Bad(_("Write the date as year-month-day, such as 2025-03-31."))
        try:
            day = date.fromisoformat(text)
        except ValueError:
            return Bad(_("There is no such day. Write the date as year-month-day, such as 2025-03-31."))
        if not FIRST_YEAR <= day.year <= LAST_YEAR:
            return Bad(
                _("Write a day in the years %(first)d to %(last)d.")
                % {"first": FIRST_YEAR, "last": LAST_YEAR}
            )
        return day

    return convert


def _word(column: Column) -> Callable[[str], Any]:
    words = {word: word for word in column.words}

    def convert(text: str) -> Any:
        if (word := words.get(text)) is not None:
            return word
        return Bad(_("Write one of these words: %(words)s.") % {"words": ", ".join(words)})

    return convert


def _flag(_column: Column) -> Callable[[str], Any]:
    flags = {"0": 0, "1": 1}

    def convert(text: str) -> Any:
        if (flag := flags.get(text)) is not None:
            return flag
        return Bad(_("Write 1 for yes and 0 for no."))

    return convert


def _email(column: Column) -> Callable[[str], Any]:
    def convert(text: str) -> Any:
        if text.startswith(FORMULA):
            return _formula()
        if long := _too_long(text, column):
            return long
        try:
            validate_email(text)
        except ValidationError:
            return Bad(_("This is no e-mail address. Write it as name@example.org, or leave the cell empty."))
        return text

    return convert


_KINDS: dict[Cell, Callable[[Column], Callable[[str], Any]]] = {
    Cell.REF: _ref,
    Cell.NAME: _name,
    Cell.TEXT: _name,
    Cell.WHOLE: _whole,
    Cell.NUMBER: _number,
    Cell.DATE: _date,
    Cell.WORD: _word,
    Cell.FLAG: _flag,
    Cell.NAMES: _names,
    Cell.EMAIL: _email,
}
