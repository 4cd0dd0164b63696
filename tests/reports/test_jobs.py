"""From publishing to scores: the receiver only notes work, and the work happens once."""

import json
from datetime import UTC, date, datetime

import pytest

from clubcoach import jobs as queue
from clubcoach.models import AuditEvent, Job
from reports import jobs
from reports.models import FocusPoint, Score, SharedFit
from sessions import services
from sessions.models import Analysis, Tally
from sessions.signals import analysis_published
from tests.reports.published import expect, publish_many, publish_rows, unit_of
from tests.sessions.chain import make_chain

pytestmark = pytest.mark.django_db
NOW = datetime(2026, 11, 20, 12, tzinfo=UTC)


@pytest.fixture(autouse=True)
def nudges(monkeypatch):
    """Messages to workers are written down instead of sent."""
    sent = []
    monkeypatch.setattr(queue, "nudge", sent.append)
    return sent


def coded(cast, **fields):
    chain = make_chain(cast, state="submitted", **fields)
    for _ in range(12):
        chain.see(marks={"L2": "missed", "L3": "met"})
    chain.close()
    return chain


def publish(chain):
    return services.publish(by=chain.cast.head_coach, analysis=chain.analysis, now=NOW)


def job_of(analysis):
    return Job.objects.get(kind="score.units", key=f"analysis-{analysis.pk}")


class TestReceiver:
    def test_publishing_only_inserts_a_job(self, cast, django_capture_on_commit_callbacks, nudges):
        expect(cast.ana.level)
        chain = coded(cast)
        publish(chain)
        job = job_of(chain.analysis)
        assert job.state == Job.State.WAITING
        assert job.args == {"units": [chain.unit.pk], "analysis": chain.analysis.pk}
        assert job.club == cast.club
        assert not Score.objects.exists()
        assert not SharedFit.objects.exists()
        assert not FocusPoint.objects.exists()

    def test_the_nudge_goes_on_commit(self, cast, django_capture_on_commit_callbacks, nudges):
        chain = coded(cast)
        with django_capture_on_commit_callbacks(execute=True):
            publish(chain)
            assert nudges == []
        assert job_of(chain.analysis).pk in nudges

    def test_units_of_the_old_and_the_new_version(self, cast):
        old = publish_rows(cast, {unit_of(cast.ana): {"L2": 0.5}, unit_of(cast.dan): {"L2": 0.5}})
        new = publish_rows(
            cast, {unit_of(cast.cleo): {"L2": 0.5}, unit_of(cast.dan): {"L2": 0.5}}, day=date(2026, 9, 2)
        )
        analysis_published.send(sender=Analysis, analysis=new, old=old)
        expected = {unit_of(player).pk for player in (cast.ana, cast.cleo, cast.dan)}
        units = job_of(new).args["units"]
        assert set(units) == expected
        assert len(units) == 3

    def test_an_error_in_the_receiver_publishes_nothing(self, cast, monkeypatch):
        chain = coded(cast)

        def fail(*args, **kwargs):
            raise RuntimeError("no more jobs today")

        monkeypatch.setattr("reports.receivers.enqueue", fail)
        with pytest.raises(RuntimeError):
            publish(chain)
        assert chain.fresh().state == Analysis.State.SUBMITTED
        assert not Tally.objects.exists()
        assert not Job.objects.filter(kind__startswith="score").exists()

    def test_withdrawing_asks_for_it_again(self, cast):
        chain = coded(cast)
        publish(chain)
        queue.run_due()
        assert Score.objects.filter(series="now").count() == 1
        services.withdraw(by=cast.head_coach, analysis=chain.analysis)
        queue.run_due()
        assert not Score.objects.filter(series="now").exists()
        assert Score.objects.filter(series="then").count() == 1


