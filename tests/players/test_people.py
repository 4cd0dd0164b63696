"""The roster, levels, guardians and goals: what is written, and every refusal."""

from datetime import date, timedelta

import pytest
import time_machine
from django.core.exceptions import ValidationError

from clubcoach.access import Role
from clubcoach.models import AuditEvent, Membership
from players import services
from players.models import FilmConsent, Goal, Guardianship, Level, Player, Unit
from players.signals import consent_withdrawn
from tests import factories as make

pytestmark = pytest.mark.django_db


def refused(error, field):
    return " ".join(error.value.message_dict[field])


class TestPlayers:
    def add(self, cast, **fields):
        return services.add_player(by=cast.head_coach, club=cast.club, given_name="Nora", **fields)

    def test_a_player_with_unit_and_audit_row(self, cast):
        level = Level.objects.get(club=cast.club)
        player = self.add(
            cast, family_name=" de  la Torre ", born_on=date(2001, 2, 3), hand="left", level=level
        )
        player.refresh_from_db()
        assert (player.name, player.hand, player.level) == ("Nora de la Torre", "left", level)
        assert Unit.objects.filter(kind="player", first=player).count() == 1
        event = AuditEvent.objects.get(action="player.added")
        assert event.actor == cast.head_coach
        assert "Torre" not in str(event.fields)

    @pytest.mark.parametrize(
        ("fields", "field", "words"),
        [
            ({"born_on": date(2999, 1, 1)}, "born_on", "in the future"),
            ({"born_on": date(1890, 1, 1)}, "born_on", "too long ago"),
            ({"given_name": "   "}, "given_name", "blank"),
            ({"given_name": "N" * 81}, "given_name", "80"),
            ({"hand": "both"}, "hand", "not a valid choice"),
            ({"side": "middle"}, "side", "not a valid choice"),
            ({"ref": "A1"}, "ref", "Another player"),
        ],
    )
    def test_bad_values_are_told_at_their_field_and_nothing_is_written(self, cast, fields, field, words):
        make.make_player(cast.club, ref="A1")
        before = Player.objects.count(), Unit.objects.count(), AuditEvent.objects.count()
        with pytest.raises(ValidationError) as error:
            services.add_player(by=cast.head_coach, club=cast.club, **({"given_name": "Nora"} | fields))
        assert words in refused(error, field)
        assert (Player.objects.count(), Unit.objects.count(), AuditEvent.objects.count()) == before

    def test_a_level_of_another_club_is_refused(self, cast):
        foreign = make.make_level(cast.other_club)
        with pytest.raises(ValidationError) as error:
            self.add(cast, level=foreign)
        assert "no level of the club" in refused(error, "level")
        with pytest.raises(ValidationError):
            services.set_level(by=cast.head_coach, player=cast.ana, level=foreign)
        cast.ana.refresh_from_db()
        assert cast.ana.level.club_id == cast.club.pk

    @pytest.mark.parametrize(
        ("zone", "today"), [("America/Bogota", "2026-02-28"), ("Pacific/Auckland", "2026-03-01")]
    )
    def test_the_future_begins_where_the_club_is(self, zone, today):
        club = make.make_club(time_zone=zone)
        day = date.fromisoformat(today)
        # 3 in the morning of 1 March in London.
        with time_machine.travel("2026-03-01T03:00:00Z", tick=False):
            born_today = services.add_player(by=None, club=club, given_name="Baby", born_on=day)
            assert born_today.age_on(club.today()) == 0
            with pytest.raises(ValidationError, match="future"):
                services.add_player(by=None, club=club, given_name="Baby", born_on=day + timedelta(days=1))

    def test_twins_are_two(self, cast):
        fields = {"family_name": "Gemelo", "born_on": date(2012, 6, 6)}
        one, other = self.add(cast, **fields), self.add(cast, **fields)
        assert one.pk != other.pk
        assert one.uuid != other.uuid
        assert Unit.objects.pair_of(one, other).player_ids == [one.pk, other.pk]

    def test_the_same_reference_in_two_clubs_is_no_matter(self, cast):
        for club in (cast.club, cast.other_club):
            services.add_player(by=None, club=club, given_name="Nora", ref="77")
        assert Player.objects.filter(ref="77").count() == 2

    def test_a_change_writes_what_differs_and_names_it(self, cast):
        services.edit_player(by=cast.manager, player=cast.ana, hand="left", given_name="Ana")
        cast.ana.refresh_from_db()
        assert cast.ana.hand == "left"
        assert AuditEvent.objects.get(action="player.changed").fields == ["hand"]
        services.edit_player(by=cast.manager, player=cast.ana, hand="left")
        assert AuditEvent.objects.filter(action="player.changed").count() == 1

    def test_a_field_that_is_not_for_editing_is_a_mistake_of_the_caller(self, cast):
        with pytest.raises(TypeError, match="user"):
            services.edit_player(by=cast.manager, player=cast.ana, user=cast.stranger)

    def test_a_level_is_set_once(self, cast):
        new = make.make_level(cast.club, 2)
        for _again in range(2):
            services.set_level(by=cast.head_coach, player=cast.ana, level=new)
        cast.ana.refresh_from_db()
        assert cast.ana.level == new
        assert AuditEvent.objects.filter(action="player.level_set").count() == 1


