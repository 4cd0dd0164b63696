"""Applying a batch of operations: in each device's order, each once, each wholly or not at all."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

from django.core.exceptions import PermissionDenied
from django.db import IntegrityError, transaction
from django.db.models import Max
from django.utils import timezone
from django.utils.translation import gettext as _

from clubcoach import audit
from clubcoach.models import User
from sessions.models import Analysis, Op
from sessions.ops import rules, spots  # noqa: F401
from sessions.ops.kinds import KINDS
from sessions.ops.lens import lens_of
from sessions.ops.reading import Refused, Stale
from sessions.ops.rows import Batch, Change, Row, shown, write
from sessions.stakes import why_closed

OpData = dict[str, Any]
Result = dict[str, Any]


class NotWritable(Exception):
    """The version is over. ``results`` are the answers to operations that had arrived before."""

    def __init__(self, message: str, results: list[Result]) -> None:
        super().__init__(message)
        self.message = message
        self.results = results


def apply_ops(
    *, by: User, analysis: Analysis, ops: Sequence[OpData], now: datetime | None = None
) -> list[Result]:
    """Apply operations and answer each, in the order sent; see ``docs/contract.md`` for the answers."""
    moment = now or timezone.now()
    ops = [{**row, "op": UUID(str(row["op"])), "device": UUID(str(row["device"]))} for row in ops]
    try:
        return _apply(by, analysis, ops, moment)
    except IntegrityError:
        # Two requests that bring the same operation: the lock makes them queue, and where there is no lock the
        # second one meets a unique constraint. Read again, it finds the stored answer.
        return _apply(by, analysis, ops, moment)


@transaction.atomic
def _apply(by: User, analysis: Analysis, ops: Sequence[OpData], now: datetime) -> list[Result]:
    # The match is locked too: its rallies are shared, and two analyses must not number them at once. Submitting
    # and publishing take the same lock, so that no mark slips in behind them.
    locked = (
        Analysis.objects.select_for_update(of=("self", "match"))
        .select_related("match", "check_list", "analyst")
        .get(pk=analysis.pk)
    )
    if locked.analyst is None or locked.analyst.user_id != by.pk:
        raise PermissionDenied(_("Only the analyst writes in this analysis."))
    known = {
        str(op.uuid): op for op in Op.objects.filter(analysis=locked, uuid__in=[row["op"] for row in ops])
    }
    if closed := why_closed(by, locked):
        return _answers_of_before(closed, ops, known)
    last = dict(
        Op.objects.filter(analysis=locked, device__in={row["device"] for row in ops})
        .order_by()
        .values_list("device")
        .annotate(Max("seq"))
    )
    batch = Batch(lens_of(locked), by, now)
    results: dict[int, Result] = {}
    for index in sorted(range(len(ops)), key=lambda index: ops[index]["seq"]):
        results[index] = _one(batch, ops[index], known, last)
    if any(result["status"] == "applied" for result in results.values()):
        _begin(by, locked)
    return [results[index] for index in range(len(ops))]


def _answers_of_before(closed: str, ops: Sequence[OpData], known: dict[str, Op]) -> list[Result]:
    answers = [_repeat(row, known[str(row["op"])]) for row in ops if str(row["op"]) in known]
    if len(answers) < len(ops):
        raise NotWritable(closed, answers)
    return answers


def _begin(by: User, analysis: Analysis) -> None:
    if analysis.state in (Analysis.State.ASSIGNED, Analysis.State.RETURNED):
        analysis.state = Analysis.State.IN_PROGRESS
        analysis.save(update_fields=["state"])
        audit.record(
            by=by,
            club=analysis.match.club,
            action="analysis.begun",
            target=analysis,
            fields=["state"],
        )


def _repeat(sent: OpData, op: Op) -> Result:
    return {"op": str(sent["op"]), "seq": sent["seq"], "status": "repeat", "result": op.result}


def _one(batch: Batch, sent: OpData, known: dict[str, Op], last: dict[Any, int]) -> Result:
    head = {"op": str(sent["op"]), "seq": sent["seq"]}
    if head["op"] in known:
        return _repeat(sent, known[head["op"]])
    due = last.get(sent["device"], 0) + 1
    if sent["seq"] > due:
        return {**head, "status": "waiting", "next": due}
    if sent["seq"] < due:
        message = _("This device has sent another operation with this number. The next number is %(next)d.")
        return {
            **head,
            "status": "refused",
            "field": "seq",
            "message": message % {"next": due},
            "next": due,
        }
    result, before = _answer(batch, sent)
    known[head["op"]] = Op.objects.create(
        uuid=sent["op"],
        analysis=batch.lens.analysis,
        device=sent["device"],
        seq=sent["seq"],
        by=batch.by,
        kind=sent["kind"],
        target=sent["target"],
        base_rev=sent.get("base_rev"),
        body=sent.get("body") or {},
        before=before,
        result={**head, **result},
        applied_at=batch.now,
    )
    last[sent["device"]] = due
    return {**head, **result}


def _answer(batch: Batch, sent: OpData) -> tuple[Result, dict[str, Any] | None]:
    try:
        reader = KINDS.get(sent["kind"])
        if reader is None:
            raise Refused("kind", _("There is no such kind of operation."))
        change = reader(batch, sent["target"], sent.get("body") or {})
        _must_be_fresh(change, sent.get("base_rev"))
        rules.check(batch, change)
    except Refused as refusal:
        return {"status": "refused", "field": refusal.field, "message": refusal.message}, None
    except Stale as stale:
        return {"status": "conflict", "mine": stale.mine, "theirs": stale.theirs, "rev": stale.rev}, None
    wanted = change.differing()
    row = write(batch, change)
    return {"status": "applied", "rev": row.rev, "row": shown(row)}, _before(change, wanted, row)


def _must_be_fresh(change: Change, base_rev: int | None) -> None:
    row = change.row
    if base_rev is not None and base_rev != row.rev:
        theirs = {name: row.values.get(name) for name in change.fields}
        raise Stale(change.fields, theirs, row.rev)


def _before(change: Change, wanted: dict[str, Any], row: Row) -> dict[str, Any] | None:
    if not wanted:
        return None
    dropped = row.kind in ("rally", "situation")
    fresh = dropped and change.row.found is None
    fields = {"dropped": True} if fresh else {name: change.row.values[name] for name in wanted}
    cleared = not dropped and row.found is None
    return {"row": row.kind, "id": row.id, "fields": fields, "cleared": cleared}
