"""What must hold of a row after a change, whichever operation brings it: an undo is held to the same rules."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.db.models import Q
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from sessions import draw_rule
from sessions.models import Closure, Mark, Rally, Situation
from sessions.ops.reading import Refused
from sessions.ops.rows import Batch, Change


def _rally(batch: Batch, change: Change) -> None:
    after = {**change.row.values, **change.fields}
    start, end = after["start_s"], after["end_s"]
    if end is not None and end <= start:
        raise Refused("end_s", _("A rally ends after it starts."))
    if end is not None and not after["timed"] and {"end_s", "timed"} & change.differing().keys():
        raise Refused("end_s", _("A rally without a start has no end. Say first when it starts."))
    if change.row.found is None:
        return
    # Other analyses of the match hang on the same rally: their situations count here too.
    kept = Situation.objects.filter(rally=change.row.found, dropped=False)
    if after["dropped"]:
        count = kept.count()
        if count:
            raise Refused(
                "target",
                ngettext(
                    "This rally has %(n)d situation. Remove it first.",
                    "This rally has %(n)d situations. Remove them first.",
                    count,
                )
                % {"n": count},
            )
        return
    if not after["timed"]:
        return
    kept = kept.filter(timed=True)
    for field, outside in (("start_s", Q(hit_s__lt=start)), ("end_s", Q(hit_s__gt=end))):
        if field in change.differing() and after[field] is not None and kept.filter(outside).exists():
            raise Refused(field, _("A situation of this rally would lie outside it."))


def inside(hit_s: float, rally: Rally) -> None:
    if not rally.timed:
        return
    if hit_s < rally.start_s or (rally.end_s is not None and hit_s > rally.end_s):
        raise Refused("hit_s", _("The hit lies outside its rally."))


def _situation(batch: Batch, change: Change) -> None:
    found, wanted = change.row.found, change.differing()
    after = {**change.row.values, **change.fields}
    rally = found.rally if found else change.extra["rally"]
    area = found.area if found else change.extra["area"]
    if rally.dropped:
        raise Refused("rally", _("This rally was removed."))
    if after["timed"]:
        inside(after["hit_s"], rally)
    if after["trigger"] not in {"", *batch.lens.codes(area.code, "triggers")}:
        raise Refused("trigger", _("This area has no such trigger."))
    if after["choice"] not in {"", *batch.lens.codes(area.code, "choices")}:
        raise Refused("choice", _("This area has no such choice."))
    if found is None:
        _stays_open(batch, after["shown_only"], rally.pk, area.pk)
        return
    # Where rallies were drawn, listing goes on: what was listed by mistake may go.
    fixed = found.drawn and not draw_rule.has_rule(rally.match_id, area.pk)
    if after["shown_only"] and fixed:
        raise Refused("shown_only", _("This situation was drawn: it cannot be one that is only shown."))
    if after["dropped"] and fixed:
        raise Refused(
            "target", _("This situation was drawn. Say why it cannot be judged instead of removing it.")
        )
    if "shown_only" in wanted or ("dropped" in wanted and not after["shown_only"]):
        _stays_open(batch, False, rally.pk, area.pk)
    if "end" in wanted:
        _marks_hold_at(batch, found, after["end"])


def _stays_open(batch: Batch, shown_only: bool, rally: int, area: int) -> None:
    """The count told at closing must stay true; situations that are only shown are no part of it."""
    if shown_only:
        return
    if Closure.objects.filter(analysis=batch.lens.analysis, rally=rally, area=area).exists():
        raise Refused("area", _("This area is done for this rally. Open it again first."))


def _marks_hold_at(batch: Batch, situation: Situation, end: str) -> None:
    codes = Mark.objects.filter(situation=situation).values_list("check_identity__code", flat=True)
    lost = sorted(code for code in codes if batch.lens.wordings[code].end not in ("both", end))
    if lost:
        raise Refused(
            "end",
            _("%(codes)s cannot be judged at that end of the court. Clear the mark first.")
            % {"codes": ", ".join(lost)},
        )


def _mark(batch: Batch, change: Change) -> None:
    situation: Situation = change.extra["situation"]
    if change.fields["value"] is not None:
        batch.lens.check(change.extra["check_identity"].code, situation.area, situation.end, situation.unit)


def _closure(batch: Batch, change: Change) -> None:
    count: Any = change.fields["situations"]
    if count is None:
        return
    there = Situation.objects.filter(
        analysis=batch.lens.analysis,
        rally=change.extra["rally"],
        area=change.extra["area"],
        dropped=False,
        shown_only=False,
    ).count()
    if there != count:
        raise Refused(
            "situations",
            ngettext(
                "There is %(there)d situation of this area in the rally, not %(count)d.",
                "There are %(there)d situations of this area in the rally, not %(count)d.",
                there,
            )
            % {"there": there, "count": count},
        )


RULES: dict[str, Callable[[Batch, Change], None]] = {
    "rally": _rally,
    "situation": _situation,
    "mark": _mark,
    "closure": _closure,
}


def check(batch: Batch, change: Change) -> None:
    if change.differing():
        RULES[change.row.kind](batch, change)
