"""Films in pieces: what the protocol asks, who may, and what is refused with which words."""

import errno
import fcntl
import hashlib
import os
from base64 import b64encode
from datetime import timedelta

import pytest
from django.core.exceptions import PermissionDenied, ValidationError
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone
from django.utils.http import parse_http_date

from clubcoach.models import ApiToken, AuditEvent, Job
from players.models import FilmConsent
from sessions import film_store, services
from sessions.fingerprint import slices_of
from sessions.models import Film, MatchFilm, Upload
from tests import factories as make

pytestmark = pytest.mark.django_db
FILM = b"\x1a\x45\xdf\xa3" + bytes(range(256)) * 20
LENGTH = len(FILM)
ZIP = b"PK\x03\x04" + b"\0" * 5000
PLAYLIST = b"#EXTM3U\n#EXTINF:10,\n/etc/passwd\n" + b"#" * 5000


@pytest.fixture
def agreed(chain):
    for player in (chain.cast.ana, chain.cast.dan):
        make.consent(player)
    chain.match.seats.update(visitor_consent=True)
    chain.match = type(chain.match).objects.get(pk=chain.match.pk)
    return chain


class Sender:
    """One person's client of the protocol, as simple as it can be."""

    def __init__(self, chain, person=None, client=None):
        self.chain = chain
        self.client = client or chain.cast.client(person or chain.cast.assistant)

    def ask(self, method, path, body=b"", **headers):
        headers = {"tus-resumable": "1.0.0", **{k.replace("_", "-"): v for k, v in headers.items()}}
        kind = headers.pop("content-type", "application/offset+octet-stream")
        headers = {name: value for name, value in headers.items() if value is not None}
        return self.client.generic(method, path, body, content_type=kind, headers=headers)

    def begin(self, length=LENGTH, match=None, slug="seaside", **said):
        said = {"filename": "court.webm", "match": match or str(self.chain.match.uuid), **said}
        words = ",".join(f"{k} {b64encode(v.encode()).decode()}" for k, v in said.items())
        where = reverse("api:uploads", args=[slug])
        return self.ask("POST", where, upload_length=str(length), upload_metadata=words)

    def begun(self, **said):
        answer = self.begin(**said)
        assert answer.status_code == 201, answer.content
        return answer["Location"]

    def piece(self, where, body, offset=0, **headers):
        return self.ask("PATCH", where, body, upload_offset=str(offset), **headers)

    def whole(self, content=FILM, **said):
        where = self.begun(length=len(content), **said)
        return self.piece(where, content)


@pytest.fixture
def sender(agreed):
    return Sender(agreed)


def words(answer):
    return answer.json()["detail"]


def parts(settings):
    return [path for path in (settings.MEDIA_ROOT / "incoming").glob("*") if path.is_file()]


