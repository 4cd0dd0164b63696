"""Writing an import where nobody sees it: in a club of its own that has no members."""

from __future__ import annotations

import re
import uuid
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Any

from django.db import models
from django.utils import timezone
from django.utils.translation import gettext as _

from clubcoach.compute.ledger import MatchFormat
from clubcoach.models import Club
from players.lists import WORDING_FIELDS
from players.models import Area, Check, CheckListVersion, CheckWording, Level, Player, Squad, Unit
from reports.exchange.columns import SITUATIONS
from reports.exchange.load import ROWS, Keys, chunk, insert
from reports.exchange.plan import AnalysisEntry, ListEntry, MatchEntry, Plan
from reports.exchange.write_marks import Marks
from reports.models import Batch
from sessions.models import Analysis, Analyst, LensArea, Match, Rally

Tell = Callable[[int, str], None]
_RALLY = (
    "id",
    "uuid",
    "match",
    "number",
    "start_s",
    "end_s",
    "server",
    "winner",
    "near_pair",
    "side",
    "reason",
    "net_pair",
    "ended_how",
    "timed",
    "dropped",
    "rev",
)
# Rallies and situations without times keep their order by these steps.
_RALLY_STEP = 0.001
# What is played to a number of points, where the sheets don't say to how many.
USUAL_POINTS = 24


@dataclass(eq=False)
class Written:
    """Keys of what stands in the holding club, by reference."""

    holding: Club
    levels: dict[str, int] = field(default_factory=dict)
    areas: dict[str, int] = field(default_factory=dict)
    checks: dict[str, int] = field(default_factory=dict)
    lists: dict[str, int] = field(default_factory=dict)
    analysts: dict[str, int] = field(default_factory=dict)
    own: int = 0
    players: dict[str, int] = field(default_factory=dict)
    units: dict[str, int] = field(default_factory=dict)
    pairs: dict[tuple[str, str], int] = field(default_factory=dict)
    squads: dict[str, int] = field(default_factory=dict)
    matches: dict[str, int] = field(default_factory=dict)
    # A match that is there already is stood in for, so that nothing hangs on it before its time.
    stand_ins: dict[str, int] = field(default_factory=dict)
    rallies: dict[tuple[str, int], int] = field(default_factory=dict)
    # Analysis, match's reference, unit: who counts in which analysis.
    covers: list[tuple[int, str, int, bool]] = field(default_factory=list)
    reserved: dict[type[models.Model], Keys] = field(default_factory=dict)

    def keys(self, model: type[models.Model]) -> Keys:
        return self.reserved.setdefault(model, Keys(model))


def write(batch: Batch, plan: Plan, tell: Tell) -> None:
    """Write a plan without problems; `switch_over` then puts it in place.

    Parameters
    ----------
    batch : Batch
        Its `holding` is set here, so that what a killed process leaves is found and swept.
    plan : Plan
        Gets the keys that were written, in `written`.
    tell : callable
        Hears how far it is; what it raises ends the writing between two chunks.
    """
    with chunk():
        holding = Club.objects.create(
            slug=f"holding-{batch.uuid}", name=_("Being brought in"), time_zone=plan.club.time_zone
        )
        Batch.objects.filter(pk=batch.pk).update(holding=holding)
        batch.holding = holding
    written = plan.written = Written(holding)
    tell(5, _("Writing people and lists"))
    _write_lists(plan, written)
    _write_people(plan, written)
    _write_matches(plan, written)
    _write_analyses(plan, written, tell)


def _write_lists(plan: Plan, written: Written) -> None:
    known, holding = plan.known, written.holding
    written.levels = {name: pk for name, (pk, _cells) in known.levels.items()}
    written.areas = {code: pk for code, (pk, _pair) in known.areas.items()}
    written.checks = {code: row.pk for code, row in known.checks.items()}
    written.lists = {label: row.pk for label, row in known.lists.items()}
    with chunk():
        for row in plan.levels:
            level = Level.objects.create(
                club=holding,
                name=row["level"],
                position=row["position"],
                description=row["description"] or "",
            )
            written.levels[level.name] = level.pk
        for number, entry in enumerate(sorted(plan.lists, key=_by_number), 1):
            # The club's own list through time stays what it is; only a club without one begins with these.
            version = CheckListVersion.objects.create(
                club=holding, number=number, name=entry.label, data=entry.data, past=bool(known.lists)
            )
            written.lists[entry.label] = version.pk
            _write_checks(plan, written, entry.data, version)


def _by_number(entry: ListEntry) -> list[Any]:
    """Version 9 before version 11: the last one becomes the list of a club that has none."""
    return [int(part) if part.isdecimal() else part for part in re.split(r"([0-9]+)", entry.label)]


