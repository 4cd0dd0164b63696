"""What is published, what it counts, and that it happens whole or not at all."""

import uuid
from datetime import UTC, datetime

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import connection
from django.test.utils import CaptureQueriesContext

from clubcoach.models import AuditEvent, Job
from players.models import Unit
from sessions import services
from sessions.models import Analysis, Closure, Cover, Mark, Situation, Tally
from sessions.services import publishing
from sessions.signals import analysis_published, analysis_withdrawn
from tests import factories as make
from tests.sessions.chain import PLAYED, make_chain, unit_of

pytestmark = pytest.mark.django_db
NOW = datetime(2026, 11, 20, 12, tzinfo=UTC)


def publish(chain, **changed):
    chain.state(changed.pop("state", "submitted"))
    call = {"by": chain.cast.head_coach, "analysis": chain.analysis, "now": NOW, **changed}
    return services.publish(**call)


def tallies(analysis):
    """(unit, check, ball): (seen, met)"""
    return {
        (tally.unit, tally.check_identity.code, tally.ball): (tally.seen, tally.met)
        for tally in Tally.objects.filter(analysis=analysis)
    }


@pytest.fixture
def heard():
    calls = []

    def listen(sender, **kwargs):
        kwargs.pop("signal")
        calls.append(kwargs)

    analysis_published.connect(listen)
    analysis_withdrawn.connect(listen)
    yield calls
    analysis_published.disconnect(listen)
    analysis_withdrawn.disconnect(listen)


class TestTallies:
    def test_grouped_by_unit_check_and_ball(self, chain):
        chain.see(marks={"L2": "met", "L3": "missed"})
        chain.see(marks={"L2": "missed", "L3": "missed"}, rally=1)
        chain.see(marks={"L2": "met"}, ball="hard")
        chain.close(rally=0)
        chain.close(rally=1)
        publish(chain)
        assert tallies(chain.analysis) == {
            (chain.unit, "L2", "normal"): (2, 1),
            (chain.unit, "L3", "normal"): (2, 0),
            (chain.unit, "L2", "hard"): (1, 1),
        }
        one = Tally.objects.first()
        assert one.day == PLAYED
        assert one.analyst == chain.analysis.analyst

    def test_not_seen_is_no_data(self, chain):
        chain.see(marks={"L2": "not_seen", "L3": "met"})
        chain.close()
        publish(chain)
        assert tallies(chain.analysis) == {(chain.unit, "L3", "normal"): (1, 1)}

    def test_only_what_counts(self, chain):
        chain.see(marks={"L2": "met"})
        chain.see(marks={"L2": "missed"}, shown_only=True)
        chain.see(marks={"L2": "missed"}, not_codable="dark")
        chain.see(marks={"L2": "missed"}, dropped=True)
        chain.see(marks={"L2": "missed"}, rally=1)
        chain.close(rally=0)
        publish(chain)
        assert tallies(chain.analysis) == {(chain.unit, "L2", "normal"): (1, 1)}

    def test_another_area_being_closed_does_not_help(self, cast):
        chain = make_chain(cast, areas=("lob", "bandeja"))
        chain.see(marks={"L2": "met"})
        chain.see("bandeja", marks={"B1": "met"})
        chain.close("bandeja")
        publish(chain)
        assert tallies(chain.analysis) == {(chain.unit, "B1", "normal"): (1, 1)}

    def test_a_rally_that_was_taken_out_counts_for_nothing(self, chain):
        chain.see(marks={"L2": "met"})
        chain.close()
        chain.rallies[0].dropped = True
        chain.rallies[0].save(update_fields=["dropped"])
        publish(chain)
        assert tallies(chain.analysis) == {}

    def test_of_a_draw_only_what_was_drawn(self, cast):
        chain = make_chain(cast, plan="drawn")
        chain.see(marks={"L2": "met"}, drawn=True)
        chain.see(marks={"L2": "missed"})
        chain.close()
        publish(chain)
        assert tallies(chain.analysis) == {(chain.unit, "L2", "normal"): (1, 1)}

    def test_chosen_by_hand_never_counts(self, cast):
        chain = make_chain(cast, plan="chosen")
        chain.see(marks={"L2": "met"})
        chain.close()
        publish(chain)
        assert tallies(chain.analysis) == {}
        assert list(Situation.objects.shown().values_list("analysis", flat=True)) == [chain.analysis.pk]

    def test_the_far_end_counts_like_the_near_one(self, chain):
        chain.see(marks={"L1": "met"}, end="far")
        chain.see(marks={"L1": "missed"}, end="near")
        chain.close()
        publish(chain)
        assert tallies(chain.analysis) == {(chain.unit, "L1", "normal"): (2, 1)}

    def test_a_pair_s_check_goes_to_the_pair(self, cast):
        pair = Unit.objects.pair_of(cast.ana, cast.dan)
        chain = make_chain(cast, areas=("lob", "net"), units=[unit_of(cast.ana), pair])
        chain.see(marks={"L2": "met"})
        chain.see("net", unit=pair, marks={"N2": "missed"})
        chain.close("lob")
        chain.close("net")
        publish(chain)
        assert tallies(chain.analysis) == {
            (unit_of(cast.ana), "L2", "normal"): (1, 1),
            (pair, "N2", "normal"): (1, 0),
        }

    def test_a_unit_that_was_not_asked_for_writes_none(self, chain):
        chain.see(unit=unit_of(chain.cast.dan), marks={"L2": "met"})
        chain.close()
        publish(chain)
        assert tallies(chain.analysis) == {}

    def test_marks_of_another_analysis_stay_out(self, chain):
        other = make_chain(chain.cast, match=chain.match, units=[unit_of(chain.cast.dan)])
        other.see(unit=unit_of(chain.cast.dan), marks={"L2": "met"})
        other.close()
        chain.see(marks={"L2": "missed"})
        chain.close()
        publish(chain)
        assert tallies(chain.analysis) == {(chain.unit, "L2", "normal"): (1, 0)}
        assert tallies(other.analysis) == {}

    @pytest.mark.parametrize("purpose", ["second", "training", "example"])
    def test_only_what_is_meant_to_count(self, cast, purpose, heard):
        chain = make_chain(cast, purpose=purpose)
        chain.see(marks={"L2": "met"})
        chain.close()
        publish(chain)
        assert chain.fresh().state == "published"
        assert tallies(chain.analysis) == {}
        assert not Cover.objects.filter(current=True).exists()
        assert not Job.objects.filter(kind="film.stills").exists()
        assert heard == [{"analysis": chain.analysis, "old": None}]


