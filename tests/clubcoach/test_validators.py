"""Names that a spreadsheet would work out instead of show are refused wherever somebody types one."""

from datetime import date

import pytest
from django.core.exceptions import ValidationError

from clubcoach.models import Club, Invitation
from clubcoach.validators import formulas_in, no_formula
from players import services
from players.models import Level, Player, Squad
from sessions.models import Match
from sessions.services import SeatEntry, register_match
from tests import factories as make


@pytest.mark.parametrize("value", ["", "Ana", "1st squad", "A=B", "under-12", "O'Neil", "Ana @ home", "–"])
def test_names(value):
    no_formula(value)


@pytest.mark.parametrize("value", ["=1+1", "+49", "-", "@SUM", "  =A1", "\t-x"])
def test_formulas(value):
    with pytest.raises(ValidationError) as error:
        no_formula(value)
    (sentence,) = error.value.messages
    assert sentence.startswith(f"This begins with {value.strip()[0]}: spreadsheets read this as a formula.")


def test_each_at_its_own_field():
    assert list(formulas_in({"one": "=x", "two": "x", "three": "-"})) == ["one", "three"]
    assert formulas_in({}) == {}


@pytest.fixture
def typed(cast):
    """Every place where a name is typed: the field, and how it gets a value."""
    level = cast.ana.level
    who = {"by": cast.head_coach, "club": cast.club}

    def player(field):
        return lambda value: services.add_player(**who, **{"given_name": "Nora", field: value})

    def changed(field):
        return lambda value: services.edit_player(by=cast.head_coach, player=cast.ana, **{field: value})

    def match(value):
        seats = [SeatEntry(cast.ana), SeatEntry(), SeatEntry(), SeatEntry()]
        register_match(**who, played_on=date(2026, 9, 1), seats=seats, ref=value)

    def founded(value):
        services.found_club(name=value, slug="new", time_zone="Europe/Madrid", head_coach="h@example.org")

    def level_words(field):
        return lambda value: services.edit_level(
            by=cast.head_coach, level=level, **{"name": "Beginners", "description": "", field: value}
        )

    def member(field):
        def accept(value):
            invitation, secret = services.invitations.issue_invitation(
                by=cast.manager,
                club=cast.club,
                address="new@example.org",
                role="assistant",
                now=cast.club.created_at,
            )
            Invitation.objects.filter(pk=invitation.pk).update(expires_at="2999-01-01T00:00Z")
            names = {"given_name": "Nora", "family_name": "Nueva", field: value}
            services.accept_invitation(secret=secret, password="walls-and-glass-47", **names)

        return accept

    return {
        "new player": ("given_name", player("given_name")),
        "new player's family": ("family_name", player("family_name")),
        "new player's reference": ("ref", player("ref")),
        "player": ("given_name", changed("given_name")),
        "player's family": ("family_name", changed("family_name")),
        "player's reference": ("ref", changed("ref")),
        "squad": ("name", lambda value: services.save_squad(**who, name=value)),
        "new level": ("name", lambda value: services.add_level(**who, name=value)),
        "level": ("name", level_words("name")),
        "level's words": ("description", level_words("description")),
        "match": ("ref", match),
        "club": ("name", lambda value: services.edit_club(**who, name=value)),
        "new club": ("name", founded),
        "member": ("given_name", member("given_name")),
        "member's family": ("family_name", member("family_name")),
    }


PLACES = [
    "new player",
    "new player's family",
    "new player's reference",
    "player",
    "player's family",
    "player's reference",
    "squad",
    "new level",
    "level",
    "level's words",
    "match",
    "club",
    "new club",
    "member",
    "member's family",
]


def written():
    rows = (Player, "given_name"), (Squad, "name"), (Level, "name"), (Match, "ref"), (Club, "name")
    return [list(model.objects.order_by("pk").values_list("pk", field)) for model, field in rows]


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("value", ["=HYPERLINK(1)", " +1", "-2", "@x"])
def test_refused_where_it_is_typed(typed, place, value):
    assert set(PLACES) == set(typed)
    field, act = typed[place]
    before = written()
    with pytest.raises(ValidationError) as error:
        act(value)
    assert "spreadsheets read this as a formula" in " ".join(error.value.message_dict[field])
    assert written() == before


@pytest.mark.parametrize("place", PLACES)
def test_a_sign_inside_is_taken(typed, place):
    typed[place][1]("A-1 = @home")


def test_what_was_there_before_hinders_no_other_change(cast):
    Player.objects.filter(pk=cast.ana.pk).update(given_name="-Ana")
    assert (
        services.edit_player(by=cast.head_coach, player=cast.ana, given_name="-Ana", hand="left").hand
        == "left"
    )
    level = cast.ana.level
    Level.objects.filter(pk=level.pk).update(name="+1", description="- steady")
    services.edit_level(by=cast.head_coach, level=level, name="+1", description="")
    squad = Squad.objects.create(club=cast.club, name="@noon")
    services.save_squad(by=cast.head_coach, club=cast.club, squad=squad, name="@noon", players=[cast.ana])
    Club.objects.filter(pk=cast.club.pk).update(name="=Seaside")
    services.edit_club(by=cast.head_coach, club=cast.club, name="=Seaside", deuce="golden")
    cast.club.refresh_from_db()
    assert cast.club.deuce == "golden"


def test_the_page_says_it_at_the_field(cast):
    answer = cast.client(cast.manager).post("/c/seaside/people/new/", {"given_name": "=1", "hand": "left"})
    assert answer.status_code == 422
    assert "This begins with =" in answer.context["form"].errors["given_name"][0]


def test_a_phone_number_is_no_name(cast):
    services.edit_club(by=cast.head_coach, club=cast.club, welfare_contact="+34 600 000 000")
    assert make.Club.objects.get(pk=cast.club.pk).welfare_contact == "+34 600 000 000"
