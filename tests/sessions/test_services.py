"""Each step of an analysis, what it writes, and what it refuses."""

import uuid
from datetime import UTC, date, datetime

import pytest
from django.core.exceptions import PermissionDenied, ValidationError

from clubcoach.models import AuditEvent, Membership
from players.models import Area, Unit
from sessions import services
from sessions.models import Analysis, AnalysisComment, Cover, Match, Seat
from sessions.models.analyses import has_stake
from sessions.services import SeatEntry
from sessions.stakes import coaches_of, kin_of, with_stake
from tests import factories as make
from tests.sessions.chain import make_chain, unit_of

pytestmark = pytest.mark.django_db
NOW = datetime(2026, 11, 20, 12, tzinfo=UTC)


def refusal(field, **call):
    """The message that a service gives for a field."""
    with pytest.raises(ValidationError) as caught:
        call.pop("do")(**call)
    error = caught.value
    return " ".join(error.message_dict[field] if field else error.messages)


def four(cast, **changed):
    seats = {1: SeatEntry(cast.ana), 2: SeatEntry(cast.dan), 3: SeatEntry(), 4: SeatEntry()}
    seats.update(changed.pop("seats", {}))
    return {
        "by": cast.assistant,
        "club": cast.club,
        "played_on": date(2026, 9, 1),
        "seats": [seat for seat in seats.values() if seat],
        "now": NOW,
        **changed,
    }


class TestRegisterMatch:
    def test_four_places_two_pairs(self, cast):
        match = services.register_match(
            **four(cast, seats={2: SeatEntry(cast.ben, "left"), 3: SeatEntry(None, "", True)})
        )
        seats = list(Seat.objects.filter(match=match).order_by("position"))
        assert [seat.player for seat in seats] == [cast.ana, cast.ben, None, None]
        assert [seat.pair for seat in seats] == ["A", "A", "B", "B"]
        assert [seat.visitor_consent for seat in seats] == [False, False, True, False]
        assert seats[1].side == "left"
        assert match.match_format.deuce == cast.club.deuce == "advantage"
        assert match.registered_by == cast.assistant

    def test_a_format_is_kept_whole(self, cast):
        match = services.register_match(**four(cast, format={"kind": "points", "points_to": 24}))
        assert Match.objects.get(pk=match.pk).match_format.points_to == 24

    @pytest.mark.parametrize(
        ("field", "words", "change"),
        [
            ("seats", "four places", lambda cast: {"seats": {4: None}}),
            ("seat_2", "sits on place 1 already", lambda cast: {"seats": {2: SeatEntry(cast.ana)}}),
            ("seat_3", "another club", lambda cast: {"seats": {3: SeatEntry(cast.other_player)}}),
            (
                "seat_2",
                "same side",
                lambda cast: {"seats": {1: SeatEntry(cast.ana, "left"), 2: SeatEntry(cast.dan, "left")}},
            ),
            ("played_on", "lies ahead", lambda cast: {"played_on": date(2026, 11, 21)}),
            ("played_on", "too long ago", lambda cast: {"played_on": date(1926, 11, 19)}),
            ("format", "points_to", lambda cast: {"format": {"kind": "points"}}),
            ("format", "no colour", lambda cast: {"format": {"kind": "free", "colour": 1}}),
            ("kind", "not a valid choice", lambda cast: {"kind": "final"}),
            ("first_near", "not a valid choice", lambda cast: {"first_near": "C"}),
        ],
    )
    def test_what_it_refuses(self, cast, field, words, change):
        assert words in refusal(field, do=services.register_match, **four(cast, **change(cast)))
        assert not Match.objects.exists()
        assert not Seat.objects.exists()
        assert not AuditEvent.objects.exists()

    def test_today_is_the_club_s_day(self, cast):
        cast.club.time_zone = "America/Bogota"
        night = datetime(2026, 11, 21, 3, tzinfo=UTC)
        assert "lies ahead" in refusal(
            "played_on",
            do=services.register_match,
            **four(cast, played_on=date(2026, 11, 21), now=night),
        )
        services.register_match(**four(cast, played_on=date(2026, 11, 20), now=night))

    def test_who_may_not(self, cast):
        for person in (cast.student, cast.manager, cast.stranger):
            with pytest.raises(PermissionDenied):
                services.register_match(**four(cast, by=person))


def asked(cast, match, **changed):
    return {
        "by": cast.head_coach,
        "match": match,
        "units": [unit_of(cast.ana)],
        "areas": [Area.objects.get(club=cast.club, code="lob")],
        "now": NOW,
        **changed,
    }