class TestGuardians:
    def test_somebody_of_the_club_is_added_with_the_role_once(self, cast):
        for _again in range(2):
            services.add_guardian(by=cast.manager, player=cast.ben, guardian=cast.assistant)
        assert Guardianship.objects.filter(player=cast.ben, guardian=cast.assistant).count() == 1
        assert Membership.objects.filter(user=cast.assistant, club=cast.club, role=Role.GUARDIAN).count() == 1
        assert AuditEvent.objects.filter(action="guardian.added").count() == 1

    def test_refusals(self, cast):
        undated = make.make_player(cast.club, "Undated")
        child = make.make_player(cast.club, "Child", user=cast.two_clubs, born_on=date(2013, 1, 1))
        for player, guardian, words in [
            (cast.ben, cast.stranger, "not in the club"),
            (cast.ana, cast.guardian, "of age"),
            (undated, cast.guardian, "date of birth first"),
            (child, cast.two_clubs, "own account"),
        ]:
            with pytest.raises(ValidationError) as error:
                services.add_guardian(by=cast.manager, player=player, guardian=guardian)
            assert words in refused(error, "email")
        assert Guardianship.objects.count() == 2

    def test_removing_the_last_child_ends_the_role_but_no_other(self, cast):
        services.remove_guardian(by=cast.manager, player=cast.ben, guardian=cast.guardian)
        assert not Membership.objects.filter(user=cast.guardian).exists()
        cleo_child = Player.objects.get(given_name="Cleo junior")
        services.remove_guardian(by=cast.manager, player=cleo_child, guardian=cast.all_in_one)
        left = Membership.objects.filter(user=cast.all_in_one).values_list("role", flat=True)
        assert set(left) == {Role.ASSISTANT, Role.STUDENT}
        assert services.remove_guardian(by=cast.manager, player=cast.ben, guardian=cast.guardian) is None

    def test_a_twin_s_guardian_stays_guardian_of_the_other(self, cast):
        twin = make.make_player(cast.club, "Bea", born_on=cast.ben.born_on)
        make.guard(twin, cast.guardian)
        services.remove_guardian(by=cast.manager, player=cast.ben, guardian=cast.guardian)
        assert Membership.objects.filter(user=cast.guardian, role=Role.GUARDIAN).exists()

    def test_the_consent_that_a_removed_guardian_gave_ends(self, cast):
        heard = []
        consent_withdrawn.connect(receiver := lambda player, **kw: heard.append(player.pk))
        make.consent(cast.ben, "guardian", given_by=cast.guardian)
        make.consent(cast.ben, "player", given_by=cast.guardian)
        services.remove_guardian(by=cast.manager, player=cast.ben, guardian=cast.guardian)
        assert not FilmConsent.objects.in_force(cast.club.today()).exists()
        assert heard == [cast.ben.pk]
        assert consent_withdrawn.disconnect(receiver)


class TestGoals:
    @pytest.fixture
    def unit(self, cast):
        return Unit.objects.get(first=cast.ana, kind="player")

    def put(self, cast, unit, area="feet", **fields):
        values = {"target": 70, "due_on": cast.club.today() + timedelta(days=60)} | fields
        return services.set_goal(by=cast.head_coach, unit=unit, area=cast.club.areas.get(code=area), **values)

    def test_a_new_goal_closes_the_open_one_of_the_same_area_only(self, cast, unit):
        first = self.put(cast, unit)
        lob = self.put(cast, unit, "lob")
        second = self.put(cast, unit, target=75)
        assert set(Goal.objects.filter(closed_at=None)) == {lob, second}
        first.refresh_from_db()
        assert first.closed_at is not None
        assert first.target == 70
        assert AuditEvent.objects.filter(action="goal.set").count() == 3

    @pytest.mark.parametrize(
        ("fields", "field", "words"),
        [
            ({"target": 0}, "target", "between 1 and 100"),
            ({"target": 101}, "target", "between 1 and 100"),
            ({"due_on": date(2020, 1, 1)}, "due_on", "future"),
            ({"area": "net"}, "area", "as a pair"),
        ],
    )
    def test_refusals(self, cast, unit, fields, field, words):
        with pytest.raises(ValidationError) as error:
            self.put(cast, unit, **fields)
        assert words in refused(error, field)
        assert not Goal.objects.exists()

    def test_an_area_of_another_club_or_one_that_is_off_is_refused(self, cast, unit):
        due = cast.club.today() + timedelta(days=60)
        foreign = cast.other_club.areas.get(code="feet")
        with pytest.raises(ValidationError, match="no area of the club"):
            services.set_goal(by=cast.head_coach, unit=unit, area=foreign, target=50, due_on=due)
        cast.club.areas.filter(code="lob").update(on=False)
        with pytest.raises(ValidationError, match="not looked at this term"):
            self.put(cast, unit, "lob")

    def test_a_pair_has_goals_in_areas_of_pairs(self, cast):
        pair = Unit.objects.pair_of(cast.ana, cast.dan)
        assert self.put(cast, pair, "net").unit == pair
        with pytest.raises(ValidationError, match="one player"):
            self.put(cast, pair, "feet")

    def test_today_is_the_club_s(self, cast, unit):
        cast.club.time_zone = "America/Bogota"
        cast.club.save(update_fields=["time_zone"])
        with time_machine.travel("2026-03-01T03:00:00Z", tick=False):
            assert self.put(cast, unit, due_on=date(2026, 3, 1)).due_on == date(2026, 3, 1)
            with pytest.raises(ValidationError):
                self.put(cast, unit, due_on=date(2026, 2, 28))
