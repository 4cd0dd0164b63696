"""The pages of people: what they show, to whom, and that long lists cost no more queries than short ones."""

from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from clubcoach.access import Role
from clubcoach.models import Membership
from players.models import FilmConsent, Goal, Player, Unit
from players.services import give_consent
from tests import factories as make

pytestmark = pytest.mark.django_db


def url(name, *args, slug="seaside"):
    return reverse(name, args=[slug, *args])


def text(answer):
    return answer.content.decode()


class TestRoster:
    def test_names_level_and_consent_in_words(self, cast):
        make.consent(cast.ana, expires_on=cast.club.today() + timedelta(days=30))
        make.consent(cast.ben, "player")
        page = text(cast.client(cast.assistant).get(url("roster")))
        for words in (
            cast.ana.name,
            "Level 1",
            "yes, until",
            "not yet: a guardian has to agree too",
            "not given",
        ):
            assert words in page
        assert cast.other_player.name not in page
        assert "Add a player" not in page
        assert "Add a player" in text(cast.client(cast.manager).get(url("roster")))

    def test_filters_by_level_and_by_every_word_of_a_name(self, cast):
        second = make.make_level(cast.club, 2)
        lena = make.make_player(cast.club, "Lena Maria", family_name="Soto", level=second)
        client = cast.client(cast.head_coach)
        for query in ({"level": second.pk}, {"name": "soto lena"}, {"name": "LENA", "level": second.pk}):
            page = text(client.get(url("roster"), query))
            assert lena.name in page
            assert cast.ana.name not in page
        nobody = text(client.get(url("roster"), {"name": "soto ana"}))
        assert "Nobody like that here" in nobody

    def test_a_level_of_another_club_is_told_and_shows_everybody(self, cast):
        foreign = make.make_level(cast.other_club)
        page = text(cast.client(cast.manager).get(url("roster"), {"level": foreign.pk}))
        assert "Select a valid choice" in page
        assert cast.ana.name in page

    def test_who_left_is_shown_when_asked_for(self, cast):
        Player.objects.filter(pk=cast.dan.pk).update(active=False)
        client = cast.client(cast.manager)
        assert cast.dan.name not in text(client.get(url("roster")))
        assert cast.dan.name in text(client.get(url("roster"), {"left": "on"}))

    def test_an_empty_roster_says_what_to_do(self, cast):
        Player.objects.filter(club=cast.club).delete()
        assert "Add the first player" in text(cast.client(cast.manager).get(url("roster")))
        assert "manager adds players" in text(cast.client(cast.assistant).get(url("roster")))

    def test_fifty_a_page_and_the_same_queries_at_10_and_at_500_rows(self, cast):
        client = cast.client(cast.head_coach)
        level = cast.ana.level

        def fill(n):
            for k in range(n):
                player = make.make_player(cast.club, f"P{k}", level=level, born_on=date(2014, 1, 1))
                if k < 60:
                    make.consent(player)

        def queries(**query):
            with CaptureQueriesContext(connection) as found:
                answer = client.get(url("roster"), query)
            assert answer.status_code == 200
            return len(found), answer

        queries()
        fill(5)
        few, _short = queries()
        fill(490)
        many, long = queries()
        assert many == few
        assert many <= 12
        assert text(long).count('<th scope="row">') == 50
        assert "page 1 of 10" in text(long)
        assert text(queries(page=10)[1]).count('<th scope="row">') == 50
        assert "page=2" in text(queries(level=level.pk)[1])


