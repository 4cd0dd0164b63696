"""Players of whom only the year of birth is known: what is shown, what is edited, and who counts as a minor."""

from datetime import date

import pytest
import time_machine
from django.core.exceptions import ValidationError
from django.urls import reverse

from clubcoach.models import AuditEvent
from players import services
from players.consent import consent_state
from players.models import Player
from tests import factories as make

pytestmark = pytest.mark.django_db
NOW = "2026-06-15T10:00:00Z"


@pytest.fixture(autouse=True)
def today():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def nora(cast):
    """Born some day in 2009: 16 or 17 in June 2026."""
    return make.make_player(cast.club, "Nora", born_on=date(2009, 12, 31), birthday_known=False)


def url(name, *args):
    return reverse(name, args=["seaside", *args])


def words(answer):
    return " ".join(answer.content.decode().split())


def born(player):
    player.refresh_from_db()
    return player.born_on, player.birthday_known


class TestService:
    def test_a_year_is_its_last_day(self, cast):
        player = services.add_player(by=cast.manager, club=cast.club, given_name="Nora", birth_year=2009)
        assert born(player) == (date(2009, 12, 31), False)
        assert (player.birth_year, player.birthday) == (2009, None)

    def test_a_date_is_known(self, cast):
        player = services.add_player(
            by=cast.manager, club=cast.club, given_name="N", born_on=date(2009, 3, 1)
        )
        assert born(player) == (date(2009, 3, 1), True)
        assert (player.birth_year, player.birthday) == (None, date(2009, 3, 1))

    def test_neither_is_neither(self, cast):
        player = services.add_player(by=cast.manager, club=cast.club, given_name="Nora")
        assert born(player) == (None, True)
        assert (player.birth_year, player.birthday) == (None, None)

    @pytest.mark.parametrize(
        ("fields", "kept"),
        [
            ({"hand": "left"}, (date(2009, 12, 31), False)),
            ({"born_on": None, "birth_year": 2009}, (date(2009, 12, 31), False)),
            ({"born_on": None, "birth_year": 2010}, (date(2010, 12, 31), False)),
            ({"born_on": date(2009, 12, 31), "birth_year": None}, (date(2009, 12, 31), True)),
            ({"born_on": date(2009, 5, 4), "birth_year": 2009}, (date(2009, 5, 4), True)),
            ({"born_on": date(2010, 5, 4)}, (date(2010, 5, 4), True)),
            ({"born_on": None, "birth_year": None}, (None, True)),
            ({"born_on": None}, (None, True)),
        ],
    )
    def test_what_is_kept_after_a_change(self, cast, nora, fields, kept):
        services.edit_player(by=cast.manager, player=nora, **fields)
        assert born(nora) == kept

    def test_the_trail_says_that_it_became_known(self, cast, nora):
        services.edit_player(by=cast.manager, player=nora, born_on=date(2009, 12, 31))
        assert AuditEvent.objects.get(action="player.changed").fields == ["birthday_known"]

    def test_this_year_is_not_the_future(self, cast):
        baby = services.add_player(by=cast.manager, club=cast.club, given_name="Baby", birth_year=2026)
        assert services.edit_player(by=cast.manager, player=baby, hand="left").hand == "left"

    @pytest.mark.parametrize(
        ("fields", "field", "said"),
        [
            ({"birth_year": 2027}, "birth_year", "in the future"),
            ({"birth_year": 99999}, "birth_year", "in the future"),
            ({"birth_year": 1890}, "birth_year", "too long ago"),
            ({"birth_year": 0}, "birth_year", "too long ago"),
            ({"birth_year": -5}, "birth_year", "too long ago"),
            ({"birth_year": 2010, "born_on": date(2009, 5, 4)}, "birth_year", "another year"),
            ({"birth_year": None, "born_on": date(2999, 5, 4)}, "born_on", "in the future"),
        ],
    )
    def test_refused_and_nothing_written(self, cast, nora, fields, field, said):
        with pytest.raises(ValidationError) as error:
            services.edit_player(by=cast.manager, player=nora, hand="left", **fields)
        assert said in " ".join(error.value.message_dict[field])
        nora.refresh_from_db()
        assert (nora.hand, nora.birth_year) == ("right", 2009)


