"""Reading a JSON body: no deeper than anything that is asked for here. Its size is bounded where it is read."""

from collections.abc import Iterator, Mapping
from typing import Any

from django.utils.translation import gettext as _
from rest_framework.exceptions import ParseError
from rest_framework.parsers import JSONParser

DEEPEST = 32


class BoundedJSONParser(JSONParser):
    """Python's reader, and whatever stores what it read, fall over brackets in brackets in brackets."""

    def parse(
        self, stream: Any, media_type: str | None = None, parser_context: Mapping[str, Any] | None = None
    ) -> Any:
        sentence = _("Lists and objects lie more than %(most)d deep in each other here.") % {"most": DEEPEST}
        try:
            parsed = super().parse(stream, media_type, parser_context)
        except RecursionError:
            raise ParseError(sentence) from None
        if any(depth > DEEPEST for depth in depths(parsed)):
            raise ParseError(sentence)
        return parsed


def depths(value: Any) -> Iterator[int]:
    """How deep each list and object lies, the outermost at 1; without recursion, which is what it guards."""
    waiting = [(value, 1)]
    while waiting:
        found, depth = waiting.pop()
        if isinstance(found, dict | list):
            yield depth
            inner = found.values() if isinstance(found, dict) else found
            waiting += [(row, depth + 1) for row in inner]