class TestProtocol:
    def test_from_the_first_to_the_last_byte(self, sender, settings):
        answer = sender.begin(offset_s="12.5")
        assert (answer.status_code, answer["Tus-Resumable"], answer.content) == (201, "1.0.0", b"")
        upload = Upload.objects.get()
        where = answer["Location"]
        assert where == reverse("api:upload", args=["seaside", upload.uuid])
        ends = parse_http_date(answer["Upload-Expires"])
        assert ends == int((upload.touched_at + timedelta(hours=72)).timestamp())
        head = sender.ask("HEAD", where)
        assert (head.status_code, head["Upload-Offset"], head["Upload-Length"]) == (200, "0", str(len(FILM)))
        assert head["Cache-Control"] == "no-store"
        assert f"filename {b64encode(b'court.webm').decode()}" in head["Upload-Metadata"].split(",")
        assert f"offset_s {b64encode(b'12.5').decode()}" in head["Upload-Metadata"].split(",")
        first = sender.piece(where, FILM[:2000])
        assert (first.status_code, first["Upload-Offset"], first.content) == (204, "2000", b"")
        assert "Upload-Expires" in first
        assert sender.ask("HEAD", where)["Upload-Offset"] == "2000"
        assert not Film.objects.exists()
        last = sender.piece(where, FILM[2000:], 2000)
        assert (last.status_code, last["Upload-Offset"]) == (204, str(len(FILM)))
        film = Film.objects.get()
        assert (film.state, film.name, film.size, film.digest) == ("arrived", "court.webm", len(FILM), "")
        assert film.original.name == f"incoming/{upload.uuid.hex}"
        assert (settings.MEDIA_ROOT / film.original.name).read_bytes() == FILM
        assert film.slices == hashlib.sha256(b"%d\n" % len(FILM) + FILM).hexdigest()
        assert MatchFilm.objects.get().offset_s == 12.5
        job = Job.objects.get()
        assert (job.kind, job.key, job.args) == ("film.read", str(film.uuid), {"film": film.pk})
        actions = list(AuditEvent.objects.order_by("pk").values_list("action", flat=True))
        assert actions == ["upload.begun", "film.added"]
        # Once somebody has read the film it lies elsewhere.
        (settings.MEDIA_ROOT / film.original.name).unlink()
        assert sender.ask("HEAD", where)["Upload-Offset"] == str(len(FILM))
        assert sender.piece(where, FILM).status_code == 409
        assert parts(settings) == []

    def test_what_is_offered(self, sender, settings):
        for name, args in (("uploads", []), ("upload", [sender.begun().split("/")[-2]])):
            answer = sender.ask(
                "OPTIONS", reverse(f"api:{name}", args=["seaside", *args]), tus_resumable=None
            )
            assert (answer.status_code, answer["Tus-Version"]) == (204, "1.0.0")
            assert answer["Tus-Extension"] == "creation,termination,expiration"
            assert answer["Tus-Max-Size"] == str(settings.FILM_MAX_MB * 1024 * 1024)

    @pytest.mark.parametrize("version", [None, "0.2.2", "1.0.1"])
    def test_another_version(self, sender, version):
        where = sender.begun()
        for method in ("HEAD", "PATCH", "DELETE"):
            answer = sender.ask(method, where, tus_resumable=version, upload_offset="0")
            assert (answer.status_code, answer["Tus-Version"]) == (412, "1.0.0")
        assert Upload.objects.count() == 1

    def test_the_wrong_place(self, sender):
        where = sender.begun()
        sender.piece(where, FILM[:10])
        for offset in (0, 9, 11):
            answer = sender.piece(where, FILM[10:20], offset)
            assert answer.status_code == 409
            assert words(answer) == "10 bytes are here: go on from there."
        for offset in ("", "-1", "ten", "1.0", "²"):
            answer = sender.ask("PATCH", where, b"x", upload_offset=offset)
            assert answer.status_code == 400
        assert sender.ask("HEAD", where)["Upload-Offset"] == "10"

    def test_more_than_was_promised(self, sender):
        where = sender.begun()
        answer = sender.piece(where, FILM + b"x")
        assert answer.status_code == 413
        assert "more than the length" in words(answer)
        assert sender.ask("HEAD", where)["Upload-Offset"] == "0"

    def test_another_kind_of_body(self, sender):
        where = sender.begun()
        answer = sender.piece(where, FILM[:9], content_type="application/octet-stream")
        assert answer.status_code == 415
        assert sender.ask("HEAD", where)["Upload-Offset"] == "0"

    def test_a_body_of_no_said_length(self, sender):
        answer = sender.piece(sender.begun(), FILM[:9], transfer_encoding="chunked")
        assert answer.status_code == 411

    def test_two_at_once(self, sender):
        where = sender.begun()
        sender.piece(where, FILM[:10])
        other = os.open(film_store.part_of(Upload.objects.get()), os.O_WRONLY)
        fcntl.flock(other, fcntl.LOCK_EX)
        answer = sender.piece(where, FILM[10:], 10)
        assert answer.status_code == 423
        os.close(other)
        assert sender.piece(where, FILM[10:], 10).status_code == 204

    def test_given_up(self, sender, settings, django_capture_on_commit_callbacks):
        where = sender.begun()
        sender.piece(where, FILM[:10])
        with django_capture_on_commit_callbacks(execute=True):
            assert sender.ask("DELETE", where).status_code == 204
        assert not Upload.objects.exists()
        assert parts(settings) == []
        assert sender.ask("HEAD", where).status_code == 404
        assert sender.piece(where, FILM[10:], 10).status_code == 404
        assert AuditEvent.objects.filter(action="upload.ended").count() == 1

    def test_giving_up_what_is_a_film_already_removes_nothing(
        self, sender, settings, django_capture_on_commit_callbacks
    ):
        sender.whole()
        where = reverse("api:upload", args=["seaside", Upload.objects.get().uuid])
        with django_capture_on_commit_callbacks(execute=True):
            sender.ask("DELETE", where)
        assert len(parts(settings)) == 1
        assert Film.objects.count() == 1

    def test_too_late(self, sender, settings):
        where = sender.begun()
        Upload.objects.update(touched_at=timezone.now() - timedelta(hours=settings.UPLOAD_HOURS, seconds=1))
        for answer in (sender.piece(where, FILM), sender.ask("HEAD", where)):
            assert answer.status_code == 410
        Upload.objects.update(touched_at=timezone.now() - timedelta(hours=settings.UPLOAD_HOURS, seconds=-60))
        assert sender.piece(where, FILM[:5]).status_code == 204
        assert Upload.objects.get().touched_at > timezone.now() - timedelta(minutes=1)

    def test_where_nothing_but_post_gets_through(self, sender):
        where = sender.begun()
        answer = sender.ask("POST", where, FILM[:7], x_http_method_override="PATCH", upload_offset="0")
        assert (answer.status_code, answer["Upload-Offset"]) == (204, "7")
        assert sender.ask("POST", where, x_http_method_override="DELETE").status_code == 204
        assert not Upload.objects.exists()

    def test_the_token_against_forgery_is_asked_for_however_the_method_is_said(self, agreed):
        strict = Client(enforce_csrf_checks=True)
        person = agreed.cast.assistant
        strict.force_login(person, backend="allauth.account.auth_backends.AuthenticationBackend")
        forged = Sender(agreed, client=strict)
        assert forged.begin().status_code == 403
        where = Sender(agreed).begun()
        assert forged.piece(where, FILM).status_code == 403
        answer = forged.ask("POST", where, FILM, x_http_method_override="PATCH", upload_offset="0")
        assert answer.status_code == 403
        assert Upload.objects.count() == 1

    @pytest.mark.parametrize(
        ("said", "status", "told"),
        [
            ({"filename": "court.pdf"}, 415, "not a film"),
            ({"filename": ""}, 415, "not a film"),
            ({"match": "12"}, 400, "which match"),
            ({"match": "2f7f6d33-1c0f-4d8d-9a1c-0d5b6f2f5a11"}, 404, ""),
            ({"offset_s": "soon"}, 400, "in seconds of the match"),
            ({"offset_s": "nan"}, 400, "in seconds of the match"),
            ({"offset_s": "-1"}, 400, "in seconds of the match"),
            ({"slices": "abc"}, 400, "no fingerprint"),
            ({"length": 0}, 400, "empty"),
            ({"length": "many"}, 400, "Upload-Length"),
            ({"length": 1024 * 1024 + 1}, 413, "larger than 1 MB"),
        ],
    )
    def test_what_cannot_be_begun(self, sender, settings, said, status, told):
        settings.FILM_MAX_MB = 1
        answer = sender.begin(**said)
        assert answer.status_code == status
        assert told in words(answer)
        assert not Upload.objects.exists()
        assert not AuditEvent.objects.exists()

    def test_metadata_that_are_none(self, sender):
        where = reverse("api:uploads", args=["seaside"])
        for said in ("filename ???", "filename gA==", "match"):
            answer = sender.ask("POST", where, upload_length="9", upload_metadata=said)
            assert answer.status_code == 400
        assert sender.ask("POST", where, upload_defer_length="1").status_code == 400


