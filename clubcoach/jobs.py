"""Background work that survives a kill.

A job is a row. The message to a worker only says "look here"; whoever claims the row gets a lease, and a sweeper
gives rows whose lease ran out to somebody else. A handler's effect and the row's end are written in one
transaction, guarded by the attempt number, so an effect happens once even when two workers believe in the same job.
"""

import os
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Any

import structlog
from celery import shared_task
from django.conf import settings
from django.db import IntegrityError, close_old_connections, transaction
from django.db.models import F, Q
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from clubcoach.models import Job

log = structlog.get_logger(__name__)

Handler = Callable[["Work"], None]
Listener = Callable[[int, str], None]
HANDLERS: dict[str, Handler] = {}
# Kinds that are to be done again and again, without anybody asking.
EVERY: dict[str, timedelta] = {}


class LostLease(Exception):
    """Somebody else has this job now; whatever was not finished is rolled back."""


class CannotWork(Exception):
    """The job can never succeed; its message is for people. It is not tried again."""


class Work:
    """One attempt at a job, as its handler sees it."""

    def __init__(self, job: Job, listener: Listener | None = None) -> None:
        self.job, self.listener = job, listener
        self.args: dict[str, Any] = job.args

    def _mine(self) -> Any:
        return Job.objects.filter(
            pk=self.job.pk, state=Job.State.RUNNING, attempt=self.job.attempt, owner=self.job.owner
        )

    def tell(self, progress: int, note: str = "") -> None:
        """Renew the lease and show how far it is; raises LostLease when the job was given away or stopped."""
        lease = timezone.now() + timedelta(seconds=settings.JOB_LEASE_SECONDS)
        if not self._mine().update(progress=max(0, min(99, progress)), note=note[:300], lease_until=lease):
            raise LostLease
        if self.listener:
            self.listener(progress, note)

    @contextmanager
    def finish(self) -> Iterator[None]:
        """Everything written inside becomes visible together with "done", or not at all."""
        with transaction.atomic():
            ended = self._mine().update(
                state=Job.State.DONE, progress=100, lease_until=None, finished_at=timezone.now()
            )
            if not ended:
                raise LostLease
            yield


def handles(kind: str, *, every: timedelta | None = None) -> Callable[[Handler], Handler]:
    def register(handler: Handler) -> Handler:
        HANDLERS[kind] = handler
        if every is not None:
            EVERY[kind] = every
        return handler

    return register


def enqueue(kind: str, *, club: Any = None, by: Any = None, key: str = "", **args: Any) -> Job:
    """Insert the row now and nudge a worker when the transaction commits; the same waiting key is one job."""
    if kind not in HANDLERS:
        raise LookupError(f"no handler for jobs of kind {kind!r}")
    if key:
        waiting = Job.objects.filter(kind=kind, key=key, state=Job.State.WAITING).first()
        if waiting:
            return waiting
    try:
        with transaction.atomic():
            job = Job.objects.create(kind=kind, club=club, asked_by=by, key=key, args=args)
    except IntegrityError:
        # Another request inserted the same key between the look and the insert.
        return Job.objects.get(kind=kind, key=key, state=Job.State.WAITING)
    transaction.on_commit(lambda: nudge(job.pk))
    return job


def nudge(job_id: int) -> None:
    try:
        run_job.delay(job_id)
    except Exception:
        # The row is there; the sweeper finds it when the broker is back.
        log.warning("job.nudge_failed", job=job_id)


def claim(job_id: int) -> Job | None:
    """Take a waiting job, or one whose lease ran out; None when it is over or in good hands."""
    now = timezone.now()
    owner = f"{socket.gethostname()}:{os.getpid()}:{threading.get_ident()}"
    free = Q(state=Job.State.WAITING) | Q(state=Job.State.RUNNING, lease_until__lt=now)
    taken = Job.objects.filter(free, pk=job_id, attempt__lt=F("attempts_allowed")).update(
        state=Job.State.RUNNING,
        attempt=F("attempt") + 1,
        owner=owner,
        lease_until=now + timedelta(seconds=settings.JOB_LEASE_SECONDS),
    )
    return Job.objects.get(pk=job_id) if taken else None


