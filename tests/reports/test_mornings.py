"""The full fit of each local morning: once a day, on the club's clock, and only where something new is counted."""

from datetime import UTC, datetime, timedelta
from io import StringIO

import pytest
from django.core.management import call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext

from clubcoach import jobs as queue
from clubcoach.models import Club, Job
from reports import jobs
from reports.models import SharedFit
from reports.mornings import clubs_to_fit
from reports.scoring import full_fit, full_fit_due
from sessions.models import Cover
from tests import factories as make
from tests.reports.published import FIRST, publish_many, publish_rows, unit_of

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def nudges(monkeypatch):
    monkeypatch.setattr(queue, "nudge", lambda job: None)


def at(day, hour, minute=0):
    return datetime(2026, 11, day, hour, minute, tzinfo=UTC)


def zone(club, name):
    club.time_zone = name
    club.save(update_fields=["time_zone"])


@pytest.fixture
def club(cast):
    zone(cast.club, "UTC")
    publish_many(cast, days=2)
    return cast.club


@pytest.mark.parametrize(("hour", "due"), [(3, False), (4, True), (6, True), (7, False), (15, False)])
def test_between_four_and_seven(club, hour, due):
    assert clubs_to_fit(at(20, hour, 30)) == ([club] if due else [])


def test_on_the_club_s_own_clock(club):
    zone(club, "America/Sao_Paulo")
    assert clubs_to_fit(at(20, 5)) == []
    assert clubs_to_fit(at(20, 8)) == [club]
    zone(club, "Pacific/Auckland")
    assert clubs_to_fit(at(20, 16)) == [club]


@pytest.mark.parametrize("day", [datetime(2026, 10, 25, tzinfo=UTC), datetime(2027, 3, 28, tzinfo=UTC)])
def test_once_on_the_day_on_which_the_clock_is_changed(club, day):
    """Every twenty minutes of a day that has 23 or 25 hours."""
    zone(club, "Europe/Madrid")
    fits = []
    for minutes in range(-120, 26 * 60, 20):
        now = day + timedelta(minutes=minutes)
        if clubs_to_fit(now) and club.today(now) == day.date():
            fits.append(now)
            full_fit(club=club, now=now)
    assert len(fits) == 1


def test_once_a_day_and_again_the_next_when_something_came(cast, club):
    full_fit(club=club, now=at(20, 4, 10))
    publish_rows(cast, {unit_of(cast.ana): {"L2": 0.5}}, day=FIRST + timedelta(days=30))
    assert clubs_to_fit(at(20, 4, 50)) == []
    assert clubs_to_fit(at(21, 4)) == [club]
    full_fit(club=club, now=at(21, 4))
    assert clubs_to_fit(at(22, 4)) == []


def test_a_fit_of_the_evening_before_leaves_nothing_to_do_in_the_morning(cast, club):
    zone(club, "America/Sao_Paulo")
    # 22:30 there, and the next day already in UTC.
    full_fit(club=club, now=at(21, 1, 30))
    assert clubs_to_fit(at(21, 8)) == []
    publish_rows(cast, {unit_of(cast.ana): {"L2": 0.5}}, day=FIRST + timedelta(days=30))
    assert clubs_to_fit(at(21, 8)) == [club]


def test_what_was_withdrawn_is_new_too(club):
    full_fit(club=club, now=at(19, 12))
    assert clubs_to_fit(at(20, 5)) == []
    Cover.objects.filter(pk=Cover.objects.first().pk).update(current=False)
    assert clubs_to_fit(at(20, 5)) == [club]
    Cover.objects.update(current=False)
    assert clubs_to_fit(at(20, 5)) == []


def test_a_club_that_is_being_fitted_is_not_fitted_beside_it(club):
    job = queue.enqueue("score.club", club=club)
    Job.objects.filter(pk=job.pk).update(state="running")
    assert clubs_to_fit(at(20, 5)) == []


def test_the_regular_job_asks_once_and_clears_up_after_itself(club, monkeypatch):
    monkeypatch.setattr(jobs.timezone, "now", lambda: at(20, 5))
    old = queue.enqueue("score.mornings", key="score.mornings")
    assert queue.perform(old.pk)
    Job.objects.filter(pk=old.pk).update(created_at=at(17, 5))
    queue.enqueue_regular(at(20, 5))
    again = Job.objects.get(kind="score.mornings", state="waiting")
    assert queue.perform(again.pk)
    assert Job.objects.filter(kind="score.club", club=club, state="waiting").count() == 1
    assert not Job.objects.filter(pk=old.pk).exists()
    assert Job.objects.get(pk=again.pk).state == Job.State.DONE
    assert queue.perform(Job.objects.get(kind="score.club").pk)
    assert SharedFit.objects.filter(club=club).count() == 1


def test_as_many_queries_for_many_clubs_as_for_one(cast, club):
    def needed():
        with CaptureQueriesContext(connection) as caught:
            clubs_to_fit(at(20, 5))
        return len(caught)

    full_fit(club=club, now=at(19, 12))
    one = needed()
    fit = SharedFit.objects.get()
    for _ in range(12):
        SharedFit.objects.create(club=make.make_club(time_zone="UTC"), shared=fit.shared)
    assert Club.objects.count() > 12
    assert needed() == one <= 4


def test_a_grown_club_waits_for_its_morning(club):
    fit = full_fit(club=club, now=at(19, 12))
    fit.shared["n"] = 5000
    fit.save(update_fields=["shared"])
    assert not full_fit_due(club, at(20, 12))
    assert full_fit_due(club, at(21, 13))


def test_progress_is_told_on_the_job_and_at_the_command_line(club, monkeypatch):
    said = StringIO()
    call_command("rescore", club=club.slug, stdout=said)
    lines = said.getvalue().splitlines()
    assert [line.split()[2].lower() for line in lines[:-1]] == ["reading", "learning", "fitting", "writing"]
    shares = [int(line.split()[0]) for line in lines[:-1]]
    assert shares == sorted(set(shares))
    assert lines[-1] == f"{club.name} is scored."
    assert Job.objects.get(kind="score.club").note.startswith("Writing")