class TestHandlers:
    def test_the_chain_from_publishing_to_a_focus_point(self, cast):
        expect(cast.ana.level)
        chain = coded(cast)
        publish(chain)
        assert queue.perform(job_of(chain.analysis).pk)
        score = Score.objects.get(unit=chain.unit, series="now")
        assert (score.n, score.day) == (24, chain.match.played_on)
        point = FocusPoint.objects.get()
        assert (point.check_identity.code, point.seen, point.met) == ("L2", 12, 0)
        assert point.analysis == chain.analysis

    def test_doing_it_again_changes_nothing(self, cast):
        expect(cast.ana.level)
        chain = coded(cast)
        publish(chain)
        queue.run_due()
        rows = list(Score.objects.order_by("unit", "area", "series").values_list("score", "low", "high", "n"))
        points = list(FocusPoint.objects.values_list("pk", flat=True))
        Job.objects.filter(kind="score.units").update(state="waiting", attempt=0)
        assert queue.run_due()
        again = list(
            Score.objects.order_by("unit", "area", "series").values_list("score", "low", "high", "n")
        )
        assert again == [pytest.approx(row, abs=1e-6) for row in rows]
        assert list(FocusPoint.objects.values_list("pk", flat=True)) == points

    def test_a_job_that_dies_in_the_middle_has_its_effect_once(self, cast, monkeypatch):
        expect(cast.ana.level)
        chain = coded(cast)
        publish(chain)
        job = job_of(chain.analysis)
        real, died = jobs.propose, []

        def die_first(**kwargs):
            made = real(**kwargs)
            if not died:
                died.append([point.pk for point in made])
                raise RuntimeError("the power went")
            return made

        monkeypatch.setattr(jobs, "propose", die_first)
        assert not queue.perform(job.pk)
        job.refresh_from_db()
        assert (job.state, job.attempt) == (Job.State.WAITING, 1)
        assert died == [[FocusPoint.objects.count() + died[0][0]]]
        assert not Score.objects.exists()
        assert not SharedFit.objects.exists()
        assert not FocusPoint.objects.exists()
        assert queue.perform(job.pk)
        job.refresh_from_db()
        assert (job.state, job.attempt) == (Job.State.DONE, 2)
        assert Score.objects.filter(series="now").count() == 1
        assert Score.objects.filter(series="then").count() == 1
        assert FocusPoint.objects.count() == 1
        assert not queue.perform(job.pk), "a job that is done is not done again"

    def test_a_lease_that_was_lost_leaves_nothing(self, cast, monkeypatch):
        publish_many(cast, days=1)
        job = queue.enqueue("score.club", club=cast.club)
        real = jobs.prepare_full_fit

        def lose(**kwargs):
            Job.objects.filter(pk=job.pk).update(attempt=2, owner="somebody else")
            return real(**kwargs)

        monkeypatch.setattr(jobs, "prepare_full_fit", lose)
        assert not queue.perform(job.pk)
        assert not SharedFit.objects.exists()
        assert not Score.objects.exists()

    def test_the_whole_club(self, cast):
        publish_many(cast, days=2)
        job = queue.enqueue("score.club", club=cast.club)
        assert queue.perform(job.pk)
        assert Score.objects.filter(series="now").count() == 3 * 3 * 2

    def test_a_club_without_anything_published(self, cast):
        assert queue.perform(queue.enqueue("score.club", club=cast.club).pk)
        assert not SharedFit.objects.exists()

    def test_a_job_of_no_club_says_so_and_is_not_tried_again(self, cast):
        job = queue.enqueue("score.club")
        assert not queue.perform(job.pk)
        job.refresh_from_db()
        assert (job.state, job.attempt) == (Job.State.FAILED, 1)
        assert "no club" in job.note

    def test_a_full_fit_follows_when_it_is_due(self, cast):
        chain = coded(cast)
        publish(chain)
        assert queue.perform(job_of(chain.analysis).pk)
        assert not Job.objects.filter(kind="score.club").exists(), "the first one was a full fit"
        second = publish_rows(cast, {chain.unit: {"L2": (60, 30)}}, day=date(2026, 9, 8))
        analysis_published.send(sender=Analysis, analysis=second, old=None)
        assert queue.perform(job_of(second).pk)
        job = Job.objects.get(kind="score.club")
        assert (job.state, job.club) == (Job.State.WAITING, cast.club)
        assert queue.perform(job.pk)
        assert SharedFit.objects.order_by("-pk").first().shared["n"] == 24 + 60


def test_jobs_and_audit_hold_no_names(cast):
    expect(cast.ana.level)
    chain = coded(cast)
    publish(chain)
    queue.run_due()
    told = json.dumps(list(Job.objects.values_list("args", "note", "key"))) + json.dumps(
        list(AuditEvent.objects.values_list("fields", "action"))
    )
    assert str(chain.analysis.pk) in told
    assert cast.ana.family_name not in told