class TestRequest:
    @pytest.fixture
    def match(self, cast):
        return make.make_match(cast.club, [cast.ana, cast.dan, cast.cleo, None])

    def test_it_is_asked_for(self, cast, match):
        pair = Unit.objects.pair_of(cast.ana, cast.dan)
        areas = list(Area.objects.filter(club=cast.club, code__in=["lob", "net"]))
        analysis = services.request_analysis(
            **asked(cast, match, units=[unit_of(cast.ana), pair], areas=areas, due_on=date(2026, 12, 1))
        )
        assert analysis.state == "requested"
        assert analysis.analyst is None
        assert analysis.check_list == cast.check_list
        assert set(analysis.units.all()) == {unit_of(cast.ana), pair}
        assert [area.code for area in analysis.areas.order_by("position")] == ["lob", "net"]
        assert not Cover.objects.filter(current=True).exists()
        assert AuditEvent.objects.get().action == "analysis.requested"

    def test_with_somebody_it_is_assigned_at_once(self, cast, match):
        analysis = services.request_analysis(**asked(cast, match, analyst=cast.assistant))
        assert analysis.state == "assigned"
        assert analysis.analyst.user == cast.assistant

    def test_it_takes_the_newest_check_list(self, cast, match):
        newer = type(cast.check_list).objects.create(club=cast.club, number=2, data=cast.check_list.data)
        assert services.request_analysis(**asked(cast, match)).check_list == newer

    @pytest.mark.parametrize(
        ("field", "words", "change"),
        [
            ("units", "at least one", lambda cast: {"units": []}),
            ("units", "did not play", lambda cast: {"units": [unit_of(cast.ben)]}),
            ("units", "did not play", lambda cast: {"units": [unit_of(cast.other_player)]}),
            (
                "units",
                "against each other",
                lambda cast: {"units": [Unit.objects.pair_of(cast.ana, cast.cleo)]},
            ),
            ("areas", "at least one", lambda cast: {"areas": []}),
            (
                "areas",
                "another club",
                lambda cast: {"areas": [Area.objects.get(club=cast.other_club, code="lob")]},
            ),
            ("areas", "not in use", lambda cast: {"areas": [switched_off(cast)]}),
            (
                "areas",
                "single players too",
                lambda cast: {"areas": [Area.objects.get(club=cast.club, code="net")]},
            ),
            (
                "areas",
                "as a pair",
                lambda cast: {"units": [Unit.objects.pair_of(cast.ana, cast.dan)]},
            ),
            ("analyst", "played in this match", lambda cast: {"analyst": cast.all_in_one}),
            ("analyst", "no coach of this club", lambda cast: {"analyst": cast.student}),
            ("analyst", "no coach of this club", lambda cast: {"analyst": cast.stranger}),
            ("due_on", "past", lambda cast: {"due_on": date(2026, 11, 19)}),
            ("purpose", "not a valid choice", lambda cast: {"purpose": "fun"}),
        ],
    )
    def test_what_it_refuses(self, cast, match, field, words, change):
        assert words in refusal(field, do=services.request_analysis, **asked(cast, match, **change(cast)))
        assert not Analysis.objects.exists()
        assert not Cover.objects.exists()

    def test_only_the_head_coach(self, cast, match):
        for person in (cast.assistant, cast.manager, cast.student, cast.stranger):
            with pytest.raises(PermissionDenied):
                services.request_analysis(**asked(cast, match, by=person))


def switched_off(cast):
    area = Area.objects.get(club=cast.club, code="lob")
    area.on = False
    area.save(update_fields=["on"])
    return area


class TestAssign:
    def call(self, chain, **changed):
        cast = chain.cast
        return {
            "by": cast.head_coach,
            "analysis": chain.analysis,
            "analyst": cast.two_clubs,
            "due_on": date(2026, 12, 1),
            "now": NOW,
            **changed,
        }

    def test_given_to_somebody_else_before_it_was_begun(self, chain):
        analysis = services.assign(**self.call(chain))
        assert analysis.analyst.user == chain.cast.two_clubs
        assert chain.fresh().state == "assigned"
        assert chain.fresh().due_on == date(2026, 12, 1)

    def test_a_new_day_leaves_the_state(self, chain):
        chain.see()
        services.assign(**self.call(chain, analyst=chain.cast.assistant))
        assert chain.fresh().state == "in_progress"
        assert chain.fresh().due_on == date(2026, 12, 1)

    def test_a_day_that_passed_meanwhile_may_stay(self, chain):
        Analysis.objects.filter(pk=chain.analysis.pk).update(due_on=date(2026, 11, 1))
        services.assign(**self.call(chain, due_on=date(2026, 11, 1)))
        assert "past" in refusal("due_on", do=services.assign, **self.call(chain, due_on=date(2026, 11, 2)))

    def test_marks_are_from_one_eye(self, chain):
        chain.see()
        assert "has begun already" in refusal("analyst", do=services.assign, **self.call(chain))

    def test_not_to_somebody_with_a_stake(self, chain):
        make.guard(chain.cast.ana, chain.cast.two_clubs)
        assert "family played" in refusal("analyst", do=services.assign, **self.call(chain))
        assert chain.fresh().analyst.user == chain.cast.assistant

    @pytest.mark.parametrize("state", ["submitted", "cancelled", "withdrawn"])
    def test_not_when_it_is_over(self, chain, state):
        chain.state(state)
        assert "nobody can be given it" in refusal(None, do=services.assign, **self.call(chain))

    def test_only_the_head_coach(self, chain):
        with pytest.raises(PermissionDenied):
            services.assign(**self.call(chain, by=chain.cast.assistant))


