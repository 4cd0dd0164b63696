"""A job is a row: claimed once, its effect once, found again after a death."""

import signal
import subprocess
import sys
import threading
import time
from datetime import timedelta

import pytest
from django.conf import settings
from django.db import connection, transaction
from django.utils import timezone

from clubcoach import jobs
from clubcoach.models import AuditEvent, Job
from tests import factories as make
from tests.workers import celery_worker, environment

pytestmark = pytest.mark.django_db


@pytest.fixture
def handler(monkeypatch):
    def register(function, kind="test.kind"):
        monkeypatch.setitem(jobs.HANDLERS, kind, function)
        return kind

    return register


def effects():
    return AuditEvent.objects.filter(action="effect").count()


def effect():
    AuditEvent.objects.create(action="effect", target_type="t", target_id="1")


def with_effect(work):
    with work.finish():
        effect()


def expire(job):
    Job.objects.filter(pk=job.pk).update(lease_until=timezone.now() - timedelta(seconds=1))


def test_a_job_runs_once_and_is_done(handler):
    job = jobs.enqueue(handler(with_effect))
    assert jobs.perform(job.pk)
    assert not jobs.perform(job.pk)
    job.refresh_from_db()
    assert (job.state, job.progress, job.attempt, effects()) == ("done", 100, 1, 1)
    assert job.finished_at
    assert job.lease_until is None


def test_an_unknown_kind_is_refused_at_once():
    with pytest.raises(LookupError, match="no handler"):
        jobs.enqueue("nobody.knows")
    assert not Job.objects.exists()


def test_the_same_waiting_key_is_one_job(handler):
    kind = handler(with_effect)
    first, again = jobs.enqueue(kind, key="club-1"), jobs.enqueue(kind, key="club-1")
    other = jobs.enqueue(kind, key="club-2")
    assert first.pk == again.pk != other.pk
    jobs.perform(first.pk)
    assert jobs.enqueue(kind, key="club-1").pk != first.pk


def test_a_message_goes_out_only_when_the_row_is_committed(
    handler, monkeypatch, django_capture_on_commit_callbacks
):
    sent = []
    monkeypatch.setattr(jobs.run_job, "delay", sent.append)
    with django_capture_on_commit_callbacks(execute=True):
        job = jobs.enqueue(handler(with_effect))
        assert sent == []
    assert sent == [job.pk]


def test_a_broker_that_is_away_loses_nothing(handler, monkeypatch, django_capture_on_commit_callbacks):
    def away(_job_id):
        raise ConnectionError("no broker")

    monkeypatch.setattr(jobs.run_job, "delay", away)
    with django_capture_on_commit_callbacks(execute=True):
        job = jobs.enqueue(handler(with_effect))
    assert jobs.due() == [job.pk]
    assert jobs.run_due() == 1


def test_a_dead_worker_s_job_is_taken_over_and_its_late_finish_is_lost(handler):
    """The first worker stalls past its lease; a second one does the work; the first then tries to finish."""
    job = jobs.enqueue(handler(with_effect))
    stalled = jobs.Work(jobs.claim(job.pk))
    assert jobs.claim(job.pk) is None
    expire(job)
    assert jobs.perform(job.pk)
    with pytest.raises(jobs.LostLease), stalled.finish():
        effect()
    with pytest.raises(jobs.LostLease):
        stalled.tell(50)
    assert effects() == 1


def test_an_error_inside_finish_leaves_nothing_and_is_tried_again(handler):
    tries = []

    def fails_first(work):
        tries.append(1)
        with work.finish():
            effect()
            if len(tries) == 1:
                raise RuntimeError("half way")

    job = jobs.enqueue(handler(fails_first))
    assert not jobs.perform(job.pk)
    job.refresh_from_db()
    assert (job.state, effects()) == ("waiting", 0)
    assert job.note == "Something went wrong (RuntimeError). It was tried once."
    assert jobs.run_due() == 1
    assert effects() == 1


def test_errors_end_after_the_allowed_attempts(handler):
    def always(work):
        raise RuntimeError("no")

    job = jobs.enqueue(handler(always))
    assert jobs.run_due() == 0
    job.refresh_from_db()
    assert (job.state, job.attempt) == ("failed", 3)
    assert jobs.due() == []


