"""Small numbers of this app's pages, said by the one formatter."""

from django import template

from clubcoach import formatting

register = template.Library()


@register.simple_tag
def tenths_of(score: float) -> int:
    """A target out of 100 as a student reads it."""
    return formatting.tenths(score / 100)


@register.simple_tag
def percent_of(share: float) -> int:
    return round(100 * share)
