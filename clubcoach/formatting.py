"""How numbers with their uncertainty, and dates, are said: every page says them through here.

Shares are between 0 and 1, scores between 0 and 100. Students read tenths and words, coaches counts
with intervals. Dates are those of the club: its time zone, its language.
"""

import datetime as dt
import math
from collections.abc import Sequence
from typing import Protocol
from zoneinfo import ZoneInfo

from django.utils import dateformat, formats, timezone, translation
from django.utils.translation import gettext, ngettext, pgettext_lazy

DAY = pgettext_lazy("date format", "j M Y")
DAY_OF_YEAR = pgettext_lazy("date format", "j M")
DAY_WITH_WEEKDAY = pgettext_lazy("date format", "D j M Y")
MOMENT = pgettext_lazy("date format", "j M Y, H:i")
HOUR = pgettext_lazy("time format", "H:i")


class Place(Protocol):
    """What of a club decides how a date reads."""

    time_zone: str
    language: str


def _checked(name: str, value: float, top: float = 1.0) -> float:
    number = float(value)
    if not 0.0 <= number <= top:
        raise ValueError(f"{name} must lie between 0 and {top:g}, got {number:g}")
    return number


def tenths(share: float) -> int:
    """A share as tenths, halves upwards: 0.25 is 3 in 10."""
    return math.floor(_checked("share", share) * 10 + 0.5 + 1e-9)


def tenths_range(low: float, high: float) -> tuple[int, int]:
    """An interval as tenths, rounded outwards: words must not claim more than the numbers do."""
    lowest = math.floor(_checked("low", low) * 10 + 1e-9)
    return lowest, max(lowest, math.ceil(_checked("high", high) * 10 - 1e-9))


def share_words(about: float, low: float, high: float, n: int) -> str:
    """For students: 'about 5 in 10; we have seen 23, so it may be 3 to 6'."""
    if not n:
        return gettext("not seen yet")
    first, last = tenths_range(low, high)
    values = {"about": tenths(about), "n": n, "low": first, "high": last}
    if first == last:
        return (
            ngettext(
                "about %(about)d in 10; we have seen only %(n)d",
                "about %(about)d in 10; we have seen %(n)d",
                n,
            )
            % values
        )
    return (
        ngettext(
            "about %(about)d in 10; we have seen only %(n)d, so it may be %(low)d to %(high)d",
            "about %(about)d in 10; we have seen %(n)d, so it may be %(low)d to %(high)d",
            n,
        )
        % values
    )


def percent_range(low: float, high: float) -> str:
    """'56 to 83 %'."""
    ends = {"low": round(_checked("low", low) * 100), "high": round(_checked("high", high) * 100)}
    return gettext("%(low)d to %(high)d %%") % ends


def count_interval(met: int, seen: int, low: float, high: float) -> str:
    """For coaches: '14 of 20 (56 to 83 %)'."""
    if not 0 <= met <= seen:
        raise ValueError(f"met must lie between 0 and seen, got {met} of {seen}")
    if not seen:
        return gettext("not seen yet")
    counts = gettext("%(met)d of %(seen)d") % {"met": met, "seen": seen}
    return f"{counts} ({percent_range(low, high)})"


def score_range(score: float, low: float, high: float) -> str:
    """'54 (45 to 63)'."""
    whole = {
        "score": round(_checked("score", score, 100)),
        "low": round(_checked("low", low, 100)),
        "high": round(_checked("high", high, 100)),
    }
    return gettext("%(score)d (%(low)d to %(high)d)") % whole


def signed(value: float) -> str:
    """'+6', '−4', '0': whole points of a change."""
    points = round(value)
    return f"+{points}" if points > 0 else f"\N{MINUS SIGN}{-points}" if points < 0 else "0"


def signed_range(change: float, low: float, high: float) -> str:
    """'+6 (+1 to +11)'."""
    ends = {"change": signed(change), "low": signed(low), "high": signed(high)}
    return gettext("%(change)s (%(low)s to %(high)s)") % ends


