"""A process killed in the middle of an import: nobody sees what it left, and the next attempt brings in all of it."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings as configured
from django.utils import timezone

from clubcoach import jobs
from clubcoach.models import Club, Job
from players.models import Player
from reports.exchange.services import bring_in, drop_batch, write_batch
from reports.models import Batch
from sessions.models import Mark, Match, Situation
from tests.reports.exchange.sheets import Rows, sheets, write_csv
from tests.workers import environment

pytestmark = [pytest.mark.long, pytest.mark.django_db(transaction=True)]
WORKER = "import django; django.setup(); from clubcoach import jobs; jobs.perform({job})"
ROUNDS = 2


@contextmanager
def a_worker(job: int) -> Iterator[subprocess.Popen[bytes]]:
    process = subprocess.Popen(
        [sys.executable, "-c", WORKER.format(job=job)], env=environment(), cwd=configured.BASE_DIR
    )
    try:
        yield process
    finally:
        process.kill()
        process.wait(10)


def until(reached: Any, seconds: float = 60) -> None:
    limit = time.monotonic() + seconds
    while not reached():
        assert time.monotonic() < limit, "it never came so far"
        time.sleep(0.02)


def ready(cast: Any, folder: Path, rows: Rows) -> Batch:
    """Read without a problem, and asked to be written."""
    batch = bring_in(by=cast.head_coach, club=cast.club, folder=write_csv(rows, folder))
    assert batch.job is not None
    assert jobs.perform(batch.job.pk)
    batch.refresh_from_db()
    assert batch.state == "read", batch.problems[:3]
    return write_batch(by=cast.head_coach, batch=batch)


def club_rows() -> dict[str, int]:
    return {model.__name__: model.objects.count() for model in (Club, Player, Match, Situation, Mark)}


def years(seed: int) -> Rows:
    rows = sheets(seed, players=20, matches=60, rallies=20, a_rally=5)
    for row in rows["levels.csv"]:
        row["position"] += 10
    return rows


def killed(batch: Batch, marks: int) -> None:
    assert batch.job is not None
    begun = Mark.objects.count()
    with a_worker(batch.job.pk) as process:
        until(lambda: Mark.objects.count() > begun + marks)
        process.send_signal(signal.SIGKILL)
        process.wait(10)
    Job.objects.filter(pk=batch.job.pk).update(lease_until=timezone.now() - timedelta(seconds=1))


@pytest.mark.parametrize("round_", range(ROUNDS))
def test_the_next_attempt_leaves_one_whole_import(
    round_: int, cast: Any, tmp_path: Path, settings: Any
) -> None:
    settings.MEDIA_ROOT = tmp_path / "media"
    rows, before = years(round_), club_rows()
    batch = ready(cast, tmp_path / "sheets", rows)
    killed(batch, 1 + 3000 * round_)
    assert not Match.objects.filter(club=cast.club).exists()
    assert Batch.objects.get().holding is not None
    jobs.run_due()
    batch.refresh_from_db()
    assert batch.state == "done", Job.objects.get(pk=batch.job_id).note
    after = club_rows()
    assert after["Mark"] - before["Mark"] == len(rows["checks.csv"])
    assert after["Situation"] - before["Situation"] == len(rows["situations.csv"])
    assert after["Match"] - before["Match"] == Match.objects.filter(club=cast.club).count() == 60
    assert after["Club"] == before["Club"]


def test_what_nobody_goes_on_with_is_swept(cast: Any, tmp_path: Path, settings: Any) -> None:
    settings.MEDIA_ROOT = tmp_path / "media"
    before = club_rows()
    batch = ready(cast, tmp_path / "sheets", years(9))
    killed(batch, 2000)
    assert club_rows() != before
    drop_batch(by=cast.head_coach, batch=batch)
    jobs.run_due()
    batch.refresh_from_db()
    assert (batch.state, batch.holding) == ("gone", None)
    assert club_rows() == before
    assert not list((tmp_path / "media" / "exchange").rglob("*.csv"))
