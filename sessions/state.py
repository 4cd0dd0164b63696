"""The state document of an analysis: what a device needs to show the sheet, in a flat number of queries."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from typing import Any

from django.db.models import Max
from django.urls import reverse
from django.utils.translation import gettext as _

from clubcoach.compute.ledger_rules import pair_of
from players.models import CheckListVersion, CheckWording
from sessions.draws import shown_draws
from sessions.hunches import shown_hunches
from sessions.ledger import rally_part
from sessions.models import Analysis, Film, Mark, Match, MatchFilm, Op
from sessions.ops.lens import Lens, lens_of
from sessions.ops.rows import SITUATION_FIELDS, revisions_of_cleared, shown_situation
from sessions.sparse import EMPTY, sparse
from sessions.stakes import why_closed
from sessions.state_court import check_part, court_part, spot_part
from sessions.state_proposals import proposal_part

Document = dict[str, Any]

SITUATION_COLUMNS = (
    "pk",
    "uuid",
    "unit_id",
    "area_id",
    "rally__uuid",
    *SITUATION_FIELDS,
    "timed",
    "drawn",
    "dropped",
    "rev",
)


def state_of(analysis: Analysis, *, by: Any = None) -> Document:
    """The whole document; ``by`` decides whether the reader may write."""
    match, lens = analysis.match, lens_of(analysis)
    seats = _seats(match)
    areas = shown_areas(lens)
    rallies = list(match.rallies.filter(dropped=False))
    cleared = revisions_of_cleared(analysis.pk)
    return {
        "analysis": shown_analysis(analysis, by),
        "match": {**_match(match), "films": _films(match, lens)},
        "seats": seats,
        "units": _units(lens, seats),
        "areas": areas,
        **rally_part(match, rallies),
        "situations": shown_situations(analysis, lens, cleared),
        "closures": shown_closures(analysis, cleared),
        "draws": shown_draws(match, list(lens.areas.values())),
        "hunches": shown_hunches(analysis),
        **proposal_part(match),
        "empty": EMPTY,
        "next_seq": _next_seq(analysis),
    }


def shown_analysis(analysis: Analysis, by: Any) -> Document:
    mine = bool(by and analysis.analyst and analysis.analyst.user_id == by.pk)
    return {
        "uuid": str(analysis.uuid),
        "state": analysis.state,
        "purpose": analysis.purpose,
        "plan": analysis.plan,
        "extent": analysis.extent,
        "version": analysis.version,
        "due_on": analysis.due_on.isoformat() if analysis.due_on else None,
        "check_list": analysis.check_list.number,
        "rally_facts": analysis.rally_facts,
        "list_newer": _newer_list(analysis),
        "writable": mine and not why_closed(by, analysis),
    }


def _newer_list(analysis: Analysis) -> int | None:
    """The number of the club's newer list: the analysis goes on with its own."""
    newest = CheckListVersion.objects.of(analysis.match.club).values_list("number", flat=True).first()
    own = analysis.check_list
    return newest if newest is not None and not own.past and newest > own.number else None


def _match(match: Match) -> Document:
    return {
        "uuid": str(match.uuid),
        "played_on": match.played_on.isoformat(),
        "kind": match.kind,
        "format": match.match_format.as_dict(),
        "first_server": match.first_server,
        "first_near": match.first_near,
    }


def _films(match: Match, lens: Lens) -> list[Document]:
    """What can be watched: here, or in a page that is given the file; by what such a file is known comes along."""
    watched = [Film.State.READY, Film.State.AWAY]
    rows = MatchFilm.objects.filter(match=match, film__state__in=watched).select_related("film")
    courts = court_part([row.film_id for row in rows], lens)
    return [
        {
            "uuid": str(row.film.uuid),
            "name": row.film.name,
            "state": row.film.state,
            "url": _bytes_url(match, row.film),
            "offset_s": row.offset_s,
            "duration_s": row.film.duration_s,
            "frame_rate": row.film.frame_rate,
            "size": row.film.size,
            "slices": row.film.slices,
            "court": courts.get(row.film_id, []),
        }
        for row in rows
    ]


def _bytes_url(match: Match, film: Film) -> str | None:
    if film.state == Film.State.AWAY:
        return None
    return reverse("film_bytes", args=[match.club.slug, film.uuid])


def _seats(match: Match) -> list[Document]:
    return [
        {
            "position": seat.position,
            "pair": seat.pair,
            "side": seat.side,
            "player": str(seat.player.uuid) if seat.player else None,
            "player_id": seat.player_id,
            "name": seat.player.name if seat.player else _("visitor %(n)d") % {"n": seat.position},
            "short": seat.player.given_name if seat.player else _("visitor %(n)d") % {"n": seat.position},
        }
        for seat in match.seats.select_related("player").order_by("position")
    ]


