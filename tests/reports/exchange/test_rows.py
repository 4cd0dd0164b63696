"""Which rows of a club go out, under which references, and in which order."""

from __future__ import annotations

import copy
from datetime import date
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from clubcoach.models import Club
from players.lists import default_data, install_check_list
from players.models import Check, CheckListVersion, Level, Player, Squad, Unit
from reports.exchange import rows, seen
from reports.exchange.columns import FILES, Cell
from reports.exchange.rows import analysis_rows
from sessions.models import Analysis, Analyst, Closure, Rally, Situation
from tests import factories as make
from tests.reports.exchange.sent import Sent, rows_of, sent_club
from tests.sessions.chain import make_chain

pytestmark = pytest.mark.django_db


@pytest.fixture
def sent() -> Sent:
    return sent_club()


def situations(club: Club) -> list[tuple[Any, ...]]:
    return rows_of(club)["situations.csv"]


class TestPeopleAndLists:
    def test_levels_in_the_order_of_their_names(self, sent):
        Level.objects.filter(name="Tin").update(description="First steps.\nAll of them.")
        assert rows_of(sent.club)["levels.csv"] == [
            ("Copper", 2, None),
            ("Tin", 1, "First steps.\nAll of them."),
        ]

    def test_players_with_what_is_recorded(self, sent):
        user = make.make_user("Kim", email="kim@example.org")
        Player.objects.filter(pk=sent.kim.pk).update(user=user)
        # By code point: p1, p10, p2.
        assert rows_of(sent.club)["players.csv"] == [
            ("p1", "Kim", "Ray, jr", None, None, "right", None, "kim@example.org"),
            ("p10", "Jo", None, None, None, "left", None, "jo@example.org"),
            ("p2", "Ida", "Holm", "Copper", 2012, "right", ("Early", "Late"), None),
        ]

    def test_without_a_reference_a_player_goes_by_the_uuid(self, sent):
        Player.objects.filter(pk=sent.kim.pk).update(ref="")
        uuid = str(sent.kim.uuid)
        assert uuid in [row[0] for row in rows_of(sent.club)["players.csv"]]
        assert rows_of(sent.club)["matches.csv"][0][9] == uuid

    def test_analysts_who_are_referred_to(self, sent):
        Analyst.objects.create(club=sent.club, name="Looked at nothing")
        settled = Analyst.objects.create(club=sent.club, kind="settled", name="Settled")
        sent.analyse(analyst=settled, purpose="second")
        sent.analyse(
            analyst=Analyst.objects.create(club=sent.club, name="At work"),
            state="in_progress",
            purpose="second",
        )
        assert rows_of(sent.club)["analysts.csv"] == [
            (f"{sent.club.slug}-analyst-{settled.pk}", "Settled"),
            ("eye", "Eye One"),
        ]

    def test_check_list_by_code_whatever_is_asked_or_retired(self, sent):
        Check.objects.filter(club=sent.club, code="L3").update(retired_on=date(2026, 10, 1))
        assert rows_of(sent.club)["check_lists.csv"] == [
            ("ours", "L2", "lob", "player", "doing", 1, "Feet"),
            ("ours", "L3", "lob", "player", "result", 2, 'Time, "in the air"'),
            ("ours", "N1", "net", "pair", "doing", 1, "Level"),
        ]

    def test_a_retired_check_stays_in_the_list_that_had_it_and_in_no_later_one(self):
        club = make.make_club()
        data = default_data("check_list")
        install_check_list(by=None, club=club, data=data)
        shorter = copy.deepcopy(data)
        gone = next(row["code"] for row in data["checks"] if row["area"] == "lob")
        shorter["checks"] = [row for row in data["checks"] if row["code"] != gone]
        for area in shorter["areas"]:
            area["asked"] = {k: [c for c in codes if c != gone] for k, codes in area["asked"].items()}
        install_check_list(by=None, club=club, data=shorter)
        labels = [data["code"], f"{data['code']}-2"]
        found = rows_of(club)["check_lists.csv"]
        assert [label for label, check, *_ in found if check == gone] == labels[:1]
        assert {label for label, *_ in found} == set(labels)

    def test_lists_that_came_in_with_older_sheets_only_where_they_are_used(self, sent):
        used, unused = (
            CheckListVersion.objects.create(club=sent.club, number=n, name=f"old {n}", past=True)
            for n in (2, 3)
        )
        for version in (used, unused):
            version.wordings.create(check_identity=Check.objects.get(club=sent.club, code="L2"), name="Feet")
        sent.analyse(check_list=used, purpose="second")
        assert {row[0] for row in rows_of(sent.club)["check_lists.csv"]} == {"old 2", "ours"}

    def test_what_would_be_a_formula_is_none(self, sent):
        Player.objects.filter(pk=sent.ida.pk).update(
            given_name="=Ida", family_name=" -Holm\t ", email="+ida@example.org"
        )
        Level.objects.filter(name="Copper").update(name="@Copper", description="+ and so on\rand on")
        Squad.objects.filter(name="Early").update(name="-Early; first")
        CheckListVersion.objects.filter(pk=sent.version.pk).update(name="+ours")
        found = rows_of(sent.club)
        assert found["players.csv"][2] == (
            "p2",
            "'=Ida",
            "'-Holm",
            "'@Copper",
            2012,
            "right",
            ("'-Early, first", "Late"),
            None,
        )
        assert found["levels.csv"][0] == ("'@Copper", 2, "'+ and so on\nand on")
        assert {row[0] for row in found["check_lists.csv"]} == {"'+ours"}
        assert found["analyses.csv"][0][5] == "'+ours"


