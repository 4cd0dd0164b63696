"""From a file on the coach's disk to metres: the drawn film sent over a line that is cut, read, and the court placed.

What the page then says of places on the floor is held against the camera that the film was drawn for.
"""

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from django.urls import reverse
from playwright.sync_api import Page, Route, expect

from clubcoach.compute.court import LANDMARKS, calibrate
from clubcoach.jobs import run_due
from reports.demo import scene, scene_frames
from sessions.models import CourtView, Film
from sessions.views import parts
from tests import factories as make
from tests.sessions.coding import make_court
from tests.sessions.court_scene import seen

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

CAMERA = scene_frames.camera()
PIECE = 48 * 1024
SECONDS = 3.0


@pytest.fixture
def path(tmp_path: Path) -> Path:
    film = tmp_path / "match.webm"
    scene.render_scene(film, None, fps=10, end_s=SECONDS)
    assert film.stat().st_size > 5 * PIECE
    return film


def test_from_a_cut_upload_to_a_placed_court(
    page: Page,
    live_server: Any,
    cast: Any,
    log_in: Any,
    settings: Any,
    tmp_path: Path,
    path: Path,
    monkeypatch: Any,
) -> None:
    settings.MEDIA_ROOT = tmp_path / "media"
    monkeypatch.setattr(parts, "PIECE", PIECE)
    court = make_court(cast, areas=[])
    for player in (cast.ana, cast.dan, cast.cleo):
        make.consent(player)
    log_in(page, cast.assistant)
    page.goto(live_server.url + reverse("film_upload", args=[cast.club.slug, court.match.uuid]))
    film = send(page, path)
    assert (settings.MEDIA_ROOT / film.original.name).read_bytes() == path.read_bytes()
    run_due()
    film.refresh_from_db()
    assert (film.state, film.width, film.height) == ("ready", CAMERA.width, CAMERA.height_px)
    assert film.duration_s == pytest.approx(SECONDS, abs=0.15)

    page.goto(live_server.url + reverse("film", args=[cast.club.slug, film.uuid]))
    expect(page.locator("video")).to_be_visible()
    page.goto(live_server.url + reverse("court_view", args=[cast.club.slug, film.uuid]))
    place(page)
    view = CourtView.objects.get()
    assert view.looked_by == cast.assistant
    assert camera_again(view) < 0.05


def send(page: Page, path: Path) -> Film:
    """The upload of a film whose line is cut for a while after the second piece."""
    asked: list[str] = []

    def cut(route: Route) -> None:
        asked.append(route.request.method)
        if 3 <= len(asked) <= 4:
            route.abort()
        else:
            route.continue_()

    page.route("**/uploads/*/", cut)
    page.get_by_label("Film", exact=True).set_input_files(path)
    expect(page.locator("[data-part=facts]")).to_contain_text(path.name)
    page.get_by_role("button", name="Upload the film").click()
    expect(page.get_by_text("The line is gone.")).to_be_visible()
    expect(page.locator("#films")).to_contain_text(path.name, timeout=20000)
    return Film.objects.get()


def place(page: Page) -> None:
    """Every landmark in the picture clicked where it is drawn, the lines looked at, the view saved."""
    expect(page.locator(".court-frame[data-at] video")).to_be_visible()
    places = seen(CAMERA)
    assert len(places) >= 8
    overlay = page.locator(".court-frame > .court-lines")
    for name, (u, v) in places.items():
        page.locator(f"[data-landmark='{name}'] input[type=radio]").check()
        overlay.scroll_into_view_if_needed()
        box = overlay.bounding_box()
        assert box
        page.mouse.click(
            box["x"] + u / CAMERA.width * box["width"], box["y"] + v / CAMERA.height_px * box["height"]
        )
    expect(page.locator("[data-part=result]")).to_contain_text(f"{len(places)} landmarks.")
    page.get_by_label("The lines that are drawn lie on the lines of the court").check()
    page.get_by_role("button", name="Save this court view").click()
    expect(page.locator("[data-part=state]")).to_have_text("The court view is saved.")


def camera_again(view: CourtView) -> float:
    """How far off, in metres at the median, the saved view tells places on the floor all over the court."""
    names = list(view.landmarks)
    fit = calibrate(
        np.array([view.landmarks[name] for name in names]),
        np.array([LANDMARKS[name] for name in names]),
        image_size=(view.width, view.height),
    )
    floor = np.array([(x, y) for x in np.linspace(-4.5, 4.5, 10) for y in np.linspace(-7.5, 9.5, 18)])
    pixels = CAMERA.project(np.column_stack([floor, np.zeros(len(floor))]))
    told, _spread = fit.to_court(pixels)
    return float(np.median([math.dist(a, b) for a, b in zip(told, floor, strict=True)]))
