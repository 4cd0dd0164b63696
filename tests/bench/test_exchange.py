"""What bringing years of sheets in costs: time, memory, and how long others wait meanwhile."""

from __future__ import annotations

import json
import resource
import sqlite3
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from django.conf import settings
from django.db import connection
from django.urls import reverse

from reports.exchange.folder import read_folder
from reports.exchange.plan import make_plan
from reports.exchange.problems import Problems
from reports.exchange.switch import switch_over
from reports.exchange.write import write
from reports.models import Batch
from sessions.models import Closure, Mark, Rally, Situation, Tally
from tests.bench.board import Board
from tests.bench.sheets_large import large_folder
from tests.sessions.chain import make_chain
from tests.workers import environment

pytestmark = [pytest.mark.bench, pytest.mark.django_db(transaction=True)]
MATCHES, PLAYERS = 3300, 960
"""Some 2.4 million checks."""
LARGE = (Mark, Situation, Closure, Rally, Tally)


@contextmanager
def a_coach_at_work(chain: Any, took: list[float]) -> Iterator[None]:
    situation = chain.see()
    address = reverse("api:analysis_ops", args=[chain.cast.club.slug, chain.analysis.uuid])
    target = f"{situation.uuid}/L1"
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.bench.marker", address, target, str(chain.cast.assistant.pk)],
        env=environment(),
        cwd=settings.BASE_DIR,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    try:
        yield
    finally:
        out, _err = process.communicate(timeout=60)
        took += json.loads(out)


def test_years_of_sheets(board: Board, cast: Any, tmp_path: Path) -> None:
    checks = large_folder(tmp_path / "sheets", matches=MATCHES, players=PLAYERS)
    chain, steps, took, alone = make_chain(cast), {}, [], []
    with a_coach_at_work(chain, alone):
        time.sleep(8)
    chain.see()
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    batch = Batch.objects.create(club=cast.club, by=cast.head_coach, name="sheets")
    with a_coach_at_work(make_chain(cast, match=chain.match, purpose="second"), took):
        time.sleep(3)
        problems = Problems()
        began = time.perf_counter()

        def step(name: str) -> None:
            nonlocal began
            steps[name] = time.perf_counter() - began
            began = time.perf_counter()

        read = read_folder(tmp_path / "sheets", problems)
        step("reading the files")
        plan = make_plan(club=cast.club, by=cast.head_coach, tables=read, problems=problems)
        step("checking every row")
        assert not problems, [str(problem) for problem in problems][:5]
        write(batch, plan, lambda *_: None)
        step("writing, with pauses for others")
        switch_over(batch, plan)
        step("switching over")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    assert plan.new["checks"] == checks
    whole, rows = sum(steps.values()), {model: model.objects.count() for model in LARGE}
    assert rows[Mark] >= checks
    floor = plain_load()
    what = (
        f"{checks:,} checks in {plan.new['situations']:,} situations of {MATCHES:,} matches, while"
        " a process saves a mark every tenth of a second. The floor loads the same rows of the five large tables with"
        f" their indexes by {'COPY' if connection.vendor == 'postgresql' else 'sqlite3, in one transaction'}."
    )
    with board.section(f"Bringing sheets in, {connection.vendor}", what) as section:
        for name, seconds in steps.items():
            section.tell(f"{name}, s", seconds, show="{:.1f}")
        section.tell("the whole, checks a second", checks / whole, show="{:,.0f}")
        section.tell("the floor, checks a second", checks / floor, show="{:,.0f}")
        section.tell("the whole beside the floor, times as long", whole / floor, show="{:.1f}")
        section.tell("most memory of the process, GB", peak, bar="< 4", show="{:.2f}")
        section.tell("before, GB", before, show="{:.2f}")
        for name, times in (("nobody imports", alone), ("an import runs", took)):
            bar = "< 150" if times is took else ""
            section.tell(
                f"saving a mark while {name}, 95th percentile, ms",
                float(np.percentile(times, 95)),
                bar=bar,
                show="{:.0f}",
            )
            section.tell(
                f"the same, median and most, of {len(times)}",
                [statistics.median(times), max(times)],
                show="{:.0f}",
            )
    assert np.percentile(took, 95) < 150
    assert peak < 4


def plain_load() -> float:
    """Seconds that the database alone needs for the rows of the large tables."""
    if connection.vendor == "postgresql":
        return _copy_again()
    seconds = 0.0
    floor = sqlite3.connect(Path(connection.settings_dict["NAME"]).with_suffix(".floor"))
    floor.executescript("PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL;")
    with connection.cursor() as cursor:
        for model in LARGE:
            table = model._meta.db_table
            cursor.execute("SELECT sql FROM sqlite_master WHERE tbl_name = %s AND sql IS NOT NULL", [table])
            floor.execute(f'DROP TABLE IF EXISTS "{table}"')
            for (statement,) in cursor.fetchall():
                floor.execute(statement)
            cursor.execute(f'SELECT * FROM "{table}"')
            rows = cursor.fetchall()
            holes = ", ".join("?" * len(cursor.description))
            began = time.perf_counter()
            with floor:
                floor.executemany(f'INSERT INTO "{table}" VALUES ({holes})', rows)
            seconds += time.perf_counter() - began
    floor.close()
    return seconds


def _copy_again() -> float:
    seconds = 0.0
    with connection.cursor() as cursor:
        for model in LARGE:
            table = model._meta.db_table
            cursor.execute(f"CREATE TABLE floor (LIKE {table} INCLUDING ALL)")
            with cursor.copy(f"COPY {table} TO STDOUT") as copy:
                rows = [bytes(part) for part in copy]
            began = time.perf_counter()
            with cursor.copy("COPY floor FROM STDIN") as copy:
                for part in rows:
                    copy.write(part)
            seconds += time.perf_counter() - began
            cursor.execute("DROP TABLE floor")
    return seconds
