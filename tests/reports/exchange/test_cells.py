"""What a cell is read as, and the sentence for one that is not right."""

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.exchange import cells
from reports.exchange.cells import Bad, Cells, Readers, reader, shown
from reports.exchange.columns import FILES, Cell, Column

COLUMNS = {
    "ref": Column("r", Cell.REF, most=60),
    "name": Column("n", Cell.NAME, most=60),
    "text": Column("t", Cell.TEXT, most=2000),
    "whole": Column("w", Cell.WHOLE, least=1, most=999),
    "free_whole": Column("w", Cell.WHOLE),
    "number": Column("s", Cell.NUMBER, least=0, most=86_400.0),
    "free": Column("s", Cell.NUMBER),
    "date": Column("d", Cell.DATE),
    "word": Column("k", Cell.WORD, words=("left", "right")),
    "flag": Column("f", Cell.FLAG),
    "names": Column("g", Cell.NAMES, most=60),
    "email": Column("e", Cell.EMAIL, most=254),
}


def value(kind, text):
    return reader(COLUMNS[kind])(text)


@pytest.mark.parametrize(
    ("kind", "text", "meant"),
    [
        ("ref", " p-1\u00a0", "p-1"),
        ("ref", "-12", "-12"),
        ("ref", "x" * 60, "x" * 60),
        ("name", "Élan O'Neill", "Élan O'Neill"),
        ("text", "one\r\ntwo\tthree", "one\r\ntwo\tthree"),
        ("text", "x" * 2000, "x" * 2000),
        ("whole", "007", 7),
        ("whole", "999", 999),
        ("number", "12.5", 12.5),
        ("number", "12", 12.0),
        ("number", ".5", 0.5),
        ("number", "86400", 86_400.0),
        ("free", "-3.25", -3.25),
        ("date", "2024-02-29", date(2024, 2, 29)),
        ("word", " left", "left"),
        ("flag", "1", 1),
        ("flag", "0", 0),
        ("names", "Early; Late ;;Early", ("Early", "Late")),
        ("names", ";;", None),
        ("email", "ana@example.org", "ana@example.org"),
        *((kind, " \u00a0\t", None) for kind in COLUMNS),
    ],
)
def test_a_cell_is_read_as_what_it_means(kind, text, meant):
    found = value(kind, text)
    assert found == meant
    assert type(found) is type(meant)


def test_minus_nothing_is_nothing():
    assert str(value("number", "-0")) == "0.0"