class TestMatches:
    def test_facts_seats_and_sides(self, sent):
        assert rows_of(sent.club)["matches.csv"] == [
            (
                *("m1", date(2026, 9, 1), "league", "sets", "golden", "outdoor", "solid"),
                *("p2", "p10", "p1", None, "left", None, None, None, 40),
            )
        ]

    def test_what_it_was_played_to(self, sent):
        Club.objects.filter(pk=sent.club.pk).update(deuce="star")
        for ref, played_to in (
            ("m2", {}),
            ("m3", {"kind": "points", "points_to": 24}),
            ("m4", {"kind": "free"}),
        ):
            make.make_match(sent.club, ref=ref, format=played_to)
        assert [row[3:5] for row in rows_of(sent.club)["matches.csv"][1:]] == [
            ("sets", "star"),
            ("points", "advantage"),
            ("free", "advantage"),
        ]

    def test_rallies_that_stand_with_times_where_they_have_some(self, sent):
        make.make_rally(sent.match, 2, start_s=25.0, timed=False, server=4, winner="")
        make.make_rally(sent.match, 4, dropped=True)
        assert rows_of(sent.club)["rallies.csv"] == [
            ("m1", 1, 3, "A", "B", 12.0, 20.25),
            ("m1", 2, 4, None, None, None, None),
            ("m1", 3, None, "none", None, 30.1, None),
        ]

    def test_rallies_with_one_number_twice_go_by_their_place(self, sent):
        twin = make.make_rally(sent.match, 3, start_s=5.0, end_s=6.0)
        sent.see(sent.ida, rally=twin)
        assert [row[:2] + row[5:6] for row in rows_of(sent.club)["rallies.csv"]] == [
            ("m1", 1, 5.0),
            ("m1", 2, 12.0),
            ("m1", 3, 30.1),
        ]
        assert [row[:3] for row in situations(sent.club)] == [("one", 1, 1)]

    def test_order_of_numbers_is_that_of_numbers(self, sent):
        for n in (10, 2):
            make.make_rally(sent.match, n, start_s=100.0 + n)
        assert [row[1] for row in rows_of(sent.club)["rallies.csv"]] == [1, 2, 3, 10]


