"""The job runner inside the one web process, for clubs that have no Redis and no workers.

A thread pool of a Celery worker on the in-memory broker: the same tasks as in a real deployment, and pages stay fast
while a film is encoded, because that happens in a child process.
"""

import os
import threading
from typing import Any

import structlog

from clubcoach.celery import app

log = structlog.get_logger(__name__)
_lock = threading.Lock()
_running: dict[str, Any] = {}


def start(*, concurrency: int = 2) -> None:
    """Start the worker and the clock once per process, and look for work that a killed process left."""
    with _lock:
        if _running.get("pid") == os.getpid():
            return
        _running.update(pid=os.getpid())
        from celery.worker import WorkController

        worker = WorkController(
            app=app,
            pool="threads",
            concurrency=concurrency,
            hostname="embedded",
            without_gossip=True,
            without_mingle=True,
            without_heartbeat=True,
            loglevel="WARNING",
        )
        _running["worker"] = worker
        threading.Thread(target=worker.start, name="embedded-worker", daemon=True).start()
        threading.Thread(target=_tick, name="embedded-clock", daemon=True).start()
        log.info("embedded.started", concurrency=concurrency)


def _tick() -> None:
    from clubcoach.jobs import sweep

    stop = threading.Event()
    _running["stop"] = stop
    while True:
        try:
            sweep()
        except Exception:
            log.exception("embedded.sweep_failed")
        if stop.wait(60):
            return


def shut_down() -> None:
    with _lock:
        worker, stop = _running.pop("worker", None), _running.pop("stop", None)
        _running.clear()
    if stop:
        stop.set()
    if worker:
        worker.stop()
