"""Pairs and squads: what is made, what is refused, and what their pages show to whom."""

from datetime import date

import pytest
from django.core.exceptions import ValidationError
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from clubcoach.access import Role
from clubcoach.models import AuditEvent
from players.models import Player, Squad, Unit
from players.services import make_pair, restore_squad, retire_squad, save_squad
from tests import factories as make

pytestmark = pytest.mark.django_db


def url(name, *args, slug="seaside"):
    return reverse(name, args=[slug, *args])


def text(answer):
    return answer.content.decode()


def refused(call, **words):
    with pytest.raises(ValidationError) as error:
        call(**words)
    return error.value.message_dict


@pytest.fixture
def squad(cast):
    row = Squad.objects.create(club=cast.club, name="Monday", coach=cast.assistant, level=cast.ana.level)
    row.players.add(cast.ana, cast.ben)
    return row


def squad_words(cast, **other):
    return {"by": cast.manager, "club": cast.club, "name": "Monday", "level": None, "coach": None} | other


class TestMakingPairs:
    def test_once_in_either_order(self, cast):
        pair = make_pair(by=cast.manager, one=cast.dan, other=cast.ana)
        assert {pair.first, pair.second} == {cast.ana, cast.dan}
        assert make_pair(by=cast.manager, one=cast.ana, other=cast.dan) == pair
        assert Unit.objects.filter(kind="pair").count() == 1
        assert AuditEvent.objects.get().action == "pair.made"

    def test_one_player_twice_and_players_of_two_clubs(self, cast):
        told = refused(make_pair, by=cast.manager, one=cast.ana, other=Player.objects.get(pk=cast.ana.pk))
        assert told == {
            "other": [f"A pair needs two different players: {cast.ana.name} stands in both places."]
        }
        told = refused(make_pair, by=cast.manager, one=cast.ana, other=cast.other_player)
        assert told == {"other": ["Both players of a pair belong to one club."]}
        assert not Unit.objects.filter(kind="pair").exists()


class TestPairsPage:
    def post(self, cast, one, other, who="manager"):
        return cast.client(getattr(cast, who)).post(
            url("pairs"), {"one": one.uuid if one else "", "other": other.uuid if other else ""}
        )

    def test_made_by_the_form_and_then_known(self, cast):
        client = cast.client(cast.manager)
        answer = client.post(url("pairs"), {"one": cast.ana.uuid, "other": cast.dan.uuid}, follow=True)
        assert answer.redirect_chain == [(url("pairs"), 302)]
        page = text(answer)
        assert f"{cast.ana.name} and {cast.dan.name} are a pair now." in page
        again = self.post(cast, cast.dan, cast.ana)
        assert again.status_code == 422
        assert f"{cast.ana.name} and {cast.dan.name} are a pair already." in text(again)
        assert Unit.objects.filter(kind="pair").count() == 1

    def test_one_player_twice_is_said_at_the_field(self, cast):
        answer = self.post(cast, cast.ana, cast.ana)
        assert answer.status_code == 422
        assert answer.context["form"].errors["other"] == [
            f"A pair needs two different players: {cast.ana.name} stands in both places."
        ]
        assert f'<option value="{cast.ana.uuid}" selected>' in text(answer)
        assert not Unit.objects.filter(kind="pair").exists()

    def test_nobody_a_player_of_another_club_or_one_who_left(self, cast):
        Player.objects.filter(pk=cast.dan.pk).update(active=False)
        for other, words in (
            (None, "Choose a player."),
            (cast.other_player, "This is no player in the club"),
            (cast.dan, "This is no player in the club"),
        ):
            answer = self.post(cast, cast.ana, other)
            assert answer.status_code == 422
            assert words in text(answer)

    def test_who_reads_and_who_makes(self, cast):
        make_pair(by=cast.manager, one=cast.ana, other=cast.ben)
        for who in ("manager", "head_coach", "assistant", "all_in_one", "two_clubs"):
            page = text(cast.client(getattr(cast, who)).get(url("pairs")))
            assert cast.ana.name in page
            assert ("Make the pair" in page) is (who in ("manager", "head_coach")), who
        for who in ("assistant", "student", "guardian"):
            assert self.post(cast, cast.ana, cast.dan, who).status_code == 403
        for who in ("student", "guardian"):
            assert cast.client(getattr(cast, who)).get(url("pairs")).status_code == 403
        assert self.post(cast, cast.ana, cast.dan, "stranger").status_code == 404
        assert Unit.objects.filter(kind="pair").count() == 1

    def test_a_minor_s_name_is_not_printed(self, cast):
        make_pair(by=cast.manager, one=cast.ana, other=cast.ben)
        page = text(cast.client(cast.assistant).get(url("pairs")))
        assert f'data-initials="{cast.ben.initials}"><span>{cast.ben.name}</span>' in page
        assert f'data-initials="{cast.ana.initials}"' not in page

    def test_none_by_name_and_the_same_queries_for_500(self, cast):
        client = cast.client(cast.head_coach)
        assert "No pairs yet" in text(client.get(url("pairs")))
        pair = make_pair(by=cast.manager, one=cast.ana, other=cast.ben)
        assert cast.ben.name in text(client.get(url("pairs"), {"name": "ben ana"}))
        assert "No pair like that" in text(client.get(url("pairs"), {"name": "nobody"}))

        def queries():
            with CaptureQueriesContext(connection) as found:
                answer = client.get(url("pairs"))
            return len(found), text(answer)

        few, _page = queries()
        people = [make.make_player(cast.club, f"P{k}", level=cast.ana.level) for k in range(34)]
        Unit.objects.bulk_create(
            Unit(club=cast.club, kind="pair", first=one, second=other)
            for n, one in enumerate(people)
            for other in people[n + 1 :]
        )
        many, page = queries()
        assert many == few
        assert page.count('<th scope="row">') == 50
        assert "page 1 of 12" in page
        assert pair.pk