class TestPublish:
    def test_what_it_writes(self, chain, heard):
        chain.see(marks={"L2": "met"})
        chain.close()
        publish(chain, words=" Good lobs. ")
        analysis = chain.fresh()
        assert analysis.state == "published"
        assert analysis.published_at == analysis.submitted_at == NOW
        assert analysis.published_by == chain.cast.head_coach
        assert analysis.words == "Good lobs."
        assert Cover.objects.get(analysis=analysis).current
        assert Tally.objects.current().count() == 1
        assert heard == [{"analysis": analysis, "old": None}]
        assert Job.objects.get(kind="film.stills").args == {"analysis": analysis.pk}

    def test_words_that_stand_there_stay(self, chain):
        services.set_words(by=chain.cast.head_coach, analysis=chain.analysis, words="Before")
        publish(chain)
        assert chain.fresh().words == "Before"

    def test_a_receiver_that_fails_undoes_all_of_it(self, chain):
        def fail(sender, **kwargs):
            raise RuntimeError("no room for a job")

        chain.see(marks={"L2": "met"})
        chain.close()
        analysis_published.connect(fail)
        try:
            with pytest.raises(RuntimeError, match="no room"):
                publish(chain, words="Never told")
        finally:
            analysis_published.disconnect(fail)
        analysis = chain.fresh()
        assert (analysis.state, analysis.words, analysis.published_at) == ("submitted", "", None)
        assert not Tally.objects.exists()
        assert not Cover.objects.filter(current=True).exists()
        assert not AuditEvent.objects.exists()
        assert not Job.objects.exists()

    @pytest.mark.parametrize(
        ("state", "words"),
        [
            ("assigned", "It is assigned: only a submitted"),
            ("in_progress", "It is in progress: only a submitted"),
            ("returned", "It is returned"),
            ("published", "It is published"),
            ("cancelled", "It is cancelled"),
            ("withdrawn", "It is withdrawn"),
        ],
    )
    def test_wrong_state(self, chain, state, words):
        Analysis.objects.filter(pk=chain.analysis.pk).update(published_at=NOW)
        with pytest.raises(ValidationError, match=words):
            publish(chain, state=state)
        assert not Tally.objects.exists()
        assert not Cover.objects.filter(current=True).exists()

    @pytest.mark.parametrize("state", ["assigned", "in_progress", "returned", "submitted"])
    def test_a_head_coach_s_own_in_one_step(self, cast, state):
        chain = make_chain(cast, analyst=cast.head_coach)
        chain.see(marks={"L2": "met"})
        chain.close()
        publish(chain, state=state)
        assert chain.fresh().state == "published"
        assert Tally.objects.count() == 1

    def test_her_own_waits_for_her_device_too(self, cast):
        chain = make_chain(cast, analyst=cast.head_coach)
        with pytest.raises(ValidationError, match="has not arrived"):
            publish(chain, state="in_progress", devices={str(uuid.uuid4()): 1})
        assert chain.fresh().state == "in_progress"

    def test_only_the_head_coach(self, chain):
        for person in ("assistant", "manager", "student", "stranger"):
            with pytest.raises(PermissionDenied):
                publish(chain, by=getattr(chain.cast, person))

    def test_not_her_child_s_match(self, chain):
        make.guard(chain.cast.dan, chain.cast.head_coach)
        with pytest.raises(PermissionDenied, match="your family"):
            publish(chain)
        assert chain.fresh().state == "submitted"

    def test_words_that_are_too_long(self, chain):
        with pytest.raises(ValidationError) as caught:
            publish(chain, words="a" * 4001)
        assert "4000 are the most" in caught.value.message_dict["words"][0]

    def test_one_counts_for_a_unit_and_match(self, chain):
        publish(chain)
        second = make_chain(chain.cast, match=chain.match)
        second.see(marks={"L2": "met"})
        second.close()
        with pytest.raises(ValidationError, match=r"counts for Ana Surname\d+ already"):
            publish(second)
        assert second.fresh().state == "submitted"
        assert Cover.objects.get(current=True).analysis == chain.analysis
        assert not Tally.objects.exists()

    def test_another_unit_of_the_match_may_count_beside_it(self, chain):
        publish(chain)
        publish(make_chain(chain.cast, match=chain.match, units=[unit_of(chain.cast.dan)]))
        assert Cover.objects.filter(current=True).count() == 2

    def test_the_constraint_speaks_the_same_when_two_come_at_once(self, chain, monkeypatch):
        """The look before the leap saw nothing: the database still lets only one through."""
        publish(chain)
        second = make_chain(chain.cast, match=chain.match)
        seen = Cover.objects.filter

        def blind(*args, **kwargs):
            return Cover.objects.none() if "unit__covers__analysis" in kwargs else seen(*args, **kwargs)

        monkeypatch.setattr(publishing.Cover.objects, "filter", blind)
        with pytest.raises(ValidationError, match="for one of these units already"):
            publish(second)
        assert second.fresh().state == "submitted"

    def test_somebody_else_was_quicker(self, chain, monkeypatch):
        """Without row locks the state can change under the one who looked: then nothing is written."""
        chain.state("submitted")
        monkeypatch.setattr(publishing, "lock", lambda analysis: None)
        Analysis.objects.filter(pk=chain.analysis.pk).update(state="cancelled")
        with pytest.raises(ValidationError, match="a moment ago"):
            services.publish(by=chain.cast.head_coach, analysis=chain.analysis)
        assert chain.fresh().state == "cancelled"
        assert not Cover.objects.filter(current=True).exists()