class TestRefusals:
    @pytest.mark.parametrize("content", [ZIP, PLAYLIST], ids=["zip", "playlist"])
    def test_what_is_no_film_ends_at_its_first_bytes(
        self, sender, settings, content, django_capture_on_commit_callbacks
    ):
        where = sender.begun(length=10**6, filename="court.mp4")
        with django_capture_on_commit_callbacks(execute=True):
            assert sender.piece(where, content[:100]).status_code == 204
            answer = sender.piece(where, content[100:], 100)
        assert answer.status_code == 415
        assert words(answer).startswith("This file is not a film.")
        assert not Upload.objects.exists()
        assert parts(settings) == []
        assert not Film.objects.exists()

    def test_nor_does_a_long_piece_get_past(self, sender, monkeypatch):
        monkeypatch.setattr("sessions.api_uploads.CHUNK", 2000)
        written = []
        monkeypatch.setattr(
            "sessions.uploads.write", lambda part, chunk: written.append(os.write(part, chunk))
        )
        assert sender.piece(sender.begun(length=len(ZIP), filename="a.mp4"), ZIP).status_code == 415
        assert sum(written) == 2000

    def test_a_short_one_is_looked_at_when_it_is_whole(self, sender):
        assert sender.whole(b"hello", filename="a.mp4").status_code == 415

    def test_a_full_disk_keeps_what_came(self, sender, monkeypatch):
        where = sender.begun()
        real = os.write
        monkeypatch.setattr("sessions.api_uploads.CHUNK", 1000)

        def full(part, chunk):
            if os.fstat(part).st_size >= 2000:
                raise OSError(errno.ENOSPC, "No space left on device")
            return real(part, bytes(chunk)[:700])

        with monkeypatch.context() as patch:
            patch.setattr(os, "write", full)
            answer = sender.piece(where, FILM)
        assert answer.status_code == 507
        assert words(answer) == (
            "The disk of the server is full. What has come is kept: go on once there is room again."
        )
        here = int(sender.ask("HEAD", where)["Upload-Offset"])
        assert here == 2000
        assert sender.piece(where, FILM[here:], here).status_code == 204
        assert film_store.part_of(Upload.objects.get()).read_bytes() == FILM

    def test_a_disk_is_full_before_nothing_else_can_be_written(self, sender, monkeypatch):
        monkeypatch.setattr("sessions.uploads.ROOM", 10**18)
        assert sender.piece(sender.begun(), FILM).status_code == 507
        assert film_store.arrived(Upload.objects.get()) == 0

    def test_the_quota_counts_films_and_what_is_on_its_way(self, sender, agreed, monkeypatch):
        monkeypatch.setattr(film_store, "GB", len(FILM))
        agreed.cast.club.film_quota_gb = 3
        agreed.cast.club.save()
        sender.whole()
        sender.begun()
        assert sender.begin(length=len(FILM) + 1).status_code == 413
        answer = sender.begin(length=len(FILM) + 1)
        assert words(answer) == (
            "The film takes 5.1 kB, and of the club's 15 kB only 5.1 kB are free."
            " The head coach can delete films that are no longer needed."
        )
        assert sender.begin().status_code == 201
        assert sender.begin(length=1).status_code == 413
        other = Sender(agreed, agreed.cast.stranger)
        theirs = make.make_match(agreed.cast.other_club)
        assert other.begin(match=str(theirs.uuid), slug="hilltop").status_code == 201, "each club has its own"

    def test_the_form_counts_too(self, agreed, monkeypatch, settings):
        monkeypatch.setattr(film_store, "quota", lambda club: len(FILM) - 1)
        with pytest.raises(ValidationError, match="are free"):
            services.add_film(
                by=agreed.cast.assistant, match=agreed.match, upload=SimpleUploadedFile("a.webm", FILM)
            )
        assert not Film.objects.exists()
        assert parts(settings) == []

    def test_not_without_consent(self, sender, agreed):
        FilmConsent.objects.filter(player=agreed.cast.dan).update(withdrawn_at=timezone.now())
        answer = sender.begin()
        assert answer.status_code == 400
        assert words(answer).startswith(f"{agreed.cast.dan.name} has not agreed to be filmed.")

    def test_a_consent_that_went_while_the_film_came(
        self, sender, agreed, settings, django_capture_on_commit_callbacks
    ):
        where = sender.begun()
        sender.piece(where, FILM[:-1])
        FilmConsent.objects.filter(player=agreed.cast.dan).update(withdrawn_at=timezone.now())
        with django_capture_on_commit_callbacks(execute=True):
            answer = sender.piece(where, FILM[-1:], len(FILM) - 1)
        assert answer.status_code == 400
        assert "has not agreed to be filmed" in words(answer)
        assert not Film.objects.exists()
        assert not Upload.objects.exists()
        assert not Job.objects.exists()
        assert parts(settings) == []

    def test_visitors(self, sender, agreed):
        agreed.match.seats.filter(player=None).update(visitor_consent=False)
        answer = sender.begin()
        assert "consent on paper first" in words(answer)
        assert sender.whole(visitors_agreed="1").status_code == 204
        assert not agreed.match.seats.filter(player=None, visitor_consent=False).exists()

    def test_another_file_than_was_begun_with(self, sender, settings, django_capture_on_commit_callbacks):
        with django_capture_on_commit_callbacks(execute=True):
            answer = sender.whole(slices="a" * 64)
        assert answer.status_code == 400
        assert "not the film that was begun with" in words(answer)
        assert parts(settings) == []

    def test_the_same_film_twice(self, sender, django_capture_on_commit_callbacks):
        same = hashlib.sha256(b"%d\n" % len(FILM) + FILM).hexdigest()
        assert sender.whole(slices=same).status_code == 204
        assert words(sender.begin(slices=same)) == "This film is here already."
        with django_capture_on_commit_callbacks(execute=True):
            answer = sender.whole()
        assert words(answer) == "This film is here already."
        assert Film.objects.count() == 1
        # A playable copy has another size than what came.
        Film.objects.update(state="ready", duration_s=9, size=17)
        assert words(sender.begin(slices=same)) == "This film is here already."

    def test_killed_between_the_last_byte_and_the_film(self, sender, monkeypatch):
        where = sender.begun()
        with monkeypatch.context() as patch:
            patch.setattr(services, "film_arrived", lambda **call: (_ for _ in ()).throw(SystemExit))
            with pytest.raises(SystemExit):
                sender.piece(where, FILM)
        assert not Film.objects.exists()
        assert sender.ask("HEAD", where)["Upload-Offset"] == str(len(FILM))
        assert Film.objects.count() == 1
        assert sender.ask("HEAD", where).status_code == 200
        assert Film.objects.count() == 1