class TestAnalyses:
    def test_day_is_that_of_the_club(self, sent):
        assert rows_of(sent.club)["analyses.csv"] == [
            ("one", "m1", "eye", "count", date(2026, 9, 4), "ours", "all")
        ]

    def test_only_the_newest_that_was_published(self, sent):
        second = sent.analyse(supersedes=sent.analysis, version=2)
        third = sent.analyse(supersedes=second, version=3, state="in_progress", published_at=None)
        assert [row[0] for row in rows_of(sent.club)["analyses.csv"]] == [str(second.uuid)]
        third.delete()
        # What was taken back does not bring back what it had replaced: that counts no more either.
        Analysis.objects.filter(pk=second.pk).update(state="withdrawn")
        assert rows_of(sent.club)["analyses.csv"] == []

    @pytest.mark.parametrize("state", ["in_progress", "submitted", "withdrawn", "cancelled"])
    def test_what_is_not_published_stays(self, sent, state):
        sent.see(sent.ida, marks={"L2": "met"})
        assert len(rows_of(sent.club)["checks.csv"]) == 1
        Analysis.objects.filter(pk=sent.analysis.pk).update(state=state)
        found = rows_of(sent.club)
        assert [found[f"{name}.csv"] for name in ("analyses", "situations", "checks")] == [[], [], []]
        assert len(found["rallies.csv"]) == 2

    def test_a_second_coding_goes_out_as_what_it_is(self, sent):
        sent.see(sent.ida)
        other = sent.analyse(ref="again", purpose="second", plan="drawn")
        sent.see(sent.ida, analysis=other, drawn=True)
        found = rows_of(sent.club)
        assert found["analyses.csv"][0] == ("again", "m1", "eye", "second", None, "ours", "drawn")
        assert [row[0] for row in found["situations.csv"]] == ["again", "one"]

    def test_another_club_is_not_in_it(self, sent):
        other = sent_club()
        other.see(other.ida, marks={"L2": "met"})
        found = rows_of(sent.club)
        assert {name: len(rows) for name, rows in found.items()} == {
            "levels.csv": 2,
            "check_lists.csv": 3,
            "analysts.csv": 1,
            "players.csv": 3,
            "matches.csv": 1,
            "rallies.csv": 2,
            "analyses.csv": 1,
            "situations.csv": 0,
            "checks.csv": 0,
        }


class TestSituations:
    def test_every_cell(self, sent):
        sent.see(sent.ida, ball="hard", outcome="point_won", choice="cross", hit_s=13.5)
        sent.see(sent.kim, rally=sent.rallies[1], timed=False, hit_s=30.2)
        assert situations(sent.club) == [
            ("one", 1, 1, "1", "lob", "hard", 13.5, "point_won", "cross", 1),
            ("one", 3, 1, "3", "lob", None, None, None, None, 1),
        ]

    def test_pairs_go_by_letter(self, sent):
        # Whoever was there first in the club comes first in a pair, wherever they sit.
        lu = make.make_player(sent.club, "Lu")
        sent.match.seats.filter(position=3).update(player=None)
        sent.match.seats.filter(position=4).update(player=sent.kim)
        sent.match.seats.filter(position=3).update(player=lu)
        sent.see(Unit.objects.pair_of(sent.jo, sent.ida), "net", hit_s=13.0, marks={"N1": "met"})
        sent.see(Unit.objects.pair_of(sent.kim, lu), "net", hit_s=14.0)
        sent.see(Unit.objects.pair_of(sent.ida, sent.kim), "net", hit_s=15.0)
        found = rows_of(sent.club)
        assert [row[:5] for row in found["situations.csv"]] == [
            ("one", 1, 1, "A", "net"),
            ("one", 1, 2, "B", "net"),
        ]
        assert found["checks.csv"] == [("one", 1, 1, "N1", 1)]

    def test_counted_shown_and_left_behind(self, sent):
        sent.see(sent.ida, hit_s=13.0, number=1)
        sent.see(sent.ida, hit_s=14.0, number=2, shown_only=True)
        sent.see(sent.ida, hit_s=15.0, number=3, not_codable="hidden")
        sent.see(sent.ida, hit_s=16.0, number=4, shown_only=True, not_codable="hidden")
        sent.see(sent.ida, hit_s=17.0, number=5, dropped=True)
        # In a rally that nobody is done with.
        sent.see(sent.ida, rally=sent.rallies[1], close=False, number=1)
        sent.see(sent.ida, rally=sent.rallies[1], close=False, number=2, shown_only=True)
        sent.see(sent.ida, rally=make.make_rally(sent.match, 5, dropped=True), shown_only=True)
        assert [row[1:3] + row[9:] for row in situations(sent.club)] == [(1, 1, 1), (1, 2, 0), (3, 2, 0)]

    @pytest.mark.parametrize(("plan", "counted"), [("drawn", [1]), ("chosen", [0, 0]), ("all", [1, 1])])
    def test_what_the_plan_counts(self, sent, plan, counted):
        Analysis.objects.filter(pk=sent.analysis.pk).update(plan=plan)
        sent.see(sent.ida, drawn=True, hit_s=13.0)
        sent.see(sent.ida, hit_s=14.0)
        assert [row[9] for row in situations(sent.club)] == counted

    def test_numbers_go_on_after_the_highest_in_the_order_of_time(self, sent):
        late = sent.see(sent.ida, hit_s=19.0)
        first = sent.see(sent.ida, hit_s=13.0)
        sent.see(sent.ida, hit_s=15.0, number=4)
        again = sent.see(sent.ida, hit_s=16.0, number=4)
        assert [row[2:3] + row[6:7] for row in situations(sent.club)] == [
            (4, 15.0),
            (5, first.hit_s),
            (6, again.hit_s),
            (7, late.hit_s),
        ]

    def test_a_number_does_not_depend_on_what_stays_behind(self, sent):
        sent.see(sent.ida, hit_s=13.0, not_codable="hidden")
        # What was removed is nothing at all.
        sent.see(sent.ida, hit_s=13.5, dropped=True)
        kept = sent.see(sent.ida, hit_s=14.0)
        assert [row[2] for row in situations(sent.club)] == [2]
        Closure.objects.all().delete()
        Situation.objects.filter(pk=kept.pk).update(shown_only=True)
        assert [row[2] for row in situations(sent.club)] == [2]

    def test_who_sits_nowhere_any_more_is_left_out(self, sent):
        sent.see(sent.ida, hit_s=13.0, marks={"L2": "met"})
        sent.see(sent.kim, hit_s=14.0, marks={"L2": "missed"})
        sent.match.seats.filter(player=sent.ida).update(player=None)
        found = rows_of(sent.club)
        assert [row[3] for row in found["situations.csv"]] == ["3"]
        assert found["checks.csv"] == [("one", 1, 2, "L2", 0)]

    def test_somebody_who_was_erased(self, sent):
        sent.see(sent.ida, hit_s=13.0, marks={"L2": "met"})
        sent.see(Unit.objects.pair_of(sent.ida, sent.jo), "net", hit_s=14.0, marks={"N1": "met"})
        sent.see(sent.jo, hit_s=15.0, marks={"L2": "missed"})
        sent.ida.delete()
        found = rows_of(sent.club)
        assert [row[0] for row in found["players.csv"]] == ["p1", "p10"]
        assert found["matches.csv"][0][7:15] == (None, "p10", "p1", None, None, None, None, None)
        assert [row[3] for row in found["situations.csv"]] == ["2"]
        assert found["checks.csv"] == [("one", 1, 1, "L2", 0)]

    def test_checks_met_and_missed_by_code(self, sent):
        sent.see(sent.ida, marks={"L3": "missed", "L2": "met"})
        sent.see(sent.ida, rally=sent.rallies[1], marks={"L3": "not_seen"})
        assert rows_of(sent.club)["checks.csv"] == [("one", 1, 1, "L2", 1), ("one", 1, 1, "L3", 0)]

    def test_marks_of_a_retired_check_go_out(self, sent):
        sent.see(sent.ida, marks={"L3": "met"})
        Check.objects.filter(club=sent.club, code="L3").update(retired_on=date(2026, 10, 1))
        assert rows_of(sent.club)["checks.csv"] == [("one", 1, 1, "L3", 1)]


