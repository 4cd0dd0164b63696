"""Situations and checks of an import, and what of them is there already."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

from django.utils.translation import gettext as _

from reports.exchange.columns import ANALYSES, CHECKS, MOST_SITUATIONS, SITUATIONS
from reports.exchange.plan import AnalysisEntry, Plan, RallyEntry, differs
from reports.exchange.plan_people import refuse_difference
from reports.exchange.problems import Problems
from reports.exchange.rows import analysis_rows, in_parts
from sessions.models import Analysis

# Analyses that are compared with what is there at a time.
_AT_ONCE = 50
_STRIDE = MOST_SITUATIONS + 1


class _Areas:
    """Area codes, whether each is looked at as a pair, and the checks of each list."""

    def __init__(self, plan: Plan) -> None:
        self.for_pair = {code: for_pair for code, (_pk, for_pair) in plan.known.areas.items()}
        for entry in plan.lists:
            for area in entry.data.get("areas", ()):
                self.for_pair.setdefault(area["code"], area["unit"] == "pair")
        self.rows = {entry.label: entry.rows for entry in plan.lists}
        self.plan = plan
        self.choices: dict[str, dict[str, set[str]]] = {}
        self.names: dict[str, set[str]] = {}

    def of(self, label: str) -> dict[str, dict[str, Any]]:
        if label not in self.rows:
            self.rows[label] = self.plan.known.wordings(label) if label in self.plan.known.lists else {}
        return self.rows[label]

    def names_of(self, label: str) -> set[str]:
        if label not in self.names:
            self.names[label] = {row["area"] for row in self.of(label).values()}
        return self.names[label]

    def choices_of(self, label: str) -> dict[str, set[str]]:
        if label not in self.choices:
            fresh = next((entry.data for entry in self.plan.lists if entry.label == label), None)
            data = (
                fresh
                if fresh is not None or not label
                else getattr(self.plan.known.lists.get(label), "data", {})
            )
            self.choices[label] = {
                area["code"]: {choice["code"] for choice in area["choices"]}
                for area in (data or {}).get("areas", ())
                if area.get("choices")
            }
        return self.choices[label]


def add_situations(plan: Plan, problems: Problems) -> None:
    table, areas = plan.tables[SITUATIONS.name], _Areas(plan)
    columns = [table[name] for name in table.spec.names]
    for i, (line, (ref, rally, _number, unit, area, _ball, hit, _outcome, choice, _counted)) in enumerate(
        zip(table.lines, zip(*columns, strict=True), strict=True)
    ):
        entry = plan.analyses.get(ref)
        if entry is None:
            if ref not in plan.known.analyses:
                _no_analysis(plan, problems, SITUATIONS.name, line, ref)
            continue
        _check_unit(problems, line, entry, unit, area, areas)
        known_areas = areas.names_of(entry.cells["check_list"])
        if known_areas and area not in known_areas:
            reason = _("The check list “%(list)s” has no such area.")
            problems.add(SITUATIONS.name, line, "area", area, reason % {"list": entry.cells["check_list"]})
        known = areas.choices_of(entry.cells["check_list"]).get(area)
        if choice is not None and known and choice not in known:
            reason = _("The area has no such choice. It has: %(words)s.")
            problems.add(
                SITUATIONS.name, line, "choice", choice, reason % {"words": ", ".join(sorted(known))}
            )
        _check_time(plan, problems, line, entry, rally, hit)
        entry.situations.append(i)
        plan.new["situations"] += 1
    _check_taken(plan, problems)
    numbers, rallies = table["situation"], table["rally"]
    for entry in plan.analyses.values():
        entry.situations.sort(key=lambda i: (rallies[i], numbers[i]))


def _no_analysis(plan: Plan, problems: Problems, file: str, line: int, ref: str) -> None:
    if ANALYSES.name in plan.tables:
        reason = _("No analysis has this reference. Add a row to analyses.csv, or correct it.")
    else:
        reason = _("No match has this reference; without analyses.csv an analysis has that of its match.")
    problems.add(file, line, "analysis_ref", ref, reason)


def _check_unit(
    problems: Problems, line: int, entry: AnalysisEntry, unit: str, area: str, areas: _Areas
) -> None:
    for_pair = areas.for_pair.get(area)
    if for_pair is not None and for_pair != (unit in "AB"):
        reason = (
            _("This area is looked at as a pair: write A or B.")
            if for_pair
            else _("This area is looked at player by player: write 1 to 4.")
        )
        problems.add(SITUATIONS.name, line, "unit", unit, reason)
    missing = [seat for seat in entry.match.seats_of(unit) if entry.match.player(seat) is None]
    if missing:
        reason = _("Player %(n)d of the match is a visitor, whom nothing is kept about. Leave the row out.")
        problems.add(SITUATIONS.name, line, "unit", unit, reason % {"n": missing[0]})


def _check_time(
    plan: Plan, problems: Problems, line: int, entry: AnalysisEntry, number: int, hit: float | None
) -> None:
    rally = entry.match.rallies.get(number)
    if rally is None:
        rally = entry.match.rallies[number] = RallyEntry(number, {})
        plan.new["rallies"] += 1
    start, end = rally.cells.get("start_s"), rally.cells.get("end_s")
    if hit is None or start is None:
        return
    if hit < start or (end is not None and hit > end):
        reason = _("The rally runs from %(start)s to %(end)s s. Check the times.")
        times = {"start": f"{start:g}", "end": "?" if end is None else f"{end:g}"}
        problems.add(SITUATIONS.name, line, "hit_s", f"{hit:g}", reason % times)


def _check_taken(plan: Plan, problems: Problems) -> None:
    """One analysis counts for a unit in a match: not two of the import, and none beside one that is there."""
    units = plan.tables[SITUATIONS.name]["unit"]
    counting: dict[tuple[str, str], str] = {}
    covered: dict[str, set[int]] = {}
    for entry in plan.analyses.values():
        match = entry.match
        if not entry.counts:
            continue
        if match.pk is not None and match.ref not in covered:
            covered[match.ref] = plan.known.taken(match.pk)
        for unit in dict.fromkeys(units[i] for i in entry.situations):
            other = counting.setdefault((match.ref, unit), entry.ref)
            if other != entry.ref:
                reason = _("The analysis %(other)s counts for %(unit)s in this match already.")
            elif covered.get(match.ref) and _unit_key(plan, entry, unit) in covered[match.ref]:
                reason = _("A published analysis of the club counts for %(unit)s in this match already.")
            else:
                continue
            said = reason % {"other": other, "unit": unit} + " " + _("Give it another purpose: second.")
            problems.add(ANALYSES.name, entry.line, "purpose", entry.ref, said)


def _unit_key(plan: Plan, entry: AnalysisEntry, unit: str) -> int | None:
    found = [plan.known.players.get(entry.match.player(seat) or "") for seat in entry.match.seats_of(unit)]
    if not all(found):
        return None
    keys = [row[0] for row in found if row]
    return plan.known.units.get(keys[0]) if len(keys) == 1 else plan.known.pairs.get((min(keys), max(keys)))


def add_checks(plan: Plan, problems: Problems) -> None:
    situations, table, areas = plan.tables[SITUATIONS.name], plan.tables[CHECKS.name], _Areas(plan)
    at = _places(plan)
    area_of = situations["area"]
    lists: dict[str, dict[str, dict[str, Any]]] = {
        ref: areas.of(entry.cells["check_list"]) for ref, entry in plan.analyses.items()
    }
    new = 0
    names = ("analysis_ref", "rally", "situation", "check")
    for i, (ref, rally, number, check) in enumerate(zip(*(table[name] for name in names), strict=True)):
        places = at.get(ref)
        if places is None:
            if ref not in plan.known.analyses:
                _no_analysis(plan, problems, CHECKS.name, table.lines[i], ref)
            continue
        found = places.get(rally * _STRIDE + number)
        if found is None:
            reason = _("situations.csv has no situation %(n)d of this analysis in rally %(rally)d.")
            said = reason % {"n": number, "rally": rally}
            problems.add(CHECKS.name, table.lines[i], "situation", number, said)
            continue
        row = lists[ref].get(check)
        if row is None and not lists[ref]:
            continue
        if row is None:
            reason = _("The check list “%(list)s” of this analysis has no such check.")
            label = plan.analyses[ref].cells["check_list"]
            problems.add(CHECKS.name, table.lines[i], "check", check, reason % {"list": label})
        elif row["area"] != area_of[found]:
            reason = _("This check belongs to the area %(area)s, the situation to %(other)s.")
            said = reason % {"area": row["area"], "other": area_of[found]}
            problems.add(CHECKS.name, table.lines[i], "check", check, said)
        plan.analyses[ref].marks.setdefault(found, []).append(i)
        new += 1
    plan.new["checks"] += new


def _places(plan: Plan) -> dict[str, dict[int, int]]:
    """For each new analysis the row of situations.csv by rally and number."""
    table = plan.tables[SITUATIONS.name]
    rallies, numbers = table["rally"], table["situation"]
    return {
        ref: {rallies[i] * _STRIDE + numbers[i]: i for i in entry.situations}
        for ref, entry in plan.analyses.items()
    }


def compare_known(plan: Plan, problems: Problems) -> None:
    """Rows of analyses that the club has: the same again, or a conflict; nothing is added to a published analysis."""
    wanted: dict[str, dict[str, list[int]]] = {}
    for spec in (ANALYSES, SITUATIONS, CHECKS):
        for i, ref in enumerate(plan.tables[spec.name]["analysis_ref"]):
            if ref not in plan.analyses and ref in plan.known.analyses:
                wanted.setdefault(ref, defaultdict(list))[spec.name].append(i)
    for part in in_parts(list(wanted), _AT_ONCE):
        _compare(plan, problems, {ref: wanted[ref] for ref in part})


def _compare(plan: Plan, problems: Problems, wanted: dict[str, dict[str, list[int]]]) -> None:
    rows = Analysis.objects.filter(pk__in=[plan.known.analyses[ref] for ref in wanted])
    there = {
        name: {tuple(row[: len(spec.key)]): row for row in found}
        for name, found in analysis_rows(plan.club, rows).items()
        for spec in (plan.tables[name].spec,)
    }
    for spec in (ANALYSES, SITUATIONS, CHECKS):
        table, kind = plan.tables[spec.name], spec.name.removesuffix(".csv")
        for i in [i for rows_of in wanted.values() for i in rows_of.get(spec.name, ())]:
            cells = {name: column[i] for name, column in table.columns.items()}
            known = there.get(spec.name, {}).get(tuple(cells[name] for name in spec.key))
            if known is None:
                reason = _("This analysis is published without such a row, and is not changed by an import.")
                problems.add(spec.name, table.lines[i], spec.key[-1], cells[spec.key[-1]], reason)
                continue
            if spec is SITUATIONS:
                _as_kept(cells, known)
            found = differs(cells, dict(zip(spec.names, known, strict=True)))
            refuse_difference(problems, spec, table.lines[i], found)
            if spec is not ANALYSES:
                plan.there[kind] += 1


def _as_kept(cells: dict[str, Any], known: tuple[Any, ...]) -> None:
    """Two ways to say one thing: an empty ball is a normal one, and what was chosen by hand is shown, not counted."""
    if cells["ball"] == "normal":
        cells["ball"] = None
    if known[SITUATIONS.names.index("counted")] == 0:
        cells["counted"] = cells["counted"] or None
