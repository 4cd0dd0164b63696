"""Why a count and a score beside it differ by more than a few points, in a clause."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from django.utils.translation import gettext as _

from clubcoach.compute.differences import Gap, take_apart
from reports.evidence import WINDOW_DAYS
from reports.reading import Reading

# Points between count and score below which nothing is said.
WORTH_A_WORD = 5.0
# A cause is named from about three points on, if it makes a good part of the difference; a second one beside it if it
# is at least half as large.
LEAST_LOGITS, LEAST_PART, SECOND = 0.12, 0.3, 0.5
CAUSES = ("severity", "balls", "checks", "moved", "form", "little")


@dataclass(frozen=True)
class Difference:
    """Of one unit and area: which way the count lies, and the causes that are named, the largest first."""

    lower: bool
    causes: tuple[str, ...]

    def __str__(self) -> str:
        whys = [words(cause, lower=self.lower) for cause in self.causes]
        if not whys:
            return ""
        why = whys[0]
        if len(whys) > 1:
            why = _("%(one)s, and %(other)s") % {"one": whys[0], "other": whys[1]}
        if self.lower:
            return _("The count is lower than the score: %(why)s.") % {"why": why}
        return _("The count is higher than the score: %(why)s.") % {"why": why}


def difference(
    reading: Reading, unit: int, area: int, *, share: float, score: float, checks: list[int]
) -> Difference | None:
    """None where count and score lie close together, or where no cause is large enough to be named.

    Parameters: the counted share (0 to 1) of these checks in the counting window, and the latest score (0 to 100).
    """
    apart = 100 * share - score
    mine = reading.tallies["day"][reading.tallies["unit"] == unit]
    if abs(apart) <= WORTH_A_WORD or not mine.size:
        return None
    since = int(mine.max()) - timedelta(days=WINDOW_DAYS).days + 1
    gap = take_apart(reading.result, unit, area, since=since, checks=checks)
    causes = named(gap, apart) if gap else ()
    return Difference(bool(apart < 0), causes) if causes else None


def named(gap: Gap, apart: float) -> tuple[str, ...]:
    """The one or two largest causes that point the way in which the count lies."""
    way = 1.0 if apart > 0 else -1.0
    sizes = sorted(((way * getattr(gap, cause), cause) for cause in CAUSES), reverse=True)
    least = max(LEAST_LOGITS, LEAST_PART * abs(gap.total))
    largest = sizes[0][0]
    return tuple(cause for size, cause in sizes[:2] if size >= max(least, SECOND * largest))


def words(cause: str, *, lower: bool) -> str:
    return {
        "severity": _("most was seen by a stricter eye") if lower else _("most was seen by a kinder eye"),
        "balls": _("much of it was on hard balls") if lower else _("much of it was on easy balls"),
        "checks": _("the harder checks came up more") if lower else _("the easier checks came up more"),
        "moved": _("older matches are still in it"),
        "form": _("part of it is put down to the form of those few days"),
        "little": _("little was seen, so the score leans on what the club usually shows"),
    }[cause]
