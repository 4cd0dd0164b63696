"""People, levels, the check list and drills through JSON."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from clubcoach.models import ApiToken
from players import lists
from players.models import Level, Player
from tests import factories as make

pytestmark = pytest.mark.django_db


def url(name, *args, slug="seaside"):
    return reverse(f"api:{name}", args=[slug, *args])


def names(answer):
    return {row["given_name"] for row in answer.json()["results"]}


class TestPlayers:
    def test_a_coach_reads_the_roster_with_levels_and_years_of_birth(self, cast):
        answer = cast.client(cast.assistant).get(url("player-list"))
        assert names(answer) == {"Ana", "Ben", "Cleo", "Cleo junior", "Dan"}
        ben = next(row for row in answer.json()["results"] if row["given_name"] == "Ben")
        assert ben == {
            "uuid": str(cast.ben.uuid),
            "given_name": "Ben",
            "family_name": cast.ben.family_name,
            "initials": cast.ben.initials,
            "level": {"id": cast.ben.level_id, "position": 1, "name": "Level 1"},
            "hand": "right",
            "side": "",
            "active": True,
            "born_in": 2014,
        }

    def test_nobody_else_is_told_a_year_of_birth(self, cast):
        assert {
            row["born_in"] for row in cast.client(cast.manager).get(url("player-list")).json()["results"]
        } == {None}
        assert cast.client(cast.guardian).get(url("player-detail", cast.ben.uuid)).json()["born_in"] is None

    def test_students_and_guardians_read_their_own(self, cast):
        assert names(cast.client(cast.student).get(url("player-list"))) == {"Ana"}
        assert names(cast.client(cast.guardian).get(url("player-list"))) == {"Ben"}
        assert cast.client(cast.student).get(url("player-detail", cast.dan.uuid)).status_code == 404
        assert names(cast.client(cast.two_clubs).get(url("player-list", slug="hilltop"))) == {"Otto"}

    def test_strangers_and_nobody(self, cast):
        assert cast.client(cast.stranger).get(url("player-list")).status_code == 404
        assert cast.client(None).get(url("player-list")).status_code == 401
        foreign = url("player-detail", cast.other_player.uuid)
        assert cast.client(cast.head_coach).get(foreign).status_code == 404
        assert cast.client(cast.head_coach).post(url("player-list"), {}).status_code == 405

    def test_by_token(self, cast):
        _token, secret = ApiToken.issue(user=cast.assistant, name="a script")
        answer = cast.client(None).get(url("player-list"), headers={"authorization": f"Token {secret}"})
        assert answer.status_code == 200
        wrong = cast.client(None).get(url("player-list"), headers={"authorization": "Token wrong"})
        assert wrong.status_code == 401

    def test_filters(self, cast):
        second = make.make_level(cast.club, 2)
        make.make_player(cast.club, "Lena", family_name="Soto", level=second, side="left")
        Player.objects.filter(pk=cast.dan.pk).update(active=False)
        client = cast.client(cast.head_coach)
        for query, found in [
            ({"level": second.pk}, {"Lena"}),
            ({"level": make.make_level(cast.other_club).pk}, set()),
            ({"name": "soto le"}, {"Lena"}),
            ({"side": "left"}, {"Lena"}),
            ({"active": "false"}, {"Dan"}),
        ]:
            assert names(client.get(url("player-list"), query)) == found, query
        assert client.get(url("player-list"), {"level": "second"}).status_code == 400

    def test_pages_of_fifty_and_the_same_queries_at_10_and_at_500_rows(self, cast):
        client = cast.client(cast.head_coach)

        def queries():
            with CaptureQueriesContext(connection) as found:
                answer = client.get(url("player-list"))
            return len(found), answer.json()

        def fill(n):
            for k in range(n):
                make.make_player(cast.club, f"P{k}", level=cast.ana.level)

        queries()
        fill(5)
        few, short = queries()
        fill(490)
        many, long = queries()
        assert many == few
        assert (short["count"], long["count"], len(long["results"])) == (10, 500, 50)


class TestListsOfTheClub:
    @pytest.fixture(autouse=True)
    def _defaults(self, cast):
        for club in (cast.club, cast.other_club):
            Player.objects.filter(club=club).update(level=None)
            Level.objects.filter(club=club).delete()
        data = lists.default_data("check_list")
        data["code"] = "ours"
        lists.install_check_list(by=cast.head_coach, club=cast.club, data=data)
        lists.install_levels(by=cast.head_coach, club=cast.club, data=lists.default_data("levels"))
        lists.install_drills(by=cast.head_coach, club=cast.club, data=lists.default_data("drills"))

    def test_levels_with_standards(self, cast):
        rows = cast.client(cast.student).get(url("level-list")).json()["results"]
        assert [row["name"] for row in rows] == ["Starter", "Steady", "Strong"]
        assert {"area": "lob", "score": 54} in rows[1]["standards"]

    def test_the_current_check_list(self, cast):
        answer = cast.client(cast.student).get(url("check-list")).json()
        assert (answer["number"], answer["name"]) == (2, "ours")
        assert answer["data"]["checks"][0]["code"] == "F1"

    def test_drills_that_are_in_use(self, cast):
        client = cast.client(cast.guardian)
        rows = client.get(url("drill-list")).json()
        assert rows["count"] == len(lists.default_data("drills")["drills"])
        found = client.get(url("drill-list"), {"check": "F1", "place": "home"}).json()["results"]
        assert [row["code"] for row in found] == ["feet-hop-at-home"]
        assert found[0]["areas"] == ["feet"]
        fewer = lists.default_data("drills")
        fewer["drills"] = fewer["drills"][1:]
        lists.install_drills(by=None, club=cast.club, data=fewer)
        assert client.get(url("drill-list")).json()["count"] == rows["count"] - 1

    def test_nothing_of_another_club(self, cast):
        client = cast.client(cast.stranger)
        for name in ("level-list", "drill-list"):
            assert client.get(url(name, slug="hilltop")).json()["count"] == 0
            assert client.get(url(name)).status_code == 404
        assert client.get(url("check-list", slug="hilltop")).json()["name"] == "default"

    def test_a_club_without_a_list(self, cast):
        cast.other_club.check_list_versions.all().delete()
        assert cast.client(cast.stranger).get(url("check-list", slug="hilltop")).status_code == 404
