"""Every rule across rows and against the club refuses its bad row by file, line and column, and nothing is written."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from clubcoach.models import Club
from reports.exchange.plan import Plan, make_plan
from reports.exchange.problems import Problems
from sessions.models import Match
from tests.factories import make_check_list, make_club, make_player
from tests.reports.exchange.sheets import Rows, sheets, tables

pytestmark = pytest.mark.django_db

Change = Callable[[Rows], Any]


def look(club: Club, by: Any, rows: Rows) -> tuple[Plan, Problems]:
    problems = Problems()
    return make_plan(club=club, by=by, tables=tables(rows), problems=problems), problems


@pytest.fixture
def club(db: Any) -> Club:
    return make_club("past", time_zone="America/Bogota")


def put(file: str, place: int = 0, **cells: Any) -> Change:
    return lambda rows: rows[file][place].update(cells)


def more(file: str, place: int = 0, **cells: Any) -> Change:
    """One more row, like one that is there but for some cells."""
    return lambda rows: rows[file].append(rows[file][place] | cells)


def of_area(area: str, **cells: Any) -> Change:
    """The first situation becomes one of an area, with no checks."""

    def change(rows: Rows) -> None:
        row = rows["situations.csv"][0]
        key = {name: row[name] for name in ("analysis_ref", "rally", "situation")}
        rows["checks.csv"] = [check for check in rows["checks.csv"] if not key.items() <= check.items()]
        row.update(area=area, **cells)

    return change


def both(*changes: Change) -> Change:
    return lambda rows: [change(rows) for change in changes]


def wrong_list(**cells: Any) -> Change:
    row = {"check_list": "own", "check": "X1", "area": "x", "unit": "player", "kind": "doing", "phase": 1}
    return lambda rows: rows.update({"check_lists.csv": [row | {"wording": "Something"} | cells]})


FAR = date.today() + timedelta(days=9)
BAD: dict[str, tuple[Change, tuple[str, int, str], str]] = {
    "two levels at one place": (put("levels.csv", 1, position=1), ("levels.csv", 3, "position"), "Copper"),
    "a level that nobody has": (put("players.csv", level="Gold"), ("players.csv", 2, "level"), "levels.csv"),
    "born in the future": (
        put("players.csv", birth_year=FAR.year + 1),
        ("players.csv", 2, "birth_year"),
        "year",
    ),
    "born too long ago": (put("players.csv", birth_year=1901), ("players.csv", 2, "birth_year"), "year"),
    "played in the future": (put("matches.csv", played_on=FAR), ("matches.csv", 2, "played_on"), "ahead"),
    "played too long ago": (
        put("matches.csv", played_on=date(1926, 1, 1)),
        ("matches.csv", 2, "played_on"),
        "long ago",
    ),
    "nobody of that name": (
        put("matches.csv", player_3="p9999"),
        ("matches.csv", 2, "player_3"),
        "players.csv",
    ),
    "one player twice": (
        lambda rows: rows["matches.csv"][0].update(player_4=rows["matches.csv"][0]["player_1"]),
        ("matches.csv", 2, "player_4"),
        "player_1",
    ),
    "both on one side": (put("matches.csv", side_2="left"), ("matches.csv", 2, "side_2"), "partners"),
    "a rally of no match": (
        more("rallies.csv", match_ref="m9"),
        ("rallies.csv", 12, "match_ref"),
        "matches.csv",
    ),
    "an end before the start": (
        put("rallies.csv", end_s=3.0),
        ("rallies.csv", 2, "end_s"),
        "after it starts",
    ),
    "an end without a start": (
        both(put("rallies.csv", start_s=None), lambda rows: _no_hits(rows)),
        ("rallies.csv", 2, "start_s"),
        "no start",
    ),
    "an analysis of no match": (
        more("analyses.csv", analysis_ref="a9", match_ref="m9"),
        ("analyses.csv", 4, "match_ref"),
        "matches.csv",
    ),
    "nobody's eye": (
        put("analyses.csv", analyst_ref="eye-9"),
        ("analyses.csv", 2, "analyst_ref"),
        "analysts.csv",
    ),
    "a list that is not there": (
        put("analyses.csv", check_list="gone"),
        ("analyses.csv", 2, "check_list"),
        "check_lists.csv",
    ),
    "coded before it was played": (
        put("analyses.csv", coded_on=date(2026, 1, 1)),
        ("analyses.csv", 2, "coded_on"),
        "played later",
    ),
    "two that count for one match": (
        both(more("analyses.csv", analysis_ref="again"), lambda rows: _again(rows)),
        ("analyses.csv", 4, "purpose"),
        "second",
    ),
    "a situation of no analysis": (
        more("situations.csv", analysis_ref="a9"),
        ("situations.csv", 32, "analysis_ref"),
        "analyses.csv",
    ),
    "an unknown area": (of_area("dance"), ("situations.csv", 2, "area"), "no such area"),
    "a pair where players are looked at": (of_area("lob", unit="A"), ("situations.csv", 2, "unit"), "1 to 4"),
    "a player where pairs are looked at": (of_area("net", unit="2"), ("situations.csv", 2, "unit"), "A or B"),
    "a choice that the area does not have": (
        of_area("lob", unit="1", choice="sing"),
        ("situations.csv", 2, "choice"),
        "It has",
    ),
    "a hit outside its rally": (
        put("situations.csv", hit_s=900.0),
        ("situations.csv", 2, "hit_s"),
        "runs from",
    ),
    "a check of no situation": (
        more("checks.csv", situation=77),
        ("checks.csv", -1, "situation"),
        "situations.csv",
    ),
    "a check of no list": (put("checks.csv", check="Q9"), ("checks.csv", 2, "check"), "no such check"),
    "a check of another area": (
        lambda rows: rows["checks.csv"][0].update(check=_other_check(rows)),
        ("checks.csv", 2, "check"),
        "belongs to the area",
    ),
    "a list without a doing check": (
        wrong_list(kind="result"),
        ("check_lists.csv", 2, "check_list"),
        "doing",
    ),
}


def _no_hits(rows: Rows) -> None:
    for row in rows["situations.csv"]:
        row["hit_s"] = None


def _again(rows: Rows) -> None:
    first = rows["situations.csv"][0]
    rows["situations.csv"].append(first | {"analysis_ref": "again", "situation": 9})


def _other_check(rows: Rows) -> str:
    first = rows["checks.csv"][0]
    situation = next(
        row
        for row in rows["situations.csv"]
        if all(row[name] == first[name] for name in ("analysis_ref", "rally", "situation"))
    )
    return "L1" if situation["area"] != "lob" else "B1"


@pytest.mark.parametrize("case", BAD)
def test_a_bad_row_is_told(case: str, club: Club, cast: Any) -> None:
    change, (file, line, column), words = BAD[case]
    rows = sheets(matches=2)
    change(rows)
    make_check_list(club)
    _plan, problems = look(club, cast.head_coach, rows)
    expected = (file, len(rows[file]) + 1 if line < 0 else line, column)
    assert [(p.file, p.line, p.column) for p in problems] == [expected], list(map(str, problems))
    assert words in problems.first[0].reason
    assert not Match.objects.filter(club=club).exists()


def test_the_same_sheets_unchanged_have_no_problem(club: Club, cast: Any) -> None:
    """Each case above is refused for its change alone."""
    plan, problems = look(club, cast.head_coach, sheets(matches=2))
    assert not problems
    assert plan.counts["matches"] == {"new": 2, "there": 0}


def test_nothing_is_kept_about_a_visitor(club: Club, cast: Any) -> None:
    rows = sheets(matches=1)
    who = rows["situations.csv"][0]["unit"]
    seat = {"A": 1, "B": 3}.get(who) or int(who)
    rows["matches.csv"][0][f"player_{seat}"] = None
    mine = [row for row in rows["situations.csv"] if row["unit"] in (str(seat), "A" if seat < 3 else "B")]
    _plan, problems = look(club, cast.head_coach, rows)
    assert {(p.file, p.column) for p in problems} == {("situations.csv", "unit")}
    assert problems.count == len(mine)


def test_a_check_keeps_its_meaning(club: Club, cast: Any) -> None:
    make_check_list(club)
    rows = sheets(matches=1)
    wrong_list(check="F1", area="lob")(rows)
    _plan, problems = look(club, cast.head_coach, rows)
    assert [(p.file, p.column, p.value) for p in problems] == [("check_lists.csv", "area", "lob")]
    assert "feet" in problems.first[0].reason


def test_all_bad_rows_are_counted_and_the_first_thousand_told(club: Club, cast: Any) -> None:
    rows = sheets(matches=8, rallies=30, a_rally=6)
    for row in rows["situations.csv"]:
        row["hit_s"] = 80_000.0
    _plan, problems = look(club, cast.head_coach, rows)
    assert problems.count == len(rows["situations.csv"]) > 1000
    assert len(problems.first) == 1000


def test_twins_are_shown_and_stay_two(club: Club, cast: Any) -> None:
    make_player(club, "GIVEN3", family_name="Fämily3", born_on=date(1983, 5, 5), ref="known")
    rows = sheets(matches=1)
    rows["players.csv"][2]["family_name"] = "Family3"
    rows["players.csv"].append(rows["players.csv"][4] | {"player_ref": "again"})
    plan, problems = look(club, cast.head_coach, rows)
    assert not problems
    assert len(plan.remarks) == 2
    assert "known, p0003" in plan.remarks[0]
    assert "p0005, again" in plan.remarks[1]
    assert plan.new["players"] == 9


def test_nothing_new_in_nothing(club: Club, cast: Any) -> None:
    make_check_list(club)
    rows: Rows = {"matches.csv": [], "situations.csv": [], "checks.csv": []}
    plan, problems = look(club, cast.head_coach, rows)
    assert plan.empty
    assert not problems
    assert plan.counts == {}


def test_as_many_queries_for_many_rows_as_for_few(club: Club, cast: Any) -> None:
    found = []
    for matches in (2, 30):
        with CaptureQueriesContext(
            connection,
        ) as asked:
            look(club, cast.head_coach, sheets(matches=matches))
        found.append(len(asked))
    assert found[0] == found[1]
