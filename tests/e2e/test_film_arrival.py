"""Films in a real browser: sent over a line that is cut, gone on with after a reload, left on the coach's disk."""

from io import BytesIO
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from django.urls import reverse
from playwright.sync_api import Page, Route, expect

from sessions.fingerprint import slices_of
from sessions.models import Film, MatchFilm, Upload
from sessions.views import parts
from tests import factories as make
from tests.sessions.coding import Court, make_court

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
PIECES = "**/uploads/*/"
PIECE = 32 * 1024


def make_film(path: Path, seconds: int, seed: int = 1) -> Path:
    """A small film of noise, which no codec makes smaller than a few pieces."""
    noise = np.random.default_rng(seed)
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libvpx", rate=5, options={"g": "5", "crf": "4", "b": "2M"})
        stream.width, stream.height, stream.pix_fmt = 160, 96, "yuv420p"
        stream.bit_rate = 2_000_000
        for _number in range(5 * seconds):
            picture = noise.integers(0, 255, (96, 160, 3), dtype=np.uint8)
            container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")))
        container.mux(stream.encode())
    return path


@pytest.fixture
def court(live_server: Any, cast: Any, settings: Any, tmp_path: Path, monkeypatch: Any) -> Court:
    settings.MEDIA_ROOT = tmp_path / "media"
    monkeypatch.setattr(parts, "PIECE", PIECE)
    found = make_court(cast, areas=[])
    for player in (cast.ana, cast.dan, cast.cleo):
        make.consent(player)
    return found


@pytest.fixture
def film(tmp_path: Path) -> Path:
    path = make_film(tmp_path / "court.webm", 8)
    assert path.stat().st_size > 6 * PIECE
    return path


@pytest.fixture
def films(page: Page, live_server: Any, log_in: Any, court: Court) -> Any:
    """The page of a match's films; errors of its scripts fail the test."""
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on(
        "console", lambda line: errors.append(line.text) if "Content Security Policy" in line.text else None
    )
    log_in(page, court.cast.assistant)
    page.goto(live_server.url + reverse("film_upload", args=[court.cast.club.slug, court.match.uuid]))
    yield page
    assert not errors


def choose(page: Page, path: Path) -> Any:
    page.get_by_label("Film", exact=True).set_input_files(path)
    facts = page.locator("[data-part=facts]")
    expect(facts).to_contain_text(path.name)
    return facts


def came(settings: Any) -> bytes:
    film = Film.objects.get()
    return bytes((settings.MEDIA_ROOT / film.original.name).read_bytes())


def upload_button(page: Page) -> Any:
    return page.get_by_role("button", name="Upload the film")


def test_an_empty_file_is_said_at_once(films: Page, tmp_path: Path, no_axe_violations: Any) -> None:
    (tmp_path / "nothing.mp4").touch()
    films.get_by_label("Film", exact=True).set_input_files(tmp_path / "nothing.mp4")
    expect(films.locator("[data-part=wrong]")).to_have_text("nothing.mp4 is empty. Choose the film itself.")
    expect(upload_button(films)).to_be_disabled()
    no_axe_violations(films)


def test_a_line_that_is_cut_is_waited_for(
    films: Page, film: Path, settings: Any, look: Any, no_axe_violations: Any
) -> None:
    page, asked = films, []

    def cut_three(route: Route) -> None:
        asked.append((route.request.method, route.request.headers.get("upload-offset")))
        if 4 <= len(asked) <= 6:
            route.abort()
        else:
            route.continue_()

    facts = choose(page, film)
    expect(facts).to_contain_text("0:08 long, 160 by 96 points.")
    no_axe_violations(page)
    look(page, "film-chosen")
    page.get_by_label("The film begins at").fill("1:30")
    page.route(PIECES, cut_three)
    upload_button(page).click()
    expect(page.get_by_text("The line is gone. It is tried again in")).to_be_visible()
    no_axe_violations(page)
    look(page, "film-line-gone")
    expect(page.locator("#films")).to_contain_text("court.webm", timeout=20000)
    assert came(settings) == film.read_bytes()
    here = str(2 * PIECE)
    assert asked[3:8] == [("PATCH", here), ("HEAD", None), ("HEAD", None), ("HEAD", None), ("PATCH", here)]
    assert MatchFilm.objects.get().offset_s == 90
    with film.open("rb") as file:
        assert Film.objects.get().slices == slices_of(file) == Upload.objects.get().slices


