"""What was planted in the demo club is found in its scores, and its page rules hold."""

import numpy as np
import pytest
from django.core.management import call_command

from clubcoach.compute.progression import Shared
from clubcoach.models import User
from players.models import Player
from reports.demo import club as demo
from reports.demo.people import COACHES, SLUG, address_of
from reports.demo.play import STRICTNESS
from reports.models import FocusPoint, Homework, Score, SharedFit
from sessions.models import Analysis, Analyst

pytestmark = pytest.mark.django_db


@pytest.fixture
def filled(settings, tmp_path, django_capture_on_commit_callbacks):
    settings.MEDIA_ROOT = tmp_path
    with django_capture_on_commit_callbacks(execute=True):
        return demo.fill(lambda text: None, weeks=3, with_film=False)


def test_the_club_is_there_whole_and_scored(filled):
    assert filled.players.count() == 12
    assert filled.memberships.values("user").distinct().count() == 1 + 1 + 3 + 12 + 1
    minors = [player for player in Player.objects.filter(club=filled) if player.is_minor()]
    assert len(minors) == 1
    assert minors[0].guardianships.count() == 1
    assert set(Analysis.objects.values_list("state", flat=True)) == {"published"}
    assert Score.objects.filter(club=filled, series="now").count() > 100
    assert Score.objects.filter(club=filled, series="then").exists()
    assert FocusPoint.objects.exists()
    assert Homework.objects.filter(drill__place="in_your_match").exists()
    per_unit = FocusPoint.objects.filter(state="active").values_list("unit", flat=True)
    assert max(np.unique(list(per_unit), return_counts=True)[1]) <= 3
    assert FocusPoint.objects.filter(unit__first=minors[0], unit__kind="player", state="active").count() <= 1


def test_who_is_strict_is_found(filled):
    call_command("rescore", club=SLUG)
    shared = Shared.from_dict(SharedFit.objects.filter(club=filled).first().shared)
    found = dict(zip(shared.analysts.tolist(), shared.effect("gamma").tolist(), strict=True))
    users = [User.objects.get(email=address_of(*row[:2])) for row in COACHES[1:]]
    told = [found[Analyst.objects.get(club=filled, user=user).pk] for user in users]
    assert sorted(STRICTNESS, reverse=True) == list(STRICTNESS)
    assert told == sorted(told, reverse=True)
