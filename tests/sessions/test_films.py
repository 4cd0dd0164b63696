"""Films: what is taken in, what is refused and with which words, who may watch, and when pictures go."""

from datetime import UTC, datetime
from pathlib import Path

import cv2
import numpy as np
import pytest
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from clubcoach import jobs
from clubcoach.models import AuditEvent, Job
from players.models import FilmConsent, Unit
from players.services import withdraw_consent
from sessions import film_store, footage, services, stills
from sessions.models import Cover, Film, MatchFilm, Upload
from sessions.uploads import extension_of
from tests import factories as make
from tests.sessions.chain import make_chain

pytestmark = pytest.mark.django_db
NOW = datetime(2026, 11, 20, 12, tzinfo=UTC)


def url(name, *args):
    return reverse(name, args=["seaside", *args])


def text_of(answer):
    return " ".join(answer.content.decode().split())


@pytest.fixture(scope="module")
def real_film(tmp_path_factory):
    """Forty seconds at one frame a second; the frame of second n is n * 6 grey."""
    path = tmp_path_factory.mktemp("film") / "court.webm"
    frames = (np.full((96, 160, 3), second * 6, np.uint8) for second in range(40))
    footage.write_webm(frames, 1, None, 48_000, path)
    return path.read_bytes()


def upload(content=b"\x1a\x45\xdf\xa3" + b"0" * 2000, name="court.webm"):
    return SimpleUploadedFile(name, content, content_type="video/webm")


@pytest.fixture
def agreed(chain):
    """Everybody in the picture has agreed."""
    for player in (chain.cast.ana, chain.cast.dan):
        make.consent(player)
    chain.match.seats.update(visitor_consent=True)
    chain.match = type(chain.match).objects.get(pk=chain.match.pk)
    return chain


def add(chain, **changed):
    call = {"by": chain.cast.assistant, "match": chain.match, "upload": upload(), "now": NOW, **changed}
    return services.add_film(**call)


@pytest.fixture
def ready(agreed, real_film):
    """A film that was read, in a match with a published situation of Ana; the reading itself has its own tests."""
    agreed.film = add(agreed, upload=upload(real_film))
    Job.objects.all().delete()
    film = agreed.film
    name = film_store.name_of(film.club_id, film.digest, "webm")
    film_store.path_of(name).parent.mkdir(parents=True)
    film_store.path_of(film.original.name).rename(film_store.path_of(name))
    Film.objects.update(
        state="ready",
        file=name,
        original="",
        served=film.digest,
        duration_s=40,
        width=160,
        height=96,
    )
    agreed.film.refresh_from_db()
    agreed.situation = agreed.see(marks={"L2": "met"})
    agreed.close()
    agreed.state("submitted")
    services.publish(by=agreed.cast.head_coach, analysis=agreed.analysis, now=NOW)
    return agreed


@pytest.fixture
def pictured(ready):
    """With something where the picture of the situation is kept."""
    Job.objects.all().delete()
    path = stills.path_of(ready.situation)
    path.parent.mkdir(parents=True)
    path.write_bytes(b"a picture")
    return ready


def do(kind):
    """Do the waiting jobs of a kind; returns how many were done."""
    waiting = Job.objects.filter(kind=kind, state="waiting").values_list("pk", flat=True)
    return sum(jobs.perform(pk) for pk in list(waiting))


def kept(settings):
    return sorted(path.name for path in Path(settings.MEDIA_ROOT).rglob("*") if path.is_file())