class TestPlayerPage:
    def test_who_sees_what(self, cast):
        unit = Unit.objects.get(first=cast.ben, kind="player")
        area = cast.club.areas.get(code="feet")
        Goal.objects.create(unit=unit, area=area, target=66, due_on=date(2027, 1, 1))
        page = {
            who: text(cast.client(getattr(cast, who)).get(url("player", cast.ben.uuid)))
            for who in ("manager", "head_coach", "assistant")
        }
        for who in page:
            assert cast.ben.name in page[who]
            assert "a minor" in page[who]
            assert cast.guardian.name in page[who]
        assert "66 of 100" in page["head_coach"]
        assert "66 of 100" in page["assistant"]
        assert "66 of 100" not in page["manager"]
        assert "1 May 2014" in page["manager"]
        assert "1 May 2014" not in page["assistant"]
        assert cast.guardian.email not in page["assistant"]
        assert cast.guardian.email in page["manager"]
        student_page = url("student_page", cast.ben.uuid)
        assert student_page in page["assistant"]
        assert student_page not in page["manager"]
        assert "Set a goal" in page["head_coach"]
        assert "Set a goal" not in page["assistant"]
        assert f"?role=student&amp;person={cast.ben.uuid}" in page["manager"]

    def test_add_change_and_level_through_the_forms(self, cast):
        client = cast.client(cast.manager)
        answer = client.post(
            url("player_new"),
            {
                "given_name": "Nora",
                "family_name": "Nueva",
                "born_on": "2001-02-03",
                "hand": "left",
                "side": "",
                "ref": "",
            },
        )
        player = Player.objects.get(given_name="Nora")
        assert answer["Location"] == url("player", player.uuid)
        edit = text(client.get(url("player_edit", player.uuid)))
        assert 'value="2001-02-03"' in edit
        client.post(
            url("player_edit", player.uuid),
            {"given_name": "Nora", "hand": "right", "side": "left", "ref": ""},
        )
        player.refresh_from_db()
        assert (player.hand, player.side, player.active, player.born_on) == ("right", "left", False, None)
        level = cast.ana.level
        client.post(url("player_level", player.uuid), {"level": level.pk})
        player.refresh_from_db()
        assert player.level == level
        wrong = client.post(
            url("player_level", player.uuid), {"level": make.make_level(cast.other_club).pk}, follow=True
        )
        assert "Nothing was saved" in text(wrong)
        player.refresh_from_db()
        assert player.level == level

    def test_a_birth_date_in_the_future_is_told_at_the_field(self, cast):
        answer = cast.client(cast.manager).post(
            url("player_new"), {"given_name": "Nora", "born_on": "2999-01-01", "hand": "left"}
        )
        assert answer.status_code == 422
        assert "This date of birth is in the future." in text(answer)
        assert 'value="2999-01-01"' in text(answer)
        assert not Player.objects.filter(given_name="Nora").exists()

    def test_names_are_shown_as_text(self, cast):
        Player.objects.filter(pk=cast.ana.pk).update(given_name="<script>alert(1)</script>")
        for path in (url("roster"), url("player", cast.ana.uuid), url("invite")):
            assert "<script>alert" not in text(cast.client(cast.manager).get(path))

    def test_goal_form(self, cast):
        client = cast.client(cast.head_coach)
        unit = Unit.objects.get(first=cast.ana, kind="player")
        feet, net = (cast.club.areas.get(code=code) for code in ("feet", "net"))
        foreign = cast.other_club.areas.get(code="feet")
        strange = Unit.objects.get(first=cast.dan, kind="player")
        good = {"unit": unit.pk, "area": feet.pk, "target": 70, "due_on": "2099-01-01"}
        for wrong in ({"area": net.pk}, {"area": foreign.pk}, {"unit": strange.pk}, {"due_on": "2020-01-01"}):
            assert client.post(url("goal_set", cast.ana.uuid), good | wrong).status_code == 422
        assert not Goal.objects.exists()
        assert client.post(url("goal_set", cast.ana.uuid), good).status_code == 302
        assert Goal.objects.get().set_by == cast.head_coach

    def test_a_guardian_is_removed_by_a_button(self, cast):
        client = cast.client(cast.manager)
        remove = url("guardian_remove", cast.ben.uuid, cast.guardian.pk)
        assert client.get(remove).status_code == 405
        assert client.post(url("guardian_remove", cast.ana.uuid, cast.guardian.pk)).status_code == 404
        assert "no guardian of this player any more" in text(client.post(remove, follow=True))
        assert cast.client(cast.guardian).get(url("consent", cast.ben.uuid)).status_code == 404