class TestSubmit:
    DEVICE = uuid.UUID(int=7)

    def call(self, chain, **changed):
        return {
            "by": chain.cast.assistant,
            "analysis": chain.analysis,
            "devices": {str(self.DEVICE): 2},
            "now": NOW,
            **changed,
        }

    def test_what_arrived_is_handed_in(self, chain):
        chain.op(self.DEVICE, 1)
        chain.op(self.DEVICE, 2)
        chain.op(uuid.UUID(int=8), 1)
        services.submit(**self.call(chain))
        assert chain.fresh().state == "submitted"
        assert chain.fresh().submitted_at == NOW

    def test_a_device_that_knows_less_than_the_server_is_no_hindrance(self, chain):
        for seq in (1, 2, 3):
            chain.op(self.DEVICE, seq)
        services.submit(**self.call(chain))
        assert chain.fresh().state == "submitted"

    def test_what_is_still_on_the_device_holds_it_up(self, chain):
        chain.op(self.DEVICE, 1)
        words = refusal(
            "devices",
            do=services.submit,
            **self.call(chain, devices={str(self.DEVICE): 2, str(uuid.UUID(int=9)): 3}),
        )
        assert words.startswith("4 marks have not arrived")
        assert "1 mark has" in refusal("devices", do=services.submit, **self.call(chain))
        assert chain.fresh().state == "in_progress"

    @pytest.mark.parametrize("devices", [[], {"nonsense": 1}, {str(uuid.UUID(int=1)): "1"}, {"x": -1}, None])
    def test_a_list_of_devices_that_is_none(self, chain, devices):
        assert "for each device" in refusal(
            "devices", do=services.submit, **self.call(chain, devices=devices)
        )

    def test_open_areas_are_told(self, chain):
        chain.see()
        chain.close("lob", 0)
        make.make_rally(chain.match, 3, dropped=True)
        told = services.submit(**self.call(chain, devices={}))
        assert told == ["Lob: still open in 1 of 2 rallies (2)."]
        assert chain.fresh().state == "submitted"

    def test_nothing_to_tell_when_all_are_closed(self, chain):
        chain.close("lob", 0)
        chain.close("lob", 1)
        assert services.submit(**self.call(chain, devices={})) == []

    def test_only_the_analyst(self, chain):
        for person in (chain.cast.head_coach, chain.cast.two_clubs):
            with pytest.raises(PermissionDenied, match="Only the analyst"):
                services.submit(**self.call(chain, by=person, devices={}))

    def test_not_after_a_stake_came_up(self, chain):
        make.guard(chain.cast.dan, chain.cast.assistant)
        with pytest.raises(PermissionDenied, match="your family"):
            services.submit(**self.call(chain, devices={}))

    @pytest.mark.parametrize("state", ["submitted", "cancelled", "withdrawn"])
    def test_wrong_state(self, chain, state):
        chain.state(state)
        assert "cannot be handed in" in refusal(None, do=services.submit, **self.call(chain, devices={}))


class TestSendBack:
    def call(self, chain, **changed):
        chain.state(changed.pop("state", "submitted"))
        return {
            "by": chain.cast.head_coach,
            "analysis": chain.analysis,
            "text": " Look at the second rally again. ",
            **changed,
        }

    def test_with_a_comment_and_late_again(self, chain):
        Analysis.objects.filter(pk=chain.analysis.pk).update(submitted_at=NOW, due_on=date(2026, 11, 1))
        services.send_back(**self.call(chain))
        assert chain.fresh().state == "returned"
        assert chain.fresh().late(date(2026, 11, 2))
        assert AnalysisComment.objects.get().text == "Look at the second rally again."

    def test_what_it_refuses(self, chain):
        assert "Say what" in refusal("text", do=services.send_back, **self.call(chain, text="  "))
        assert "2001 characters" in refusal(
            "text", do=services.send_back, **self.call(chain, text="a" * 2001)
        )
        assert "only a submitted" in refusal(
            None, do=services.send_back, **self.call(chain, state="in_progress")
        )
        assert not AnalysisComment.objects.exists()

    def test_who_may_not(self, chain):
        with pytest.raises(PermissionDenied, match="head coach"):
            services.send_back(**self.call(chain, by=chain.cast.assistant))
        make.guard(chain.cast.dan, chain.cast.head_coach)
        with pytest.raises(PermissionDenied, match="your family"):
            services.send_back(**self.call(chain))


