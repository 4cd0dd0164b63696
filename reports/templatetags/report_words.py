"""Small numbers of this app's pages, said by the one formatter."""

from typing import Any

from django import template
from django.utils.safestring import SafeString

from clubcoach import formatting, svg
from reports.models import Score
from reports.roster import listed_name, listed_unit_name
from reports.trend import point

register = template.Library()
register.filter("listed_name", listed_name)
register.filter("listed_unit_name", listed_unit_name)


@register.simple_tag
def tenths_of(score: float) -> int:
    """A target out of 100 as a student reads it."""
    return formatting.tenths(score / 100)


@register.simple_tag
def percent_of(share: float) -> int:
    return round(100 * share)


@register.simple_tag
def whole(score: float) -> int:
    """A standard out of 100; that of a pair is the mean of two."""
    return round(score)


@register.simple_tag
def strip_of_score(score: Score, standard: float | None) -> SafeString:
    """A score's interval on a thin rule, with the level's standard; near the ends the mean may lie a hair outside."""
    _day, value, low, high, _n = point(score)
    return svg.strip(value / 100, low / 100, high / 100, standard)


@register.filter
def index(rows: list[Any], place: int) -> Any:
    """The head of a column beside its cell, where a narrow screen has no heads."""
    return rows[place]
