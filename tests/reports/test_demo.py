"""The demo club, in small: made by the services that people use, kept when asked for twice, gone when asked to."""

from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.test import Client

from clubcoach.models import Club, Job, User
from reports.demo import club as demo
from reports.demo.people import SLUG
from reports.management.commands import fill_demo
from reports.models import FocusPoint, Homework, Score, SharedFit
from sessions.models import Analysis, Tally

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def filled(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path
    said = []
    club = demo.fill(said.append, weeks=1, with_film=False)
    return club, said


def test_a_small_demo_club_is_whole(filled):
    club, said = filled
    assert len(said) == 2
    assert Analysis.objects.filter(match__club=club, state="published").count() == 3
    assert {job.state for job in Job.objects.all()} == {"done"}
    assert SharedFit.objects.filter(club=club).exists()
    scored = set(Score.objects.filter(club=club, series="now").values_list("unit", flat=True))
    assert scored == set(Tally.objects.values_list("unit", flat=True))
    assert FocusPoint.objects.filter(unit__club=club, by_rule=True).exists()
    assert Homework.objects.filter(drill__place="in_your_match").exists()
    roles = set()
    for role, email, password in demo.demo_logins():
        client = Client()
        assert client.login(email=email, password=password)
        assert client.get(f"/c/{SLUG}/", follow=True).status_code == 200
        roles.add(role)
    assert roles >= {"head coach", "assistant coach", "student", "guardian", "club manager"}
    kept = call("fill_demo")
    assert "here already" in kept
    assert Analysis.objects.filter(match__club=club).count() == 3
    # Scoring the whole club again is a command, and gives the same scores for the same tallies.
    before = list(Score.objects.filter(series="then").order_by("pk").values_list("pk", "score"))
    assert "is scored" in call("rescore", club=SLUG)
    assert list(Score.objects.filter(series="then").order_by("pk").values_list("pk", "score")) == before
    fill_demo.remove()
    assert not Club.objects.filter(slug=SLUG).exists()
    assert not User.objects.exists()


def test_rescoring_a_club_that_is_not_there():
    with pytest.raises(CommandError, match="no club"):
        call("rescore", club="nowhere")


def call(name, **options):
    out = StringIO()
    call_command(name, stdout=out, **options)
    return out.getvalue()