class TestSavingSquads:
    def test_made_and_changed_with_what_changed_on_record(self, cast):
        row = save_squad(
            **squad_words(cast, name="  Monday   late ", level=cast.ana.level, coach=cast.assistant),
            players=[cast.ana, cast.ben, cast.ana],
        )
        assert (row.name, row.level, row.coach) == ("Monday late", cast.ana.level, cast.assistant)
        assert set(row.players.all()) == {cast.ana, cast.ben}
        words = squad_words(cast, name="Monday late", level=cast.ana.level, coach=None, squad=row)
        save_squad(**words, players=[cast.ben, cast.dan])
        assert set(row.players.all()) == {cast.ben, cast.dan}
        save_squad(**words, players=[cast.dan, cast.ben])
        assert [(event.action, event.fields) for event in AuditEvent.objects.order_by("pk")] == [
            ("squad.added", ["coach", "level", "name", "players"]),
            ("squad.changed", ["coach", "players"]),
        ]

    def test_what_is_refused_changes_nothing(self, cast, squad):
        foreign = make.make_level(cast.other_club)
        words = squad_words(cast, squad=squad)
        assert refused(save_squad, **words | {"level": foreign}) == {
            "level": ["This is no level of the club."]
        }
        for person in (cast.student, cast.guardian, cast.manager, cast.stranger):
            assert "is no coach of the club" in refused(save_squad, **words | {"coach": person})["coach"][0]
        told = refused(save_squad, **words, players=[cast.ana, cast.other_player])
        assert told == {"players": ["Somebody chosen is no player of the club."]}
        assert "name" in refused(save_squad, **words | {"name": "  "})
        assert "name" in refused(save_squad, **words | {"name": "x" * 61})
        squad.refresh_from_db()
        assert (squad.coach, squad.players.count()) == (cast.assistant, 2)
        assert not AuditEvent.objects.exists()

    def test_a_name_is_taken_in_any_case_and_by_a_retired_one(self, cast, squad):
        told = refused(save_squad, **squad_words(cast, name="MONDAY"))
        assert told == {"name": ["The club has a squad called “Monday”. Choose another name."]}
        retire_squad(by=cast.manager, squad=squad)
        told = refused(save_squad, **squad_words(cast))
        assert "A retired squad is called “Monday”." in told["name"][0]
        restore_squad(by=cast.manager, squad=squad)
        assert save_squad(**squad_words(cast, club=cast.other_club)).pk != squad.pk

    def test_a_squad_of_none(self, cast):
        row = save_squad(**squad_words(cast))
        assert not row.players.exists()
        page = text(cast.client(cast.manager).get(url("squad", row.pk)))
        assert "Nobody is in this squad" in page
        assert "nobody yet" in text(cast.client(cast.manager).get(url("squads")))

    def test_retiring_twice_is_on_record_once(self, cast, squad):
        for _again in (1, 2):
            retire_squad(by=cast.manager, squad=squad)
        for _again in (1, 2):
            restore_squad(by=cast.manager, squad=squad)
        actions = list(AuditEvent.objects.order_by("pk").values_list("action", flat=True))
        assert actions == ["squad.retired", "squad.restored"]