def test_gone_on_with_after_a_reload(
    films: Page, film: Path, settings: Any, look: Any, no_axe_violations: Any
) -> None:
    page, sent = films, []

    def only_three(route: Route) -> None:
        if route.request.method == "PATCH":
            sent.append(route.request.headers["upload-offset"])
        if len(sent) > 3:
            route.abort()
        else:
            route.continue_()

    choose(page, film)
    page.route(PIECES, only_three)
    upload_button(page).click()
    expect(page.get_by_text("The line is gone.")).to_be_visible()
    page.on("dialog", lambda dialog: dialog.accept())
    page.unroute(PIECES)
    page.route(PIECES, lambda route: route.abort())
    page.reload()
    page.unroute(PIECES)
    expect(page.get_by_role("heading", name="Still on its way")).to_be_visible()
    no_axe_violations(page)
    look(page, "film-on-its-way")
    facts = choose(page, film)
    expect(facts).to_contain_text("% of it are here. Uploading goes on from there.")
    went_on: list[str] = []
    page.on(
        "request",
        lambda request: (
            went_on.append(request.headers["upload-offset"]) if request.method == "PATCH" else None
        ),
    )
    upload_button(page).click()
    expect(page.locator("#films")).to_contain_text("court.webm", timeout=20000)
    assert went_on[0] == str(3 * PIECE)
    assert came(settings) == film.read_bytes()
    assert Upload.objects.count() == 1
    page.get_by_label("Film", exact=True).set_input_files(film)
    expect(page.locator("[data-part=facts]")).to_contain_text("this film is here already")
    expect(upload_button(page)).to_be_disabled()


def test_paused_gone_on_with_and_given_up(films: Page, film: Path, settings: Any) -> None:
    page = films
    hold: list[Route] = []

    def one_piece(route: Route) -> None:
        if route.request.method == "PATCH" and route.request.headers["upload-offset"] != "0":
            hold.append(route)
        else:
            route.continue_()

    choose(page, film)
    page.route(PIECES, one_piece)
    upload_button(page).click()
    expect(page.locator("[data-part=words]")).to_contain_text("33 kB of")
    page.get_by_role("button", name="Pause").click()
    expect(page.get_by_text("Paused. What has come is kept.")).to_be_visible()
    assert Upload.objects.get().film is None
    page.get_by_role("button", name="Go on").click()
    expect(page.get_by_role("button", name="Pause")).to_be_visible()
    page.on("dialog", lambda dialog: dialog.accept())
    page.get_by_role("button", name="Give up and remove what has come").click()
    expect(upload_button(page)).to_be_visible()
    assert not Upload.objects.exists()
    assert not [path for path in settings.MEDIA_ROOT.rglob("*") if path.is_file()]


def test_what_is_no_film_is_said_in_words(films: Page, tmp_path: Path) -> None:
    page = films
    path = tmp_path / "court.mp4"
    path.write_bytes(b"PK\x03\x04" + b"\0" * 100_000)
    facts = choose(page, path)
    expect(facts).to_contain_text("This browser cannot play it")
    expect(page.get_by_role("button", name="Leave it on this device")).to_be_hidden()
    upload_button(page).click()
    expect(page.get_by_role("alert").filter(has_text="The film was not taken")).to_contain_text(
        "This file is not a film."
    )
    expect(upload_button(page)).to_be_enabled()
    assert not Upload.objects.exists()


def test_given_up_without_a_script(films: Page, court: Court, film: Path) -> None:
    page = films
    make_upload = Upload.objects.create(
        club=court.cast.club, match=court.match, by=court.cast.assistant, name="court.webm", length=10
    )
    page.reload()
    expect(page.get_by_text("0 % of 10 bytes are here")).to_be_visible()
    page.get_by_role("button", name="Give up court.webm").click()
    expect(page.get_by_text("The upload is given up")).to_be_visible()
    assert not Upload.objects.filter(pk=make_upload.pk).exists()


