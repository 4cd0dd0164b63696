"""A cast that tests share: a small club with one person per role, and another club that must never see it."""

import os
import shutil
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any

import pytest
from django.db import connection
from django.test import Client

from clubcoach.access import Role
from clubcoach.models import Club, User
from players.models import CheckListVersion, Player
from tests import factories as make
from tests.clubcoach.walk import build_world

MISSING_BROWSER = pytest.StashKey[int]()
MISSING_REDIS = pytest.StashKey[int]()


def pytest_configure(config: pytest.Config) -> None:
    """Processes side by side take modules in the order of long_first and not by how many tests are in them."""
    if hasattr(config.option, "loadscopereorder"):
        config.option.loadscopereorder = False


def long_first(items: list[pytest.Item]) -> None:
    """Modules of a browser have few tests and long ones: begun last, one would keep a process while others idle."""
    scopes = [item.nodeid.rsplit("::", 1)[0] for item in items]
    tests = Counter(scopes)
    place = {
        scope: ("e2e" not in item.path.parts, "upgrade" not in item.path.parts, -tests[scope], number)
        for number, (scope, item) in enumerate(zip(scopes, items, strict=True))
    }
    items.sort(key=lambda item: place[item.nodeid.rsplit("::", 1)[0]])


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    for item in items:
        if "e2e" in item.path.parts:
            item.add_marker("browser")
    if not os.environ.get("REDIS_URL"):
        on_redis = [item for item in items if item.get_closest_marker("redis")]
        config.stash[MISSING_REDIS] = len(on_redis)
        items[:] = [item for item in items if not item.get_closest_marker("redis")]
    if "PYTEST_XDIST_WORKER" in os.environ:
        long_first(items)
    if shutil.which("chromium") or shutil.which("chromium-browser"):
        return
    in_browser = [item for item in items if item.get_closest_marker("browser")]
    if in_browser and os.environ.get("CI") == "true":
        raise pytest.UsageError("No Chromium found: the browser tests cannot run, and in CI they must.")
    config.stash[MISSING_BROWSER] = len(in_browser)
    items[:] = [item for item in items if not item.get_closest_marker("browser")]


def pytest_terminal_summary(terminalreporter: Any, config: pytest.Config) -> None:
    if without := config.stash.get(MISSING_REDIS, 0):
        terminalreporter.write_line(
            f"{without} tests need REDIS_URL and did not run; .ci/run gives it to them."
        )
    missing = config.stash.get(MISSING_BROWSER, 0)
    if missing or not (shutil.which("chromium") or shutil.which("chromium-browser")):
        terminalreporter.write_line(
            f"!!! NO BROWSER: {missing or 'all'} browser tests DID NOT RUN. Install Chromium to run them.",
            red=True,
            bold=True,
        )


def deleted(style: Any, tables: list[str], *, reset_sequences: bool = False, **_options: Any) -> list[str]:
    """Statements that empty tables of a few rows: TRUNCATE makes new files for all sixty, which takes seconds."""
    assert not reset_sequences
    # One transaction, and every foreign key of Django's is looked at when it ends: the order is no matter.
    return [f"DELETE FROM {connection.ops.quote_name(table)}" for table in tables]


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup: None, django_db_blocker: Any) -> Iterator[None]:
    """A browser's last request may still hold a connection when the database is to be dropped."""
    if connection.vendor == "postgresql":
        connection.ops.sql_flush = deleted  # type: ignore[method-assign]
    yield
    if connection.vendor == "postgresql":
        with django_db_blocker.unblock(), connection.cursor() as cursor:
            cursor.execute(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
                " WHERE datname = current_database() AND pid <> pg_backend_pid()"
            )


@dataclass
class Cast:
    club: Club
    manager: User
    head_coach: User
    assistant: User
    student: User
    guardian: User
    all_in_one: User  # coach, student and guardian of the same club
    two_clubs: User  # assistant here, student in the other club
    stranger: User  # head coach of the other club
    other_club: Club
    check_list: CheckListVersion
    ana: Player  # the student
    ben: Player  # a minor, child of the guardian
    cleo: Player  # the player of the person with three roles
    dan: Player
    other_player: Player

    def client(self, person: User | None) -> Client:
        client = Client()
        if person is not None:
            client.force_login(person, backend="allauth.account.auth_backends.AuthenticationBackend")
        return client

    def visitors(self) -> dict[str, User | None]:
        """The nine kinds of visitor for whom every address is tried."""
        return {
            "manager": self.manager,
            "head_coach": self.head_coach,
            "assistant": self.assistant,
            "student": self.student,
            "guardian": self.guardian,
            "all_in_one": self.all_in_one,
            "two_clubs": self.two_clubs,
            "stranger": self.stranger,
            "anonymous": None,
        }


@pytest.fixture
def cast(db: Any) -> Cast:
    club = make.make_club("seaside", name="Seaside Test Club", welfare_contact="welfare@example.org")
    other = make.make_club("hilltop", name="Hilltop Test Club")
    level = make.make_level(club)
    student = make.make_member(club, Role.STUDENT, name="Ana")
    guardian = make.make_member(club, Role.GUARDIAN, name="Greta")
    all_in_one = make.make_member(club, Role.ASSISTANT, Role.STUDENT, Role.GUARDIAN, name="Cleo")
    two_clubs = make.make_member(club, Role.ASSISTANT, name="Toni")
    make.make_member(other, Role.STUDENT, user=two_clubs)
    ben = make.make_player(club, "Ben", level=level, born_on=date(2014, 5, 1))
    make.guard(ben, guardian)
    cleo_child = make.make_player(club, "Cleo junior", level=level, born_on=date(2013, 3, 3))
    make.guard(cleo_child, all_in_one)
    version = make.make_check_list(club)
    make.make_check_list(other)
    return Cast(
        club=club,
        manager=make.make_member(club, Role.MANAGER, name="Mara"),
        head_coach=make.make_member(club, Role.HEAD_COACH, name="Hana"),
        assistant=make.make_member(club, Role.ASSISTANT, name="Aldo"),
        student=student,
        guardian=guardian,
        all_in_one=all_in_one,
        two_clubs=two_clubs,
        stranger=make.make_member(other, Role.HEAD_COACH, name="Stranger"),
        other_club=other,
        check_list=version,
        ana=make.make_player(club, "Ana", level=level, user=student, born_on=date(1990, 1, 1)),
        ben=ben,
        cleo=make.make_player(club, "Cleo", level=level, user=all_in_one, born_on=date(1985, 1, 1)),
        dan=make.make_player(club, "Dan", level=level, born_on=date(1988, 1, 1)),
        other_player=make.make_player(other, "Otto", user=two_clubs),
    )


@pytest.fixture
def world(cast: Cast, settings: Any, tmp_path: Any) -> dict[str, Any]:
    """One row of everything in the first club, as addresses name it; every text of it says "seaside"."""
    settings.MEDIA_ROOT = tmp_path
    return build_world(
        cast.club,
        coach=cast.head_coach,
        analyst=cast.assistant,
        player=cast.ana,
        other=cast.dan,
        mark="seaside",
    )