class TestSquadPages:
    def test_made_by_the_form_with_levels_in_drawers(self, cast):
        other = make.make_level(cast.club, 2, name="Blue")
        make.make_player(cast.club, "Nora", family_name="Nova", level=other)
        make.make_player(cast.club, "Nils", family_name="Nobody")
        client = cast.client(cast.manager)
        page = text(client.get(url("squad_new")))
        for label in ("Level 1: 5 players", "Blue: 1 player<", "No level yet: 1 player<"):
            assert label in page
        sent = {"name": "Tuesday", "level": other.pk, "coach": cast.head_coach.pk, "players": [cast.ben.pk]}
        answer = client.post(url("squad_new"), sent)
        row = Squad.objects.get()
        assert answer["Location"] == url("squad", row.pk)
        assert (row.level, row.coach, list(row.players.all())) == (other, cast.head_coach, [cast.ben])
        page = text(client.get(url("squad", row.pk) + "?change=1"))
        assert "Level 1: 1 of 5 are in" in page
        assert 'value="Tuesday"' in page

    def test_what_was_typed_stays_when_it_is_refused(self, cast, squad):
        sent = {"name": "monday", "players": [cast.dan.pk]}
        answer = cast.client(cast.manager).post(url("squad_new"), sent)
        assert answer.status_code == 422
        page = text(answer)
        assert "The club has a squad called “Monday”." in page
        assert "Level 1: 1 of 5 are in" in page
        assert f'value="{cast.dan.pk}" checked' in page
        foreign = cast.client(cast.manager).post(
            url("squad_new"), {"name": "New", "players": [cast.other_player.pk]}
        )
        assert foreign.status_code == 422
        assert "Somebody chosen is no player of the club." in text(foreign)
        assert Squad.objects.count() == 1

    def test_a_long_level_is_cut_into_parts_and_costs_no_more_queries(self, cast, squad):
        client = cast.client(cast.manager)

        def queries(name, *args, **query):
            with CaptureQueriesContext(connection) as found:
                answer = client.get(url(name, *args), query)
            return len(found), text(answer)

        asked = [("squad", squad.pk), ("squads",), ("squad_new",)]
        few = [queries(*one)[0] for one in asked]
        few_change, _page = queries("squad", squad.pk, change=1)
        level = cast.ana.level
        people = [
            make.make_player(cast.club, f"P{k}", level=level, family_name=f"F{k:03}") for k in range(495)
        ]
        squad.players.add(*people[:300])
        for k in range(60):
            row = Squad.objects.create(club=cast.club, name=f"S{k}", level=level, coach=cast.assistant)
            row.players.add(*people[:3])
        assert [queries(*one)[0] for one in asked] == few
        many, page = queries("squad", squad.pk, change=1)
        assert many == few_change
        assert page.count('<details class="drawer"') == 13
        assert "Level 1 (F000 to F038): 39 of 39 are in" in page
        assert page.count('name="players"') == 500
        assert text(client.get(url("squads"))).count('<th scope="row">') == 50

    def test_adults_and_minors_together_are_a_plain_sentence(self, cast, squad):
        page = text(cast.client(cast.assistant).get(url("squad", squad.pk)))
        assert "Adults and minors train together here: 1 of the players is a minor." in page
        assert "welfare@example.org" in page
        squad.players.remove(cast.ana)
        page = text(cast.client(cast.assistant).get(url("squad", squad.pk)))
        assert "train together here" not in page
        Player.objects.filter(pk=cast.dan.pk).update(born_on=None)
        squad.players.add(cast.dan)
        assert "train together here" not in text(cast.client(cast.assistant).get(url("squad", squad.pk)))

    def test_retired_by_the_form_and_brought_back(self, cast, squad):
        client = cast.client(cast.head_coach)
        assert client.post(url("squad_retire", squad.pk))["Location"] == url("squads")
        assert "Monday</a>" not in text(client.get(url("squads")))
        assert "Monday</a>" in text(client.get(url("squads"), {"retired": "on"}))
        assert "Bring it back into use" in text(client.get(url("squad", squad.pk)))
        client.post(url("squad_retire", squad.pk), {"restore": "1"})
        assert "Monday</a>" in text(client.get(url("squads")))

    def test_who_reads_and_who_changes(self, cast, squad):
        for who in ("manager", "head_coach", "assistant", "all_in_one", "two_clubs"):
            client = cast.client(getattr(cast, who))
            page = text(client.get(url("squad", squad.pk)))
            assert cast.ana.name in page
            edits = who in ("manager", "head_coach")
            assert ("Retire the squad" in page) is edits
            assert client.get(url("squad_new")).status_code == (200 if edits else 403)
            assert client.get(url("squad", squad.pk), {"change": 1}).status_code == (200 if edits else 403)
            assert ("New squad" in text(client.get(url("squads")))) is edits
        for who, status in (("assistant", 403), ("student", 403), ("guardian", 403), ("stranger", 404)):
            client = cast.client(getattr(cast, who))
            for address in (url("squad", squad.pk), url("squad_new"), url("squad_retire", squad.pk)):
                assert client.post(address, {"name": "Mine"}).status_code == status
            if who != "assistant":
                assert client.get(url("squads")).status_code == status
        squad.refresh_from_db()
        assert (squad.name, squad.retired_on) == ("Monday", None)
        theirs = Squad.objects.create(club=cast.other_club, name="Theirs")
        assert cast.client(cast.manager).get(url("squad", theirs.pk)).status_code == 404