@pytest.mark.parametrize(
    ("kind", "text", "said"),
    [
        ("ref", "x" * 61, "60 characters at most; these are 61"),
        ("ref", "a\x00b", "control character"),
        ("ref", "a\nb", "control character or a line break"),
        ("ref", "\x1fa", "control character"),
        ("name", "a\u202eb", "control character"),
        ("name", "a\u2028b", "control character"),
        ("name", "a\nb", "line break"),
        ("text", "a\x07b", "control character"),
        ("name", "M\udcfcller", "not UTF-8"),
        ("whole", "1\udcfc", "not UTF-8"),
        *((kind, sign + "A", "may not begin with") for kind in ("name", "text", "names") for sign in "=+-@"),
        ("name", "  =1", "may not begin with"),
        ("names", "Early;=1", "may not begin with"),
        ("names", "Early;" + "x" * 61, "60 characters at most"),
        ("text", "x" * 2001, "2000 characters at most"),
        ("name", "x" * 61, "60 characters at most"),
        ("whole", "0", "from 1 to 999"),
        ("whole", "1000", "from 1 to 999"),
        ("whole", "3.0", "Write a whole number"),
        ("whole", "1e3", "without e"),
        ("whole", "three", "Write a whole number"),
        ("whole", "1_0", "Write a whole number"),
        ("whole", "٣", "Write a whole number"),
        ("whole", "9" * 5000, "Write a whole number"),
        ("free_whole", "9" * 5000, "Write a whole number"),
        ("number", "12,5", "Write 12.5, not 12,5"),
        ("number", "1e3", "without e"),
        ("number", "1E-3", "without e"),
        ("number", "nan", "no number. Leave the cell empty"),
        ("number", "-inf", "no number. Leave the cell empty"),
        ("number", "Infinity", "no number"),
        ("number", "n/a", "no number"),
        ("number", "1:23", "such as 12.5"),
        ("number", "0x10", "such as 12.5"),
        ("number", "-0.1", "from 0 to 86400"),
        ("number", "86400.01", "from 0 to 86400"),
        ("free", "9" * 400, "too large"),
        ("date", "31.3.2025", "year-month-day"),
        ("date", "03/31/2025", "year-month-day"),
        ("date", "20250331", "year-month-day"),
        ("date", "2025-3-1", "year-month-day"),
        ("date", "2025-03-31 00:00:00", "year-month-day"),
        ("date", "2025-W10-1", "year-month-day"),
        ("date", "2025-02-29", "no such day"),
        ("date", "0001-01-01", "in the years 1900 to 2200"),
        ("date", "9999-12-31", "in the years 1900 to 2200"),
        ("word", "Left", "one of these words: left, right"),
        ("word", "both", "one of these words: left, right"),
        ("flag", "yes", "1 for yes and 0 for no"),
        ("flag", "2", "1 for yes and 0 for no"),
        ("flag", "1.0", "1 for yes and 0 for no"),
        ("email", "ana", "no e-mail address"),
        ("email", "=a@example.org", "may not begin with"),
        ("email", "a" * 250 + "@example.org", "254 characters at most"),
    ],
)
def test_what_is_not_right_gets_a_sentence_that_says_what_to_do(kind, text, said):
    found = value(kind, text)
    assert type(found) is Bad
    assert said in found.reason


@pytest.mark.parametrize(
    ("least", "most", "said"), [(5, None, "at least 5"), (None, 5, "at most 5")], ids=["least", "most"]
)
def test_a_column_may_be_bounded_on_one_side(least, most, said):
    read = reader(Column("x", Cell.WHOLE, least=least, most=most))
    assert read("5") == 5
    assert said in read("4" if most is None else "6").reason


@given(
    st.sampled_from(sorted(COLUMNS)), st.text() | st.text(st.characters(categories=["Cs", "Cc", "Nd", "P"]))
)
def test_any_text_is_a_value_nothing_or_a_reason(kind, text):
    found = value(kind, text)
    assert found is None or type(found) is Bad or isinstance(found, str | int | float | tuple | date)
    if type(found) is Bad:
        shown(text).encode()
    elif isinstance(found, str):
        found.encode()


def test_a_value_that_comes_again_is_the_same_object():
    lookup = Cells(reader(COLUMNS["ref"]))
    first = lookup["".join(["p", "-1"])]
    assert lookup["".join(["p-", "1"])] is first
    readers = Readers()
    checks, situations = FILES["checks.csv"], FILES["situations.csv"]
    assert readers.of(checks.column("analysis_ref")) is readers.of(situations.column("analysis_ref"))
    assert readers.of(checks.column("analysis_ref")) is not readers.of(checks.column("check"))


def test_neither_bad_cells_nor_ever_new_ones_fill_the_memory(monkeypatch):
    monkeypatch.setattr(cells, "MOST_KEPT", 10)
    lookup = Cells(reader(COLUMNS["whole"]))
    for n in range(1000):
        assert type(lookup[f"x{n}"]) is Bad
    assert (len(lookup), lookup.refused) == (0, 1000)
    assert [lookup[str(n)] for n in range(1, 100)] == list(range(1, 100))
    assert len(lookup) <= 10
    texts = Cells(reader(COLUMNS["text"]))
    assert texts["x" * 1500] == "x" * 1500
    assert not texts


def test_what_is_shown_is_short_and_can_be_stored():
    assert shown("M\udcfcller") == "Müller"
    assert shown("a\x00b\nc") == "a\ufffdb\ufffdc"
    assert shown("a\u00a0b") == "a\u00a0b"
    assert len(shown("x" * 10_000)) == 200