class TestAddFilm:
    def test_it_is_kept_and_read(self, agreed, real_film, settings):
        film = add(agreed, upload=upload(real_film, "Ana's match.webm"))
        assert film.state == "arrived"
        assert kept(settings) == [Path(film.original.name).name]
        assert Path(film.original.path).read_bytes() == real_film
        assert film.size == len(real_film)
        assert len(film.digest) == 64
        assert MatchFilm.objects.get(film=film).offset_s == 0
        (event,) = AuditEvent.objects.all()
        assert (event.action, event.fields) == ("film.added", [])
        assert do("film.read") == 1
        film.refresh_from_db()
        assert (film.state, film.container, film.video_codec) == ("ready", "webm", "vp9")
        assert (film.width, film.height, film.problem) == (160, 96, "")
        assert film.duration_s == pytest.approx(40, abs=0.1)

    def test_the_next_one_begins_where_the_first_ends(self, ready):
        later = add(ready)
        assert MatchFilm.objects.get(film=later).offset_s == pytest.approx(40, abs=0.1)
        said = add(ready, upload=upload(b"\x1a\x45\xdf\xa3" + b"1" * 2000), offset_s=75.0)
        assert MatchFilm.objects.get(film=said).offset_s == 75

    @pytest.mark.parametrize(
        ("content", "words"),
        [
            (b"\x1a\x45\xdf\xa3" + b"0" * 2000, "The film cannot be read: the file is damaged."),
            (b"\x00\x00\x00\x18ftypisom" + b"0" * 2000, ""),
        ],
    )
    def test_what_turns_out_to_be_no_film_is_refused_with_the_reason_and_removed(
        self, agreed, settings, content, words, django_capture_on_commit_callbacks
    ):
        film = add(agreed, upload=upload(content, "x.webm" if words else "x.mp4"))
        with django_capture_on_commit_callbacks(execute=True):
            assert do("film.read") == 1
        film.refresh_from_db()
        assert film.state == "refused"
        assert film.problem in {str(message) for message in footage.MESSAGES.values()}
        assert film.file.name == ""
        assert kept(settings) == []
        assert Job.objects.get().state == "done"

    def test_a_reader_that_fails_is_tried_again_and_the_film_stays(self, agreed, monkeypatch, settings):
        def fail(*args, **kwargs):
            raise RuntimeError("the reader of films failed")

        film = add(agreed)
        monkeypatch.setattr(footage, "probe", fail)
        jobs.run_due()
        job = Job.objects.get()
        assert (job.state, job.attempt) == ("failed", 3)
        film.refresh_from_db()
        assert film.state == "arrived"
        assert kept(settings)

    def nothing(self, settings):
        assert not Film.objects.exists()
        assert not MatchFilm.objects.exists()
        assert not Job.objects.exists()
        assert kept(settings) == []

    @pytest.mark.parametrize(
        ("field", "words", "content", "name"),
        [
            ("upload", "not a film", b"hello" * 100, "court.webm"),
            ("upload", "not a film", b"\x1a\x45\xdf\xa3" + b"0" * 100, "court.pdf"),
            ("upload", "not a film", b"#EXTM3U\n/etc/passwd\n" + b" " * 100, "court.ts"),
            ("upload", "not a film", b"\x1a\x45\xdf\xa3", "court"),
            ("upload", "empty", b"", "court.webm"),
            ("upload", "larger than 1 MB", b"\x1a\x45\xdf\xa3" + b"0" * (1024 * 1024), "court.webm"),
        ],
    )
    def test_files_that_are_no_film(self, agreed, settings, field, words, content, name):
        settings.FILM_MAX_MB = 1
        with pytest.raises(ValidationError) as caught:
            add(agreed, upload=upload(content, name))
        assert words in caught.value.message_dict[field][0]
        self.nothing(settings)

    def test_the_same_film_twice(self, agreed):
        add(agreed)
        with pytest.raises(ValidationError, match="here already"):
            add(agreed, upload=upload(name="copy.webm"))

    def test_not_without_everybody_s_consent(self, agreed, settings):
        FilmConsent.objects.filter(player=agreed.cast.dan).update(withdrawn_at=NOW)
        with pytest.raises(ValidationError) as caught:
            add(agreed)
        (words,) = caught.value.message_dict["upload"]
        assert words.startswith(f"{agreed.cast.dan.name} has not agreed to be filmed.")
        FilmConsent.objects.all().delete()
        with pytest.raises(ValidationError, match="have not agreed"):
            add(agreed)
        self.nothing(settings)

    def test_a_child_and_a_guardian_both_agree(self, cast, settings, tmp_path):
        settings.MEDIA_ROOT = tmp_path
        chain = make_chain(cast, match=make.make_match(cast.club, [cast.ben, None, None, None]))
        make.consent(cast.ben)
        with pytest.raises(ValidationError, match="has not agreed"):
            add(chain)
        make.consent(cast.ben, "guardian")
        add(chain)

    def test_visitors_agree_on_paper(self, agreed, settings):
        agreed.match.seats.filter(position=3).update(visitor_consent=False)
        agreed.match = type(agreed.match).objects.get(pk=agreed.match.pk)
        with pytest.raises(ValidationError) as caught:
            add(agreed)
        assert "consent on paper" in caught.value.message_dict["visitors_agreed"][0]
        self.nothing(settings)
        add(agreed, visitors_agreed=True)
        assert agreed.match.seats.filter(player=None, visitor_consent=True).count() == 2

    def test_nothing_is_left_when_the_rows_cannot_be_written(self, agreed, settings, monkeypatch):
        def fail(**kwargs):
            raise RuntimeError("no")

        monkeypatch.setattr("sessions.services.films.audit.record", fail)
        with pytest.raises(RuntimeError):
            add(agreed)
        self.nothing(settings)