class TestConsentPage:
    def test_give_and_take_back_on_one_page(self, cast):
        client = cast.client(cast.student)
        path = url("consent", cast.ana.uuid)
        page = text(client.get(path))
        assert "not given" in page
        assert "Take the consent back" not in page
        given = client.post(path, {"purpose": "lessons", "expires_on": "2099-01-01"})
        assert given.status_code == 422
        until = (cast.club.today() + timedelta(days=90)).isoformat()
        page = text(client.post(path, {"purpose": "lessons", "expires_on": until}, follow=True))
        assert "You said yes: lessons, until" in page
        assert f"the player: {cast.student.name}" in page
        page = text(client.post(path, {"withdraw": "1"}, follow=True))
        assert "The consent has ended." in page
        assert "not given" in page
        assert "ended" in page
        assert not FilmConsent.objects.in_force(cast.club.today()).exists()

    def test_guardian_and_child_each_for_themselves(self, cast):
        child = make.make_member(cast.club, Role.STUDENT, name="Ben")
        Player.objects.filter(pk=cast.ben.pk).update(user=child)
        path = url("consent", cast.ben.uuid)
        until = (cast.club.today() + timedelta(days=90)).isoformat()
        words = {"purpose": "lessons", "expires_on": until}
        page = text(cast.client(cast.guardian).post(path, words, follow=True))
        assert "the player has to agree too" in page
        page = text(cast.client(child).get(path))
        assert "the player and a guardian both have to agree" in page
        page = text(cast.client(child).post(path, words, follow=True))
        assert "yes, until" in page
        assert set(FilmConsent.objects.values_list("by", "given_by")) == {
            ("guardian", cast.guardian.pk),
            ("player", child.pk),
        }

    def test_a_child_without_a_guardian_reads_what_to_do(self, cast):
        child = make.make_member(cast.club, Role.STUDENT, name="Kid")
        kid = make.make_player(cast.club, "Kid", user=child, born_on=date(2014, 1, 1))
        client = cast.client(child)
        assert "Ask the club to invite one" in text(client.get(url("consent", kid.uuid)))
        until = (cast.club.today() + timedelta(days=90)).isoformat()
        answer = client.post(url("consent", kid.uuid), {"purpose": "lessons", "expires_on": until})
        assert answer.status_code == 422
        assert "no guardian is known here yet" in text(answer)

    def test_an_unknown_age_is_asked_for(self, cast):
        Player.objects.filter(pk=cast.ana.pk).update(born_on=None)
        client = cast.client(cast.student)
        until = (cast.club.today() + timedelta(days=90)).isoformat()
        words = {"purpose": "lessons", "expires_on": until}
        assert client.post(url("consent", cast.ana.uuid), words).status_code == 422
        assert client.post(url("consent", cast.ana.uuid), words | {"of_age": "on"}).status_code == 302

    def test_who_gets_no_page(self, cast):
        for who, player, status in [
            (cast.student, cast.ben, 404),
            (cast.guardian, cast.ana, 404),
            (cast.all_in_one, cast.ana, 404),
            (cast.head_coach, cast.ana, 403),
            (cast.stranger, cast.ana, 404),
        ]:
            assert cast.client(who).get(url("consent", player.uuid)).status_code == status
            assert cast.client(who).post(url("consent", player.uuid), {"withdraw": "1"}).status_code == status

    def test_paper_is_written_down_with_its_witness_and_ended_by_a_word(self, cast):
        client = cast.client(cast.manager)
        path = url("consent_paper", cast.ben.uuid)
        until = (cast.club.today() + timedelta(days=90)).isoformat()
        words = {"as_": "guardian", "purpose": "lessons", "expires_on": until}
        assert client.post(path, words).status_code == 422
        client.post(path, words | {"witness": "Hana at the desk"})
        client.post(path, words | {"witness": "Hana at the desk", "as_": "player"})
        page = text(client.get(path))
        assert "yes, until" in page
        assert "a guardian, on paper; seen by Hana at the desk" in page
        assert (
            client.post(url("consent_paper", cast.ana.uuid), words | {"witness": "H"}).status_code == 422
        )  # of age
        client.post(path, {"withdraw": "1"})
        assert not FilmConsent.objects.in_force(cast.club.today()).exists()


class TestSeveralRolesAndClubs:
    def test_one_person_three_roles(self, cast):
        client = cast.client(cast.all_in_one)
        assert client.get(url("roster")).status_code == 200
        assert client.get(url("player_new")).status_code == 403
        child = Player.objects.get(given_name="Cleo junior")
        until = cast.club.today() + timedelta(days=90)
        for player, as_ in ((cast.cleo, "player"), (child, "guardian")):
            client.post(url("consent", player.uuid), {"purpose": "lessons", "expires_on": until.isoformat()})
            assert FilmConsent.objects.get(player=player).by == as_

    def test_one_person_two_clubs(self, cast):
        client = cast.client(cast.two_clubs)
        assert client.get(url("roster")).status_code == 200
        assert client.get(url("roster", slug="hilltop")).status_code == 403
        assert client.get(url("consent", cast.other_player.uuid, slug="hilltop")).status_code == 200
        assert client.get(url("consent", cast.other_player.uuid)).status_code == 403
        give_consent(
            by=cast.two_clubs, player=cast.other_player, as_="player", purpose="lessons", of_age=True
        )
        assert "yes, until" not in text(client.get(url("roster")))

    def test_a_role_that_ends_ends_at_once(self, cast):
        client = cast.client(cast.manager)
        assert client.get(url("roster")).status_code == 200
        Membership.objects.filter(user=cast.manager).delete()
        assert client.get(url("roster")).status_code == 404
