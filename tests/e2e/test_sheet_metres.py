"""Metres in the sheet: a foot clicked in a film whose court is placed, what that is, and the mark that confirms it."""

import re
from typing import Any

import pytest
from django.core.files.base import ContentFile
from django.urls import reverse
from playwright.sync_api import Page, expect

from reports.demo import scene_frames
from sessions.fingerprint import slices_of
from sessions.models import Film, Mark, Spot
from sessions.services.court import place_court
from tests import factories as make
from tests.e2e.test_court import FPS, FRAMES, content
from tests.e2e.test_sheet import court, keys, lens, saved, sheet
from tests.sessions.coding import Court
from tests.sessions.court_scene import make_film, seen, sent
from tests.sessions.moving import agree

__all__ = ["court", "sheet"]
pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

CAMERA = scene_frames.camera()
AROUND = 0.12


@pytest.fixture
def film(court: Court, settings: Any, tmp_path: Any) -> Film:
    """Two seconds of film, and a serve and a net situation of the near end in it."""
    settings.MEDIA_ROOT = tmp_path / "media"
    agree(court.match)
    body, _pictures = content()
    found = make_film(court.match, duration_s=FRAMES / FPS, size=len(body))
    found.file.save("scene.webm", ContentFile(body), save=True)
    lens(court, "serve", "net")
    rally = make.make_rally(court.match, 1, start_s=0.2, end_s=1.9)
    make.make_situation(court.analysis, rally, court.ana, court.area("serve"), hit_s=0.8)
    make.make_situation(court.analysis, rally, court.pair, court.area("net"), hit_s=1.2)
    return found


@pytest.fixture
def placed(court: Court, film: Film) -> Film:
    landmarks = seen(CAMERA)
    place_court(by=court.cast.head_coach, film=film, **sent(at_s=0.0, landmarks=landmarks, looked=True))
    return film


def ask(page: Page, code: str) -> None:
    """The cell of a check in the open row."""
    expect(page.locator("[data-sheet]")).not_to_have_attribute("aria-busy", "true")
    page.locator("[data-sheet]").focus()
    keys(page, "ArrowDown")
    page.locator(f".cell:has(.cell-code:text-is('{code}'))").click()
    expect(page.locator(".asks h2")).to_contain_text(code)
    # Choosing a row may run the film; here it is held at the hit.
    hold = page.get_by_role("button", name="Hold", exact=True)
    if hold.is_visible():
        hold.click()
    moment = page.get_by_label("Match time")
    moment.fill("0:00.8")
    moment.press("Enter")
    page.locator("[data-sheet]").focus()
    expect(moment).to_have_value("0:00.8")


def click_floor(page: Page, x: float, y: float) -> None:
    """A mouse's click where a place on the floor appears, wherever the frame letterboxes the picture."""
    u, v = CAMERA.project([x, y, 0.0])
    box = page.locator(".film-box video").bounding_box()
    assert box
    scale = min(box["width"] / CAMERA.width, box["height"] / CAMERA.height_px)
    left = box["x"] + (box["width"] - scale * CAMERA.width) / 2
    top = box["y"] + (box["height"] - scale * CAMERA.height_px) / 2
    page.mouse.click(left + scale * float(u), top + scale * float(v))


def metres(page: Page) -> Any:
    return page.locator(".metres-said")


def lines(page: Page) -> Any:
    return page.locator(".film-place polyline:not(.halo)")


def held(page: Page) -> None:
    expect(page.locator(".film-place.takes")).to_be_visible()


def test_a_foot_is_clicked_proposed_and_confirmed(
    sheet: Any, court: Court, placed: Film, look: Any, no_axe_violations: Any
) -> None:
    page = sheet()
    ask(page, "S2")
    held(page)
    expect(lines(page)).to_have_count(1)
    click_floor(page, 1.0, -4.1)
    expect(metres(page)).to_have_text(
        re.compile(r"4\.[01] m from the net, give or take 0\.\d\. Met, 99 in 100: the key 1 confirms\.")
    )
    spot = Spot.objects.get()
    assert (spot.x_m, spot.y_m) == (pytest.approx(1.0, abs=AROUND), pytest.approx(-4.1, abs=AROUND))
    assert not Mark.objects.exists(), "nothing is marked by itself"
    expect(metres(page)).to_have_role("status")
    look(page, "sheet-metres")
    # Beyond the line by hand, and taken back.
    click_floor(page, 1.0, -6.3)
    expect(metres(page)).to_contain_text("Missed, 99 in 100: the key 2 confirms.")
    click_floor(page, 1.0, -5.0)
    expect(metres(page)).to_contain_text("Too close to decide: mark it by eye.")
    keys(page, "Backspace", "Backspace")
    expect(metres(page)).to_contain_text("Met, 99 in 100")
    keys(page, "Digit1")
    saved(page)
    assert Mark.objects.get().value == "met"
    assert Spot.objects.get().y_m == pytest.approx(-4.1, abs=AROUND)
    # What the server holds is what a reload shows.
    page.reload()
    ask(page, "S2")
    expect(metres(page)).to_contain_text("Met, 99 in 100")
    page.get_by_role("button", name="Take the place out").click()
    expect(metres(page)).to_be_hidden()
    saved(page)
    assert not Spot.objects.exists()
    assert Mark.objects.count() == 1, "the mark stays"
    for x, y in ((1.0, -4.1), (2.6, -4.6), (-0.5, -5.2)):
        click_floor(page, x, y)
        expect(metres(page)).to_contain_text("from the net")
    saved(page)
    page.goto(page.url.replace("/sheet/", "/places/"))
    expect(page.locator(".place-number")).to_have_text(["0", "0", "0", "0", "1", "0", "0", "0", "0"])
    no_axe_violations(page)
    look(page, "places")