class TestCancelAndWords:
    def test_cancelled(self, chain):
        services.cancel(by=chain.cast.head_coach, analysis=chain.analysis)
        assert chain.fresh().state == "cancelled"
        assert "nothing left" in refusal(
            None, do=services.cancel, by=chain.cast.head_coach, analysis=chain.analysis
        )
        with pytest.raises(PermissionDenied):
            services.cancel(by=chain.cast.assistant, analysis=chain.analysis)

    def test_words(self, chain):
        services.set_words(by=chain.cast.head_coach, analysis=chain.analysis, words=" Well played. ")
        assert chain.fresh().words == "Well played."
        assert "4000 are the most" in refusal(
            "words",
            do=services.set_words,
            by=chain.cast.head_coach,
            analysis=chain.analysis,
            words="a" * 4001,
        )
        chain.state("cancelled")
        assert "nobody reads it" in refusal(
            None, do=services.set_words, by=chain.cast.head_coach, analysis=chain.analysis, words="x"
        )
        with pytest.raises(PermissionDenied):
            services.set_words(by=chain.cast.assistant, analysis=chain.analysis, words="x")


class TestStakes:
    def test_many_at_once_say_what_one_at_a_time_says(self, cast):
        """Every way of being family that `has_stake` knows, against the bulk rule."""
        grandparent = make.make_member(cast.club, make.Role.ASSISTANT, make.Role.GUARDIAN, name="Gil")
        parent = make.make_player(cast.club, "Parent", user=grandparent)
        make.guard(cast.ana, grandparent)
        make.guard(cast.dan, grandparent)
        sibling = make.make_member(cast.club, make.Role.ASSISTANT, name="Sib", user=cast.student)
        matches = [
            make.make_match(cast.club, [player, None, None, None])
            for player in (cast.ana, cast.ben, cast.cleo, cast.dan, parent)
        ] + [make.make_match(cast.club)]
        people = coaches_of(cast.club)
        assert {
            cast.head_coach,
            cast.assistant,
            cast.all_in_one,
            cast.two_clubs,
            grandparent,
            sibling,
        } == set(people)
        kin = kin_of(cast.club, people)
        found = 0
        for match in matches:
            expected = {person.pk for person in people if has_stake(person, match)}
            assert with_stake(kin, match) == expected
            found += len(expected)
        assert found >= 7

    def test_coaches_and_their_load(self, chain):
        cast = chain.cast
        Membership.objects.create(user=cast.assistant, club=cast.club, role="head_coach")
        make_chain(cast, match=chain.match, state="published", published_at=NOW)
        load = {person: person.at_work for person in coaches_of(cast.club)}
        assert load[cast.assistant] == 1
        assert load[cast.head_coach] == 0
        assert cast.student not in load


class TestAudit:
    def test_a_row_for_each_step_without_what_was_written(self, chain):
        cast = chain.cast
        secret = "Ana hesitates"
        services.set_words(by=cast.head_coach, analysis=chain.analysis, words=secret)
        services.submit(by=cast.assistant, analysis=chain.analysis, devices={}, now=NOW)
        services.send_back(by=cast.head_coach, analysis=chain.analysis, text=secret)
        services.publish(by=make_other_head(cast), analysis=resubmitted(chain), words=secret, now=NOW)
        fresh = services.new_version(by=cast.head_coach, analysis=chain.analysis)
        services.cancel(by=cast.head_coach, analysis=fresh)
        services.withdraw(by=cast.head_coach, analysis=chain.analysis)
        events = list(AuditEvent.objects.order_by("pk"))
        assert [event.action for event in events] == [
            "analysis.words_set",
            "analysis.submitted",
            "analysis.returned",
            "analysis.submitted",
            "analysis.published",
            "analysis.version_begun",
            "analysis.cancelled",
            "analysis.withdrawn",
        ]
        assert events[4].fields == ["published_at", "published_by", "state", "submitted_at", "words"]
        for event in events:
            everything = f"{event.action} {event.target_type} {event.target_id} {event.fields}"
            assert secret not in everything
            assert "Ana" not in everything
            assert event.club == cast.club


def make_other_head(cast):
    return make.make_member(cast.club, make.Role.HEAD_COACH, name="Otto")


def resubmitted(chain):
    services.submit(by=chain.cast.assistant, analysis=chain.analysis, devices={}, now=NOW)
    return chain.analysis