def test_a_film_that_stays_on_the_disk_and_the_sheet(
    films: Page, court: Court, film: Path, tmp_path: Path, live_server: Any, look: Any, no_axe_violations: Any
) -> None:
    page = films
    choose(page, film)
    page.get_by_label("The film begins at").fill("0:10")
    page.get_by_role("button", name="Leave it on this device").click()
    expect(page.locator("#films")).to_contain_text("It stays on a disk of Aldo")
    look(page, "film-away")
    no_axe_violations(page)
    stays = Film.objects.get()
    with film.open("rb") as file:
        assert stays.slices == slices_of(file)
    assert (stays.state, stays.size, stays.width) == ("away", film.stat().st_size, 160)
    assert stays.duration_s == pytest.approx(8, abs=0.3)

    page.goto(live_server.url + reverse("sheet", args=[court.cast.club.slug, court.analysis.uuid]))
    expect(page.locator("[data-sheet]")).not_to_have_attribute("aria-busy", "true")
    said, video = page.locator(".film-said"), page.locator("video")
    field = page.get_by_label("Open the film “court.webm” from this device (it stays here)")
    expect(said).to_contain_text("has to be given the file each time")
    expect(video).to_be_hidden()
    look(page, "sheet-away")
    no_axe_violations(page)

    longer = make_film(tmp_path / "longer.webm", 12)
    field.set_input_files(longer)
    expect(said).to_contain_text("“longer.webm” is not the film “court.webm”. The size differs:")
    expect(said).to_contain_text("The length differs: 0:12.0 and not 0:08.0.")
    changed = tmp_path / "changed.webm"
    content = bytearray(film.read_bytes())
    content[-100] ^= 1
    changed.write_bytes(content)
    field.set_input_files(changed)
    expect(said).to_contain_text("What is in it differs, although size and length are the same.")
    expect(video).to_be_hidden()
    look(page, "sheet-wrong-film")
    no_axe_violations(page)

    page.get_by_label("Match time").fill("0:13")
    page.get_by_label("Match time").blur()
    renamed = tmp_path / "another name.webm"
    renamed.write_bytes(film.read_bytes())
    field.set_input_files(renamed)
    expect(video).to_be_visible()
    expect(said).to_be_hidden()
    expect(video).to_have_js_property("currentTime", 3)
    expect(page.get_by_label("Match time")).to_have_value("0:13.0")
    page.get_by_role("button", name="Run").click()
    expect(video).to_have_js_property("paused", False)
    page.wait_for_timeout(300)
    page.get_by_role("button", name="Hold").click()
    assert page.evaluate("document.querySelector('video').currentTime") > 3

    page.reload()
    expect(field).to_be_visible()


def test_a_film_that_is_here_and_one_that_stays(
    films: Page, court: Court, film: Path, tmp_path: Path, settings: Any, live_server: Any
) -> None:
    """The first eight seconds are on the server, what follows on the coach's disk."""
    page = films
    there = Film(
        club=court.cast.club, name="first.webm", size=1, digest="1" * 64, state="ready", duration_s=8
    )
    settings.MEDIA_ROOT.mkdir(exist_ok=True)
    (settings.MEDIA_ROOT / "first.webm").write_bytes(film.read_bytes())
    there.file = "first.webm"
    there.save()
    MatchFilm.objects.create(match=court.match, film=there, offset_s=0)
    second = make_film(tmp_path / "second.webm", 6, seed=2)
    choose(page, second)
    page.get_by_role("button", name="Leave it on this device").click()
    expect(page.locator("#films")).to_contain_text("second.webm")
    page.goto(live_server.url + reverse("sheet", args=[court.cast.club.slug, court.analysis.uuid]))
    video, time = page.locator("video"), page.get_by_label("Match time")
    expect(video).to_be_visible()
    expect(page.locator(".own-film")).to_be_hidden()
    time.fill("0:10")
    time.blur()
    field = page.get_by_label("Open the film “second.webm” from this device (it stays here)")
    expect(field).to_be_visible()
    expect(video).to_be_hidden()
    expect(time).to_have_value("0:10.0")
    field.set_input_files(second)
    expect(video).to_be_visible()
    expect(video).to_have_js_property("currentTime", 2)
    time.fill("0:05")
    time.blur()
    expect(video).to_have_js_property("currentTime", 5)
    expect(video).to_have_attribute("src", reverse("film_bytes", args=["seaside", there.uuid]))
    time.fill("0:11")
    time.blur()
    expect(video).to_be_visible()
    expect(video).to_have_js_property("currentTime", 3)


def test_the_page_and_the_server_work_out_the_same_fingerprint(films: Page) -> None:
    """The last byte of a slice, and files one byte longer than what counts whole."""
    for size in (5, 3 * 2**20, 3 * 2**20 + 1, 5 * 2**20 + 17):
        found = films.evaluate(
            """async (size) => {
                const { slicesOf } = await import("/static/sessions/fingerprint.js");
                const bytes = new Uint8Array(size);
                for (let i = 0; i < size; i += 1) bytes[i] = Math.floor((i * i) / 7) % 251;
                return slicesOf(new File([bytes], "a.mp4"));
            }""",
            size,
        )
        places = np.arange(size, dtype=np.int64)
        assert found == slices_of(BytesIO((places * places // 7 % 251).astype(np.uint8).tobytes()))