class TestWho:
    def test_every_role(self, agreed):
        cast = agreed.cast
        may = {"head_coach", "assistant", "all_in_one", "two_clubs"}
        for kind, person in cast.visitors().items():
            status = Sender(agreed, client=cast.client(person)).begin().status_code
            expected = 201 if kind in may else {"anonymous": 401, "stranger": 404}.get(kind, 403)
            assert status == expected, kind

    def test_nobody_else_s_upload(self, sender, agreed):
        where = sender.begun()
        for person in (agreed.cast.head_coach, agreed.cast.two_clubs, agreed.cast.stranger):
            other = Sender(agreed, person)
            for answer in (
                other.ask("HEAD", where),
                other.piece(where, FILM[:3]),
                other.ask("DELETE", where),
            ):
                assert answer.status_code == 404
        assert Sender(agreed, agreed.cast.student).ask("HEAD", where).status_code == 403
        assert sender.ask("HEAD", where)["Upload-Offset"] == "0"

    def test_a_match_of_another_club(self, sender, agreed):
        theirs = make.make_match(agreed.cast.other_club)
        assert sender.begin(match=str(theirs.uuid)).status_code == 404
        where = sender.begun()
        there = where.replace("/seaside/", "/hilltop/")
        assert Sender(agreed, agreed.cast.stranger).ask("HEAD", there).status_code == 404

    def test_with_a_token(self, agreed):
        _token, secret = ApiToken.issue(user=agreed.cast.assistant, name="camera")
        sender = Sender(agreed, client=Client(headers={"Authorization": f"Token {secret}"}))
        assert sender.whole().status_code == 204
        assert Film.objects.get().uploaded_by == agreed.cast.assistant


