"""Who may say that a player is filmed, for how long, and that one no is enough."""

from datetime import UTC, date, datetime, timedelta

import pytest
import time_machine
from django.core.exceptions import PermissionDenied, ValidationError

from clubcoach.access import Role
from clubcoach.models import AuditEvent, Membership
from players.consent import consent_state, consent_states
from players.models import FilmConsent, Guardianship, Player
from players.services import give_consent, withdraw_consent
from players.services.consent import years_after
from players.signals import consent_withdrawn
from tests import factories as make

pytestmark = pytest.mark.django_db

PURPOSE = "to analyse matches for lessons"


@pytest.fixture
def heard():
    calls = []

    def receiver(sender, player, by, now, **kwargs):
        calls.append((player.pk, by.pk))

    consent_withdrawn.connect(receiver)
    yield calls
    consent_withdrawn.disconnect(receiver)


def give(by, player, as_="player", **fields):
    return give_consent(by=by, player=player, as_=as_, **({"purpose": PURPOSE} | fields))


def give_paper(by, player, as_="player", **fields):
    return give(by, player, as_, way="paper", **({"witness": "Hana at the desk"} | fields))


def state(player):
    return consent_state(player, player.club.today())


class TestGiving:
    def test_a_player_of_age_for_one_year(self, cast):
        with time_machine.travel("2028-02-29T12:00:00Z", tick=False):
            consent = give(cast.student, cast.ana)
            assert consent.expires_on == date(2029, 2, 28)
            assert state(cast.ana).complete
            assert state(cast.ana).words == "yes, until 28 Feb 2029"
        with time_machine.travel("2029-03-01T12:00:00Z", tick=False):
            assert not state(cast.ana).complete
            assert state(cast.ana).words == "not given"
        event = AuditEvent.objects.get(action="consent.given")
        assert event.actor == cast.student
        assert PURPOSE not in str(event.fields)

    def test_it_ends_on_the_club_s_day(self, cast):
        cast.club.time_zone = "America/Bogota"
        cast.club.save(update_fields=["time_zone"])
        give(cast.student, cast.ana, expires_on=date(2026, 12, 31), now=datetime(2026, 6, 1, tzinfo=UTC))
        player = Player.objects.get(pk=cast.ana.pk)
        with time_machine.travel("2027-01-01T04:59:00Z", tick=False):
            assert state(player).complete
        with time_machine.travel("2027-01-01T05:01:00Z", tick=False):
            assert not state(player).complete

    def test_saying_the_same_again_changes_nothing(self, cast):
        first = give(cast.student, cast.ana)
        assert give(cast.student, cast.ana) == first
        assert FilmConsent.objects.count() == 1
        assert AuditEvent.objects.filter(action="consent.given").count() == 1

    def test_another_word_takes_the_place_of_the_first_and_no_film_is_taken_away(self, cast, heard):
        first = give(cast.student, cast.ana)
        second = give(cast.student, cast.ana, purpose="for one tournament")
        first.refresh_from_db()
        assert first.withdrawn_at is not None
        assert list(FilmConsent.objects.in_force(cast.club.today())) == [second]
        assert heard == []

    def test_one_that_ran_out_is_given_again(self, cast):
        with time_machine.travel("2026-01-10T12:00:00Z", tick=False):
            give(cast.student, cast.ana, expires_on=date(2026, 2, 1))
        with time_machine.travel("2026-03-10T12:00:00Z", tick=False):
            give(cast.student, cast.ana, expires_on=date(2026, 9, 1))
            assert state(cast.ana).ends_on == date(2026, 9, 1)

    def test_a_minor_needs_both_each_for_themselves(self, cast):
        child = make.make_member(cast.club, Role.STUDENT, name="Ben")
        cast.ben.user = child
        cast.ben.save(update_fields=["user"])
        assert state(cast.ben).words == "not given"
        give(cast.guardian, cast.ben, "guardian")
        assert state(cast.ben).words == "not yet: the player has to agree too"
        give(child, cast.ben, "player")
        assert state(cast.ben).complete
        withdraw_consent(by=child, player=cast.ben)
        give(child, cast.ben, "player")
        assert state(cast.ben).words == "not yet: a guardian has to agree too"

    def test_the_first_of_two_ends_decides(self, cast):
        give_paper(cast.manager, cast.ben, "guardian", expires_on=cast.club.today() + timedelta(days=20))
        give_paper(cast.manager, cast.ben, "player", expires_on=cast.club.today() + timedelta(days=10))
        assert state(cast.ben).ends_on == cast.club.today() + timedelta(days=10)

    def test_from_the_age_of_own_consent_the_player_decides(self, cast):
        young = make.make_player(cast.club, "Young", born_on=years_after(cast.club.today(), -17))
        make.guard(young, cast.guardian)
        give_paper(cast.head_coach, young)
        assert state(young).complete

    @pytest.mark.parametrize("way", ["here", "paper"])
    def test_a_minor_without_a_guardian_cannot_agree(self, cast, way):
        child = make.make_member(cast.club, Role.STUDENT, name="Kid")
        kid = make.make_player(cast.club, "Kid", user=child, born_on=date(2014, 1, 1))
        with pytest.raises(ValidationError, match=r"Kid is under 18 and no guardian is known here yet\."):
            give(child, kid) if way == "here" else give_paper(cast.manager, kid)
        give_paper(cast.manager, kid, "guardian")
        give_paper(cast.manager, kid)
        assert state(kid).complete

    def test_who_may_not_say_it(self, cast):
        grown = make.make_player(cast.club, "Grown", born_on=date(1990, 1, 1))
        Guardianship.objects.create(guardian=cast.guardian, player=grown)
        for by, player, as_ in [
            (cast.head_coach, cast.ana, "player"),
            (cast.guardian, cast.ben, "player"),
            (cast.student, cast.ben, "guardian"),
            (cast.all_in_one, cast.ben, "guardian"),
            (cast.guardian, grown, "guardian"),
        ]:
            with pytest.raises(PermissionDenied):
                give(by, player, as_)
        assert not FilmConsent.objects.exists()

    def test_who_may_not_keep_paper(self, cast):
        for by in (cast.assistant, cast.student, cast.guardian, cast.stranger):
            with pytest.raises(PermissionDenied, match="head coach and the club manager"):
                give_paper(by, cast.ana)
        give_paper(cast.manager, cast.ana)
        give_paper(cast.head_coach, cast.dan)
        kept = FilmConsent.objects.get(player=cast.dan)
        assert (kept.way, kept.witness, kept.given_by) == ("paper", "Hana at the desk", cast.head_coach)

    @pytest.mark.parametrize(
        ("fields", "field", "words"),
        [
            ({"purpose": "  "}, "purpose", "what the films are for"),
            ({"purpose": "x" * 201}, "purpose", "200"),
            ({"expires_on": date(2020, 1, 1)}, "expires_on", "in the future"),
            ({"expires_on": date(2926, 1, 1)}, "expires_on", "3 years"),
            ({"witness": " "}, "witness", "who saw the signature"),
            ({"witness": "x" * 121}, "witness", "120"),
        ],
    )
    def test_bad_words_are_told_at_their_field(self, cast, fields, field, words):
        with pytest.raises(ValidationError) as error:
            give_paper(cast.manager, cast.ana, **fields)
        assert words in " ".join(error.value.message_dict[field])
        assert not FilmConsent.objects.exists()

    def test_an_unknown_age_is_the_player_s_own_word_or_the_coach_s(self, cast):
        user = make.make_member(cast.club, Role.STUDENT)
        undated = make.make_player(cast.club, "Undated", user=user)
        with pytest.raises(ValidationError) as error:
            give(user, undated)
        assert "18 or older" in " ".join(error.value.message_dict["of_age"])
        give(user, undated, of_age=True)
        assert "of_age" in AuditEvent.objects.get(action="consent.given").fields

    def test_nobody_agrees_as_something_else(self, cast):
        for fields in ({"as_": "coach"}, {"as_": "player", "way": "telephone"}):
            with pytest.raises(ValidationError):
                give(cast.student, cast.ana, **fields)
        with pytest.raises(ValidationError, match="not known to be a minor"):
            give_paper(cast.manager, cast.ana, "guardian")