def test_what_can_never_work_is_told_in_its_own_words_and_not_tried_again(handler):
    def never(work):
        raise jobs.CannotWork("This file is no film.")

    job = jobs.enqueue(handler(never))
    jobs.run_due()
    job.refresh_from_db()
    assert (job.state, job.note, job.attempt) == ("failed", "This file is no film.", 1)


def test_a_job_that_dies_each_time_is_given_up(handler):
    job = jobs.enqueue(handler(with_effect))
    for _ in range(3):
        assert jobs.claim(job.pk)
        expire(job)
    assert jobs.claim(job.pk) is None
    assert jobs.due() == []
    job.refresh_from_db()
    assert job.state == "failed"
    assert job.note


def test_stopping_reaches_a_running_handler(handler):
    job = jobs.enqueue(handler(lambda work: None))
    work = jobs.Work(jobs.claim(job.pk))
    work.tell(10, "reading")
    assert jobs.stop(job)
    with pytest.raises(jobs.LostLease):
        work.tell(20)
    job.refresh_from_db()
    assert job.over
    assert not jobs.stop(job)


def test_a_failed_attempt_steps_back_when_a_newer_job_waits_for_the_same(handler):
    def fails_while_another_comes(work):
        Job.objects.create(kind="test.kind", key="k")
        raise RuntimeError("no")

    job = jobs.enqueue(handler(fails_while_another_comes), key="k")
    jobs.perform(job.pk)
    job.refresh_from_db()
    assert job.state == "stopped"
    assert Job.objects.filter(state="waiting", key="k").count() == 1


@pytest.mark.django_db(transaction=True)
def test_two_workers_at_once_claim_a_job_once(handler):
    job = jobs.enqueue(handler(with_effect))
    claimed = []
    gate = threading.Barrier(4)

    def work():
        gate.wait()
        claimed.append(jobs.claim(job.pk))
        connection.close()

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len([row for row in claimed if row]) == 1


SLOW_WORKER = """
import django, time
django.setup()
from clubcoach import jobs
from clubcoach.models import AuditEvent
def slow(work):
    with work.finish():
        AuditEvent.objects.create(action="effect", target_type="t", target_id="1")
        print("inside", flush=True)
        time.sleep(60)
jobs.HANDLERS["test.kind"] = slow
jobs.perform({job})
"""


@pytest.mark.django_db(transaction=True)
def test_a_process_killed_in_the_middle_of_its_effect_leaves_none_and_the_next_one_does_it(handler):
    job = jobs.enqueue(handler(with_effect))
    process = subprocess.Popen(
        [sys.executable, "-c", SLOW_WORKER.format(job=job.pk)],
        env=environment(),
        cwd=settings.BASE_DIR,
        stdout=subprocess.PIPE,
    )
    try:
        assert process.stdout.readline() == b"inside\n"
        process.send_signal(signal.SIGKILL)
        process.wait(10)
    finally:
        process.kill()
        process.stdout.close()
    job.refresh_from_db()
    assert (job.state, effects()) == ("running", 0)
    expire(job)
    assert jobs.run_due() == 1
    assert effects() == 1


@pytest.mark.django_db(transaction=True)
def test_a_real_runner_picks_up_what_a_dead_one_left(handler, monkeypatch):
    """Where Redis is named a Celery worker process, else the embedded runner: both start by sweeping."""
    # The worker is another process with the project's own handlers: a job of a kind both sides know.
    kind = "score.club"
    club = make.make_club()
    job = jobs.enqueue(kind, club=club, club_id=club.pk)
    assert jobs.claim(job.pk)
    expire(job)
    if settings.EMBEDDED_JOBS:
        from clubcoach import embedded

        embedded.start()
        try:
            wait_until_over(job)
        finally:
            embedded.shut_down()
    else:
        with celery_worker():
            jobs.sweep()
            wait_until_over(job)
    assert job.state == "done"
    assert job.attempt == 2


def wait_until_over(job, seconds=20):
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        with transaction.atomic():
            job.refresh_from_db()
        if job.over:
            return
        time.sleep(0.1)
    pytest.fail(f"job still {job.state} after {seconds} s: {job.note}")