class TestMatchFilms:
    def ask(self, chain, person=None, **data):
        client = chain.cast.client(person or chain.cast.assistant)
        where = reverse("api:match_films", args=["seaside", chain.match.uuid])
        return client.post(where, data, content_type="application/json") if data else client.get(where)

    def away(self, **changed):
        return {
            "name": "court.mp4",
            "size": 5 * 10**9,
            "duration_s": 3600.04,
            "width": 1920,
            "height": 1080,
            "slices": "ab" * 32,
            **changed,
        }

    def test_a_film_that_stays(self, agreed):
        answer = self.ask(agreed, **self.away(offset_s=30))
        assert answer.status_code == 201
        film = Film.objects.get()
        assert answer.json() == {
            "uuid": str(film.uuid),
            "name": "court.mp4",
            "state": "away",
            "size": 5 * 10**9,
            "slices": "ab" * 32,
            "duration_s": 3600.0,
            "offset_s": 30.0,
        }
        assert (film.width, film.height, film.uploaded_by) == (1920, 1080, agreed.cast.assistant)
        assert AuditEvent.objects.get().action == "film.registered"
        again = self.ask(agreed, **self.away())
        assert again.status_code == 400
        assert again.json() == {"upload": ["This film is here already."]}

    @pytest.mark.parametrize(
        "changed",
        [
            {"slices": "AB" * 32},
            {"slices": ""},
            {"size": 0},
            {"size": 2**63},
            {"duration_s": 0},
            {"duration_s": -3},
            {"duration_s": "nan"},
            {"duration_s": 90_000},
            {"offset_s": -1},
            {"offset_s": "nan"},
            {"width": 0},
        ],
        ids=str,
    )
    def test_what_is_no_fingerprint(self, agreed, changed):
        assert self.ask(agreed, **self.away(**changed)).status_code == 400
        assert not Film.objects.exists()

    def test_a_film_that_stays_asks_for_consent_too(self, agreed):
        FilmConsent.objects.all().delete()
        answer = self.ask(agreed, **self.away())
        assert answer.status_code == 400
        assert "have not agreed" in answer.json()["upload"][0]

    def test_what_is_there_and_what_is_on_its_way(self, sender, agreed):
        self.ask(agreed, **self.away())
        sender.piece(sender.begun(), FILM[:11])
        Sender(agreed, agreed.cast.head_coach).begun()
        found = self.ask(agreed).json()
        assert [film["state"] for film in found["films"]] == ["away"]
        (upload,) = found["uploads"]
        assert (upload["name"], upload["length"], upload["offset"]) == ("court.webm", len(FILM), 11)
        assert upload["url"] == reverse("api:upload", args=["seaside", Upload.objects.order_by("pk")[0].uuid])

    def test_a_film_that_stayed_and_then_came_is_one_film(self, sender, agreed):
        same = hashlib.sha256(b"%d\n" % len(FILM) + FILM).hexdigest()
        self.ask(agreed, **self.away(size=len(FILM), slices=same, offset_s=40))
        stayed = Film.objects.get()
        assert sender.whole(slices=same).status_code == 204
        came = Film.objects.get()
        assert (came.pk, came.uuid, came.state) == (stayed.pk, stayed.uuid, "arrived")
        assert came.original.name
        assert MatchFilm.objects.get().offset_s == 40

    def test_who(self, agreed):
        assert self.ask(agreed, agreed.cast.student).status_code == 403
        assert self.ask(agreed, agreed.cast.manager, **self.away()).status_code == 403
        assert self.ask(agreed, agreed.cast.stranger).status_code == 404

    def test_as_many_queries_for_many(self, sender, agreed):
        where = reverse("api:match_films", args=["seaside", agreed.match.uuid])
        counts = []
        for n in (1, 5):
            while Upload.objects.count() < n:
                sender.begun()
                film = Film.objects.create(club=agreed.cast.club, name="a", size=1, state="refused")
                MatchFilm.objects.create(match=agreed.match, film=film)
            with CaptureQueriesContext(connection) as queries:
                found = sender.client.get(where).json()
            assert (len(found["uploads"]), len(found["films"])) == (n, n)
            counts.append(len(queries))
        assert counts[0] == counts[1]


def test_the_service_itself_refuses_who_may_not(agreed):
    with pytest.raises(PermissionDenied):
        services.begin_upload(by=agreed.cast.manager, match=agreed.match, name="a.mp4", length=9)
    with pytest.raises(PermissionDenied):
        services.begin_upload(by=agreed.cast.stranger, match=agreed.match, name="a.mp4", length=9)
    with pytest.raises(PermissionDenied):
        services.register_away(
            by=agreed.cast.student, match=agreed.match, name="a", size=1, duration_s=1, slices="a" * 64
        )


def test_slices_are_those_of_the_part_file(tmp_path):
    path = tmp_path / "a"
    path.write_bytes(FILM)
    with path.open("rb") as file:
        assert slices_of(file) == hashlib.sha256(b"%d\n" % len(FILM) + FILM).hexdigest()