class TestJson:
    def test_squads_for_whom_the_roster_is(self, cast, squad):
        Squad.objects.create(club=cast.other_club, name="Theirs")
        old = Squad.objects.create(club=cast.club, name="Old", retired_on=date(2026, 1, 1))
        client = cast.client(cast.assistant)
        address = reverse("api:squad-list", args=["seaside"])
        rows = client.get(address).json()["results"]
        assert [row["name"] for row in rows] == ["Monday", "Old"]
        assert rows[0]["coach"] == cast.assistant.name
        assert {row["given_name"] for row in rows[0]["players"]} == {"Ana", "Ben"}
        assert [row["id"] for row in client.get(address, {"retired": "true"}).json()["results"]] == [old.pk]
        assert len(client.get(address, {"retired": "false"}).json()["results"]) == 1
        detail = reverse("api:squad-detail", args=["seaside", squad.pk])
        assert client.get(detail).json()["name"] == "Monday"
        assert cast.client(cast.student).get(address).status_code == 403
        assert cast.client(cast.stranger).get(detail).status_code == 404

    def test_the_coach_may_be_somebody_with_two_roles(self, cast, squad):
        make.make_member(cast.club, Role.ASSISTANT, user=cast.manager)
        save_squad(**squad_words(cast, squad=squad, coach=cast.manager))
        squad.refresh_from_db()
        assert squad.coach == cast.manager
