"""The one formatter of clubcoach.formatting, and the drawings of clubcoach.svg, for templates."""

import datetime as dt

from django import template
from django.utils.safestring import SafeString

from clubcoach import formatting, svg

register = template.Library()

for words in (
    formatting.share_words,
    formatting.count_interval,
    formatting.percent_range,
    formatting.score_words,
    formatting.score_range,
    formatting.not_enough,
    formatting.seen_times,
):
    register.simple_tag(words)

register.filter("clock", formatting.clock)
register.filter("hours", formatting.hours)
register.filter("file_size", formatting.file_size)


@register.filter
def day(value: dt.date | None, club: formatting.Place | None = None) -> str:
    return formatting.day(value, club or None) if value else ""


@register.filter
def weekday(value: dt.date | None, club: formatting.Place | None = None) -> str:
    return formatting.day(value, club or None, weekday=True) if value else ""


@register.filter
def moment(value: dt.datetime | None, club: formatting.Place | None = None) -> str:
    return formatting.moment(value, club or None) if value else ""


@register.filter
def hour(value: dt.datetime | None, club: formatting.Place | None = None) -> str:
    return formatting.hour(value, club or None) if value else ""


@register.filter
def machine(value: dt.date | None) -> str:
    """For the datetime attribute of a time element: a day stays a day, a moment keeps its zone."""
    return value.isoformat() if value else ""


@register.simple_tag
def tenth_boxes(about: float, low: float, high: float) -> list[str]:
    """Classes of the ten boxes: filled up to the estimate, underlined where it may also be."""
    filled, (first, last) = formatting.tenths(about), formatting.tenths_range(low, high)
    return [
        ("box on" if number <= filled else "box") + (" may" if first < number <= last else "")
        for number in range(1, 11)
    ]


@register.simple_tag
def strip_of_counts(
    met: int, seen: int, low: float, high: float, standard: float | str | None = None
) -> SafeString | str:
    """The interval of a count on a thin rule; nothing to draw where nothing was seen."""
    # A variable that a template does not have arrives as an empty string.
    return (
        svg.strip(met / seen, low, high, None if standard in ("", None) else float(standard)) if seen else ""
    )
