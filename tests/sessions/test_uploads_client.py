"""Uploads in pieces by a client that others wrote, against a server of its own: cut, gone on with, the same bytes."""

import hashlib
import socket
import threading
import time
from io import BytesIO
from urllib.parse import urlsplit

import pytest
from django.urls import reverse
from tusclient.client import TusClient
from tusclient.exceptions import TusCommunicationError, TusUploadFailed
from tusclient.request import TusRequest

from clubcoach.models import ApiToken
from sessions import film_store
from sessions.models import Film, Upload
from tests import factories as make
from tests.sessions.chain import make_chain

pytestmark = pytest.mark.django_db(transaction=True)
PIECE = 64 * 1024


@pytest.fixture
def chain(cast, settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path / "media"
    found = make_chain(cast)
    for player in (cast.ana, cast.dan):
        make.consent(player)
    return found


@pytest.fixture
def source(tmp_path):
    path = tmp_path / "court.webm"
    noise = b"".join(hashlib.sha256(b"%d" % n).digest() for n in range(20_000))
    path.write_bytes(b"\x1a\x45\xdf\xa3" + noise)
    return path


@pytest.fixture
def client(live_server, chain):
    _token, secret = ApiToken.issue(user=chain.cast.assistant, name="camera")
    where = live_server.url + reverse("api:uploads", args=["seaside"])
    return TusClient(where, headers={"Authorization": f"Token {secret}"})


def uploader(client, chain, source, **more):
    said = {"filename": source.name, "match": str(chain.match.uuid)}
    # A stream, since the client leaves open what it opens by name.
    return client.uploader(file_stream=BytesIO(source.read_bytes()), chunk_size=PIECE, metadata=said, **more)


def until(so):
    for _try in range(200):
        if so():
            return
        time.sleep(0.05)
    raise AssertionError("it never came to be so")


def piece_of(uploader):
    request = TusRequest(uploader)
    request.perform()
    return request


def arrived(settings):
    film = Film.objects.get()
    return (settings.MEDIA_ROOT / film.original.name).read_bytes()


def test_in_pieces(client, chain, source, settings):
    uploader(client, chain, source).upload()
    assert arrived(settings) == source.read_bytes()


def test_a_client_that_was_killed_and_comes_back(client, chain, source, settings):
    first = uploader(client, chain, source)
    first.upload(stop_at=3 * PIECE)
    again = uploader(client, chain, source, url=first.url)
    assert again.offset == 3 * PIECE
    again.upload()
    assert arrived(settings) == source.read_bytes()


def test_a_line_that_is_cut_in_the_middle_of_a_piece(client, chain, source, settings):
    """What came of the piece stays, whatever place it was cut at."""
    first = uploader(client, chain, source)
    first.upload(stop_at=PIECE)
    content = source.read_bytes()
    place = urlsplit(first.url)
    head = {
        **first.get_headers(),
        "Host": place.netloc,
        "Upload-Offset": str(PIECE),
        "Content-Type": "application/offset+octet-stream",
        "Content-Length": str(4 * PIECE),
    }
    lines = [f"PATCH {place.path} HTTP/1.1", *(f"{name}: {value}" for name, value in head.items())]
    with socket.create_connection((place.hostname, place.port)) as line:
        line.sendall("\r\n".join(lines).encode() + b"\r\n\r\n" + content[PIECE : PIECE + 100_001])
    again = uploader(client, chain, source, url=first.url)
    # The server may need a moment to notice that the line is gone.
    until(lambda: film_store.arrived(Upload.objects.get()) == PIECE + 100_001)
    again.offset = again.get_offset()
    until(lambda: piece_of(again).status_code == 204)
    again.offset = again.get_offset()
    assert again.offset == 2 * PIECE + 100_001
    again.upload()
    assert arrived(settings) == content


def test_a_server_that_falls_over_while_it_writes(client, chain, source, settings, monkeypatch):
    from sessions import uploads

    real, calls = uploads.write, []

    def fall(part, chunk):
        calls.append(len(chunk))
        if len(calls) == 4:
            real(part, chunk[:1234])
            raise SystemExit
        real(part, chunk)

    monkeypatch.setattr(uploads, "write", fall)
    monkeypatch.setattr("sessions.api_uploads.CHUNK", 10_000)
    sent = uploader(client, chain, source)
    with pytest.raises((TusUploadFailed, TusCommunicationError, AttributeError, TypeError)):
        sent.upload()
    again = uploader(client, chain, source, url=sent.url)
    assert again.offset == 3 * 10_000 + 1234
    again.upload()
    assert arrived(settings) == source.read_bytes()


def test_two_at_once(client, chain, source, settings, monkeypatch):
    """One gets the piece, the other is told to wait: never do two write into one film."""
    from sessions import uploads

    real, inside, go_on = uploads.write, threading.Event(), threading.Event()

    def slow(part, chunk):
        inside.set()
        assert go_on.wait(20)
        real(part, chunk)

    first = uploader(client, chain, source)
    first.set_url(first.create_url())
    second = uploader(client, chain, source, url=first.url)
    monkeypatch.setattr(uploads, "write", slow)
    thread = threading.Thread(target=first.upload_chunk)
    thread.start()
    assert inside.wait(20)
    assert piece_of(second).status_code == 423
    go_on.set()
    thread.join(20)
    assert film_store.arrived(Upload.objects.get()) == PIECE
    second.offset = second.get_offset()
    second.upload()
    assert arrived(settings) == source.read_bytes()


def test_what_is_no_film(client, chain, tmp_path, settings):
    path = tmp_path / "court.mp4"
    path.write_bytes(b"PK\x03\x04" + b"\0" * 500_000)
    with pytest.raises(TusUploadFailed) as caught:
        uploader(client, chain, path).upload()
    assert caught.value.status_code == 415
    assert b"This file is not a film." in caught.value.response_content
    assert not Upload.objects.exists()
    assert not list((settings.MEDIA_ROOT / "incoming").iterdir())


def test_a_film_of_many_pieces_is_not_held_up_by_the_limit_of_calls(
    client, chain, source, settings, monkeypatch
):
    monkeypatch.setattr("rest_framework.throttling.UserRateThrottle.get_rate", lambda self: "3/min")
    sent = uploader(client, chain, source)
    sent.upload()
    assert source.stat().st_size > 6 * PIECE
    assert arrived(settings) == source.read_bytes()
