"""An import is in place whole or not at all, and counts as if it had been coded here."""

from __future__ import annotations

import re
from collections import Counter
from copy import deepcopy
from datetime import date, timedelta
from typing import Any

import pytest
from django.apps import apps
from django.db import connection
from django.db.models import Sum
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from clubcoach.jobs import CannotWork
from clubcoach.models import AuditEvent, Club
from players.lists import default_data
from players.models import CheckListVersion, Player, Squad, Unit
from reports.exchange import load
from reports.exchange.known import list_labels
from reports.exchange.plan import Plan, make_plan
from reports.exchange.problems import Problems
from reports.exchange.switch import sweep, switch_over
from reports.exchange.write import write
from reports.models import Batch
from sessions.models import Analysis, Cover, Mark, Match, Rally, Seat, Situation, Tally
from sessions.services.publishing import write_tallies
from tests.factories import make_club, make_player
from tests.reports.exchange.sheets import Rows, sheets, tables

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def no_pause(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(load, "_PAUSES", {})


def planned(club: Club, by: Any, rows: Rows) -> Plan:
    problems = Problems()
    plan = make_plan(club=club, by=by, tables=tables(rows), problems=problems)
    assert not problems, [str(problem) for problem in problems]
    return plan


def bring(club: Club, by: Any, rows: Rows) -> Plan:
    batch, plan = Batch.objects.create(club=club, by=by, name="sheets"), planned(club, by, rows)
    write(batch, plan, lambda *_: None)
    switch_over(batch, plan)
    return plan


@pytest.fixture
def club(cast: Any) -> Club:
    return make_club("past", time_zone="America/Bogota")


def everything() -> dict[str, list[Any]]:
    """Every row of every table of ours."""
    return {
        model._meta.label: list(model._base_manager.order_by("pk").values())
        for app in ("clubcoach", "players", "training", "reports")
        for model in apps.get_app_config(app).get_models(include_auto_created=True)
    }


def test_it_counts_as_if_it_had_been_coded_here(cast: Any, club: Club) -> None:
    rows = sheets(players=8, matches=3)
    plan = bring(club, cast.head_coach, rows)
    assert Player.objects.filter(club=club).count() == 8
    assert Match.objects.filter(club=club).count() == 3
    assert Rally.objects.filter(match__club=club).count() == 15
    assert Situation.objects.filter(analysis__match__club=club).count() == len(rows["situations.csv"])
    assert Mark.objects.filter(situation__analysis__match__club=club).count() == len(rows["checks.csv"])
    told = sum(row["counted"] for row in rows["situations.csv"])
    assert Situation.objects.counted().filter(analysis__match__club=club).count() == told
    assert plan.counts["checks"] == {"new": len(rows["checks.csv"]), "there": 0}
    for analysis in Analysis.objects.filter(match__club=club):
        assert analysis.state == "published"
        assert analysis.submitted_at is not None
        assert club.day_of(analysis.submitted_at) == analysis.match.played_on + timedelta(days=1)
        mine = tallies(analysis)
        Tally.objects.filter(analysis=analysis).delete()
        write_tallies(analysis)
        assert mine
        assert mine == tallies(analysis)
    assert not Club.objects.filter(slug__startswith="holding").exists()
    assert AuditEvent.objects.filter(club=club, action="data.brought_in").count() == 1


def tallies(analysis: Analysis) -> Counter[Any]:
    names = ("unit", "day", "check_identity", "analyst", "ball", "seen", "met")
    return Counter(Tally.objects.filter(analysis=analysis).values_list(*names))


def test_what_a_row_says_stands_in_the_club(cast: Any, club: Club) -> None:
    rows = sheets(matches=1, rallies=2)
    rows["players.csv"][0] |= {"email": "p1@example.org", "birth_year": 2012}
    rows["players.csv"][1] |= {"birth_year": None}
    bring(club, cast.head_coach, rows)
    one = Player.objects.get(club=club, ref="p0001")
    assert (one.born_on, one.birthday_known, one.email) == (date(2012, 12, 31), False, "p1@example.org")
    assert one.is_minor()
    assert one.level is not None
    assert one.level.name == "Tin"
    two = Player.objects.get(club=club, ref="p0002")
    assert two.born_on is None
    assert two.birthday_known
    assert {squad.name: squad.players.count() for squad in Squad.objects.filter(club=club)} == {
        "Early": 8,
        "Late": 4,
    }
    match = Match.objects.get(club=club)
    assert (match.kind, match.match_format.deuce, match.rallies_played) == ("league", "golden", 2)
    assert [seat.player.ref for seat in match.seat_list if seat.player] == [
        rows["matches.csv"][0][f"player_{n}"] for n in range(1, 5)
    ]
    rally = Rally.objects.get(match=match, number=1)
    assert (rally.start_s, rally.end_s, rally.server, rally.winner, rally.timed) == (20.0, 35.5, 2, "B", True)
    for row in rows["situations.csv"]:
        found = Situation.objects.get(
            analysis__ref=row["analysis_ref"], rally__number=row["rally"], number=row["situation"]
        )
        assert found.area.code == row["area"]
        assert found.hit_s == row["hit_s"]
        assert found.timed
        assert found.ball == (row["ball"] or "normal")
        assert found.shown_only == (not row["counted"])
        near = row["unit"] in ("1", "2", "A")
        assert found.end == ("near" if near else "far")
        assert (found.unit.kind == "pair") == (row["unit"] in "AB")


def test_the_same_again_changes_nothing(cast: Any, club: Club) -> None:
    rows = sheets(matches=3)
    bring(club, cast.head_coach, rows)
    plan = planned(club, cast.head_coach, rows)
    assert plan.empty
    assert plan.counts["situations"] == {"new": 0, "there": len(rows["situations.csv"])}


def test_as_many_queries_for_many_matches_that_are_there_as_for_few(cast: Any) -> None:
    found = []
    for matches in (2, 30):
        club, rows = make_club(), sheets(matches=matches)
        bring(club, cast.head_coach, rows)
        with CaptureQueriesContext(connection) as asked:
            assert planned(club, cast.head_coach, rows).empty
        found.append(len(asked))
    assert found[0] == found[1]


def test_what_differs_is_a_conflict_with_both_values(cast: Any, club: Club) -> None:
    rows = sheets(matches=2)
    bring(club, cast.head_coach, rows)
    changed = deepcopy(rows)
    changed["players.csv"][0]["given_name"] = "Other"
    changed["matches.csv"][0]["place"] = "outdoor"
    changed["rallies.csv"][0]["winner"] = "A"
    changed["situations.csv"][0]["ball"] = "hard" if rows["situations.csv"][0]["ball"] != "hard" else "easy"
    changed["checks.csv"][0]["met"] = 1 - rows["checks.csv"][0]["met"]
    changed["levels.csv"][0]["position"] = 7
    changed["analysts.csv"][0]["name"] = "Somebody else"
    before = everything()
    problems = Problems()
    make_plan(club=club, by=cast.head_coach, tables=tables(changed), problems=problems)
    said = {(problem.file, problem.line, problem.column) for problem in problems}
    assert said == {
        ("players.csv", 2, "given_name"),
        ("matches.csv", 2, "place"),
        ("rallies.csv", 2, "winner"),
        ("situations.csv", 2, "ball"),
        ("checks.csv", 2, "met"),
        ("levels.csv", 2, "position"),
        ("analysts.csv", 2, "name"),
    }
    name = next(problem for problem in problems if problem.column == "given_name")
    assert name.value == "Other"
    assert "Given1" in name.reason
    assert everything() == before


def test_a_published_analysis_gains_no_rows(cast: Any, club: Club) -> None:
    rows = sheets(matches=1)
    bring(club, cast.head_coach, rows)
    more = deepcopy(rows)
    more["situations.csv"].append(rows["situations.csv"][0] | {"situation": 99})
    problems = Problems()
    make_plan(club=club, by=cast.head_coach, tables=tables(more), problems=problems)
    assert [(p.file, p.column, p.value) for p in problems] == [("situations.csv", "situation", "99")]


def test_an_empty_cell_contradicts_nothing(cast: Any, club: Club) -> None:
    rows = sheets(matches=1)
    bring(club, cast.head_coach, rows)
    fewer = deepcopy(rows)
    for row in fewer["players.csv"]:
        row |= {"level": None, "birth_year": None, "squads": None}
    fewer["matches.csv"][0] |= {"kind": None, "player_1": None, "rallies_played": None}
    assert planned(club, cast.head_coach, fewer).empty


def test_a_second_look_at_a_match_that_is_there(cast: Any, club: Club) -> None:
    rows = sheets(matches=1)
    bring(club, cast.head_coach, rows)
    again = deepcopy(rows)
    again["analyses.csv"] = [rows["analyses.csv"][0] | {"analysis_ref": "second", "analyst_ref": "eye-1"}]
    for name in ("situations.csv", "checks.csv"):
        again[name] = [row | {"analysis_ref": "second"} for row in rows[name]]
    problems = Problems()
    make_plan(club=club, by=cast.head_coach, tables=tables(again), problems=problems)
    assert {problem.column for problem in problems} == {"purpose"}
    again["analyses.csv"][0]["purpose"] = "second"
    again["rallies.csv"].append({"match_ref": "m00001", "rally": 77})
    bring(club, cast.head_coach, again)
    match = Match.objects.get(club=club)
    assert {row.ref: row.purpose for row in match.analyses.all()} == {"a00001": "count", "second": "second"}
    assert match.rallies.filter(number=77, timed=False).count() == 1
    assert Situation.objects.filter(analysis__ref="second", rally__match=match).count() == len(
        rows["situations.csv"]
    )
    assert not Cover.objects.filter(analysis__ref="second", current=True).exists()
    assert not Tally.objects.filter(analysis__ref="second").exists()
    assert Match.objects.count() == 1


def test_without_analyses_each_match_is_one_by_whoever_imports(cast: Any, club: Club) -> None:
    rows = sheets(matches=2, timed=False)
    for name in ("analyses.csv", "rallies.csv", "analysts.csv"):
        del rows[name]
    for name in ("situations.csv", "checks.csv"):
        rows[name] = [row | {"analysis_ref": row["analysis_ref"].replace("a", "m")} for row in rows[name]]
    bring(club, cast.head_coach, rows)
    for analysis in Analysis.objects.filter(match__club=club).select_related("analyst", "match"):
        assert analysis.ref == analysis.match.ref
        assert analysis.submitted_at is None
        assert analysis.analyst is not None
        assert analysis.analyst.user == cast.head_coach
        assert analysis.analyst.club == club
    order = list(Rally.objects.filter(match__club=club, match__ref="m00001").values_list("number", "timed"))
    assert order == [(n, False) for n in range(1, 6)]
    hits = Situation.objects.filter(analysis__ref="m00001").values_list("rally__number", "number")
    assert list(hits) == sorted(hits)
    assert planned(club, cast.head_coach, rows).empty


def test_a_club_with_a_list_keeps_it_as_its_own(cast: Any, club: Club) -> None:
    bring(club, cast.head_coach, sheets(matches=1))
    mine = CheckListVersion.objects.of(club).get()
    rows = sheets(seed=3, matches=1)
    for name, key in (("matches.csv", "match_ref"), ("rallies.csv", "match_ref")):
        rows[name] = [row | {key: "x" + row[key]} for row in rows[name]]
    rows["analyses.csv"][0] |= {"match_ref": "xm00001", "analysis_ref": "xa", "check_list": "old"}
    old = {"check_list": "old", "area": "hops", "unit": "player", "kind": "doing", "wording": "Hops in time"}
    rows["check_lists.csv"] = [old | {"check": "H1", "phase": 1}, old | {"check": "H2", "phase": 2}]
    situation = rows["situations.csv"][0] | {"analysis_ref": "xa", "area": "hops", "unit": "1"}
    rows["situations.csv"] = [situation]
    key = {name: situation[name] for name in ("analysis_ref", "rally", "situation")}
    rows["checks.csv"] = [key | {"check": "H1", "met": 1}]
    bring(club, cast.head_coach, rows)
    assert CheckListVersion.objects.of(club).get() == mine
    past = CheckListVersion.objects.get(club=club, past=True)
    assert (past.name, past.number) == ("old", 2)
    assert Tally.objects.filter(analysis__ref="xa").aggregate(seen=Sum("seen"))["seen"] in (1, None)
    assert not club.areas.get(code="hops").on


def test_an_edit_of_the_list_changes_no_reference(cast: Any, club: Club) -> None:
    rows = sheets(matches=1)
    rows["check_lists.csv"] = own_list("ours")
    rows["analyses.csv"][0]["check_list"] = "ours"
    bring(club, cast.head_coach, rows)
    CheckListVersion.objects.create(club=club, number=2, name="ours")
    assert list(list_labels(club)) == ["ours", "ours-2"]
    assert planned(club, cast.head_coach, rows).empty


def test_the_newest_of_many_lists_is_that_of_the_highest_number(cast: Any, club: Club) -> None:
    rows = sheets(matches=1)
    labels = ["ours", *(f"ours-{n}" for n in range(2, 12))]
    rows["check_lists.csv"] = [row for label in sorted(labels) for row in own_list(label)]
    rows["analyses.csv"][0]["check_list"] = "ours"
    bring(club, cast.head_coach, rows)
    assert list(list_labels(club)) == labels
    assert CheckListVersion.objects.of(club).first().name == "ours-11"  # type: ignore[union-attr]


def own_list(label: str) -> list[dict[str, Any]]:
    """The default list under a name of the club's own."""
    data = default_data("check_list")
    return [
        {"check_list": label, "check": row["code"], "wording": row["name"]}
        | {name: row[name] for name in ("area", "unit", "kind", "phase")}
        for row in data["checks"]
    ]


def looks(cast: Any, client: Any) -> dict[str, str]:
    """Pages and lists that would show people, matches or what was seen in them."""
    slug, out = [cast.club.slug], {}
    names = ("today", "desk", "match_list", "roster", "pairs", "squads", "levels", "programme", "drills")
    addresses = [reverse(name, args=slug) for name in names]
    units = Unit.objects.filter(club=cast.club).values_list("pk", flat=True)
    addresses += [reverse("unit", args=[*slug, unit]) for unit in units]
    lists = ("match_list", "analysis_list", "score_list", "focus_list")
    addresses += [reverse(f"api:{name}", args=slug) for name in lists]
    for address in addresses:
        answer = client.get(address)
        assert answer.status_code == 200, address
        # A token is another one each time.
        out[address] = re.sub(r"[A-Za-z0-9]{64}", "", answer.content.decode())
    return out


def test_before_the_switch_nobody_sees_anything(cast: Any) -> None:
    """The club's own rows are what they were, and every new one stands in a club without members."""
    club = cast.club
    rows = sheets(matches=2)
    for row in rows["levels.csv"]:
        row["position"] += 10
    known = list(Player.objects.filter(club=club)[:4])
    for n, player in enumerate(known, 1):
        rows["matches.csv"][0][f"player_{n}"] = str(player.uuid)
    batch = Batch.objects.create(club=club, by=cast.head_coach, name="x")
    plan, client = planned(club, cast.head_coach, rows), cast.client(cast.head_coach)
    before, pages = everything(), looks(cast, client)
    # The import itself is no secret, nor is where it stands.
    del before["reports.Batch"]
    write(batch, plan, lambda *_: None)
    assert looks(cast, client) == pages
    holding = Club.objects.get(slug=f"holding-{batch.uuid}")
    assert not holding.memberships.exists()
    after = everything()
    for label, was in before.items():
        keys = {row["id"] for row in was}
        assert [row for row in after[label] if row["id"] in keys] == was, label
    assert not Seat.objects.filter(match__club=holding).exists()
    assert not Cover.objects.filter(match__club=holding).exists()
    fresh = {row["id"] for row in after["players.Unit"]} - {row["id"] for row in before["players.Unit"]}
    assert set(Unit.objects.filter(pk__in=fresh).values_list("club", flat=True)) == {holding.pk}
    assert sweep(batch)
    after = everything()
    del after["reports.Batch"]
    assert after == before


def test_a_change_meanwhile_puts_nothing_in_place(cast: Any, club: Club) -> None:
    rows = sheets(matches=2)
    batch, plan = (
        Batch.objects.create(club=club, by=cast.head_coach, name="x"),
        planned(club, cast.head_coach, rows),
    )
    write(batch, plan, lambda *_: None)
    make_player(club, "Meanwhile", ref="p0003")
    before = everything()
    with pytest.raises(CannotWork, match="changed while"):
        switch_over(batch, plan)
    assert everything() == before
    batch.refresh_from_db()
    assert sweep(batch)
    assert Match.objects.count() == 0
    assert Mark.objects.count() == 0
    assert Club.objects.count() == before_clubs(cast)


def before_clubs(cast: Any) -> int:
    return Club.objects.exclude(slug__startswith="holding").count()