def perform(job_id: int, listener: Listener | None = None) -> bool:
    """Claim a job and do it; True when it is done. Errors are written on the row, where people see them.

    The listener hears what is written on the row while it is done, for somebody who waits at a command line.
    """
    job = claim(job_id)
    if job is None:
        return False
    work = Work(job, listener)
    try:
        HANDLERS[job.kind](work)
    except LostLease:
        log.info("job.lost", job=job.pk, kind=job.kind)
        return False
    except CannotWork as reason:
        _end(work, "failed", str(reason))
        return False
    except Exception as error:
        log.exception("job.error", job=job.pk, kind=job.kind, attempt=job.attempt)
        last = job.attempt >= job.attempts_allowed
        note = ngettext(
            "Something went wrong (%(kind)s). It was tried once.",
            "Something went wrong (%(kind)s). It was tried %(n)d times.",
            job.attempt,
        ) % {"kind": type(error).__name__, "n": job.attempt}
        _end(work, "failed" if last else "waiting", note)
        return False
    Job.objects.filter(pk=job.pk, state=Job.State.RUNNING, attempt=job.attempt).update(
        state=Job.State.DONE, progress=100, lease_until=None, finished_at=timezone.now()
    )
    return True


def _end(work: Work, state: str, note: str) -> None:
    with transaction.atomic():
        try:
            with transaction.atomic():
                work._mine().update(
                    state=state,
                    note=note[:300],
                    lease_until=None,
                    finished_at=timezone.now() if state == "failed" else None,
                )
        except IntegrityError:
            # A newer job with the same key waits already and will do the work; this one steps back.
            work._mine().update(
                state=Job.State.STOPPED, note=note[:300], lease_until=None, finished_at=timezone.now()
            )


def stop(job: Job) -> bool:
    """Ask a job to end; a running handler notices at its next step."""
    return bool(
        Job.objects.filter(pk=job.pk, state__in=[Job.State.WAITING, Job.State.RUNNING]).update(
            state=Job.State.STOPPED, lease_until=None, finished_at=timezone.now()
        )
    )


def due() -> list[int]:
    """Rows that nobody is at work on: waiting, or with a lease that ran out."""
    now = timezone.now()
    Job.objects.filter(
        state=Job.State.RUNNING, lease_until__lt=now, attempt__gte=F("attempts_allowed")
    ).update(
        state=Job.State.FAILED,
        note=_("The work ended without a word each time it was tried."),
        lease_until=None,
        finished_at=now,
    )
    free = Q(state=Job.State.WAITING) | Q(state=Job.State.RUNNING, lease_until__lt=now)
    able = Job.objects.filter(free, attempt__lt=F("attempts_allowed"))
    return list(able.order_by("pk").values_list("pk", flat=True)[:500])


def enqueue_regular(now: datetime | None = None) -> None:
    """What is done at regular times and is due again, as seen from its last row."""
    moment = now or timezone.now()
    for kind, every in EVERY.items():
        if not Job.objects.filter(kind=kind, created_at__gt=moment - every).exists():
            enqueue(kind, key=kind)


def run_due() -> int:
    """Do everything that is due, here and now; for commands and tests. Returns how many jobs were done."""
    done = 0
    while pending := due():
        finished = sum(perform(job_id) for job_id in pending)
        done += finished
        if not finished and not Job.objects.filter(pk__in=pending, state=Job.State.WAITING).exists():
            break
    return done


@shared_task(name="clubcoach.jobs.run_job")
def run_job(job_id: int) -> None:
    close_old_connections()
    try:
        perform(job_id)
    finally:
        close_old_connections()


@shared_task(name="clubcoach.jobs.sweep")
def sweep() -> int:
    close_old_connections()
    enqueue_regular()
    pending = due()
    for job_id in pending:
        run_job.delay(job_id)
    return len(pending)