def score_words(score: float, low: float, high: float, n: int) -> str:
    """For coaches: '54 (45 to 63), 48 checks seen'."""
    if not n:
        return gettext("not seen yet")
    seen = ngettext("%(n)d check seen", "%(n)d checks seen", n) % {"n": n}
    return f"{score_range(score, low, high)}, {seen}"


def seen_times(n: int) -> str:
    """'seen 5 times'."""
    if not n:
        return gettext("not seen yet")
    return ngettext("seen once", "seen %(n)d times", n) % {"n": n}


def not_enough(n: int, about_more: int | None) -> str:
    """'seen 5 times; about 8 more and we can say'; with no estimate of what is missing, only that it is."""
    if not about_more:
        return gettext("%(seen)s; not enough to say yet") % {"seen": seen_times(n)}
    more = ngettext(
        "about %(more)d more and we can say", "about %(more)d more and we can say", about_more
    ) % {"more": about_more}
    return f"{seen_times(n)}; {more}"


def _in_zone(value: dt.datetime, club: Place | None) -> dt.datetime:
    if timezone.is_naive(value):
        raise ValueError("a moment needs a time zone; a naive datetime means a different day elsewhere")
    return value.astimezone(ZoneInfo(club.time_zone) if club else timezone.get_current_timezone())


def local_date(value: dt.date | dt.datetime, club: Place | None = None) -> dt.date:
    """The calendar day at the club; a plain date already is one."""
    return _in_zone(value, club).date() if isinstance(value, dt.datetime) else value


def _written(value: dt.date | dt.datetime, pattern: object, club: Place | None) -> str:
    with translation.override((club.language if club else "") or translation.get_language()):
        return dateformat.format(value, str(pattern))


def day(value: dt.date | dt.datetime, club: Place | None = None, *, weekday: bool = False) -> str:
    """'25 Nov 2025', or 'Tue 25 Nov 2025': never a number for the month, which reads differently abroad."""
    return _written(local_date(value, club), DAY_WITH_WEEKDAY if weekday else DAY, club)


def days(values: Sequence[dt.date], club: Place | None = None) -> list[str]:
    """Days that stand side by side: '4 Mar', '31 Mar'; with the year once they lie in two."""
    pattern = DAY if len({value.year for value in values}) > 1 else DAY_OF_YEAR
    return [_written(value, pattern, club) for value in values]


def moment(value: dt.datetime, club: Place | None = None) -> str:
    """'25 Nov 2025, 18:30' on the club's clock."""
    return _written(_in_zone(value, club), MOMENT, club)


def hour(value: dt.datetime, club: Place | None = None) -> str:
    """'18:30' on the club's clock, where the day stands beside it."""
    return _written(_in_zone(value, club), HOUR, club)


def hours(value: float) -> str:
    """'1.25', '1.5', '12': time on court, to the hundredth and without empty decimals, so that quarters add up."""
    _whole, _point, decimals = f"{value:.2f}".rstrip("0").rstrip(".").partition(".")
    return formats.number_format(round(value, 2), len(decimals))


def clock(seconds: float) -> str:
    """A place in a film: '0:07', '12:34', '1:02:07'."""
    minutes, rest = divmod(int(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"


def file_size(count: int) -> str:
    """'940 kB', '310 MB', '4.2 GB': bytes in the thousands that disks are sold by."""
    sentences = {10**9: gettext("%(n)s GB"), 10**6: gettext("%(n)s MB"), 10**3: gettext("%(n)s kB")}
    for unit, sentence in sentences.items():
        if count >= unit * 0.9995:
            figure = count / unit
            decimals = 1 if figure < 9.95 else 0
            return sentence % {"n": formats.number_format(round(figure, decimals), decimals)}
    return ngettext("%(n)d byte", "%(n)d bytes", count) % {"n": count}


def measure(value: float, unit: str) -> str:
    """'4.5 m', '0.2 s': a bound of a check, to the hundredth and without empty decimals."""
    figure = f"{value:.2f}".rstrip("0").rstrip(".")
    return (
        gettext("%(figure)s m") % {"figure": figure}
        if unit == "m"
        else gettext("%(figure)s s") % {"figure": figure}
    )
