"""Reading the body of an operation: each function gives a clean value or refuses with the field and a sentence."""

from __future__ import annotations

import math
import uuid
from collections.abc import Collection, Mapping
from typing import Any

from django.utils.translation import gettext as _

Body = Mapping[str, Any]


class Refused(Exception):
    """Nothing is applied; the person reads the sentence at the field."""

    def __init__(self, field: str, message: str) -> None:
        super().__init__(message)
        self.field = field
        self.message = message


class Stale(Exception):
    """The row has changed since the device read it: both values go back and nothing is changed."""

    def __init__(self, mine: dict[str, Any], theirs: dict[str, Any], rev: int) -> None:
        super().__init__("stale")
        self.mine = mine
        self.theirs = theirs
        self.rev = rev


def only(body: Body, known: Collection[str]) -> None:
    for field in body:
        if field not in known:
            raise Refused(
                field, _("“%(field)s” is not a field of this kind of operation.") % {"field": field}
            )


def some(body: Body, known: Collection[str]) -> None:
    only(body, known)
    if not body:
        raise Refused("body", _("The operation names nothing to change."))


def needed(body: Body, fields: Collection[str]) -> None:
    for field in fields:
        if body.get(field) in (None, ""):
            raise Refused(field, _("“%(field)s” is missing.") % {"field": field})


def seconds(field: str, value: Any, *, empty: bool = False) -> float | None:
    if value is None and empty:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= 86400:
        raise Refused(field, _("A time is a number of seconds from 0 to 86400."))
    # Milliseconds are finer than any film; more digits would only make two equal times differ.
    return round(float(value), 3)


def whole(field: str, value: Any, low: int, high: int, *, empty: bool = False) -> int | None:
    if value is None and empty:
        return None
    if isinstance(value, float) and math.isfinite(value) and value == int(value):
        value = int(value)
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise Refused(
            field, _("This is a whole number from %(low)d to %(high)d.") % {"low": low, "high": high}
        )
    return value


def word(field: str, value: Any, allowed: Collection[str], *, empty: bool = True) -> str:
    if value in (None, "") and empty:
        return ""
    if not isinstance(value, str) or value not in allowed:
        raise Refused(field, _("This is one of: %(words)s.") % {"words": ", ".join(sorted(allowed)) or "-"})
    return value


def text(field: str, value: Any, longest: int) -> str:
    if value is None:
        return ""
    if not isinstance(value, str):
        raise Refused(field, _("This is a text."))
    clean = value.strip()
    if len(clean) > longest:
        raise Refused(field, _("This is longer than %(longest)d characters.") % {"longest": longest})
    return clean


def flag(field: str, value: Any) -> bool:
    if not isinstance(value, bool):
        raise Refused(field, _("This is true or false."))
    return value


def one_uuid(field: str, value: Any) -> str:
    """The canonical form, so that one row has one name however it was written."""
    try:
        return str(uuid.UUID(value))
    except (TypeError, ValueError, AttributeError):
        raise Refused(field, _("This is not an identifier.")) from None


def uuid_and_code(target: str) -> tuple[str, str]:
    first, slash, code = target.partition("/")
    if not slash or not code:
        raise Refused("target", _("The target is an identifier and a code, with a stroke between them."))
    return one_uuid("target", first), code
