"""What the counted situations say to each hunch of the first look, by name and never with a reason."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from clubcoach import formatting
from clubcoach.compute.intervals import Share, wilson
from players.models import CheckWording
from sessions.models import Analysis, Draw, Hunch, Mark, Situation
from sessions.ops.lens import lens_of
from sessions.services import open_areas

# "Often" and "mostly" are read in their plain sense: more often than not.
HALF = 0.5
LEVEL = 0.8
# Past this many it is not the number that is too small: the share itself lies too close to one half.
FEW = 40


@dataclass(frozen=True)
class Answer:
    """One hunch beside what was counted; ``share`` is None while it is not answered yet."""

    hunch: Hunch
    about: str
    share: Share | None = None

    @property
    def verdict(self) -> str:
        """``open``, ``holds``, ``not`` or ``few``."""
        if self.share is None:
            return "open"
        if not self.share.n:
            return "few"
        if self.share.low > HALF:
            return "holds"
        return "not" if self.share.high < HALF else "few"

    @property
    def words(self) -> str:
        """'missed in 9 of 10 (70 to 97 %): it holds'."""
        if self.share is None:
            return _("not answered yet")
        if not self.share.n:
            return _("nothing of it was counted: it cannot be said")
        counts = formatting.count_interval(
            self.share.successes, self.share.n, self.share.low, self.share.high
        )
        return f"{self._found() % {'counts': counts}}: {self._judged()}"

    def _found(self) -> str:
        missed = self.hunch.says == Hunch.Says.OFTEN_MISSED
        if self.hunch.check_identity_id:
            return _("missed in %(counts)s") if missed else _("met in %(counts)s")
        if missed:
            return _("more missed than met in %(counts)s")
        return _("more met than missed in %(counts)s")

    def _judged(self) -> str:
        if self.verdict == "holds":
            return _("it holds")
        if self.verdict == "not":
            return _("it does not hold")
        n = self.share.n if self.share else 0
        if n < FEW:
            return ngettext("%(n)d is too few to say", "%(n)d are too few to say", n) % {"n": n}
        return _("too close to one half to say")


def answers_of(analysis: Analysis, *, mine: bool) -> list[Answer]:
    """Every hunch with its answer, or not answered yet; ``mine``: the reader is its analyst.

    Before it is handed in only the analyst reads answers, and only once nothing is left to mark: whoever knows how
    a hunch stands marks towards it.
    """
    hunches = list(analysis.hunches.select_related("area", "check_identity"))
    if not hunches:
        return []
    names = _names(analysis, hunches)
    if not answered(analysis, mine=mine):
        return [Answer(hunch, names[hunch.pk]) for hunch in hunches]
    seen = _seen(analysis, hunches)
    return [Answer(hunch, names[hunch.pk], _share(hunch, seen)) for hunch in hunches]


def answered(analysis: Analysis, *, mine: bool) -> bool:
    """Whether answers may be read now."""
    state = Analysis.State
    if analysis.plan == Analysis.Plan.CHOSEN:
        return False
    if analysis.state in (state.SUBMITTED, state.PUBLISHED, state.WITHDRAWN):
        return True
    return mine and analysis.writable and all_marked(analysis)


def all_marked(analysis: Analysis) -> bool:
    """Whether everything that is to count is marked and closed, so that no mark can follow a hunch any more."""
    due = Situation.objects.kept_in(analysis).filter(shown_only=False, not_codable="", rally__dropped=False)
    if analysis.plan == Analysis.Plan.DRAWN:
        if not Draw.objects.filter(match=analysis.match_id).exists():
            return False
        due = due.filter(drawn=True)
    elif open_areas(analysis):
        return False
    rows = list(due.select_related("area", "unit"))
    counted = set(Situation.objects.counted().filter(analysis=analysis).values_list("pk", flat=True))
    if not rows or any(row.pk not in counted for row in rows):
        return False
    marked: dict[int, set[str]] = defaultdict(set)
    for situation, code in Mark.objects.filter(situation__in=counted).values_list(
        "situation", "check_identity__code"
    ):
        marked[situation].add(code)
    lens = lens_of(analysis)
    return all(
        marked[row.pk].issuperset(lens.asked(row.area.code, row.end, row.trigger, row.unit.kind))
        for row in rows
    )


def _names(analysis: Analysis, hunches: Iterable[Hunch]) -> dict[int, str]:
    """What each hunch is about, in the words of the analysis' own list."""
    checks = [hunch.check_identity_id for hunch in hunches if hunch.check_identity_id]
    words: dict[int, str] = dict(
        CheckWording.objects.filter(version=analysis.check_list_id, check_identity__in=checks).values_list(
            "check_identity", "name"
        )
    )
    return {
        hunch.pk: f"{hunch.check_identity.code} {words.get(hunch.check_identity_id, '')}".strip()
        if hunch.check_identity
        else hunch.area.name
        for hunch in hunches
    }


Seen = list[tuple[int, int, int, str]]


def _seen(analysis: Analysis, hunches: list[Hunch]) -> Seen:
    """Situation, area, check and value of every counted mark that was met or missed."""
    counted = Situation.objects.counted().filter(
        analysis=analysis,
        unit__covers__analysis=analysis,
        area__in=[hunch.area_id for hunch in hunches],
    )
    rows: Any = Mark.objects.filter(
        situation__in=counted, value__in=[Mark.Value.MET, Mark.Value.MISSED]
    ).values_list("situation", "situation__area", "check_identity", "value")
    return list(rows)


def _share(hunch: Hunch, seen: Seen) -> Share:
    """The share of situations that bear it out.

    For an area as a whole a situation bears it out when more of its checks were that way than the other: marks of one
    situation hang together, so that counting them one by one would make the interval too narrow.
    """
    each: dict[int, list[str]] = defaultdict(list)
    for situation, area, check, value in seen:
        if area == hunch.area_id and hunch.check_identity_id in (None, check):
            each[situation].append(value)
    borne_out = sum(2 * values.count(hunch.says) > len(values) for values in each.values())
    return wilson(borne_out, len(each), level=LEVEL)


def shown_hunches(analysis: Analysis) -> list[dict[str, Any]]:
    """For the state document: the words alone, never what was counted."""
    rows = analysis.hunches.values_list("position", "text", "area__code", "check_identity__code", "says")
    return [
        {"position": position, "text": text, "area": area, "check": check, "says": says}
        for position, text, area, check, says in rows
    ]
