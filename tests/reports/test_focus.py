"""The simple rule, and what the head coach makes of it."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.core.exceptions import PermissionDenied, ValidationError

from clubcoach.models import AuditEvent
from players.models import Check, Drill, LevelStandard, Unit
from players.services import set_level
from reports.evidence import evidence
from reports.focus import drop_focus, points_of, propose, reword_focus, set_focus
from reports.models import FocusPoint, Homework
from reports.scoring import full_fit
from tests import factories as make
from tests.reports.published import FIRST, expect, publish_rows, unit_of

pytestmark = pytest.mark.django_db
NOW = datetime(2026, 9, 10, 12, tzinfo=UTC)  # a Thursday
POOR, FAIR = (20, 2), (20, 12)


@pytest.fixture
def ana(cast):
    expect(cast.ana.level)
    return unit_of(cast.ana)


def codes(points):
    return [point.check_identity.code for point in points]


def refused(field, **call):
    with pytest.raises(ValidationError) as caught:
        set_focus(**call)
    assert field in caught.value.message_dict
    return caught.value.message_dict[field][0]


class TestRule:
    def test_the_widest_sure_gap_comes_first(self, cast, ana):
        analysis = publish_rows(cast, {ana: {"L2": (40, 8), "B1": (20, 2), "F1": (20, 7), "F2": (20, 12)}})
        points = propose(analysis=analysis, now=NOW)
        assert codes(points) == ["B1", "L2", "F1"]
        assert [point.rank for point in points] == [1, 2, 3]
        first = points[0]
        assert (first.seen, first.met, first.by_rule, first.state) == (20, 2, True, "active")
        assert first.low < 0.1 < first.high < first.standard
        assert first.standard == pytest.approx(0.6)
        assert first.started_on == date(2026, 9, 10)
        assert first.cue == "Ball goes up, hand goes up."
        assert first.analysis == analysis

    def test_a_wide_gap_that_was_seen_a_few_times_is_not_evidence(self, cast, ana):
        analysis = publish_rows(cast, {ana: {"L2": (7, 0), "B1": (8, 0)}})
        assert codes(propose(analysis=analysis, now=NOW)) == ["B1"]

    def test_at_the_standard_nothing_is_proposed(self, cast, ana):
        analysis = publish_rows(cast, {ana: {"L2": FAIR, "B1": (20, 10)}})
        assert propose(analysis=analysis, now=NOW) == []

    def test_result_checks_are_never_proposed(self, cast, ana):
        analysis = publish_rows(cast, {ana: {"L1": (30, 0), "B5": (30, 0)}})
        assert propose(analysis=analysis, now=NOW) == []

    def test_three_at_most_two_of_one_area(self, cast, ana):
        poor = dict.fromkeys(("B1", "B2", "B3", "B4"), (30, 1)) | dict.fromkeys(("L2", "F1", "S2"), (20, 3))
        points = propose(analysis=publish_rows(cast, {ana: poor}), now=NOW)
        assert len(points) == 3
        assert sum(code.startswith("B") for code in codes(points)) == 2

    def test_a_minor_has_one(self, cast, ana):
        ben = unit_of(cast.ben)
        analysis = publish_rows(cast, {ben: {"B1": (20, 1), "L2": (20, 2), "F1": (20, 3)}})
        assert codes(propose(analysis=analysis, now=NOW)) == ["B1"]

    def test_a_pair_has_one_of_its_own(self, cast, ana):
        pair = Unit.objects.pair_of(cast.ana, cast.dan)
        analysis = publish_rows(cast, {pair: {"N1": (20, 1), "N2": (20, 2)}})
        points = propose(analysis=analysis, now=NOW)
        assert codes(points) == ["N1"]
        assert points[0].unit == pair

    def test_without_a_level_there_is_nothing_to_compare_with(self, cast):
        analysis = publish_rows(cast, {unit_of(cast.ana): {"L2": POOR}})
        assert propose(analysis=analysis, now=NOW) == []

    def test_a_higher_level_expects_more(self, cast, ana):
        upper = make.make_level(cast.club, 2)
        expect(upper, 90)
        analysis = publish_rows(cast, {ana: {"L2": (20, 13)}})
        assert propose(analysis=analysis, now=NOW) == []
        set_level(by=cast.head_coach, player=cast.ana, level=upper)
        assert codes(propose(analysis=analysis, now=NOW)) == ["L2"]

    def test_hard_checks_are_held_to_less(self, cast, ana):
        """The area's standard is spread over its checks by how hard the last fit found them."""
        others = {unit_of(player): {"L2": (200, 180), "L3": (200, 60)} for player in (cast.dan, cast.cleo)}
        publish_rows(cast, others, day=FIRST - timedelta(days=1))
        full_fit(club=cast.club)
        analysis = publish_rows(cast, {ana: {"L2": (40, 20), "L3": (40, 18)}})
        rows = evidence(club=cast.club, units=[ana])[ana.pk]
        standard = {Check.objects.get(pk=check).code: row.standard for check, row in rows.items()}
        assert standard["L3"] < 0.5 < 0.7 < standard["L2"]
        assert codes(propose(analysis=analysis, now=NOW)) == ["L2"]

    def test_counts_come_from_the_last_120_days(self, cast, ana):
        publish_rows(cast, {ana: {"L2": (20, 20), "B1": (20, 0)}}, day=FIRST - timedelta(days=120))
        publish_rows(cast, {ana: {"L2": (10, 3)}}, day=FIRST - timedelta(days=119))
        analysis = publish_rows(cast, {ana: {"L2": (10, 1)}})
        points = propose(analysis=analysis, now=NOW)
        assert [(*codes([point]), point.seen, point.met) for point in points] == [("L2", 20, 4)]

    def test_several_matches_and_balls_are_added_up(self, cast, ana):
        publish_rows(cast, {ana: {"L2": (5, 0)}}, day=FIRST - timedelta(days=7))
        analysis = publish_rows(cast, {ana: {"L2": (5, 1)}})
        assert [(point.seen, point.met) for point in propose(analysis=analysis, now=NOW)] == [(10, 1)]

    def test_what_is_worked_on_stays_and_fills_its_place(self, cast, ana):
        first = publish_rows(cast, {ana: {"L2": POOR, "L3": (20, 3)}})
        assert len(propose(analysis=first, now=NOW)) == 2
        second = publish_rows(
            cast,
            {ana: {"L6": (20, 0), "B1": (20, 4), "F1": (20, 5), "L2": (20, 20)}},
            day=FIRST + timedelta(days=7),
        )
        points = propose(analysis=second, now=NOW)
        # L6 has the widest gap, but two lobs are being worked on; one place was left.
        assert codes(points) == ["B1"]
        assert points[0].rank == 3
        assert FocusPoint.objects.filter(unit=ana, state="active").count() == 3

    def test_proposing_twice_changes_nothing(self, cast, ana):
        analysis = publish_rows(cast, {ana: {"L2": POOR}})
        propose(analysis=analysis, now=NOW)
        assert propose(analysis=analysis, now=NOW) == []
        assert FocusPoint.objects.count() == 1

    def test_what_the_coach_took_away_is_not_brought_back_within_the_term(self, cast, ana):
        analysis = publish_rows(cast, {ana: {"L2": POOR}})
        (point,) = propose(analysis=analysis, now=NOW)
        drop_focus(by=cast.head_coach, point=point, now=NOW)
        assert propose(analysis=analysis, now=NOW + timedelta(days=60)) == []
        assert codes(propose(analysis=analysis, now=NOW + timedelta(days=121))) == ["L2"]

    @pytest.mark.parametrize("change", [{"state": "withdrawn"}, {"purpose": "training"}])
    def test_only_what_is_published_and_counts(self, cast, ana, change):
        analysis = publish_rows(cast, {ana: {"L2": POOR}}, **change)
        assert propose(analysis=analysis, now=NOW) == []

    def test_an_area_that_is_switched_off(self, cast, ana):
        cast.club.areas.filter(code="lob").update(on=False)
        assert propose(analysis=publish_rows(cast, {ana: {"L2": POOR}}), now=NOW) == []

    def test_a_pair_is_held_to_the_mean_of_its_levels(self, cast, ana):
        upper = make.make_level(cast.club, 2)
        expect(upper, 80)
        set_level(by=cast.head_coach, player=cast.dan, level=upper)
        pair = Unit.objects.get(pk=Unit.objects.pair_of(cast.ana, cast.dan).pk)
        publish_rows(cast, {pair: {"N1": (20, 5)}})
        rows = evidence(club=cast.club, units=[pair])[pair.pk]
        assert [row.standard for row in rows.values()] == [pytest.approx(0.7)]
        LevelStandard.objects.filter(level=upper).delete()
        rows = evidence(club=cast.club, units=[pair])[pair.pk]
        assert [row.standard for row in rows.values()] == [pytest.approx(0.6)]


