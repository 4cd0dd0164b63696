"""A real Celery worker on the test database, for the runs that have Redis."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

from django.conf import settings
from django.db import connection

from clubcoach.celery import app


def environment() -> dict[str, str]:
    """What a second process needs in order to see the same test database and queue."""
    database = connection.settings_dict
    if connection.vendor == "sqlite":
        url = f"sqlite:///{database['NAME']}"
    else:
        host, port = database["HOST"] or "127.0.0.1", database["PORT"] or 5432
        secret = f":{database['PASSWORD']}" if database["PASSWORD"] else ""
        url = f"postgres://{database['USER']}{secret}@{host}:{port}/{database['NAME']}"
    return {
        **os.environ,
        "DJANGO_SETTINGS_MODULE": "tests.settings",
        "DATABASE_URL": url,
        "REDIS_URL": settings.REDIS_URL,
        "MEDIA_ROOT": str(settings.MEDIA_ROOT),
    }


@contextmanager
def celery_worker(
    *, module: str = "clubcoach", wait_s: float = 30, **env: str
) -> Iterator["subprocess.Popen[bytes]"]:
    command = [sys.executable, "-m", "celery", "-A", module, "worker", "--concurrency", "1"]
    command += ["--queues", settings.CELERY_TASK_DEFAULT_QUEUE, "--loglevel", "WARNING", "--without-gossip"]
    # A session of its own, so that a test can kill parent and children as a machine that goes down does.
    worker = subprocess.Popen(
        command, env={**environment(), **env}, cwd=settings.BASE_DIR, start_new_session=True
    )
    try:
        until = time.monotonic() + wait_s
        while not app.control.inspect(timeout=0.5).ping():
            if worker.poll() is not None or time.monotonic() > until:
                raise RuntimeError("the Celery worker did not start")
        yield worker
    finally:
        worker.terminate()
        try:
            worker.wait(15)
        except subprocess.TimeoutExpired:
            # Its children too: one that lives on would keep the test database busy.
            os.killpg(worker.pid, signal.SIGKILL)
            worker.wait()