@pytest.mark.parametrize(
    ("name", "head", "extension"),
    [
        ("a.mp4", b"\0\0\0\x18ftypmp42", "mp4"),
        ("A.MOV", b"\0\0\0\x14ftypqt  ", "mov"),
        ("old.mov", b"\0\0\0\x08wide\0\0", "mov"),
        ("a.m4v", b"\0\0\0\x18ftypM4V ", "mp4"),
        ("a.mkv", b"\x1a\x45\xdf\xa3....", "mkv"),
        ("a.webm", b"\x1a\x45\xdf\xa3....", "webm"),
        ("a.ts", (b"\x47" + b"\0" * 187) * 5, "ts"),
        ("a.m2ts", (b"\0\0\0\0\x47" + b"\0" * 187) * 5, "ts"),
        ("renamed.mp4", b"\x1a\x45\xdf\xa3....", "webm"),
        ("a.ts", b"\x47" + b"\0" * 600, None),
        ("a.jpg", b"\xff\xd8\xff\xe0", None),
        ("a.mp4", b"", None),
        ("a", b"\x1a\x45\xdf\xa3", None),
    ],
)
def test_first_bytes(name, head, extension):
    assert extension_of(name, head) == extension


class TestUploadPage:
    def test_on_its_way(self, agreed, real_film):
        client = agreed.cast.client(agreed.cast.assistant)
        where = url("film_upload", agreed.match.uuid)
        assert "No film yet" in text_of(client.get(where))
        answer = client.post(where, {"upload": upload(real_film), "offset_s": "1:30"}, follow=True)
        page = text_of(answer)
        assert "has arrived and is being read" in page
        assert f'hx-get="{where}" hx-trigger="every 1s"' in page
        part = client.get(where, headers={"hx-request": "true"})
        assert part.content.decode().lstrip().startswith('<div id="films"')
        assert do("film.read") == 1
        part = text_of(client.get(where, headers={"hx-request": "true"}))
        assert "hx-trigger" not in part
        assert "0:40 long, begins 1:30 into the match." in part
        assert "160 by 96 points." in part
        assert url("film_bytes", Film.objects.get().uuid) in part

    def test_a_file_that_is_no_film_is_said_at_once_at_the_field(self, agreed, settings):
        client = agreed.cast.client(agreed.cast.assistant)
        answer = client.post(url("film_upload", agreed.match.uuid), {"upload": upload(b"hello" * 99)})
        assert answer.status_code == 422
        assert "This file is not a film." in answer.context["film_form"].errors["upload"][0]
        assert "This file is not a film." in text_of(answer)
        assert not Film.objects.exists()

    def test_and_after_the_reading_on_the_same_page(self, agreed):
        client = agreed.cast.client(agreed.cast.assistant)
        where = url("film_upload", agreed.match.uuid)
        client.post(where, {"upload": upload()})
        do("film.read")
        page = text_of(client.get(where))
        assert "<strong>Refused.</strong>" in page
        assert Film.objects.get().problem in page

    def test_a_reading_that_failed_says_so(self, agreed):
        add(agreed)
        Job.objects.update(state="failed", note="Something went wrong (OSError).", finished_at=timezone.now())
        page = text_of(agreed.cast.client(agreed.cast.assistant).get(url("film_upload", agreed.match.uuid)))
        assert "Could not be read.</strong> Something went wrong (OSError)." in page
        assert "hx-trigger" not in page

    @pytest.mark.parametrize(
        ("field", "words", "data"),
        [
            ("upload", "Choose the film", {}),
            ("offset_s", "such as 12:30", {"upload": upload(), "offset_s": "soon"}),
            ("offset_s", "such as 12:30", {"upload": upload(), "offset_s": "1:75"}),
        ],
    )
    def test_bad_input(self, agreed, field, words, data):
        for file in data.values():
            if hasattr(file, "seek"):
                file.seek(0)
        client = agreed.cast.client(agreed.cast.assistant)
        answer = client.post(url("film_upload", agreed.match.uuid), data)
        assert answer.status_code == 422
        assert words in answer.context["film_form"].errors[field][0]
        assert not Film.objects.exists()

    def test_a_body_that_is_too_large_is_not_even_put_on_disk(self, agreed, settings, monkeypatch):
        settings.FILM_MAX_MB = 1
        client = agreed.cast.client(agreed.cast.assistant)
        written = []
        monkeypatch.setattr(
            "django.core.files.uploadhandler.TemporaryFileUploadHandler.receive_data_chunk",
            lambda self, data, start: written.append(len(data)),
        )
        big = upload(b"\x1a\x45\xdf\xa3" + b"0" * (3 * 1024 * 1024))
        answer = client.post(url("film_upload", agreed.match.uuid), {"upload": big})
        assert answer.status_code == 422
        assert answer.context["film_form"].errors["upload"] == [
            "The film is larger than 1 MB. Cut it, or export it in a lower quality."
        ]
        assert written == []

    def test_the_visitors_box_is_there_when_it_is_needed(self, agreed):
        client = agreed.cast.client(agreed.cast.assistant)
        where = url("film_upload", agreed.match.uuid)
        assert "visitors_agreed" not in client.get(where).content.decode()
        agreed.match.seats.update(visitor_consent=False)
        answer = client.post(where, {"upload": upload()})
        assert "on paper first" in answer.context["film_form"].errors["visitors_agreed"][0]
        assert client.post(where, {"upload": upload(), "visitors_agreed": "on"}).status_code == 302

    def test_the_token_is_asked_for(self, agreed):
        client = Client(enforce_csrf_checks=True)
        client.force_login(
            agreed.cast.assistant, backend="allauth.account.auth_backends.AuthenticationBackend"
        )
        assert client.post(url("film_upload", agreed.match.uuid), {"upload": upload()}).status_code == 403
        assert not Film.objects.exists()

    def test_who_may_not(self, agreed):
        where = url("film_upload", agreed.match.uuid)
        for person in (agreed.cast.student, agreed.cast.guardian, agreed.cast.manager):
            assert agreed.cast.client(person).post(where, {"upload": upload()}).status_code == 403
        foreign = make.make_match(agreed.cast.other_club)
        assert (
            agreed.cast.client(agreed.cast.assistant).get(url("film_upload", foreign.uuid)).status_code == 404
        )