class TestAFew:
    def test_the_same_rows_as_the_whole_club_gives(self, sent):
        sent.see(sent.ida, hit_s=13.0, marks={"L2": "met"})
        match = make.make_match(sent.club, [sent.kim], ref="m2")
        other = sent.analyse(match=match, ref="two")
        rally = make.make_rally(match)
        sent.see(sent.kim, analysis=other, rally=rally, marks={"L2": "missed"})
        whole = rows_of(sent.club)
        both = analysis_rows(sent.club, Analysis.objects.filter(match__club=sent.club))
        names = ("rallies.csv", "analyses.csv", "situations.csv", "checks.csv")
        assert both == {name: whole[name] for name in names}
        few = analysis_rows(sent.club, Analysis.objects.filter(pk=other.pk))
        assert {name: {row[0] for row in rows} for name, rows in few.items()} == {
            "rallies.csv": {"m2"},
            "analyses.csv": {"two"},
            "situations.csv": {"two"},
            "checks.csv": {"two"},
        }

    def test_in_any_state(self, sent):
        sent.see(sent.ida, marks={"L2": "met"})
        sent.analyse(supersedes=sent.analysis, version=2)
        few = analysis_rows(sent.club, Analysis.objects.filter(pk=sent.analysis.pk))
        assert [len(few[f"{name}.csv"]) for name in ("analyses", "situations", "checks")] == [1, 1, 1]