class TestVersions:
    @pytest.fixture
    def told(self, chain):
        chain.see(marks={"L2": "met", "L3": "not_seen"})
        chain.see(marks={"L2": "missed"}, rally=1, dropped=True)
        chain.close()
        publish(chain, words="First words")
        return chain

    def version(self, chain, **changed):
        return services.new_version(**{"by": chain.cast.head_coach, "analysis": chain.analysis, **changed})

    def test_it_begins_as_a_copy(self, told):
        fresh = self.version(told)
        assert (fresh.state, fresh.version, fresh.supersedes) == ("in_progress", 2, told.analysis)
        assert fresh.analyst.user == told.cast.head_coach
        assert (fresh.purpose, fresh.plan, fresh.words) == ("count", "all", "First words")
        assert fresh.check_list == told.analysis.check_list
        (copy,) = fresh.situations.all()
        original = told.analysis.situations.get(dropped=False)
        assert copy.uuid == original.uuid
        assert copy.pk != original.pk
        assert dict(copy.marks.values_list("check_identity__code", "value")) == {
            "L2": "met",
            "L3": "not_seen",
        }
        assert original.marks.count() == 2
        assert [(row.rally, row.situations) for row in fresh.closures.all()] == [(told.rallies[0], 1)]
        assert [row.area.code for row in fresh.lens.all()] == ["lob"]
        (cover,) = fresh.covers.all()
        assert (cover.unit, cover.current) == (told.unit, False)
        assert Cover.objects.get(current=True).analysis == told.analysis, "the old one counts until it is out"

    def test_published_it_takes_the_place(self, told, heard):
        fresh = self.version(told)
        Mark.objects.filter(situation__analysis=fresh, check_identity__code="L2").update(value="missed")
        services.publish(by=told.cast.head_coach, analysis=fresh, now=NOW)
        assert tallies(told.analysis) == {(told.unit, "L2", "normal"): (1, 1)}, "never updated"
        assert tallies(fresh) == {(told.unit, "L2", "normal"): (1, 0)}
        assert [(row.analysis, row.met) for row in Tally.objects.current()] == [(fresh, 0)]
        old = told.fresh()
        assert (old.state, old.superseded_by) == ("published", fresh)
        assert heard == [{"analysis": fresh, "old": told.analysis}]

    def test_one_correction_at_a_time(self, told):
        fresh = self.version(told)
        with pytest.raises(ValidationError, match="newer version already"):
            self.version(told)
        services.cancel(by=told.cast.head_coach, analysis=fresh)
        assert self.version(told).version == 2

    def test_what_it_refuses(self, told):
        with pytest.raises(PermissionDenied):
            self.version(told, by=told.cast.assistant)
        told.state("submitted")
        with pytest.raises(ValidationError, match="only what was published"):
            self.version(told)
        assert Analysis.objects.count() == 1

    def test_withdrawn(self, told, heard):
        services.withdraw(by=told.cast.head_coach, analysis=told.analysis)
        assert told.fresh().state == "withdrawn"
        assert Tally.objects.count() == 1
        assert not Tally.objects.current().exists()
        assert heard == [{"analysis": told.analysis}]
        publish(make_chain(told.cast, match=told.match))
        assert Cover.objects.filter(current=True).count() == 1

    def test_a_withdrawn_one_can_be_corrected(self, told):
        services.withdraw(by=told.cast.head_coach, analysis=told.analysis)
        services.publish(by=told.cast.head_coach, analysis=self.version(told), now=NOW)
        assert Tally.objects.current().count() == 1

    def test_what_withdrawing_refuses(self, told):
        with pytest.raises(PermissionDenied):
            services.withdraw(by=told.cast.assistant, analysis=told.analysis)
        make.guard(told.cast.dan, told.cast.head_coach)
        with pytest.raises(PermissionDenied, match="your family"):
            services.withdraw(by=told.cast.head_coach, analysis=told.analysis)
        Analysis.objects.filter(pk=told.analysis.pk).update(state="submitted")
        other = make.make_member(told.cast.club, make.Role.HEAD_COACH)
        with pytest.raises(ValidationError, match="only a published"):
            services.withdraw(by=other, analysis=told.analysis)
        assert Cover.objects.filter(current=True).exists()

    def test_a_receiver_that_fails_keeps_it_published(self, told):
        def fail(sender, **kwargs):
            raise RuntimeError("no")

        analysis_withdrawn.connect(fail)
        try:
            with pytest.raises(RuntimeError):
                services.withdraw(by=told.cast.head_coach, analysis=told.analysis)
        finally:
            analysis_withdrawn.disconnect(fail)
        assert told.fresh().state == "published"
        assert Cover.objects.filter(current=True).exists()

    @pytest.mark.parametrize("step", ["publish", "correct"])
    def test_queries_do_not_grow_with_the_marks(self, cast, step):
        def counted(situations):
            match = make.make_match(cast.club, [cast.ana, cast.dan, None, None], played_on=PLAYED)
            chain = make_chain(cast, match=match, state="submitted")
            for _n in range(situations):
                chain.see(marks={"L1": "met", "L2": "met", "L3": "missed"})
            chain.close()
            if step == "correct":
                publish(chain)
            with CaptureQueriesContext(connection) as queries:
                fresh = self.version(chain) if step == "correct" else publish(chain)
            assert Mark.objects.filter(situation__analysis=fresh).count() == 3 * situations
            assert Closure.objects.filter(analysis=fresh).count() == 1
            return len(queries)

        make.make_analyst(cast.club, cast.head_coach)
        assert counted(30) == counted(1)
