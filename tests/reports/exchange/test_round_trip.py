"""Out, in somewhere else, and out again: the same files, byte for byte."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from django.db.models import Sum
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from clubcoach.models import Club
from reports.exchange import load
from reports.exchange.columns import FILES
from reports.exchange.folder import read_folder
from reports.exchange.out import write_folder
from reports.exchange.plan import Plan, make_plan
from reports.exchange.problems import Problems
from reports.exchange.switch import switch_over
from reports.exchange.write import write
from reports.models import Batch
from sessions.models import Match, Tally
from tests.factories import make_club
from tests.reports.exchange.any_club import any_club

pytestmark = pytest.mark.django_db
# A club is made by its seed, so a smaller seed is no simpler club: nothing to shrink.
FEW = settings(
    max_examples=5,
    deadline=None,
    phases=[Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


@pytest.fixture(autouse=True)
def no_pause(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(load, "_PAUSES", {})


def files(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def read(club: Club, by: Any, folder: Path) -> Plan:
    problems = Problems()
    plan = make_plan(club=club, by=by, tables=read_folder(folder, problems), problems=problems)
    assert not problems, [str(problem) for problem in problems]
    return plan


def bring(club: Club, by: Any, folder: Path) -> None:
    batch, plan = Batch.objects.create(club=club, by=by, name="folder"), read(club, by, folder)
    write(batch, plan, lambda *_: None)
    switch_over(batch, plan)


def tallied(club: Club) -> Any:
    """What scoring reads, by names that both clubs share."""
    rows = Tally.objects.current().filter(unit__club=club)
    names = ("day", "check_identity__code", "ball", "unit__kind")
    return sorted(rows.order_by().values_list(*names).annotate(seen=Sum("seen"), met=Sum("met")))


def there_and_back(seed: int, people: int, matches: int, cast: Any, folder: Path) -> None:
    club = any_club(seed, people=people, matches=matches)
    write_folder(club, folder / "one")
    assert set(files(folder / "one")) == set(FILES)
    # In the club that it came from, it changes nothing.
    assert read(club, cast.head_coach, folder / "one").empty
    other = make_club(time_zone=club.time_zone)
    bring(other, cast.head_coach, folder / "one")
    write_folder(other, folder / "two")
    assert files(folder / "two") == files(folder / "one")
    assert read(other, cast.head_coach, folder / "one").empty
    assert tallied(other) == tallied(club)


@FEW
@given(seed=st.integers(0, 2**32 - 1), people=st.integers(0, 7), matches=st.integers(0, 4))
def test_a_club_of_any_kind(
    seed: int, people: int, matches: int, cast: Any, tmp_path_factory: pytest.TempPathFactory
) -> None:
    there_and_back(seed, people, matches, cast, tmp_path_factory.mktemp("club"))


@pytest.mark.long
@settings(FEW, max_examples=60)
@given(seed=st.integers(0, 2**32 - 1), people=st.integers(2, 9), matches=st.integers(1, 7))
def test_many_clubs(
    seed: int, people: int, matches: int, cast: Any, tmp_path_factory: pytest.TempPathFactory
) -> None:
    there_and_back(seed, people, matches, cast, tmp_path_factory.mktemp("club"))


def test_a_club_with_nothing(cast: Any, tmp_path: Path) -> None:
    club = make_club()
    write_folder(club, tmp_path / "one")
    assert all(data.count(b"\n") == 1 for data in files(tmp_path / "one").values())
    assert not Match.objects.filter(club=club).exists()
