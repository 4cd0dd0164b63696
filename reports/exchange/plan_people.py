"""Levels, check lists, analysts and players of an import."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

from django.utils.translation import gettext as _

from players.models.lists import folded
from reports.exchange.columns import ANALYSTS, CHECK_LISTS, LEVELS, PLAYERS, FileSpec
from reports.exchange.list_data import list_data
from reports.exchange.plan import ListEntry, Plan, differs
from reports.exchange.problems import Problems

OLDEST = 110


def refuse_difference(
    problems: Problems, spec: FileSpec, line: int, found: list[tuple[str, Any, Any]]
) -> None:
    """Both values, cell by cell."""
    for name, value, there in found:
        problems.add(
            spec.name,
            line,
            name,
            told(value),
            _("The club has “%(there)s” here. Change one of them, or leave the cell empty.")
            % {"there": told(there)},
        )


def told(value: Any) -> str:
    if value is None:
        return _("nothing")
    return ";".join(value) if isinstance(value, tuple) else str(value)


def add_levels(plan: Plan, problems: Problems) -> None:
    taken = {cells["position"]: name for name, (_pk, cells) in plan.known.levels.items()}
    for line, row in plan.tables[LEVELS.name].rows():
        name = row.pop("level")
        if name in plan.known.levels:
            refuse_difference(problems, LEVELS, line, differs(row, plan.known.levels[name][1]))
            plan.there["levels"] += 1
        elif taken.setdefault(row["position"], name) != name:
            reason = _("The level “%(level)s” stands at this place. Give another number.")
            problems.add(
                LEVELS.name, line, "position", row["position"], reason % {"level": taken[row["position"]]}
            )
        if name not in plan.known.levels:
            plan.levels.append({"level": name, **row})
            plan.new["levels"] += 1


def add_lists(plan: Plan, problems: Problems) -> None:
    lists: dict[str, list[tuple[int, dict[str, Any]]]] = defaultdict(list)
    for line, row in plan.tables[CHECK_LISTS.name].rows():
        lists[row.pop("check_list")].append((line, row))
    identity: dict[str, dict[str, Any]] = {
        code: {"area": check.area.code, "unit": check.unit, "kind": check.kind, "phase": check.phase}
        for code, check in plan.known.checks.items()
    }
    for label, rows in lists.items():
        there = plan.known.wordings(label) if label in plan.known.lists else None
        entry = ListEntry(label, {})
        for line, row in rows:
            code = row.pop("check")
            if there is not None and code not in there:
                reason = _("The club's list “%(list)s” has no such check. Give the list another name.")
                problems.add(CHECK_LISTS.name, line, "check", code, reason % {"list": label})
                continue
            if there is not None:
                refuse_difference(problems, CHECK_LISTS, line, differs(row, there[code]))
            else:
                # One check counts over years, so its code may not come to mean something else.
                mine = {name: row[name] for name in ("area", "unit", "kind", "phase")}
                refuse_difference(problems, CHECK_LISTS, line, differs(mine, identity.setdefault(code, mine)))
            entry.rows[code] = row
        if there is not None:
            plan.there["check_lists"] += len(rows)
            continue
        plan.new["check_lists"] += len(rows)
        before = problems.count
        entry.data, wrong = list_data(plan.known, entry.rows, label)
        for problem in wrong if problems.count == before else []:
            said = f"{problem.where}: {problem.what}; {problem.what_to_do}"
            problems.add(CHECK_LISTS.name, rows[0][0], "check_list", label, said)
        plan.lists.append(entry)
    _default_list(plan)


def _default_list(plan: Plan) -> None:
    """A club without any list, and files that bring none: the list that every club starts from."""
    if plan.known.lists or plan.lists:
        return
    data = list_data(plan.known, None, "")[0]
    rows = {
        row["code"]: {name: row[name] for name in ("area", "unit", "kind", "phase")}
        | {"wording": row["name"]}
        for row in data["checks"]
    }
    plan.lists.append(ListEntry(data["code"], rows, data))
    plan.new["check_lists"] += len(rows)


def add_analysts(plan: Plan, problems: Problems) -> None:
    for line, row in plan.tables[ANALYSTS.name].rows():
        there = plan.known.analysts.get(row["analyst_ref"])
        if there is None:
            plan.analysts.append(row)
            plan.new["analysts"] += 1
        else:
            refuse_difference(problems, ANALYSTS, line, differs({"name": row["name"]}, {"name": there[1]}))
            plan.there["analysts"] += 1


def add_players(plan: Plan, problems: Problems) -> None:
    levels = {*plan.known.levels, *(row["level"] for row in plan.levels)}
    squads = dict.fromkeys(plan.known.squads)
    for line, row in plan.tables[PLAYERS.name].rows():
        ref = row.pop("player_ref")
        year = row["birth_year"]
        if row["level"] is not None and row["level"] not in levels:
            reason = _("No level has this name. Add it to levels.csv, or correct the name.")
            problems.add(PLAYERS.name, line, "level", row["level"], reason)
        if year is not None and not plan.today.year - OLDEST <= year <= plan.today.year:
            problems.add(PLAYERS.name, line, "birth_year", year, _("Nobody was born then. Check the year."))
        if ref in plan.known.players:
            refuse_difference(problems, PLAYERS, line, differs(row, plan.known.players[ref][1]))
            plan.there["players"] += 1
            continue
        plan.players.append({"player_ref": ref, **row})
        plan.new["players"] += 1
        for name in row["squads"] or ():
            if name not in squads:
                squads[name] = None
                plan.squads.append(name)
                plan.new["squads"] += 1
    _twins(plan)


def _twins(plan: Plan) -> None:
    """Who may be the same person under two references: told, and never merged."""
    alike: dict[tuple[str, Any], list[str]] = defaultdict(list)
    for ref, (_pk, cells) in plan.known.players.items():
        alike[_person(cells)].append(ref)
    for row in plan.players:
        alike[_person(row)].append(row["player_ref"])
    fresh = {row["player_ref"]: row for row in plan.players}
    for refs in alike.values():
        if len(refs) > 1 and any(ref in fresh for ref in refs):
            row = next(fresh[ref] for ref in refs if ref in fresh)
            plan.remarks.append(
                _("%(name)s, born %(year)s, is there %(n)d times: %(refs)s. They stay different people.")
                % {
                    "name": " ".join(filter(None, (row["given_name"], row["family_name"]))),
                    "year": row["birth_year"] or "?",
                    "n": len(refs),
                    "refs": ", ".join(refs),
                }
            )


def _person(cells: dict[str, Any]) -> tuple[str, Any]:
    return folded(f"{cells['given_name']} {cells['family_name'] or ''}".strip()), cells["birth_year"]
