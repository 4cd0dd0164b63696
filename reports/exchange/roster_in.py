"""A list of players alone, as a club has it: who stands there without a reference is somebody new."""

from __future__ import annotations

from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from typing import Any

from django.db.models import Max
from django.utils.translation import gettext as _

from clubcoach.models import Club, User
from players.models import Level, Player
from reports.exchange.columns import LEVELS, PLAYERS
from reports.exchange.folder import read_file
from reports.exchange.plan import Plan, make_plan
from reports.exchange.problems import Problems
from reports.exchange.tables import Table, Tables
from reports.exchange.workbook import read_sheet

# Without a reference there is nothing that would make two rows the same one: twins are two.
ROSTER = replace(
    PLAYERS,
    columns=tuple(
        replace(column, needed=column.needed and column.name != "player_ref") for column in PLAYERS.columns
    ),
    key=(),
)
# Nobody takes these for one another on paper.
SIGNS = "abcdefghjkmnpqrstuvwxyz23456789"


def read_roster(path: Path, problems: Problems) -> Table:
    """A CSV file or a workbook with the columns of players.csv."""
    if path.suffix.lower() == ".xlsx":
        return read_sheet(path, ROSTER, problems)
    return read_file(path, ROSTER, problems)


def make_roster_plan(*, club: Club, by: User, table: Table, problems: Problems) -> Plan:
    """What will be written: people with the references that they will have, and levels that are new.

    The same list at the same club gets the same references, so that what is written is what was shown.
    """
    levels = _new_levels(club, table)
    tables = Tables({PLAYERS.name: _with_references(club, table, problems), LEVELS.name: levels})
    # What the plan has to say about a row names the list as its owner does.
    ours = Problems()
    plan = make_plan(club=club, by=by, tables=tables, problems=ours)
    problems.count += ours.count - len(ours.first)
    for problem in ours:
        file = table.spec.name if problem.file == PLAYERS.name else problem.file
        problems.add(file, *problem[1:])
    # A club without a check list chooses one itself: people need none.
    plan.lists.clear()
    plan.new.pop("check_lists", None)
    plan.remarks[:0] = [
        _("The level “%(level)s” is new here. It is added as the last one.") % {"level": name}
        for name in levels["level"]
    ]
    return plan


def _with_references(club: Club, table: Table, problems: Problems) -> Table:
    first: dict[str, int] = {}
    for line, ref in zip(table.lines, table["player_ref"], strict=True):
        if ref is not None and first.setdefault(ref, line) != line:
            reason = _("Line %(first)d has this reference already. Two people have two references.")
            problems.add(table.spec.name, line, "player_ref", ref, reason % {"first": first[ref]})
    taken = set(first)
    for ref, uuid in Player.objects.filter(club=club).values_list("ref", "uuid"):
        taken.add(ref or str(uuid))
    whole = Table(PLAYERS)
    for line, row in table.rows():
        if row["player_ref"] is None:
            row["player_ref"] = ref = _reference(club, row, taken)
            taken.add(ref)
        whole.add(line, **row)
    return whole


def _reference(club: Club, row: dict[str, Any], taken: set[str]) -> str:
    """A short one that a coach can write by hand, and that says nothing about the person to others."""
    n = 0
    while True:
        seed = (club.slug, row["given_name"], row["family_name"], row["birth_year"], n)
        digest = sha256(repr(seed).encode()).digest()
        found = "p-" + "".join(SIGNS[byte % len(SIGNS)] for byte in digest[:6])
        if found not in taken:
            return found
        n += 1


def _new_levels(club: Club, table: Table) -> Table:
    known = set(Level.objects.filter(club=club).values_list("name", flat=True))
    last = Level.objects.filter(club=club).aggregate(last=Max("position"))["last"] or 0
    levels = Table(LEVELS)
    named = dict.fromkeys(name for name in table["level"] if name is not None and name not in known)
    for position, name in enumerate(named, last + 1):
        levels.add(level=name, position=position)
    return levels