class TestAllOfIt:
    def test_files_columns_and_types(self, cast):
        chain = make_chain(cast, state="published", published_at="2026-09-02T10:00Z")
        chain.see(marks={"L2": "met", "L3": "missed"})
        chain.close()
        found = rows_of(cast.club)
        assert list(found) == list(FILES)
        kinds = {Cell.WHOLE: int, Cell.FLAG: int, Cell.NUMBER: float, Cell.DATE: date, Cell.NAMES: tuple}
        for name, some in found.items():
            spec = FILES[name]
            assert some, name
            keys = [tuple(row[spec.names.index(part)] for part in spec.key) for row in some]
            assert keys == sorted(set(keys))
            for row in some:
                for column, cell in zip(spec.columns, row, strict=True):
                    assert cell is None or type(cell) is kinds.get(column.cell, str), (name, column.name)
                    assert cell is not None or not column.needed, (name, column.name)

    def test_a_club_with_nothing(self):
        assert rows_of(make.make_club()) == {name: [] for name in FILES}

    def test_slices_change_nothing(self, sent, monkeypatch):
        grow(sent, 7)
        whole = rows_of(sent.club)
        for module, name in ((rows, "AT_ONCE"), (seen, "ANALYSES_AT_ONCE"), (seen, "SITUATIONS_AT_ONCE")):
            monkeypatch.setattr(module, name, 2)
        assert rows_of(sent.club) == whole
        assert len(whole["checks.csv"]) == 14

    def test_a_slice_ends_where_it_has_enough(self, sent, monkeypatch):
        grow(sent, 5)
        heads = seen.heads_of(rows.References.of(sent.club), rows.going_out(sent.club))
        assert [len(part) for part in seen.slices(heads)] == [6]
        # "one" has nothing, each of the others two.
        monkeypatch.setattr(seen, "SITUATIONS_AT_ONCE", 4)
        assert [len(part) for part in seen.slices(heads)] == [3, 2, 1]
        monkeypatch.setattr(seen, "ANALYSES_AT_ONCE", 1)
        assert [len(part) for part in seen.slices(heads)] == [1] * 6

    def test_as_many_queries_for_three_as_for_sixty(self, sent):
        grow(sent, 2)
        with CaptureQueriesContext(connection) as few:
            rows_of(sent.club)
        grow(sent, 57, first=3)
        with CaptureQueriesContext(connection) as many:
            assert len(rows_of(sent.club)["analyses.csv"]) == 60
        assert len(many) == len(few)
        analyses = Analysis.objects.filter(match__club=sent.club)
        with CaptureQueriesContext(connection) as all_of_them:
            analysis_rows(sent.club, analyses)
        with CaptureQueriesContext(connection) as one:
            analysis_rows(sent.club, analyses.filter(ref="one"))
        assert len(all_of_them) == len(one)

    def test_nothing_is_fetched_before_it_is_read(self, sent):
        files = rows.club_rows(sent.club)
        name, levels = next(files)
        Level.objects.create(club=sent.club, position=9, name="Zinc")
        assert (name, [row[0] for row in levels]) == ("levels.csv", ["Copper", "Tin", "Zinc"])

    def test_who_comes_while_it_is_written_stands_nowhere(self, sent):
        files = dict(rows.club_rows(sent.club))
        late = make.make_player(sent.club, "Late", ref="p0")
        sent.match.seats.filter(position=4).update(player=late)
        sent.see(late, marks={"L2": "met"})
        Rally.objects.filter(pk=sent.rallies[1].pk).delete()
        assert "p0" not in [row[0] for row in files["players.csv"]]
        assert next(files["matches.csv"])[7:11] == ("p2", "p10", "p1", None)
        assert list(files["situations.csv"]) == []
        assert list(files["checks.csv"]) == []

    def test_who_goes_while_it_is_written_is_left_out(self, sent):
        sent.see(sent.kim, marks={"L2": "met"})
        files = dict(rows.club_rows(sent.club))
        sent.match.delete()
        sent.kim.delete()
        assert [row[0] for row in files["players.csv"]] == ["p10", "p2"]
        assert [list(files[f"{name}.csv"]) for name in ("matches", "situations", "checks")] == [[], [], []]


def grow(sent: Sent, n: int, first: int = 1) -> None:
    """Matches with an analysis each, two situations in it and a check in each of those."""
    for i in range(first, first + n):
        player = make.make_player(sent.club, "More", ref=f"more {i}")
        match = make.make_match(sent.club, [player], ref=f"match {i}")
        analysis = sent.analyse(match=match, ref=f"sheet {i}")
        rally = make.make_rally(match)
        for _ in range(2):
            sent.see(player, analysis=analysis, rally=rally, marks={"L2": "met"})
