"""What publishing a match costs until its four players are scored again, with the database's part."""

import statistics
import time
from datetime import timedelta

import numpy as np
import pytest
from django.db import connection
from django.db.models import Count
from django.utils import timezone

from clubcoach.access import Role
from players.models import Check, Unit
from reports.models import Score
from reports.scoring import full_fit, rescore_units
from sessions.models import Cover, Tally
from tests import factories as make
from tests.reports.published import FIRST

pytestmark = [pytest.mark.bench, pytest.mark.django_db]
UNITS, DAYS, ASKED = 24, 12, 20


def match_of(club, units, day, checks, analyst, rng):
    """A published match of four, in which each is seen in so many checks some times."""
    match = make.make_match(club, [unit.first for unit in units], played_on=day)
    analysis = make.make_analysis(
        match, analyst=analyst, units=units, state="published", published_at=timezone.now()
    )
    Cover.objects.filter(analysis=analysis).update(current=True)
    rows = []
    for unit in units:
        for check in rng.choice(checks, ASKED, replace=False):
            for ball in ("easy", "normal", "hard"):
                seen = int(rng.integers(1, 4))
                rows.append(
                    Tally(
                        analysis=analysis,
                        unit=unit,
                        day=day,
                        check_identity=check,
                        analyst=analysis.analyst,
                        ball=ball,
                        seen=seen,
                        met=int(rng.binomial(seen, 0.55)),
                    )
                )
    Tally.objects.bulk_create(rows)


def test_four_units_after_a_published_match(db):
    rng = np.random.default_rng(7)
    club = make.make_club()
    make.make_check_list(club, areas=("feet", "lob", "bandeja", "serve", "net", "glass", "plan", "return"))
    checks = list(Check.objects.filter(club=club, kind="doing", unit="player"))
    players = [make.make_player(club, f"P{n}") for n in range(UNITS)]
    units = list(Unit.objects.filter(first__in=players, kind="player").select_related("first"))
    eyes = [make.make_member(club, Role.ASSISTANT) for _ in range(3)]
    for day in range(DAYS):
        for at in range(0, UNITS, 4):
            who = units[at : at + 4]
            match_of(club, who, FIRST + timedelta(days=9 * day + at), checks, eyes[int(rng.integers(3))], rng)
    full_fit(club=club)
    four, last = units[:4], FIRST + timedelta(days=9 * DAYS + 1)
    match_of(club, four, last, checks, eyes[0], rng)
    walls, works = [], []
    for _ in range(9):
        # Each time as the first time: the new day has not been told.
        Score.objects.filter(unit__in=four, series="then", day=last).delete()
        wall, work = time.perf_counter(), time.process_time()
        rescore_units(club=club, units=four)
        walls.append(time.perf_counter() - wall)
        works.append(time.process_time() - work)
    rows = Score.objects.filter(unit__in=four).aggregate(n=Count("pk"))["n"]
    areas = len({check.area_id for check in checks})
    print(
        f"\nfour units of {UNITS}, {DAYS + 1} days, {areas} areas, on {connection.vendor}: "
        f"{statistics.median(walls):.3f} s (best {min(walls):.3f} s), of which this process worked "
        f"{statistics.median(works):.3f} s; {rows} rows stand"
    )
    assert Score.objects.filter(unit__in=four, day=last, series="then").exists()
    assert Score.objects.filter(unit__in=four, day=last, series="now").exists()
