"""The roster: what it shows, who lacks what, and the sentence about minors whom nobody looks after."""

from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from players.consent import consent_states
from players.models import Player, Squad
from players.models.people import years_after
from tests import factories as make

pytestmark = pytest.mark.django_db

ALONE = "no guardian here"


def page(cast, who="head_coach", **query):
    answer = cast.client(getattr(cast, who)).get(reverse("roster", args=["seaside"]), query)
    assert answer.status_code == 200
    return answer


def shown(answer):
    return {player.given_name for player, _age, _state in answer.context["rows"]}


def text(answer):
    return answer.content.decode()


class TestColumns:
    def test_squads_age_of_minors_hand_and_side(self, cast):
        Player.objects.filter(pk=cast.ben.pk).update(hand="left", side="right")
        for name, retired in (("Monday", None), ("Friday", None), ("Old", date(2026, 1, 1))):
            Squad.objects.create(club=cast.club, name=name, retired_on=retired).players.add(cast.ben)
        words = text(page(cast, "assistant"))
        row = words[words.index(f"<span>{cast.ben.name}</span>") :].split("</tr>")[0]
        age = cast.ben.age_on(cast.club.today())
        for part in (f"{age}, a minor", "Friday</a>, <a", "Monday</a>", "left-handed, right side", "Level 1"):
            assert part in row, part
        assert "Old" not in row
        assert words.count("a minor</span>") == 2

    def test_a_minor_has_initials_on_paper(self, cast):
        words = text(page(cast))
        assert f'data-initials="{cast.ben.initials}"><span>{cast.ben.name}</span>' in words
        assert f'data-initials="{cast.ana.initials}"' not in words


class TestWhatIsMissing:
    def test_filters(self, cast):
        squad = Squad.objects.create(club=cast.club, name="Monday")
        squad.players.add(cast.ana, cast.ben)
        make.make_player(cast.club, "Nils", born_on=date(2015, 1, 1))
        make.consent(cast.ana, expires_on=cast.club.today() + timedelta(days=9))
        make.consent(cast.dan, expires_on=cast.club.today() - timedelta(days=1))
        assert shown(page(cast, squad=squad.pk)) == {"Ana", "Ben"}
        assert shown(page(cast, squad=squad.pk, name="be")) == {"Ben"}
        assert shown(page(cast, lack="level")) == {"Nils"}
        assert shown(page(cast, lack="guardian")) == {"Nils"}
        assert shown(page(cast, lack="consent")) == {"Ben", "Cleo", "Cleo junior", "Dan", "Nils"}
        assert shown(page(cast, lack="consent", squad=squad.pk)) == {"Ben"}
        told = page(cast, lack="money")
        assert "Select a valid choice" in text(told)
        assert "Ana" in shown(told)
        theirs = Squad.objects.create(club=cast.other_club, name="Theirs")
        assert "Select a valid choice" in text(page(cast, squad=theirs.pk))

    def test_without_consent_is_what_the_pages_say_of_each_player(self, cast):
        """The question asked of all rows at once against the rule for one, on both sides of each birthday."""
        club, today = cast.club, cast.club.today()
        for n, (years, days) in enumerate((y, d) for y in (13, 16, 18) for d in (-1, 0, 1)):
            for by in ((), ("player",), ("guardian",), ("player", "guardian")):
                born = years_after(today, -years) + timedelta(days=days)
                player = make.make_player(club, f"P{n}", born_on=born)
                for one in by:
                    make.consent(player, one)
        make.consent(make.make_player(club, "Ageless"))
        players = Player.objects.filter(club=club)
        states = consent_states(players, club, today)
        expected = {pk for pk, state in states.items() if not state.complete}
        assert set(players.without_consent(club, today).values_list("pk", flat=True)) == expected
        assert 0 < len(expected) < len(states)
        minors = {player.pk for player in players if player.is_minor(today)}
        assert set(players.minors(club, today).values_list("pk", flat=True)) == minors

    @pytest.mark.parametrize("today", [date(2026, 2, 28), date(2026, 3, 1), date(2028, 2, 29)])
    def test_minors_born_on_the_29th_of_february(self, cast, today):
        for born in (date(2008, 2, 29), date(2010, 2, 28), date(2010, 3, 1), date(2008, 2, 28)):
            make.make_player(cast.club, str(born), born_on=born)
        players = Player.objects.filter(club=cast.club)
        expected = {player.pk for player in players if player.is_minor(today)}
        assert set(players.minors(cast.club, today).values_list("pk", flat=True)) == expected

    def test_what_no_player_may_lack(self, cast):
        with pytest.raises(ValueError, match="money"):
            Player.objects.lacking("money", cast.club, cast.club.today())


class TestMinorsAlone:
    def test_are_named_on_top_for_those_who_may_change_it(self, cast):
        assert ALONE not in text(page(cast))
        nils = make.make_player(cast.club, "Nils", born_on=date(2015, 1, 1))
        words = text(page(cast, "manager"))
        assert "1 minor has no guardian here:" in words
        note = words[words.index("1 minor has") :].split("</p>")[0]
        assert reverse("player", args=["seaside", nils.uuid]) in note
        assert ALONE not in text(page(cast, "assistant"))
        make.guard(nils, cast.guardian)
        assert ALONE not in text(page(cast, "manager"))

    def test_many_are_counted_and_led_to(self, cast):
        for n in range(7):
            make.make_player(cast.club, f"Nils {n}", born_on=date(2015, 1, 1))
        make.make_player(cast.club, "Gone", born_on=date(2015, 1, 1), active=False)
        make.make_player(cast.other_club, "Far", born_on=date(2015, 1, 1))
        words = text(page(cast, "manager"))
        assert "7 minors have no guardian here:" in words
        note = words[words.index("7 minors have") :].split("</p>")[0]
        assert note.count("Nils") == 5
        assert "?lack=guardian" in note
        assert "and 2 more" in note
        assert len(shown(page(cast, lack="guardian"))) == 7


class TestNoneAndMany:
    def test_none(self, cast):
        Player.objects.filter(club=cast.club).delete()
        words = text(page(cast, "manager"))
        assert "No players yet" in words
        assert "invite them and the guardians of minors by mail" in words
        assert "Add the first player" in words

    def test_the_same_queries_for_10_and_500(self, cast):
        client = cast.client(cast.manager)
        squads = [Squad.objects.create(club=cast.club, name=f"S{n}") for n in range(3)]

        def fill(n):
            for k in range(n):
                player = make.make_player(cast.club, f"P{k}", born_on=date(2014, 1, 1), level=cast.ana.level)
                player.squads.add(*squads)

        def queries(**query):
            with CaptureQueriesContext(connection) as found:
                client.get(reverse("roster", args=["seaside"]), query)
            return len(found)

        asked = [{}, {"lack": "guardian"}, {"lack": "consent", "squad": squads[0].pk}]
        queries()
        fill(5)
        few = [queries(**one) for one in asked]
        fill(490)
        assert [queries(**one) for one in asked] == few
        assert max(few) <= 14
