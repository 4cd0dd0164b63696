"""The kinds of row that operations write: how each is found, shown, and written with a new revision.

Other modules add theirs to `FINDERS`, `WRITERS` and `SHOWN` (and to `rules.RULES`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.db.models import F
from django.utils.translation import gettext as _

from clubcoach.models import User
from sessions import draw_rule, rally_numbers
from sessions.models import Closure, Mark, Op, Rally, RallyEdit, Situation
from sessions.ops.lens import Lens
from sessions.ops.reading import Refused
from sessions.rally_proposals import take_or_open

RALLY_FIELDS = (
    "number",
    "start_s",
    "end_s",
    "server",
    "winner",
    "near_pair",
    "side",
    "score_set",
    "reason",
    "net_pair",
    "ended_by",
    "ended_how",
)
SITUATION_FIELDS = (
    "hit_s",
    "end",
    "trigger",
    "ball",
    "choice",
    "outcome",
    "not_codable",
    "note",
    "shown_only",
)


@dataclass
class Row:
    """One row as it is now; ``found`` is None where there is none, and ``rev`` then says what it was last."""

    kind: str
    id: str
    found: Any
    rev: int
    values: dict[str, Any]


@dataclass(frozen=True)
class Change:
    """The values that an operation wants on a row; ``extra`` holds what only a new row needs."""

    row: Row
    fields: dict[str, Any]
    extra: dict[str, Any] = field(default_factory=dict)

    def differing(self) -> dict[str, Any]:
        return {name: value for name, value in self.fields.items() if self.row.values.get(name) != value}


@dataclass
class Batch:
    """What one request applies to: the lens, who writes, and the revisions of rows that were cleared."""

    lens: Lens
    by: User
    now: datetime
    _cleared: dict[str, int] | None = None

    @property
    def cleared(self) -> dict[str, int]:
        # A mark that is cleared has no row, but its revisions go on: else a device that was away could take a
        # new mark for the one it knew.
        if self._cleared is None:
            self._cleared = revisions_of_cleared(self.lens.analysis.pk)
        return self._cleared


def revisions_of_cleared(analysis_id: int) -> dict[str, int]:
    """The last revision of every mark and closure that was cleared, by ``kind:target``."""
    rows = Op.objects.filter(analysis=analysis_id, before__cleared=True).order_by("pk")
    return {
        f"{before['row']}:{before['id']}": result["rev"]
        for before, result in rows.values_list("before", "result")
    }


def shown_rally(rally: Rally) -> dict[str, Any]:
    shown = {name: getattr(rally, name) for name in RALLY_FIELDS}
    return {
        "uuid": str(rally.uuid),
        **shown,
        "timed": rally.timed,
        "dropped": rally.dropped,
        "rev": rally.rev,
    }


def shown_situation(situation: Situation, area: str, rally: str) -> dict[str, Any]:
    shown = {name: getattr(situation, name) for name in SITUATION_FIELDS}
    return {
        "uuid": str(situation.uuid),
        "rally": rally,
        "unit": situation.unit_id,
        "area": area,
        **shown,
        "timed": situation.timed,
        "drawn": situation.drawn,
        "dropped": situation.dropped,
        "rev": situation.rev,
    }


def find_rally(batch: Batch, uuid: str, *, new: bool = False) -> Row:
    rally = Rally.objects.filter(uuid=uuid).first()
    if rally is not None and rally.match_id != batch.lens.analysis.match_id:
        raise Refused("target", _("This rally belongs to another match."))
    if new:
        if rally is not None:
            raise Refused("target", _("This rally is there already."))
        return Row("rally", uuid, None, 0, {"dropped": True})
    if rally is None:
        raise Refused("target", _("There is no such rally in this match."))
    return Row("rally", uuid, rally, rally.rev, shown_rally(rally))


def kept_rally(batch: Batch, uuid: str, field: str) -> Rally:
    rally = Rally.objects.filter(uuid=uuid, match=batch.lens.analysis.match_id).first()
    if rally is None:
        raise Refused(field, _("There is no such rally in this match."))
    if rally.dropped:
        raise Refused(field, _("This rally was removed."))
    return rally


def find_situation(batch: Batch, uuid: str, *, new: bool = False) -> Row:
    situation = (
        Situation.objects.filter(analysis=batch.lens.analysis.pk, uuid=uuid)
        .select_related("rally", "area", "unit")
        .first()
    )
    if new:
        if situation is not None:
            raise Refused("target", _("This situation is there already."))
        return Row("situation", uuid, None, 0, {"dropped": True})
    if situation is None:
        raise Refused("target", _("There is no such situation in this analysis."))
    values = shown_situation(situation, situation.area.code, str(situation.rally.uuid))
    return Row("situation", uuid, situation, situation.rev, values)


def kept_situation(batch: Batch, uuid: str) -> Situation:
    situation = find_situation(batch, uuid).found
    if situation.dropped or situation.rally.dropped:
        raise Refused("target", _("This situation was removed."))
    return situation


def find_mark(batch: Batch, target: str) -> Row:
    uuid, _stroke, code = target.partition("/")
    mark = (
        Mark.objects.filter(
            situation__analysis=batch.lens.analysis.pk, situation__uuid=uuid, check_identity__code=code
        )
        .select_related("check_identity")
        .first()
    )
    if mark is None:
        return Row("mark", target, None, batch.cleared.get(f"mark:{target}", 0), {"value": None})
    return Row("mark", target, mark, mark.rev, {"value": mark.value})


def find_closure(batch: Batch, target: str) -> Row:
    uuid, _stroke, code = target.partition("/")
    closure = Closure.objects.filter(
        analysis=batch.lens.analysis.pk, rally__uuid=uuid, area__code=code
    ).first()
    if closure is None:
        return Row("closure", target, None, batch.cleared.get(f"closure:{target}", 0), {"situations": None})
    return Row("closure", target, closure, closure.rev, {"situations": closure.situations})


def _write_rally(batch: Batch, change: Change) -> Row:
    row, wanted = change.row, change.differing()
    match = batch.lens.analysis.match_id
    if row.found is None:
        rally = Rally(uuid=row.id, match_id=match, rev=1, **change.fields)
    else:
        rally = row.found
        for name, value in wanted.items():
            setattr(rally, name, value)
        rally.rev = row.rev + 1
    if wanted.get("dropped") is False:
        _renumber(rally_numbers.put_in(rally, _others(rally)), 1)
        if rally.number != change.fields.get("number", row.values.get("number")):
            wanted["number"] = rally.number
    if row.found is None:
        rally.save(force_insert=True)
    else:
        rally.save(update_fields=[*wanted, "rev"])
    if wanted.get("dropped") is True:
        _renumber(rally_numbers.take_out(rally, _others(rally)), -1)
    before = {} if row.found is None else {name: row.values[name] for name in wanted}
    RallyEdit.objects.create(rally=rally, by=batch.by, at=batch.now, before=before, after=wanted)
    if "dropped" in wanted:
        take_or_open(rally, change.extra.get("proposal"), by=batch.by, now=batch.now)
    return Row("rally", row.id, rally, rally.rev, shown_rally(rally))


def _others(rally: Rally) -> list[Rally]:
    kept = Rally.objects.filter(match=rally.match_id, dropped=False).exclude(uuid=rally.uuid)
    return list(kept.only("pk", "number", "start_s"))


def _renumber(moved: list[Rally], by: int) -> None:
    if moved:
        Rally.objects.filter(pk__in=[row.pk for row in moved]).update(number=F("number") + by)


def _write_situation(batch: Batch, change: Change) -> Row:
    row, wanted = change.row, change.differing()
    if row.found is None:
        situation = Situation(
            uuid=row.id, analysis_id=batch.lens.analysis.pk, rev=1, **change.extra, **change.fields
        )
        draw_rule.follow(situation)
        situation.save(force_insert=True)
    else:
        situation = row.found
        for name, value in wanted.items():
            setattr(situation, name, value)
        situation.rev = row.rev + 1
        ruled = ["drawn"] if "shown_only" in wanted and draw_rule.follow(situation) else []
        situation.save(update_fields=[*wanted, *ruled, "rev"])
    values = shown_situation(situation, situation.area.code, str(situation.rally.uuid))
    return Row("situation", row.id, situation, situation.rev, values)


def _write_mark(batch: Batch, change: Change) -> Row:
    row, value, rev = change.row, change.fields["value"], change.row.rev + 1
    mark = row.found
    if value is None and mark is not None:
        mark.delete()
        return _cleared(batch, row, rev, {"value": None})
    if mark is None:
        mark = Mark.objects.create(**change.extra, value=value, rev=rev, marked_at=batch.now)
    else:
        mark.value, mark.rev, mark.marked_at = value, rev, batch.now
        mark.save(update_fields=["value", "rev", "marked_at"])
    return Row("mark", row.id, mark, rev, {"value": value})


def _write_closure(batch: Batch, change: Change) -> Row:
    row, count, rev = change.row, change.fields["situations"], change.row.rev + 1
    closure = row.found
    if count is None and closure is not None:
        closure.delete()
        return _cleared(batch, row, rev, {"situations": None})
    if closure is None:
        closure = Closure.objects.create(
            analysis=batch.lens.analysis, **change.extra, situations=count, rev=rev
        )
    else:
        closure.situations, closure.rev = count, rev
        closure.save(update_fields=["situations", "rev"])
    return Row("closure", row.id, closure, rev, {"situations": count})


def _cleared(batch: Batch, row: Row, rev: int, values: dict[str, Any]) -> Row:
    batch.cleared[f"{row.kind}:{row.id}"] = rev
    return Row(row.kind, row.id, None, rev, values)


def _shown_rally_row(row: Row) -> dict[str, Any]:
    return shown_rally(row.found)


def _shown_situation_row(row: Row) -> dict[str, Any]:
    return shown_situation(row.found, row.found.area.code, str(row.found.rally.uuid))


def shown_with(first: str, second: str) -> Callable[[Row], dict[str, Any]]:
    """How rows are shown that are named ``<first>/<second>`` and may be cleared."""

    def names_and_values(row: Row) -> dict[str, Any]:
        owner, _stroke, code = row.id.partition("/")
        return {first: owner, second: code, **row.values, "rev": row.rev}

    return names_and_values


FINDERS: dict[str, Callable[[Batch, str], Row]] = {
    "rally": find_rally,
    "situation": find_situation,
    "mark": find_mark,
    "closure": find_closure,
}
WRITERS: dict[str, Callable[[Batch, Change], Row]] = {
    "rally": _write_rally,
    "situation": _write_situation,
    "mark": _write_mark,
    "closure": _write_closure,
}
SHOWN: dict[str, Callable[[Row], dict[str, Any]]] = {
    "rally": _shown_rally_row,
    "situation": _shown_situation_row,
    "mark": shown_with("situation", "check"),
    "closure": shown_with("rally", "area"),
}


def find(batch: Batch, kind: str, id: str) -> Row:
    return FINDERS[kind](batch, id)


def shown(row: Row) -> dict[str, Any]:
    """A row as the answer to its operation carries it."""
    return SHOWN[row.kind](row)


def write(batch: Batch, change: Change) -> Row:
    """Put the values on the row and return it as it is then."""
    return WRITERS[change.row.kind](batch, change) if change.differing() else change.row
