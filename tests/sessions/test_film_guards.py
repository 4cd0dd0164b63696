"""Whose picture it is: who may not even send a film, what goes with a consent that has run out, who watched."""

from datetime import date, timedelta
from pathlib import Path

import pytest
from django.core.files.base import ContentFile
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from clubcoach.models import AuditEvent
from players.models import FilmConsent
from players.services import withdraw_consent
from sessions import stills
from sessions.models import Film, MatchFilm
from tests import factories as make

pytestmark = pytest.mark.django_db
RUN_OUT = date(2026, 1, 1)


@pytest.fixture
def filmed(chain):
    """A film of Ana's match that everybody in the picture agreed to, with something where a picture is kept."""
    for player in (chain.cast.ana, chain.cast.dan):
        make.consent(player)
    chain.match.seats.update(visitor_consent=True)
    chain.film = Film(club=chain.cast.club, name="court.webm", size=9, digest="d" * 64, state="ready")
    chain.film.duration_s = 60
    chain.film.file.save("court.webm", ContentFile(b"\x1a\x45\xdf\xa3film."), save=False)
    chain.film.save()
    MatchFilm.objects.create(match=chain.match, film=chain.film)
    chain.picture = stills.path_at(chain.film, 23.0)
    chain.picture.parent.mkdir(parents=True)
    chain.picture.write_bytes(b"a picture")
    return chain


def watch(chain, person, **headers):
    path = reverse("film_bytes", args=["seaside", chain.film.uuid])
    answer = chain.cast.client(person).get(path, headers=headers)
    if answer.streaming:
        list(answer.streaming_content)
    return answer


@pytest.mark.parametrize("who", ["stranger", "student", "manager"])
def test_a_film_from_somebody_who_may_not_send_it_is_not_put_on_disk(chain, monkeypatch, who):
    """It may be gigabytes: the right comes before the body, not behind it."""
    written = []
    monkeypatch.setattr(
        "django.core.files.uploadhandler.TemporaryFileUploadHandler.receive_data_chunk",
        lambda self, data, start: written.append(len(data)),
    )
    path = reverse("film_upload", args=["seaside", chain.match.uuid])
    upload = SimpleUploadedFile("court.webm", b"\x1a\x45\xdf\xa3" + b"0" * 3 * 1024 * 1024)
    client = Client(enforce_csrf_checks=True)
    client.force_login(
        getattr(chain.cast, who), backend="allauth.account.auth_backends.AuthenticationBackend"
    )
    client.cookies["csrftoken"] = "a" * 32
    answer = client.post(path, {"upload": upload})
    assert answer.status_code == (404 if who == "stranger" else 403)
    assert written == []


def test_a_name_with_a_way_out_in_it_stays_in_the_folder_of_films(filmed, settings):
    upload = SimpleUploadedFile("x.webm", b"\x1a\x45\xdf\xa3" + b"1" * 2000)
    upload._name = "../../../escaped.webm"
    path = reverse("film_upload", args=["seaside", filmed.match.uuid])
    answer = filmed.cast.client(filmed.cast.assistant).post(path, {"upload": upload})
    assert answer.status_code == 302
    film = Film.objects.exclude(pk=filmed.film.pk).get()
    assert film.name == "escaped.webm"
    assert Path(film.original.name).parent == Path("incoming")
    assert not list(settings.MEDIA_ROOT.parent.rglob("escaped*"))


@pytest.mark.parametrize("which", [0, 1])
def test_one_consent_of_two_that_ran_out_is_enough_to_close_the_film(filmed, which):
    assert watch(filmed, filmed.cast.head_coach).status_code == 200
    player = (filmed.cast.ana, filmed.cast.dan)[which]
    FilmConsent.objects.filter(player=player).update(expires_on=RUN_OUT)
    assert watch(filmed, filmed.cast.head_coach).status_code == 403
    assert watch(filmed, filmed.cast.head_coach, range="bytes=0-1").status_code == 403


def test_a_film_of_no_match_is_shown_to_nobody(filmed):
    """Who is in its picture is not known any more, so nobody can have agreed."""
    MatchFilm.objects.all().delete()
    assert watch(filmed, filmed.cast.head_coach).status_code == 403


def test_pictures_go_also_when_the_consent_had_run_out_before(filmed, django_capture_on_commit_callbacks):
    FilmConsent.objects.filter(player=filmed.cast.ana).update(expires_on=RUN_OUT)
    with django_capture_on_commit_callbacks(execute=True):
        assert withdraw_consent(by=filmed.cast.student, player=filmed.cast.ana) == 0
    assert not filmed.picture.exists()


def test_who_watched_is_on_record_once_a_day(filmed):
    for range_ in ("bytes=0-1", "bytes=2-3", "bytes=0-"):
        assert watch(filmed, filmed.cast.head_coach, range=range_).status_code == 206
    assert watch(filmed, filmed.cast.assistant).status_code == 200
    rows = AuditEvent.objects.filter(action="film.watched").values_list("actor", "target_id", "fields")
    film = str(filmed.film.pk)
    assert list(rows.order_by("pk")) == [
        (filmed.cast.head_coach.pk, film, []),
        (filmed.cast.assistant.pk, film, []),
    ]
    AuditEvent.objects.update(at=timezone.now() - timedelta(days=1))
    watch(filmed, filmed.cast.assistant)
    assert AuditEvent.objects.filter(action="film.watched").count() == 3


def test_who_was_refused_did_not_watch(filmed):
    assert watch(filmed, filmed.cast.student).status_code == 403
    FilmConsent.objects.update(expires_on=RUN_OUT)
    assert watch(filmed, filmed.cast.head_coach).status_code == 403
    assert not AuditEvent.objects.filter(action="film.watched").exists()