def _write_checks(plan: Plan, written: Written, data: dict[str, Any], version: CheckListVersion) -> None:
    last = Area.objects.filter(club=plan.club).aggregate(last=models.Max("position"))["last"] or 0
    for row in data["areas"]:
        if row["code"] not in written.areas:
            area = Area.objects.create(
                club=written.holding,
                code=row["code"],
                position=last + row["order"],
                name=row["name"],
                for_pair=row["unit"] == "pair",
                trigger=row["trigger"],
                key=row["key"][:1],
                ball_easy=row["ball"]["easy"],
                ball_hard=row["ball"]["hard"],
                on=row["on_by_default"] and not plan.known.areas,
            )
            written.areas[area.code] = area.pk
    asked = {code for area in data["areas"] for codes in area["asked"].values() for code in codes}
    wordings = []
    for row in data["checks"]:
        if row["code"] not in written.checks:
            check = Check.objects.create(
                club=written.holding,
                code=row["code"],
                area_id=written.areas[row["area"]],
                unit=row["unit"],
                kind=row["kind"],
                phase=row["phase"],
                # A check of an old list that the club's own list does not have is not asked any more.
                retired_on=plan.today if plan.known.lists else None,
            )
            written.checks[check.code] = check.pk
        wordings.append(
            CheckWording(
                version=version,
                check_identity_id=written.checks[row["code"]],
                asked=row["code"] in asked,
                **{name: row.get(name, "") for name in WORDING_FIELDS},
            )
        )
    CheckWording.objects.bulk_create(wordings)