class TestWithdrawing:
    def test_one_no_is_enough_and_is_told_inside_the_transaction(self, cast, heard):
        give_paper(cast.manager, cast.ben, "guardian")
        give_paper(cast.manager, cast.ben, "player")
        assert withdraw_consent(by=cast.guardian, player=cast.ben) == 2
        assert not FilmConsent.objects.in_force(cast.club.today()).exists()
        assert heard == [(cast.ben.pk, cast.guardian.pk)]
        assert AuditEvent.objects.filter(action="consent.withdrawn").count() == 2
        assert withdraw_consent(by=cast.guardian, player=cast.ben) == 0
        assert len(heard) == 2, "a no is told also when nothing was in force: what was left over goes then"

    def test_if_the_films_cannot_be_taken_away_the_consent_stays_and_the_error_is_heard(self, cast):
        give(cast.student, cast.ana)

        def broken(**kwargs):
            raise RuntimeError("no disk")

        consent_withdrawn.connect(broken)
        try:
            with pytest.raises(RuntimeError, match="no disk"):
                withdraw_consent(by=cast.student, player=cast.ana)
        finally:
            consent_withdrawn.disconnect(broken)
        assert FilmConsent.objects.in_force(cast.club.today()).count() == 1
        assert not AuditEvent.objects.filter(action="consent.withdrawn").exists()

    def test_who_may_not(self, cast):
        give(cast.student, cast.ana)
        for by in (cast.head_coach, cast.guardian, cast.stranger, cast.assistant):
            with pytest.raises(PermissionDenied):
                withdraw_consent(by=by, player=cast.ana)
        for by in (cast.assistant, cast.student, cast.stranger):
            with pytest.raises(PermissionDenied):
                withdraw_consent(by=by, player=cast.ana, way="paper")
        assert state(cast.ana).complete
        assert withdraw_consent(by=cast.manager, player=cast.ana, way="paper") == 1

    def test_a_guardian_s_word_ends_at_the_age_of_majority(self, cast):
        give_paper(cast.manager, cast.ben, "guardian")
        give_paper(cast.manager, cast.ben, "player")
        with time_machine.travel("2032-05-01T12:00:00Z", tick=False), pytest.raises(PermissionDenied):
            withdraw_consent(by=cast.guardian, player=cast.ben)

    def test_a_manager_of_another_club_keeps_no_paper_here(self, cast):
        Membership.objects.create(user=cast.stranger, club=cast.other_club, role=Role.MANAGER)
        with pytest.raises(PermissionDenied):
            give_paper(cast.stranger, cast.ana)


def test_the_states_of_many_take_one_query(cast, django_assert_num_queries):
    players = [make.make_player(cast.club, f"P{n}", born_on=date(2014, 1, 1)) for n in range(10)]
    with django_assert_num_queries(1):
        states = consent_states(players, cast.club, cast.club.today())
    assert {found.missing for found in states.values()} == {("player", "guardian")}
