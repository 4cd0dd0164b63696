"""Byte ranges: the values of RFC 9110 section 14, and an independent parser."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from werkzeug.http import parse_range_header

from sessions.ranges import NotSatisfiable, Span, parse, still_meant

LENGTH = 10000


@pytest.mark.parametrize(
    ("header", "told"),
    [
        # RFC 9110 section 14.1.2 and 14.4, for a representation of 10000 bytes
        ("bytes=0-499", "bytes 0-499/10000"),
        ("bytes=500-999", "bytes 500-999/10000"),
        ("bytes=-500", "bytes 9500-9999/10000"),
        ("bytes=9500-", "bytes 9500-9999/10000"),
        ("bytes=0-0", "bytes 0-0/10000"),
        ("bytes=-1", "bytes 9999-9999/10000"),
        ("bytes=0-99999", "bytes 0-9999/10000"),
        ("bytes=-99999", "bytes 0-9999/10000"),
        ("BYTES=0-499", "bytes 0-499/10000"),
        ("bytes= 0-499 ", "bytes 0-499/10000"),
    ],
)
def test_values_of_the_standard(header, told):
    span = parse(header, LENGTH)
    assert span is not None
    assert span.content_range(LENGTH) == told
    assert span.length == span.last - span.first + 1


@pytest.mark.parametrize("header", ["bytes=10000-", "bytes=10000-10001", "bytes=-0", "bytes=99999-"])
def test_outside_is_not_satisfiable(header):
    with pytest.raises(NotSatisfiable):
        parse(header, LENGTH)


@pytest.mark.parametrize(
    "header",
    [
        "",
        "bytes",
        "bytes=",
        "bytes=-",
        "bytes=a-b",
        "bytes=5-2",
        "bytes=--5",
        "bytes=+1-2",
        "bytes=1-2-3",
        "bytes=1 -2",
        "bytes=٣-٥",
        "items=0-499",
        "bytes=0-1,5-6",
        "bytes=0-499" + "0" * 400,
        "=0-499",
    ],
)
def test_what_is_not_understood_gets_the_whole(header):
    assert parse(header, LENGTH) is None


def test_an_empty_film_has_no_ranges():
    assert parse("bytes=0-1", 0) is None
    assert parse("bytes=-1", 0) is None


numbers = st.integers(0, 30).map(str) | st.just("")
headers = st.builds("bytes={}-{}".format, numbers, numbers) | st.text("bytes=-0123456789, ax", max_size=14)


@given(headers, st.integers(1, 25))
def test_as_an_independent_parser_has_it(header, length):
    theirs = parse_range_header(header)
    try:
        ours = parse(header, length)
    except NotSatisfiable:
        # "-0" is no range for the other parser; the standard has it as one that can't be satisfied.
        assert theirs is None or theirs.range_for_length(length) is None
        return
    if ours is not None and ours == Span(0, length - 1) and theirs and theirs.ranges[0][0] < -length:
        # A suffix longer than the whole is the whole (section 14.1.2); the other parser refuses it.
        return
    if theirs is None or theirs.units != "bytes" or len(theirs.ranges) != 1:
        assert ours is None
        return
    expected = theirs.range_for_length(length)
    assert expected is not None
    assert ours == Span(expected[0], expected[1] - 1)


@pytest.mark.parametrize(
    ("if_range", "meant"),
    [
        ("", True),
        ('"abc"', True),
        ('W/"abc"', False),
        ('"abd"', False),
        ("Sat, 29 Oct 1994 19:43:31 GMT", False),
    ],
)
def test_a_range_of_another_copy_is_not_meant(if_range, meant):
    assert still_meant(if_range, '"abc"') is meant
