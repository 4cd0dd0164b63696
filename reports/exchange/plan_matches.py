"""Matches, rallies and analyses of an import."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext as _

from reports.exchange.columns import ANALYSES, MATCHES, RALLIES, SITUATIONS
from reports.exchange.known import rally_cells
from reports.exchange.plan import AnalysisEntry, MatchEntry, Plan, RallyEntry, differs
from reports.exchange.plan_people import refuse_difference
from reports.exchange.problems import Problems
from reports.exchange.rows import AT_ONCE, in_parts
from reports.exchange.seen import numbered
from sessions.services.matches import OLDEST_YEARS

SEATS = range(1, 5)


def add_matches(plan: Plan, problems: Problems) -> None:
    tables = plan.tables
    named = [*tables[MATCHES.name]["match_ref"], *tables[RALLIES.name]["match_ref"]]
    named += tables[ANALYSES.name]["match_ref"]
    there = plan.known.match_entries(list(dict.fromkeys(named)))
    players = {*plan.known.players, *(row["player_ref"] for row in plan.players)}
    for ref, (match, cells) in there.items():
        plan.matches[ref] = MatchEntry(ref, cells, match.pk)
    for line, row in tables[MATCHES.name].rows():
        ref = row.pop("match_ref")
        if ref in there:
            refuse_difference(problems, MATCHES, line, differs(row, there[ref][1]))
            plan.there["matches"] += 1
            continue
        _check_day(plan, problems, MATCHES.name, line, "played_on", row["played_on"])
        _check_seats(problems, line, row, players)
        plan.matches[ref] = MatchEntry(ref, _with_defaults(plan, row))
        plan.new["matches"] += 1


def _with_defaults(plan: Plan, row: dict[str, Any]) -> dict[str, Any]:
    usual = {
        "kind": "friendly",
        "format": "sets",
        "deuce": plan.club.deuce,
        "place": "indoor",
        "walls": "glass",
    }
    return row | {name: row[name] or value for name, value in usual.items()}


def _check_day(plan: Plan, problems: Problems, file: str, line: int, column: str, day: Any) -> None:
    if day > plan.today:
        problems.add(file, line, column, day, _("This day lies ahead. Check the year."))
    elif day.year < plan.today.year - OLDEST_YEARS:
        problems.add(file, line, column, day, _("This day is too long ago. Check the year."))


def _check_seats(problems: Problems, line: int, row: dict[str, Any], players: set[str]) -> None:
    taken: dict[str, int] = {}
    for seat in SEATS:
        player, column = row[f"player_{seat}"], f"player_{seat}"
        if player is None:
            continue
        if player not in players:
            reason = _(
                "No player has this reference. Add a row to players.csv, or leave it empty for a visitor."
            )
            problems.add(MATCHES.name, line, column, player, reason)
        elif taken.setdefault(player, seat) != seat:
            reason = _("The same player is player_%(n)d. A player sits on one place.")
            problems.add(MATCHES.name, line, column, player, reason % {"n": taken[player]})
    for second in (2, 4):
        side = row[f"side_{second}"]
        if side is not None and side == row[f"side_{second - 1}"]:
            reason = _("Both partners are on this side. Correct one of them.")
            problems.add(MATCHES.name, line, f"side_{second}", side, reason)


def add_rallies(plan: Plan, problems: Problems) -> None:
    there_already = {entry.pk: entry for entry in plan.matches.values() if entry.pk is not None}
    for keys in in_parts(list(there_already), AT_ONCE):
        for number, rally in numbered(keys):
            entry = there_already[rally.match_id]
            entry.rallies[number] = RallyEntry(number, rally_cells(rally), rally.pk)
    for line, row in plan.tables[RALLIES.name].rows():
        ref, number = row.pop("match_ref"), row.pop("rally")
        match, start, end = plan.matches.get(ref), row["start_s"], row["end_s"]
        if match is None:
            _no_match(problems, RALLIES.name, line, ref)
        if end is not None and start is None:
            reason = _("The rally has an end and no start. Give both, or neither.")
            problems.add(RALLIES.name, line, "start_s", None, reason)
        elif end is not None and end <= start:
            reason = _("A rally ends after it starts, at %(start)s s. Check both times.")
            problems.add(RALLIES.name, line, "end_s", end, reason % {"start": f"{start:g}"})
            # One mistake is told once, not again at each hit of the rally.
            row["end_s"] = None
        if match is None:
            continue
        there = match.rallies.get(number)
        if there is None:
            match.rallies[number] = RallyEntry(number, row)
            plan.new["rallies"] += 1
        else:
            refuse_difference(problems, RALLIES, line, differs(row, there.cells))
            plan.there["rallies"] += 1


def _no_match(problems: Problems, file: str, line: int, ref: str) -> None:
    reason = _("No match has this reference. Add a row to matches.csv, or correct it.")
    problems.add(file, line, "match_ref", ref, reason)


def add_analyses(plan: Plan, problems: Problems) -> None:
    labels = {*plan.known.lists, *(entry.label for entry in plan.lists)}
    usual = plan.known.newest or (plan.lists[-1].label if plan.lists else "")
    if ANALYSES.name not in plan.tables:
        _one_for_each_match(plan, usual)
        return
    analysts = {*plan.known.analysts, *(row["analyst_ref"] for row in plan.analysts)}
    for line, row in plan.tables[ANALYSES.name].rows():
        ref, match = row.pop("analysis_ref"), plan.matches.get(row["match_ref"])
        if match is None:
            _no_match(problems, ANALYSES.name, line, row["match_ref"])
        if row["analyst_ref"] is not None and row["analyst_ref"] not in analysts:
            reason = _("No analyst has this reference. Add a row to analysts.csv, or correct it.")
            problems.add(ANALYSES.name, line, "analyst_ref", row["analyst_ref"], reason)
        if row["check_list"] is not None and row["check_list"] not in labels:
            reason = _("No check list has this name. Add it to check_lists.csv, or leave the cell empty.")
            problems.add(ANALYSES.name, line, "check_list", row["check_list"], reason)
        if row["coded_on"] is not None:
            _check_day(plan, problems, ANALYSES.name, line, "coded_on", row["coded_on"])
            played = match.cells["played_on"] if match else row["coded_on"]
            if row["coded_on"] < played <= plan.today:
                reason = _("The match was played later, on %(day)s. Check both days.")
                said = reason % {"day": played.isoformat()}
                problems.add(ANALYSES.name, line, "coded_on", row["coded_on"], said)
        if match is not None:
            _add_analysis(plan, ref, match, row, usual, line)


def _one_for_each_match(plan: Plan, usual: str) -> None:
    """Without analyses.csv each match that situations name is one analysis, under the match's own reference."""
    for ref in dict.fromkeys(plan.tables[SITUATIONS.name]["analysis_ref"]):
        match = plan.matches.get(ref)
        if match is not None:
            cells = dict.fromkeys(("analyst_ref", "purpose", "coded_on", "check_list", "plan"))
            _add_analysis(plan, ref, match, cells, usual, 0)


def _add_analysis(
    plan: Plan, ref: str, match: MatchEntry, row: dict[str, Any], usual: str, line: int
) -> None:
    if ref in plan.known.analyses:
        plan.there["analyses"] += 1
        return
    cells = row | {
        "purpose": row["purpose"] or "count",
        "plan": row["plan"] or "all",
        "check_list": row["check_list"] or usual,
    }
    plan.analyses[ref] = AnalysisEntry(ref, match, cells, line)
    plan.new["analyses"] += 1