class TestFilmsOfAMatch:
    """What the page says of a film in each state."""

    def show(self, chain, state, **facts):
        film = Film(club=chain.cast.club, name="court.mp4", size=9, digest="d" * 64, state=state)
        film.uploaded_by = chain.cast.assistant
        for name, value in facts.items():
            setattr(film, name, value)
        film.save()
        MatchFilm.objects.create(match=chain.match, film=film, offset_s=30)
        return film

    def page(self, chain, name="film_upload", person=None):
        client = chain.cast.client(person or chain.cast.assistant)
        answer = client.get(url(name, chain.match.uuid))
        assert answer.status_code == 200
        return text_of(answer)

    def work(self, film, kind="film.make", **fields):
        return Job.objects.create(kind=kind, key=str(film.uuid), club=film.club, **fields)

    def test_being_made(self, agreed):
        film = self.show(agreed, "making", original="films/a.mp4")
        self.work(film, state="done", note="an earlier piece of the work")
        self.work(film, state="running", progress=20, note="Made 12 of 60 min, about 9 min left")
        for name in ("film_upload", "match"):
            page = self.page(agreed, name)
            assert "Being made playable" in page
            assert "20 of 100" in page
            assert "Made 12 of 60 min, about 9 min left" in page
            assert url("film", film.uuid) in page
            assert "earlier piece" not in page
        assert 'hx-trigger="every 1s"' in self.page(agreed)

    def test_paused(self, agreed):
        film = self.show(agreed, "paused", original="films/a.mp4")
        self.work(film, state="stopped", note="Made 12 of 60 min")
        page = self.page(agreed)
        assert "<strong>Paused.</strong> Made 12 of 60 min" in page
        assert "hx-trigger" not in page
        assert url("film_again", film.uuid) not in page

    def test_refused_with_another_try_while_its_bytes_are_here(self, agreed):
        film = self.show(agreed, "refused", original="films/a.mp4", problem="No pictures in it.")
        page = self.page(agreed)
        assert "<strong>Refused.</strong> No pictures in it." in page
        assert f'action="{url("film_again", film.uuid)}"' in page
        Film.objects.update(original="")
        assert f'action="{url("film_again", film.uuid)}"' not in self.page(agreed)

    def test_what_failed_can_be_tried_again(self, agreed):
        film = self.show(agreed, "making", original="films/a.mp4")
        self.work(film, state="failed", note="The disk is full.")
        page = self.page(agreed)
        assert "<strong>Could not be made playable.</strong> The disk is full." in page
        assert f'action="{url("film_again", film.uuid)}"' in page

    def test_away(self, agreed):
        self.show(agreed, "away", slices="a" * 64, duration_s=3600, width=1920, height=1080)
        page = self.page(agreed)
        assert "1:00:00 long, begins 0:30 into the match. 1920 by 1080 points." in page
        assert "It stays on a disk of Aldo" in page
        assert "Watch</a>" not in page

    def test_gone(self, agreed):
        self.show(agreed, "gone", name="", gone_at=NOW, gone_why="consent")
        page = self.page(agreed)
        assert "deleted film" in page
        assert "Deleted on 20 Nov 2026: somebody in it no longer agrees." in page
        assert "About the deleted film" in page

    def test_ready_says_what_a_viewer_should_know(self, agreed):
        self.show(agreed, "ready", duration_s=60, remark="Its end is missing.")
        assert "Its end is missing." in self.page(agreed)

    def test_uploads_of_one_s_own_with_how_far_they_are(self, agreed):
        call = {"match": agreed.match, "name": "court.mp4", "length": 8000}
        mine = services.begin_upload(by=agreed.cast.assistant, **call)
        services.begin_upload(by=agreed.cast.head_coach, **{**call, "name": "theirs.mp4"})
        film_store.part_of(mine).parent.mkdir(parents=True, exist_ok=True)
        film_store.part_of(mine).write_bytes(b"x" * 2000)
        for name in ("film_upload", "match"):
            page = self.page(agreed, name)
            assert "25 % of 8.0 kB are here and kept until" in page
            assert "theirs.mp4" not in page
        client = agreed.cast.client(agreed.cast.head_coach)
        where = url("film_upload", agreed.match.uuid)
        for wrong in (mine.uuid, "12", agreed.match.uuid):
            assert client.post(where, {"give_up": wrong}).status_code == 404
        client = agreed.cast.client(agreed.cast.assistant)
        assert client.post(where, {"give_up": mine.uuid}).status_code == 302
        assert list(Upload.objects.values_list("name", flat=True)) == ["theirs.mp4"]
        Upload.objects.update(touched_at=NOW)
        assert "theirs.mp4" not in self.page(agreed, person=agreed.cast.head_coach), "its time is over"

    @pytest.mark.parametrize(
        ("state", "words"),
        [
            ("gone", "A film that is gone: deleted. Its part of the match has no picture here."),
            ("making", "court.mp4: being made playable. Its part of the match has no picture here."),
            ("ready", ""),
        ],
    )
    def test_the_sheet_says_which_film_it_lacks(self, agreed, state, words):
        gone = {"name": "", "gone_at": NOW, "gone_why": "hand"} if state == "gone" else {"duration_s": 60}
        self.show(agreed, state, **gone)
        client = agreed.cast.client(agreed.cast.head_coach)
        page = text_of(client.get(reverse("sheet", args=["seaside", agreed.analysis.uuid])))
        assert words in page
        assert ("has no picture here" in page) is bool(words)

    @pytest.mark.parametrize("name", ["film_upload", "match"])
    def test_no_way_to_a_film_in_which_somebody_no_longer_agrees(self, agreed, name):
        self.show(agreed, "ready", duration_s=60)
        assert "Watch</a>" in self.page(agreed, name)
        FilmConsent.objects.filter(player=agreed.cast.dan).update(withdrawn_at=NOW)
        page = self.page(agreed, name)
        assert "Watch</a>" not in page
        assert "Somebody in it does not agree, or no longer does: it is not shown." in page

    @pytest.mark.parametrize("name", ["film_upload", "match"])
    def test_as_many_queries_for_many_that_are_ready(self, agreed, name):
        client = agreed.cast.client(agreed.cast.assistant)
        counts = []
        for n in (1, 12):
            while Film.objects.count() < n:
                self.show(agreed, "ready", duration_s=60)
            with CaptureQueriesContext(connection) as queries:
                assert text_of(client.get(url(name, agreed.match.uuid))).count("Watch</a>") == n
            counts.append(len(queries))
        assert counts[0] == counts[1]

    @pytest.mark.parametrize("name", ["film_upload", "match"])
    def test_as_many_queries_for_many(self, agreed, name):
        client = agreed.cast.client(agreed.cast.assistant)
        counts = []
        for n in (1, 12):
            while Film.objects.count() < n:
                film = self.show(agreed, "making", original="films/a.mp4")
                self.work(film, state="running", progress=20)
                services.begin_upload(by=agreed.cast.assistant, match=agreed.match, name="a.mp4", length=9)
            with CaptureQueriesContext(connection) as queries:
                page = text_of(client.get(url(name, agreed.match.uuid)))
            assert page.count("Being made playable") == n
            counts.append(len(queries))
        assert counts[0] == counts[1]


