"""What changed in an analysis since a device last read it: a stamp to ask with, and the rows that moved on.

A stamp is taken before the rows are read. Whatever is written meanwhile is then told twice rather than never.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from hashlib import blake2b
from typing import Any, NamedTuple

from django.db.models import Max

from sessions.draws import shown_draws
from sessions.hunches import shown_hunches
from sessions.ledger import rally_part
from sessions.models import Analysis, Draw, Hunch, MatchFilm, Op, RallyEdit, RallyProposal, Situation
from sessions.ops.lens import lens_of
from sessions.ops.rows import revisions_of_cleared
from sessions.state import Document, shown_analysis, shown_closures, shown_situations, state_of
from sessions.state_proposals import open_proposals, proposal_part

# Beyond this many operations the whole document is less work than what is in them.
MOST = 2000


class Stamp(NamedTuple):
    """The last operation of the analysis, the last edit of its match's rallies, and digests of small parts."""

    op: int
    edit: int
    draws: str
    analysis: str
    heard: str
    proposals: str
    hunches: str

    def __str__(self) -> str:
        return "-".join(str(part) for part in self)

    @classmethod
    def read(cls, text: str) -> Stamp | None:
        parts = text.split("-")
        if len(parts) != len(cls._fields) or not all(_number(part) for part in parts[:2]):
            return None
        return cls(int(parts[0]), int(parts[1]), *parts[2:])


def _number(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) < 19


def _digest(rows: Any) -> str:
    return blake2b(json.dumps(rows, default=str).encode(), digest_size=6).hexdigest()


def stamp_of(analysis: Analysis, *, by: Any = None) -> Stamp:
    """Where the analysis stands now, for that reader; a fixed number of queries whatever it holds."""
    match = analysis.match_id
    last = Op.objects.filter(analysis=analysis).aggregate(last=Max("pk"))["last"]
    edit = RallyEdit.objects.filter(rally__match=match).aggregate(last=Max("pk"))["last"]
    draws = Draw.objects.filter(match=match).order_by("pk").values_list("pk", "planned")
    films = MatchFilm.objects.filter(match=match).order_by("pk")
    heard = films.values_list(
        "film", "film__state", "offset_s", "film__hearing__made_at", "film__hearing__delay_s"
    )
    proposals = (
        RallyProposal.objects.filter(hearing__film__match_films__match=match)
        .order_by("pk")
        .values_list("pk", "state", "start_s", "end_s")
    )
    hunches = Hunch.objects.filter(analysis=analysis).order_by("position")
    told = hunches.values_list("position", "text", "area", "check_identity", "says")
    return Stamp(
        last or 0,
        edit or 0,
        _digest(list(draws)),
        _digest(shown_analysis(analysis, by)),
        _digest(list(heard)),
        _digest(list(proposals)),
        _digest(list(told)),
    )


def changes_since(analysis: Analysis, since: str, *, by: Any = None) -> Document:
    """``changed`` false, or what changed with each part whole, or the whole document where the stamp says nothing."""
    now, then = stamp_of(analysis, by=by), Stamp.read(since)
    head = {"stamp": str(now), "reader": by.pk if by else None}
    if now == then:
        return {**head, "changed": False}
    if then is None or then.op > now.op or then.edit > now.edit:
        return _whole(analysis, head, by)
    ops = Op.objects.filter(analysis=analysis, pk__gt=then.op, before__isnull=False)
    touched = list(ops.order_by("pk").values_list("before__row", "before__id")[: MOST + 1])
    if len(touched) > MOST:
        return _whole(analysis, head, by)
    return {**head, "changed": True, **_rows(analysis, touched, then, now), **_parts(analysis, then, now, by)}


def _whole(analysis: Analysis, head: Document, by: Any) -> Document:
    return {**head, "changed": True, "whole": True, **state_of(analysis, by=by), "stamp": head["stamp"]}


def _rows(analysis: Analysis, touched: list[tuple[str, str]], then: Stamp, now: Stamp) -> Document:
    """The situations and closures that operations since have written, those that were removed or cleared too."""
    closures = {id for row, id in touched if row == "closure"}
    # A mark and a place on the floor belong to a situation, whose key comes first in theirs.
    uuids = {id.partition("/")[0] for row, id in touched if row not in ("closure", "rally", "proposal")}
    if then.draws != now.draws:
        # Drawing writes no operation, and says of the situations that they are drawn.
        drawn = Situation.objects.filter(analysis=analysis, drawn=True)
        uuids |= {str(uuid) for uuid in drawn.values_list("uuid", flat=True)}
    if not closures and not uuids:
        return {"situations": [], "closures": []}
    lens, cleared = lens_of(analysis), revisions_of_cleared(analysis.pk)
    situations = shown_situations(analysis, lens, cleared, only=uuids) if uuids else []
    rows = shown_closures(analysis, cleared) if closures else []
    return {
        "situations": situations,
        "closures": [row for row in rows if f"{row['rally']}/{row['area']}" in closures],
    }


def _parts(analysis: Analysis, then: Stamp, now: Stamp, by: Any) -> Document:
    wanted: dict[str, Callable[[], Document]] = {
        "edit": lambda: rally_part(analysis.match),
        "draws": lambda: {"draws": shown_draws(analysis.match, [row.area for row in _lens_areas(analysis)])},
        "analysis": lambda: {"analysis": shown_analysis(analysis, by)},
        "proposals": lambda: {"proposals": open_proposals(analysis.match)},
        "heard": lambda: proposal_part(analysis.match),
        "hunches": lambda: {"hunches": shown_hunches(analysis)},
    }
    found: Document = {}
    for name, part in wanted.items():
        if getattr(then, name) != getattr(now, name):
            found |= part()
    return found


def _lens_areas(analysis: Analysis) -> Any:
    return analysis.lens.select_related("area").order_by("area__position", "pk")