class TestCoach:
    def check(self, cast, code):
        return Check.objects.get(club=cast.club, code=code)

    def test_sets_one_with_its_evidence(self, cast, ana):
        publish_rows(cast, {ana: {"L2": FAIR}})
        point = set_focus(
            by=cast.head_coach, unit=ana, check=self.check(cast, "L2"), words="Feet first.", cue="", now=NOW
        )
        assert (point.seen, point.met, point.by_rule, point.set_by) == (20, 12, False, cast.head_coach)
        assert point.words == "Feet first."
        assert point.cue == "Plant both feet, then lift."
        audit = AuditEvent.objects.get(action="focus.set")
        assert (audit.actor, audit.target_id) == (cast.head_coach, str(point.pk))
        assert "Feet" not in str(audit.fields)

    def test_sets_one_without_evidence(self, cast, ana):
        point = set_focus(by=cast.head_coach, unit=ana, check=self.check(cast, "L2"), now=NOW)
        assert (point.seen, point.met, point.low, point.high) == (0, 0, 0, 1)

    @pytest.mark.parametrize("person", ["assistant", "manager", "student", "guardian", "stranger"])
    def test_only_the_head_coach(self, cast, ana, person):
        by = getattr(cast, person)
        with pytest.raises(PermissionDenied):
            set_focus(by=by, unit=ana, check=self.check(cast, "L2"), now=NOW)
        point = set_focus(by=cast.head_coach, unit=ana, check=self.check(cast, "L2"), now=NOW)
        with pytest.raises(PermissionDenied):
            drop_focus(by=by, point=point, now=NOW)
        with pytest.raises(PermissionDenied):
            reword_focus(by=by, point=point, words="x", cue="y")
        point.refresh_from_db()
        assert (point.state, point.words) == ("active", "")

    def test_refusals_name_the_field(self, cast, ana):
        def told(code, unit=ana, club=None):
            check = Check.objects.get(club=club or cast.club, code=code)
            return refused("check", by=cast.head_coach, unit=unit, check=check, now=NOW)

        assert "what came of it" in told("L1")
        assert "about a pair" in told("N1")
        assert "no check of the club" in told("L2", club=cast.other_club)
        pair = Unit.objects.pair_of(cast.ana, cast.dan)
        assert "about one player" in told("L2", unit=pair)
        set_focus(by=cast.head_coach, unit=ana, check=self.check(cast, "L2"), now=NOW)
        assert "already" in told("L2")
        set_focus(by=cast.head_coach, unit=ana, check=self.check(cast, "L3"), now=NOW)
        assert "Two of this area" in told("L6")
        set_focus(by=cast.head_coach, unit=ana, check=self.check(cast, "B1"), now=NOW)
        assert "There are 3" in told("F1")
        ben = unit_of(cast.ben)
        set_focus(by=cast.head_coach, unit=ben, check=self.check(cast, "L2"), now=NOW)
        assert "There is 1" in told("F1", unit=ben)
        assert refused(
            "words", by=cast.head_coach, unit=unit_of(cast.dan), check=self.check(cast, "L2"), words="w" * 301
        )
        assert FocusPoint.objects.count() == 4

    def test_rewords_and_goes_back_to_the_list_s_cue(self, cast, ana):
        point = set_focus(by=cast.head_coach, unit=ana, check=self.check(cast, "L2"), cue="Own cue", now=NOW)
        reword_focus(by=cast.head_coach, point=point, words=" Slowly ", cue=" ")
        point.refresh_from_db()
        assert (point.words, point.cue) == ("Slowly", "Plant both feet, then lift.")
        with pytest.raises(ValidationError):
            reword_focus(by=cast.head_coach, point=point, words="", cue="c" * 161)

    def test_ends_and_drops(self, cast, ana):
        done = set_focus(by=cast.head_coach, unit=ana, check=self.check(cast, "L2"), now=NOW)
        wrong = set_focus(by=cast.head_coach, unit=ana, check=self.check(cast, "B1"), now=NOW)
        drop_focus(by=cast.head_coach, point=done, done=True, now=NOW)
        drop_focus(by=cast.head_coach, point=wrong, now=NOW)
        rows = dict(FocusPoint.objects.values_list("pk", "state"))
        assert rows == {done.pk: "ended", wrong.pk: "dropped"}
        assert FocusPoint.objects.filter(ended_on=date(2026, 9, 10)).count() == 2
        with pytest.raises(ValidationError):
            drop_focus(by=cast.head_coach, point=done, now=NOW)
        assert set(AuditEvent.objects.values_list("action", flat=True)) >= {"focus.ended", "focus.dropped"}

    def test_its_homework_goes_with_it_unless_it_was_begun(self, cast, ana):
        drills = [
            Drill.objects.create(
                club=cast.club,
                code=code,
                name=code,
                stage="shadow",
                place=place,
                minutes=5,
                dose="d",
                passing="p",
            )
            for code, place in (("one", "home"), ("promise", "in_your_match"))
        ]
        for drill in drills:
            drill.checks.add(self.check(cast, "L2"))
        point = set_focus(by=cast.head_coach, unit=ana, check=self.check(cast, "L2"), now=NOW)
        one = Homework.objects.get(drill__code="one")
        one.logs.create(done_on=date(2026, 9, 10), good=5, tried=10)
        drop_focus(by=cast.head_coach, point=point, now=NOW)
        assert dict(Homework.objects.values_list("drill__code", "withdrawn_at")) == {
            "one": None,
            "promise": NOW,
        }


def test_a_player_s_points_alone_and_in_pairs(cast, ana):
    pair = Unit.objects.pair_of(cast.ana, cast.ben)
    publish = publish_rows(cast, {pair: {"N1": POOR}, ana: {"L2": POOR}, unit_of(cast.ben): {"B1": POOR}})
    propose(analysis=publish, now=NOW)
    assert codes(points_of(cast.ana)) == ["L2", "N1"]
    assert codes(points_of(cast.ben)) == ["B1"], "a minor works on one thing"