class TestBytes:
    def get(self, chain, person=None, method="get", **headers):
        client = chain.cast.client(person or chain.cast.assistant)
        return getattr(client, method)(url("film_bytes", chain.film.uuid), headers=headers)

    def body(self, answer):
        return b"".join(answer.streaming_content) if answer.streaming else answer.content

    def test_the_whole(self, ready, real_film):
        answer = self.get(ready)
        assert answer.status_code == 200
        assert self.body(answer) == real_film
        assert answer["Content-Length"] == str(len(real_film))
        assert answer["Content-Type"] == "video/webm"
        assert answer["Content-Disposition"] == "inline"
        assert answer["Cache-Control"] == "private, no-store"
        assert answer["Accept-Ranges"] == "bytes"
        assert answer["ETag"] == f'"{ready.film.served}"'

    @pytest.mark.parametrize(
        ("header", "first", "last"),
        [
            ("bytes=0-499", 0, 499),
            ("bytes=-500", -500, None),
            ("bytes=100-", 100, None),
            ("bytes=0-99999999", 0, None),
        ],
    )
    def test_a_part(self, ready, real_film, header, first, last):
        answer = self.get(ready, range=header)
        expected = real_film[first : None if last is None else last + 1]
        assert answer.status_code == 206
        assert self.body(answer) == expected
        assert answer["Content-Length"] == str(len(expected))
        start = first % len(real_film)
        assert answer["Content-Range"] == f"bytes {start}-{start + len(expected) - 1}/{len(real_film)}"

    def test_chunks_do_not_overrun(self, ready, real_film, monkeypatch):
        monkeypatch.setattr("sessions.views.films.CHUNK", 7)
        assert self.body(self.get(ready, range="bytes=3-40")) == real_film[3:41]

    def test_outside(self, ready, real_film):
        answer = self.get(ready, range=f"bytes={len(real_film)}-")
        assert answer.status_code == 416
        assert answer["Content-Range"] == f"bytes */{len(real_film)}"
        assert answer.content == b""

    @pytest.mark.parametrize("header", ["bytes=5-2", "lines=0-4", "bytes=0-1,5-9", "nonsense"])
    def test_what_is_not_understood_gets_the_whole(self, ready, real_film, header):
        answer = self.get(ready, range=header)
        assert answer.status_code == 200
        assert self.body(answer) == real_film

    def test_only_of_the_same_copy(self, ready):
        etag = f'"{ready.film.served}"'
        assert self.get(ready, range="bytes=0-4", if_range=etag).status_code == 206
        assert self.get(ready, range="bytes=0-4", if_range='"other"').status_code == 200
        assert self.get(ready, range="bytes=0-4", if_range=f"W/{etag}").status_code == 200
        assert self.get(ready, if_none_match=etag).status_code == 304
        assert self.get(ready, if_match='"other"').status_code == 412

    def test_films_from_before_there_were_copies_are_named_by_their_own_content(self, ready):
        Film.objects.update(served="")
        assert self.get(ready)["ETag"] == f'"{ready.film.digest}"'

    @pytest.mark.parametrize("state", ["making", "paused", "refused", "arrived"])
    def test_only_ready_films_have_bytes(self, ready, state):
        Film.objects.update(state=state)
        assert self.get(ready).status_code == 404

    def test_head(self, ready, real_film):
        answer = self.get(ready, method="head", range="bytes=0-4")
        assert answer.status_code == 200
        assert answer["Content-Length"] == str(len(real_film))
        assert answer["Accept-Ranges"] == "bytes"
        assert self.body(answer) == b""

    def test_who_may_not(self, ready):
        for person in (ready.cast.student, ready.cast.guardian, ready.cast.manager):
            assert self.get(ready, person).status_code == 403
        assert self.get(ready, ready.cast.stranger).status_code == 404
        there = reverse("film_bytes", args=["hilltop", ready.film.uuid])
        assert ready.cast.client(ready.cast.stranger).get(there).status_code == 404

    @pytest.mark.parametrize("how", ["withdrawn", "ended", "visitor"])
    def test_not_once_a_consent_is_gone(self, ready, how):
        if how == "withdrawn":
            FilmConsent.objects.filter(player=ready.cast.dan).update(withdrawn_at=timezone.now())
        elif how == "ended":
            FilmConsent.objects.filter(player=ready.cast.dan).update(expires_on=datetime(2026, 1, 1).date())
        else:
            ready.match.seats.filter(position=4).update(visitor_consent=False)
        answer = self.get(ready)
        assert answer.status_code == 403
        assert "Somebody in this film has withdrawn their consent, or it has ended." in text_of(answer)
        assert ready.cast.dan.name not in text_of(answer)

    def test_not_before_it_was_read_nor_when_the_file_is_lost(self, ready):
        Path(ready.film.file.path).unlink()
        assert self.get(ready).status_code == 404
        ready.film = add(ready)
        assert self.get(ready).status_code == 404