def test_by_the_keyboard_and_between_two_players(
    sheet: Any, court: Court, placed: Film, no_axe_violations: Any
) -> None:
    page = sheet()
    ask(page, "N1")
    expect(lines(page)).to_have_count(0)
    held(page)
    page.get_by_role("button", name="Place a foot").focus()
    page.keyboard.press("Enter")
    frame = page.get_by_role("application")
    expect(frame).to_be_focused()
    u, v = CAMERA.project([-2.0, -3.0, 0.0])
    for name, steps in (("ArrowLeft", 640 - round(float(u))), ("ArrowUp", 432 - round(float(v)))):
        back = {"ArrowLeft": "ArrowRight", "ArrowUp": "ArrowDown"}[name] if steps < 0 else name
        for _ in range(abs(steps) // 10):
            page.keyboard.press(f"Shift+{back}")
        for _ in range(abs(steps) % 10):
            page.keyboard.press(back)
    page.keyboard.press("Enter")
    expect(metres(page)).to_have_text("One place is set, the other one is still to come.")
    assert Spot.objects.get().y_m == pytest.approx(-3.0, abs=AROUND)
    expect(page.get_by_role("button", name="second place")).to_have_attribute("aria-pressed", "true")
    no_axe_violations(page)
    page.keyboard.press("Escape")
    expect(page.get_by_role("button", name="Place a foot")).to_be_focused()
    click_floor(page, 2.0, -5.4)
    expect(metres(page)).to_contain_text("2.4 m apart along the court, give or take 0.1. Missed")
    assert {spot.number for spot in Spot.objects.all()} == {1, 2}
    page.set_viewport_size({"width": 820, "height": 1100})
    click_floor(page, 2.0, -3.2)
    expect(metres(page)).to_contain_text("0.2 m apart along the court")
    keys(page, "Digit1")
    saved(page)
    assert Mark.objects.get().value == "met"


def test_lines_are_gone_while_the_film_runs_and_without_a_court_there_is_a_link(
    sheet: Any, court: Court, film: Film
) -> None:
    page = sheet()
    ask(page, "S2")
    expect(page.locator(".film-metres")).to_contain_text("Without a court placed in this film")
    link = page.get_by_role("link", name="Place the court")
    expect(link).to_have_attribute("href", reverse("court_view", args=["seaside", film.uuid]))
    expect(page.locator(".film-place")).to_be_hidden()
    keys(page, "Digit1")
    saved(page)
    assert Mark.objects.get().value == "met", "marking by eye needs no court"
    place_court(by=court.cast.head_coach, film=film, **sent(at_s=0.0, landmarks=seen(CAMERA)))
    page.reload()
    ask(page, "S2")
    held(page)
    expect(page.locator(".film-metres")).to_contain_text("Nobody has looked yet")
    page.get_by_role("button", name="Run", exact=True).click()
    expect(page.locator(".film-place")).to_be_hidden()
    page.get_by_role("button", name="Hold", exact=True).click()
    held(page)


def test_a_film_on_the_coach_s_own_disk(sheet: Any, court: Court, placed: Film, tmp_path: Any) -> None:
    body, _pictures = content()
    path = tmp_path / "own.webm"
    path.write_bytes(body)
    placed.file.delete(save=False)
    placed.state, placed.digest = "away", ""
    with path.open("rb") as source:
        placed.slices = slices_of(source)
    placed.save()
    page = sheet()
    ask(page, "S2")
    expect(page.locator(".film-place")).to_be_hidden()
    page.locator(".own-film input").set_input_files(path)
    held(page)
    click_floor(page, 1.0, -4.1)
    expect(metres(page)).to_contain_text("Met, 99 in 100")


def test_who_only_reads_sees_the_places_and_sets_none(sheet: Any, court: Court, placed: Film) -> None:
    situation = court.analysis.situations.get(area__code="serve")
    u, v = CAMERA.project([1.0, -4.1, 0.0])
    result = court.device().do(
        "spot.set",
        f"{situation.uuid}/S2/1",
        {"film": str(placed.uuid), "at_s": 0.8, "u": float(u) / 1280, "v": float(v) / 720},
    )
    assert result["status"] == "applied"
    page = sheet(court.cast.head_coach)
    page.locator("[data-sheet]").focus()
    keys(page, "ArrowDown")
    page.locator(".situation-lines button").first.click()
    expect(page.get_by_role("button", name="Place a foot")).to_have_count(0)
    expect(page.locator(".film-place.takes")).to_have_count(0)