def _write_people(plan: Plan, written: Written) -> None:
    known, holding = plan.known, written.holding
    written.analysts = {ref: pk for ref, (pk, _name) in known.analysts.items()}
    written.squads = dict(known.squads)
    written.players = {ref: pk for ref, (pk, _cells) in known.players.items()}
    written.units = {ref: known.units[pk] for ref, pk in written.players.items() if pk in known.units}
    with chunk():
        for row in plan.analysts:
            analyst = Analyst.objects.create(club=holding, ref=row["analyst_ref"], name=row["name"])
            written.analysts[analyst.ref] = analyst.pk
        written.own = _own_analyst(plan, holding)
        for name in plan.squads:
            written.squads[name] = Squad.objects.create(club=holding, name=name).pk
    for begin in range(0, len(plan.players), ROWS // 4):
        _write_players(plan.players[begin : begin + ROWS // 4], written)
    _write_pairs(plan, written)


def _own_analyst(plan: Plan, holding: Club) -> int:
    """Whose eye an analysis is from where the sheets name nobody: that of whoever brings it in."""
    if all(entry.cells["analyst_ref"] for entry in plan.analyses.values()):
        return 0
    mine = Analyst.objects.filter(club=plan.club, user=plan.by).first()
    return (mine or Analyst.objects.create(club=holding, user=plan.by, name=plan.by.name)).pk


def _write_players(rows: list[dict[str, Any]], written: Written) -> None:
    with chunk():
        made = Player.objects.bulk_create(
            Player(
                club=written.holding,
                ref=row["player_ref"],
                given_name=row["given_name"],
                family_name=row["family_name"] or "",
                level_id=written.levels[row["level"]] if row["level"] else None,
                born_on=date(row["birth_year"], 12, 31) if row["birth_year"] else None,
                birthday_known=not row["birth_year"],
                hand=row["hand"] or Player.Hand.RIGHT,
                email=row["email"] or "",
            )
            for row in rows
        )
        units = Unit.objects.bulk_create(
            Unit(club=written.holding, kind=Unit.Kind.PLAYER, first=player) for player in made
        )
        for player, unit in zip(made, units, strict=True):
            written.players[player.ref] = player.pk
            written.units[player.ref] = unit.pk


def _write_pairs(plan: Plan, written: Written) -> None:
    by_keys = plan.known.pairs
    with chunk():
        for entry in plan.analyses.values():
            for letter in sorted({plan.unit_of(i) for i in entry.situations} & {"A", "B"}):
                one, other = (entry.match.player(seat) or "" for seat in entry.match.seats_of(letter))
                first, second = sorted((written.players[one], written.players[other]))
                if (first, second) not in by_keys:
                    pair = Unit.objects.create(
                        club=written.holding, kind=Unit.Kind.PAIR, first_id=first, second_id=second
                    )
                    by_keys[first, second] = pair.pk
                written.pairs[one, other] = by_keys[first, second]


def _write_matches(plan: Plan, written: Written) -> None:
    wanted = [match for match in plan.matches.values() if match.pk is None]
    used = {entry.match.ref for entry in plan.analyses.values()}
    stand_ins = [
        match
        for match in plan.matches.values()
        if match.pk is not None and (match.ref in used or match.fresh_rallies)
    ]
    for begin in range(0, len(wanted), ROWS // 8):
        part = wanted[begin : begin + ROWS // 8]
        with chunk():
            for match, row in zip(
                part, Match.objects.bulk_create(_match(plan, written, match) for match in part), strict=True
            ):
                written.matches[match.ref] = row.pk
    with chunk():
        rows = Match.objects.bulk_create(
            Match(club=written.holding, played_on=match.cells["played_on"]) for match in stand_ins
        )
        for match, row in zip(stand_ins, rows, strict=True):
            written.stand_ins[match.ref] = row.pk


def _match(plan: Plan, written: Written, match: MatchEntry) -> Match:
    cells = match.cells
    points = {"points_to": USUAL_POINTS} if cells["format"] == "points" else {}
    played_to = MatchFormat.from_dict({"kind": cells["format"], "deuce": cells["deuce"], **points})
    return Match(
        club=written.holding,
        ref=match.ref,
        played_on=cells["played_on"],
        kind=cells["kind"],
        format=played_to.as_dict(),
        place=cells["place"],
        walls=cells["walls"],
        rallies_played=cells["rallies_played"],
        registered_by=plan.by,
    )


def _write_analyses(plan: Plan, written: Written, tell: Tell) -> None:
    """Chunks of whole matches, each with its rallies and all that was seen in it."""
    by_match: dict[str, list[AnalysisEntry]] = {}
    for entry in plan.analyses.values():
        by_match.setdefault(entry.match.ref, []).append(entry)
    waiting: list[tuple[MatchEntry, list[AnalysisEntry]]] = []
    rows = done = 0
    total = max(1, sum(len(entry.situations) for entry in plan.analyses.values()))
    for match in plan.matches.values():
        entries = by_match.get(match.ref, [])
        if not entries and not match.fresh_rallies:
            continue
        waiting.append((match, entries))
        rows += len(match.rallies) + sum(entry.size for entry in entries)
        if rows >= ROWS:
            _write_chunk(plan, written, waiting)
            done += sum(len(entry.situations) for _match, entries in waiting for entry in entries)
            tell(10 + 80 * done // total, _("Writing what was seen"))
            waiting, rows = [], 0
    _write_chunk(plan, written, waiting)


def _write_chunk(plan: Plan, written: Written, waiting: list[tuple[MatchEntry, list[AnalysisEntry]]]) -> None:
    # Made before the transaction begins, so that nobody waits for it.
    rallies = _rallies(written, [match for match, _entries in waiting])
    entries = [entry for _match, some in waiting for entry in some]
    heads = _heads(plan, written, entries)
    marks = Marks(plan, written)
    for entry, head in zip(entries, heads, strict=True):
        marks.add(entry, head.pk)
    areas = plan.tables[SITUATIONS.name]["area"]
    lens = [
        LensArea(analysis=head, area_id=written.areas[code])
        for head, entry in zip(heads, entries, strict=True)
        for code in dict.fromkeys(areas[i] for i in entry.situations)
    ]
    with chunk():
        insert(Rally, _RALLY, rallies)
        Analysis.objects.bulk_create(heads)
        LensArea.objects.bulk_create(lens)
        marks.insert()


def _rallies(written: Written, matches: list[MatchEntry]) -> list[tuple[Any, ...]]:
    fresh = [(match, rally) for match in matches for rally in match.fresh_rallies]
    keys = dict(zip(((m.ref, r.number) for m, r in fresh), written.keys(Rally).take(len(fresh)), strict=True))
    rows = []
    for match in matches:
        holder = written.matches.get(match.ref) or written.stand_ins[match.ref]
        last = 0.0
        for number in sorted(match.rallies):
            rally = match.rallies[number]
            start = rally.cells.get("start_s")
            rally.order = last = last + _RALLY_STEP if start is None else start
            if rally.pk is not None:
                written.rallies[match.ref, number] = rally.pk
                continue
            key = written.rallies[match.ref, number] = keys[match.ref, number]
            cells = rally.cells
            rows.append(
                (
                    key,
                    uuid.uuid4().hex,
                    holder,
                    number,
                    rally.order,
                    cells.get("end_s"),
                    cells.get("server"),
                    cells.get("winner") or "",
                    cells.get("near_pair") or "",
                    "",
                    "",
                    "",
                    "",
                    start is not None,
                    False,
                    1,
                )
            )
    return rows


def _heads(plan: Plan, written: Written, entries: list[AnalysisEntry]) -> list[Analysis]:
    moment = timezone.now()
    return [
        Analysis(
            pk=key,
            match_id=written.matches.get(entry.match.ref) or written.stand_ins[entry.match.ref],
            ref=entry.ref,
            analyst_id=written.analysts.get(entry.cells["analyst_ref"]) or written.own,
            purpose=entry.cells["purpose"],
            plan=entry.cells["plan"],
            state=Analysis.State.PUBLISHED,
            check_list_id=written.lists[entry.cells["check_list"]],
            requested_by=plan.by,
            submitted_at=_noon(plan.club, entry.cells["coded_on"]),
            published_at=moment,
            published_by=plan.by,
        )
        for key, entry in zip(written.keys(Analysis).take(len(entries)), entries, strict=True)
    ]


def _noon(club: Club, day: date | None) -> datetime | None:
    return datetime.combine(day, time(12), tzinfo=club.zone) if day else None
