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

from clubcoach.validators import FORMULA
from reports.exchange.columns import Cell, Column

# Spreadsheets leave plain and no-break spaces around a cell; other blanks inside or around one are somebody's error.
SPACES = " \t\r\n\u00a0"
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
    """What reads the cells of the column: a value, None for an empty cell, or `Bad`.

    Here and in what it calls, sentences are made once for each column: to translate one for each of a million
    bad cells would take longer than reading them.
    """
    convert = _KINDS[column.cell](column)
    control = CONTROL_IN_TEXT if column.cell is Cell.TEXT else CONTROL
    stray = Bad(_("This is not UTF-8. Save the file as “CSV UTF-8”."))
    controls = Bad(_("There is a control character or a line break in this cell. Delete it."))

    def read(text: str) -> Any:
        text = text.strip(SPACES)
        if not text:
            return None
        if not text.isprintable():
            if STRAY.search(text):
                return stray
            if control.search(text):
                return controls
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


def _ref(column: Column) -> Callable[[str], Any]:
    most = column.most or math.inf
    long = _("Write it in %(most)d characters at most; these are %(n)d.")

    def convert(text: str) -> Any:
        return text if len(text) <= most else Bad(long % {"most": most, "n": len(text)})

    return convert


def _name(column: Column) -> Callable[[str], Any]:
    short = _ref(column)
    formula = Bad(
        _(
            "A text may not begin with = + - or @: a spreadsheet would take it for a formula. "
            "Begin it with a letter or a digit."
        )
    )

    def convert(text: str) -> Any:
        return formula if text.startswith(FORMULA) else short(text)

    return convert


def _names(column: Column) -> Callable[[str], Any]:
    one = _name(column)

    def convert(text: str) -> Any:
        parts = [part.strip(SPACES) for part in text.split(";")]
        # The same squad twice says no more than once; the order stays.
        names = tuple(dict.fromkeys(one(part) for part in parts if part))
        return next((name for name in names if type(name) is Bad), names or None)

    return convert


def _bounded(column: Column) -> Callable[[float], Any]:
    least = -math.inf if column.least is None else column.least
    most = math.inf if column.most is None else column.most
    said = {"least": f"{least:.15g}", "most": f"{most:.15g}"}
    if column.most is None:
        outside = Bad(_("Write a number that is at least %(least)s.") % said)
    elif column.least is None:
        outside = Bad(_("Write a number that is at most %(most)s.") % said)
    else:
        outside = Bad(_("Write a number from %(least)s to %(most)s.") % said)
    return lambda value: value if least <= value <= most else outside


def _whole(column: Column) -> Callable[[str], Any]:
    bounded = _bounded(column)
    other = _no_number(_("Write a whole number in digits, such as 12."))

    def convert(text: str) -> Any:
        if not WHOLE.fullmatch(text) or len(text) > MOST_DIGITS:
            return other(text)
        return bounded(int(text))

    return convert


def _number(column: Column) -> Callable[[str], Any]:
    bounded = _bounded(column)
    other = _no_number(_("Write a number in digits, such as 12.5."))
    endless = Bad(_("This number is too large."))

    def convert(text: str) -> Any:
        if not NUMBER.fullmatch(text):
            return other(text)
        # Adding 0 makes 0 of -0, which would be written differently on the way out.
        value = float(text) + 0.0
        return bounded(value) if math.isfinite(value) else endless

    return convert


def _no_number(otherwise: str) -> Callable[[str], Bad]:
    """What people most often write where a number is due, each with its own advice."""
    nothing = Bad(_("This is no number. Leave the cell empty where nothing is recorded."))
    power = Bad(_("Write all digits of the number, without e: 1000, not 1e3."))
    comma = _("Write %(good)s, not %(bad)s: decimals stand after a point.")
    other = Bad(otherwise)

    def advice(text: str) -> Bad:
        if NO_NUMBER.fullmatch(text):
            return nothing
        if POWER.fullmatch(text):
            return power
        if "," in text and NUMBER.fullmatch(dotted := text.replace(",", ".")):
            return Bad(comma % {"good": dotted, "bad": text})
        return other

    return advice


def _date(_column: Column) -> Callable[[str], Any]:
    shape = Bad(_("Write the date as year-month-day, such as 2025-03-31."))
    nowhere = Bad(_("There is no such day. Write the date as year-month-day, such as 2025-03-31."))
    outside = Bad(
        _("Write a day in the years %(first)d to %(last)d.") % {"first": FIRST_YEAR, "last": LAST_YEAR}
    )

    def convert(text: str) -> Any:
        if not DATE.fullmatch(text):
            return shape
        try:
            day = date.fromisoformat(text)
        except ValueError:
            return nowhere
        return day if FIRST_YEAR <= day.year <= LAST_YEAR else outside

    return convert


def _word(column: Column) -> Callable[[str], Any]:
    words: dict[str, Any] = {word: word for word in column.words}
    other = Bad(_("Write one of these words: %(words)s.") % {"words": ", ".join(words)})
    return lambda text: words.get(text, other)


def _flag(_column: Column) -> Callable[[str], Any]:
    flags: dict[str, Any] = {"0": 0, "1": 1}
    other = Bad(_("Write 1 for yes and 0 for no."))
    return lambda text: flags.get(text, other)


def _email(column: Column) -> Callable[[str], Any]:
    named = _name(column)
    other = Bad(_("This is no e-mail address. Write it as name@example.org, or leave the cell empty."))

    def convert(text: str) -> Any:
        found = named(text)
        if found is text:
            try:
                validate_email(text)
            except ValidationError:
                return other
        return found

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
