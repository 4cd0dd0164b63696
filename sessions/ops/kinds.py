"""One small function per kind of operation: from target and body to the change that it wants."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.utils.translation import gettext as _

from clubcoach.compute.ledger import Score
from players.models import Side
from sessions.models import Mark, Op, Situation
from sessions.models.matches import EndedHow, PairLetter
from sessions.ops import proposals, reading
from sessions.ops.reading import Body, Refused, Stale
from sessions.ops.rows import (
    RALLY_FIELDS,
    SITUATION_FIELDS,
    Batch,
    Change,
    Row,
    find,
    find_closure,
    find_mark,
    find_rally,
    find_situation,
    kept_rally,
    kept_situation,
)
from sessions.sparse import EMPTY

Reader = Callable[[Batch, str, Body], Change]

NEW_RALLY: dict[str, Any] = {name: value for name, value in EMPTY["rally"].items() if name != "rev"}
# Whether it has a time is its rally's to say, and whether it is drawn the draw's.
NEW_SITUATION: dict[str, Any] = {
    name: value for name, value in EMPTY["situation"].items() if name not in ("rev", "timed", "drawn")
}


def rally_values(body: Body) -> dict[str, Any]:
    read: dict[str, Callable[[Any], Any]] = {
        "number": lambda value: reading.whole("number", value, 1, 9999),
        "start_s": lambda value: reading.seconds("start_s", value),
        "end_s": lambda value: reading.seconds("end_s", value, empty=True),
        "server": lambda value: reading.whole("server", value, 1, 4, empty=True),
        "winner": lambda value: reading.word("winner", value, [*PairLetter.values, "none"]),
        "near_pair": lambda value: reading.word("near_pair", value, PairLetter.values),
        "side": lambda value: reading.word("side", value, Side.values),
        "score_set": score_set,
        "reason": lambda value: reading.text("reason", value, 200),
        "net_pair": lambda value: reading.word("net_pair", value, [*PairLetter.values, "none"]),
        "ended_by": lambda value: reading.whole("ended_by", value, 1, 4, empty=True),
        "ended_how": lambda value: reading.word("ended_how", value, EndedHow.values),
    }
    return {name: read[name](value) for name, value in body.items()}


def score_set(value: Any) -> dict[str, Any] | None:
    if value is None:
        return None
    try:
        return Score.from_dict(value).as_dict()
    except (TypeError, ValueError):
        raise Refused("score_set", _("This is no score: give sets, games and points as pairs.")) from None


def situation_values(body: Body) -> dict[str, Any]:
    read: dict[str, Callable[[Any], Any]] = {
        "hit_s": lambda value: reading.seconds("hit_s", value),
        "end": lambda value: reading.word("end", value, Situation.End.values, empty=False),
        "trigger": lambda value: reading.text("trigger", value, 20),
        "ball": lambda value: reading.word("ball", value, Situation.Ball.values, empty=False),
        "choice": lambda value: reading.text("choice", value, 20),
        "outcome": lambda value: reading.word("outcome", value, Situation.Outcome.values),
        "not_codable": lambda value: reading.text("not_codable", value, 40),
        "note": lambda value: reading.text("note", value, 200),
        "shown_only": lambda value: reading.flag("shown_only", value),
    }
    return {name: read[name](value) for name, value in body.items()}


def rally_add(batch: Batch, target: str, body: Body) -> Change:
    reading.only(body, (*RALLY_FIELDS, "proposal"))
    reading.needed(body, ("number", "start_s"))
    row = find_rally(batch, reading.one_uuid("target", target), new=True)
    own = {name: value for name, value in body.items() if name != "proposal"}
    return Change(row, {**NEW_RALLY, **rally_values(own)}, proposals.taken_with(batch, body))


def rally_set(batch: Batch, target: str, body: Body) -> Change:
    reading.some(body, RALLY_FIELDS)
    row = find_rally(batch, reading.one_uuid("target", target))
    if row.found.dropped:
        raise Refused("target", _("This rally was removed."))
    return Change(row, _with_time(row, rally_values(body), "start_s"))


def _with_time(row: Row, values: dict[str, Any], name: str) -> dict[str, Any]:
    """Whoever says when it was gives a time to what came from a sheet without times."""
    return {**values, "timed": True} if name in values and not row.values["timed"] else values


def rally_drop(batch: Batch, target: str, body: Body) -> Change:
    reading.only(body, ())
    row = find_rally(batch, reading.one_uuid("target", target))
    if row.found.dropped:
        raise Refused("target", _("This rally was removed."))
    return Change(row, {"dropped": True})


def situation_add(batch: Batch, target: str, body: Body) -> Change:
    allowed = {"rally", "unit", "area", *SITUATION_FIELDS} - {"not_codable", "note"}
    reading.only(body, allowed)
    reading.needed(body, ("rally", "unit", "area", "hit_s", "end"))
    row = find_situation(batch, reading.one_uuid("target", target), new=True)
    rally = kept_rally(batch, reading.one_uuid("rally", body["rally"]), "rally")
    area, unit = batch.lens.area(body["area"]), batch.lens.unit(body["unit"])
    if not batch.lens.fits(area, unit):
        raise Refused(
            "unit", _("This area is not looked at for a %(kind)s.") % {"kind": unit.get_kind_display()}
        )
    own = {name: value for name, value in body.items() if name in SITUATION_FIELDS}
    # In a rally whose time nobody knows a moment would be a guess: it only keeps the order, until somebody sets it.
    values = {**NEW_SITUATION, "timed": rally.timed, **situation_values(own)}
    return Change(row, values, {"rally": rally, "area": area, "unit": unit})


def situation_set(batch: Batch, target: str, body: Body) -> Change:
    reading.some(body, SITUATION_FIELDS)
    uuid = reading.one_uuid("target", target)
    kept_situation(batch, uuid)
    row = find_situation(batch, uuid)
    return Change(row, _with_time(row, situation_values(body), "hit_s"))


def situation_drop(batch: Batch, target: str, body: Body) -> Change:
    reading.only(body, ())
    uuid = reading.one_uuid("target", target)
    kept_situation(batch, uuid)
    return Change(find_situation(batch, uuid), {"dropped": True})


def mark_set(batch: Batch, target: str, body: Body) -> Change:
    reading.only(body, ("value",))
    if "value" not in body:
        raise Refused("value", _("“%(field)s” is missing.") % {"field": "value"})
    value = body["value"]
    if value is not None:
        value = reading.word("value", value, Mark.Value.values, empty=False)
    return mark_change(batch, target, value)


def mark_change(batch: Batch, target: str, value: str | None) -> Change:
    uuid, code = reading.uuid_and_code(target)
    situation = kept_situation(batch, uuid)
    if code not in batch.lens.wordings:
        raise Refused("target", _("This check is not in the list version of this analysis."))
    extra = {"situation": situation, "check_identity": batch.lens.wordings[code].check_identity}
    return Change(find_mark(batch, f"{uuid}/{code}"), {"value": value}, extra)


def area_close(batch: Batch, target: str, body: Body) -> Change:
    reading.only(body, ("situations",))
    reading.needed(body, ("situations",))
    count = reading.whole("situations", body["situations"], 0, 999)
    return closure_change(batch, target, count)


def area_open(batch: Batch, target: str, body: Body) -> Change:
    reading.only(body, ("situations",))
    return closure_change(batch, target, None)


def closure_change(batch: Batch, target: str, count: int | None) -> Change:
    uuid, code = reading.uuid_and_code(target)
    rally, area = kept_rally(batch, uuid, "target"), batch.lens.area(code)
    return Change(
        find_closure(batch, f"{uuid}/{code}"), {"situations": count}, {"rally": rally, "area": area}
    )


def undo(batch: Batch, target: str, body: Body) -> Change:
    """Put back what an operation changed, as long as what it wrote still stands there."""
    reading.only(body, ())
    op = Op.objects.filter(analysis=batch.lens.analysis, uuid=reading.one_uuid("target", target)).first()
    if op is None or op.before is None:
        raise Refused("target", _("There is no such operation, or it changed nothing."))
    kind, id, back = op.before["row"], op.before["id"], op.before["fields"]
    row = find(batch, kind, id)
    there = {name: row.values.get(name) for name in back}
    if there != {name: op.result["row"].get(name) for name in back}:
        raise Stale(back, there, row.rev)
    put_back = PUT_BACK.get(kind)
    return put_back(batch, id, back) if put_back else Change(row, back)


# Rows that are named by others: what a new one needs has to be found again.
PUT_BACK: dict[str, Callable[[Batch, str, dict[str, Any]], Change]] = {
    "mark": lambda batch, id, back: mark_change(batch, id, back["value"]),
    "closure": lambda batch, id, back: closure_change(batch, id, back["situations"]),
}


KINDS: dict[str, Reader] = {
    "rally.add": rally_add,
    "rally.set": rally_set,
    "rally.drop": rally_drop,
    "proposal.set": proposals.proposal_set,
    "situation.add": situation_add,
    "situation.set": situation_set,
    "situation.drop": situation_drop,
    "mark.set": mark_set,
    "area.close": area_close,
    "area.open": area_open,
    "undo": undo,
}