class TestStills:
    def get(self, chain, person):
        return chain.cast.client(person).get(url("still", chain.situation.pk))

    def grey(self, answer):
        data = np.frombuffer(answer.content, np.uint8)
        return cv2.imdecode(data, cv2.IMREAD_GRAYSCALE).mean()

    def test_the_moment_of_the_hit(self, ready):
        # The hit is at 23 s: the frame of that second is 138 grey.
        assert ready.situation.hit_s == 23
        assert do("film.stills") == 1
        answer = self.get(ready, ready.cast.student)
        assert answer["Content-Type"] == "image/jpeg"
        assert answer["Cache-Control"] == "private, no-store"
        assert self.grey(answer) == pytest.approx(138, abs=8)

    def test_a_film_that_begins_later(self, ready):
        MatchFilm.objects.update(offset_s=10)
        assert do("film.stills") == 1
        assert self.grey(self.get(ready, ready.cast.assistant)) == pytest.approx(78, abs=8)

    def test_its_name_says_what_is_in_it(self, ready):
        assert stills.missing_of(ready.analysis) == {ready.film: [23.0]}
        path = stills.path_of(ready.situation)
        path.parent.mkdir(parents=True)
        path.write_bytes(b"a picture")
        assert stills.missing_of(ready.analysis) == {}
        assert path.name == f"{ready.film.digest}-23000.jpg"

    def test_a_moment_without_a_picture_leaves_the_others(self, ready):
        film = Film.objects.get()
        assert stills.make(film, [1.0, 500.0, 2.0]) == 2
        assert stills.path_at(film, 2.0).is_file()
        assert not stills.path_at(film, 500.0).exists()

    def test_whose(self, pictured):
        for person in (
            pictured.cast.student,
            pictured.cast.assistant,
            pictured.cast.head_coach,
            pictured.cast.two_clubs,
        ):
            assert self.get(pictured, person).status_code == 200
        assert self.get(pictured, pictured.cast.guardian).status_code == 404, "not her child's"
        assert self.get(pictured, pictured.cast.manager).status_code == 403
        assert self.get(pictured, pictured.cast.stranger).status_code == 404

    def test_a_guardian_and_a_partner(self, pictured):
        cast = pictured.cast
        make.guard(cast.ben, cast.student)
        pair = Unit.objects.pair_of(cast.ana, cast.ben)
        pictured.situation.unit = pair
        pictured.situation.save(update_fields=["unit"])
        Cover.objects.update(unit=pair)
        assert self.get(pictured, cast.guardian).status_code == 200
        assert self.get(pictured, cast.student).status_code == 200

    @pytest.mark.parametrize(
        "change",
        [
            lambda chain: chain.state("withdrawn"),
            lambda chain: chain.state("submitted"),
            lambda chain: Cover.objects.update(current=False),
            lambda chain: chain.analysis.closures.all().delete(),
            lambda chain: chain.analysis.situations.update(dropped=True),
            lambda chain: chain.analysis.situations.update(not_codable="dark"),
        ],
        ids=["withdrawn", "not published", "not current", "not counted", "dropped", "not codable"],
    )
    def test_a_student_sees_only_what_was_told(self, pictured, change):
        change(pictured)
        assert self.get(pictured, pictured.cast.student).status_code == 404

    def test_what_is_only_shown_is_seen_too(self, pictured):
        pictured.analysis.closures.all().delete()
        pictured.analysis.situations.update(shown_only=True)
        assert self.get(pictured, pictured.cast.student).status_code == 200

    def test_gone_with_the_consent(self, pictured, settings, django_capture_on_commit_callbacks):
        cast = pictured.cast
        assert [name for name in kept(settings) if name.endswith(".jpg")]
        with django_capture_on_commit_callbacks(execute=True):
            withdraw_consent(by=cast.student, player=cast.ana)
        for person in (cast.student, cast.head_coach):
            assert self.get(pictured, person).status_code == 403
        assert not [name for name in kept(settings) if name.endswith(".jpg")]

    def test_another_player_s_withdrawal_takes_nothing(self, pictured, settings):
        assert stills.drop_stills_of(pictured.cast.cleo) == 0
        assert stills.drop_stills_of(pictured.cast.ana) == 1

    def test_none_is_made_without_consent(self, ready, settings):
        FilmConsent.objects.filter(player=ready.cast.dan).update(withdrawn_at=timezone.now())
        assert do("film.stills") == 1
        assert not [name for name in kept(settings) if name.endswith(".jpg")]

    def test_asked_for_when_it_is_missed(self, ready):
        Job.objects.all().delete()
        assert self.get(ready, ready.cast.student).status_code == 404
        assert self.get(ready, ready.cast.student).status_code == 404
        assert Job.objects.filter(kind="film.stills", state="waiting").count() == 1
        do("film.stills")
        assert self.get(ready, ready.cast.student).status_code == 200

    def test_without_a_film(self, chain):
        chain.situation = chain.see()
        make.consent(chain.cast.ana)
        make.consent(chain.cast.dan)
        assert self.get(chain, chain.cast.assistant).status_code == 404
        assert not Job.objects.exists()