class TestForm:
    def fields(self, client, player):
        form = client.get(url("player_edit", player.uuid)).context["form"]
        return {name: form[name].value() for name in form.fields}

    def test_it_asks_for_the_day_and_shows_the_year(self, cast, nora):
        fields = self.fields(cast.client(cast.manager), nora)
        assert (fields["born_on"], fields["birth_year"]) == (None, 2009)
        fields = self.fields(cast.client(cast.manager), cast.ben)
        assert (fields["born_on"], fields["birth_year"]) == (date(2014, 5, 1), None)

    @pytest.mark.parametrize("which", ["nora", "ben", "blank"])
    def test_saved_untouched_it_changes_nothing(self, cast, nora, which):
        player = {"nora": nora, "ben": cast.ben, "blank": make.make_player(cast.club, "Blank")}[which]
        before = born(player)
        client = cast.client(cast.manager)
        sent = {name: "" if value is None else value for name, value in self.fields(client, player).items()}
        sent["active"] = "on"
        answer = client.post(url("player_edit", player.uuid), sent)
        assert answer.status_code == 302
        assert born(player) == before
        assert not AuditEvent.objects.filter(action="player.changed").exists()

    def test_a_date_beside_another_year_is_told_and_kept_in_the_form(self, cast, nora):
        client = cast.client(cast.manager)
        sent = {"given_name": "Nora", "hand": "right", "born_on": "2010-02-03", "birth_year": "2009"}
        answer = client.post(url("player_edit", nora.uuid), sent)
        assert answer.status_code == 422
        assert "says another year" in answer.context["form"].errors["birth_year"][0]
        assert 'value="2010-02-03"' in words(answer)
        client.post(url("player_edit", nora.uuid), {**sent, "birth_year": ""})
        assert born(nora) == (date(2010, 2, 3), True)

    def test_a_new_player_by_year(self, cast):
        sent = {"given_name": "Nico", "hand": "left", "birth_year": "2011"}
        cast.client(cast.manager).post(url("player_new"), sent)
        assert born(Player.objects.get(given_name="Nico")) == (date(2011, 12, 31), False)


class TestPages:
    @pytest.mark.parametrize("who", ["manager", "assistant"])
    def test_the_year_and_no_age_and_no_day(self, cast, nora, who):
        squad = services.save_squad(by=cast.head_coach, club=cast.club, name="Juniors", players=[nora])
        client = cast.client(getattr(cast, who))
        for path in (url("player", nora.uuid), url("roster") + "?name=Nora", url("squad", squad.pk)):
            page = words(client.get(path))
            assert "born 2009, counts as a minor" in page, path
            for wrong in ("31 Dec", "2009-12-31", "16, a minor", ">16", "2,009", "(born"):
                assert wrong not in page, (path, wrong)

    def test_of_age_once_the_year_is_over(self, cast, nora):
        nora.born_on = date(2007, 12, 31)
        nora.save(update_fields=["born_on"])
        page = words(cast.client(cast.manager).get(url("player", nora.uuid)))
        assert "born 2007" in page
        assert "minor" not in page

    def test_what_is_known_is_shown_as_before(self, cast):
        page = words(cast.client(cast.manager).get(url("player", cast.ben.uuid)))
        assert "12, a minor" in page
        assert "born 1 May 2014" in page

    def test_the_interface_tells_the_year(self, cast, nora):
        row = cast.client(cast.head_coach).get(f"/c/seaside/api/v1/players/{nora.uuid}/").json()
        assert row["born_in"] == 2009
        assert "email" not in row


class TestMinors:
    @pytest.mark.parametrize(("year", "minor"), [(2007, False), (2008, True), (2009, True)])
    def test_protection_ends_late(self, cast, year, minor):
        """Somebody born in 2008 may be 18 already; counted to the end of the year they are not."""
        player = make.make_player(cast.club, "N", born_on=date(year, 12, 31), birthday_known=False)
        assert player.is_minor() is minor
        assert Player.objects.minors(cast.club, cast.club.today()).filter(pk=player.pk).exists() is minor

    def test_a_guardian_has_to_agree_as_long_as_they_may_be_too_young(self, cast):
        player = make.make_player(cast.club, "N", born_on=date(2010, 12, 31), birthday_known=False)
        assert consent_state(player, cast.club.today()).needed == ("player", "guardian")

    def test_a_refusal_says_that_only_the_year_is_known(self, cast, nora):
        nora.user = make.make_member(cast.club, "student", name="Nora")
        nora.save(update_fields=["user"])
        with pytest.raises(ValidationError) as error:
            services.give_consent(by=nora.user, player=nora, as_="player", purpose="lessons")
        assert "Only the year of birth of Nora is known" in error.value.messages[0]
        services.edit_player(by=cast.manager, player=nora, born_on=date(2009, 3, 1))
        with pytest.raises(ValidationError, match="Nora is under 18"):
            services.give_consent(by=nora.user, player=nora, as_="player", purpose="lessons")