def _units(lens: Lens, seats: list[Document]) -> list[Document]:
    places = {seat["player_id"]: seat["position"] for seat in seats if seat["player_id"]}
    for seat in seats:
        del seat["player_id"]
    shown = []
    for unit in lens.units.values():
        positions = sorted(places[pk] for pk in unit.player_ids if pk in places)
        pair = pair_of(positions[0]) if positions else ""
        shown.append(
            {"id": unit.pk, "kind": unit.kind, "name": unit.name, "pair": pair, "positions": positions}
        )
    return shown


def shown_areas(lens: Lens) -> list[Document]:
    return [_area(lens, code) for code in lens.areas]


def _area(lens: Lens, code: str) -> Document:
    area, entry = lens.areas[code], lens.entries.get(code, {})
    return {
        "code": code,
        "name": area.name,
        "key": area.key,
        "for_pair": area.for_pair,
        "trigger": area.trigger,
        "triggers": [dict(row) for row in entry.get("triggers", ())],
        "choices": [dict(row) for row in entry.get("choices", ())],
        "ball": dict(entry.get("ball", {})),
        "units": [unit.pk for unit in lens.units.values() if lens.fits(area, unit)],
        "asked": lens.asked_table(code),
        "checks": [_check(wording) for wording in lens.of_area(code)],
    }


def _check(wording: CheckWording) -> Document:
    check = wording.check_identity
    return {
        "code": check.code,
        "name": wording.name,
        "kind": check.kind,
        "phase": check.phase,
        "unit": check.unit,
        "end": wording.end,
        "met": wording.met,
        "missed": wording.missed,
        "instant": wording.instant,
        "applies": wording.applies,
        **check_part(wording),
    }


def shown_situations(
    analysis: Analysis, lens: Lens, cleared: dict[str, int], *, only: Collection[str] | None = None
) -> list[Document]:
    """Those that are kept; with ``only`` those of these keys, removed ones too. What is empty is left out."""
    rows = analysis.situations.filter(dropped=False, rally__dropped=False)
    found = Mark.objects.filter(situation__analysis=analysis)
    if only is not None:
        rows, found = analysis.situations.filter(uuid__in=only), found.filter(situation__uuid__in=only)
    marks: dict[int, dict[str, Document]] = defaultdict(dict)
    for owner, code, value, rev in found.values_list("situation", "check_identity__code", "value", "rev"):
        marks[owner][code] = sparse("mark", {"value": value, "rev": rev})
    gone: dict[str, dict[str, Document]] = defaultdict(dict)
    for name, rev in cleared.items():
        if name.startswith("mark:"):
            owner_uuid, _stroke, code = name.removeprefix("mark:").partition("/")
            gone[owner_uuid][code] = sparse("mark", {"value": None, "rev": rev})
    spots = spot_part(analysis, lens, cleared, only=only)
    codes = {area.pk: area.code for area in lens.areas.values()}
    shown = []
    # Rows without their classes: thousands of objects would cost more than all else here.
    for row in rows.values_list(*SITUATION_COLUMNS, named=True):
        document = sparse("situation", shown_situation(row, codes.get(row.area_id, ""), str(row.rally__uuid)))
        document["marks"] = {**gone.get(str(row.uuid), {}), **marks.get(row.pk, {})}
        document |= spots.get(str(row.uuid), {})
        shown.append(document)
    return shown


def shown_closures(analysis: Analysis, cleared: dict[str, int]) -> list[Document]:
    rows = analysis.closures.order_by("rally__start_s", "area__position", "pk").values_list(
        "rally__uuid", "area__code", "situations", "rev"
    )
    shown = {
        f"{rally}/{area}": sparse(
            "closure", {"rally": str(rally), "area": area, "situations": count, "rev": rev}
        )
        for rally, area, count, rev in rows
    }
    for name, rev in cleared.items():
        target = name.removeprefix("closure:")
        if target != name and target not in shown:
            rally, _stroke, area = target.partition("/")
            row = {"rally": rally, "area": area, "situations": None, "rev": rev}
            shown[target] = sparse("closure", row)
    return list(shown.values())


def _next_seq(analysis: Analysis) -> dict[str, int]:
    rows = Op.objects.filter(analysis=analysis).order_by().values("device").annotate(last=Max("seq"))
    return {str(row["device"]): row["last"] + 1 for row in rows}
