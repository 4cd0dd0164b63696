"""A whole worker killed in the middle of a job, on Redis: the next worker does it, and its effect is there once."""

import os
import signal
import time

import pytest
from django.conf import settings

from clubcoach import jobs
from clubcoach.models import AuditEvent, Job
from tests.workers import celery_worker

# On the embedded runner the same is shown in test_jobs.py, by killing a process inside its transaction.
pytestmark = [pytest.mark.long, pytest.mark.redis, pytest.mark.django_db(transaction=True)]


def until(condition, seconds, what):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if condition():
            return
        time.sleep(0.2)
    pytest.fail(what)


@pytest.mark.parametrize("round_", range(3))
def test_a_killed_worker_s_job_comes_back_soon_and_once(round_, monkeypatch, capsys):
    monkeypatch.setitem(jobs.HANDLERS, "test.slow", lambda work: None)
    monkeypatch.setattr(settings, "JOB_LEASE_SECONDS", 5)
    lease = {"module": "tests.slow_worker", "JOB_LEASE_SECONDS": "5"}
    with celery_worker(**lease) as worker:
        job = jobs.enqueue("test.slow", seconds=60)
        until(lambda: Job.objects.get(pk=job.pk).state == "running", 20, "never started")
        time.sleep(0.3 * round_)
        os.killpg(worker.pid, signal.SIGKILL)
        worker.wait(10)
    time.sleep(5)
    began = time.monotonic()
    with celery_worker(**lease):
        until(lambda: Job.objects.get(pk=job.pk).state == "done", 60, "never taken over")
    with capsys.disabled():
        print(f"\nkill round {round_}: back {time.monotonic() - began:.1f} s after the restart")
    assert Job.objects.get(pk=job.pk).attempt == 2
    assert AuditEvent.objects.filter(action="effect").count() == 1
