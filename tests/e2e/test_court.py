"""The court placed in a film by mouse, by keys, without scripts, and in a film that stays on the coach's disk."""

import math
import re
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pytest
from django.core.files.base import ContentFile
from django.urls import reverse
from playwright.sync_api import Page, expect

from clubcoach.compute.court import LANDMARKS
from reports.demo import scene_frames
from sessions import film_store, footage, services
from sessions.fingerprint import slices_of
from sessions.models import CourtView, Film
from tests.sessions.chain import make_chain
from tests.sessions.court_scene import make_film, seen
from tests.sessions.moving import agree

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

CAMERA = scene_frames.camera()
FPS, FRAMES, SEED = 5.0, 10, 1
NAMES = list(LANDMARKS)


@cache
def content() -> tuple[bytes, list[bytes]]:
    """Two seconds of the drawn film, and two pictures of it."""
    wish = scene_frames.Wish(CAMERA.width, CAMERA.height_px, FPS, 0, FRAMES, SEED)
    silence = np.zeros(int(48_000 * FRAMES / FPS), dtype=np.float32)
    with TemporaryDirectory() as folder:
        path = Path(folder) / "scene.webm"
        footage.write_webm(scene_frames.draw(wish), FPS, silence, 48_000, path)
        return path.read_bytes(), footage.stills(path, [0.0, 1.0])


@pytest.fixture
def film(cast: Any, live_server: Any, settings: Any, tmp_path: Path) -> Film:
    settings.MEDIA_ROOT = tmp_path / "media"
    chain = make_chain(cast)
    agree(chain.match)
    body, pictures = content()
    film = make_film(chain.match, duration_s=FRAMES / FPS, size=len(body), strip=[0.0, 1.0])
    film.file.save("scene.webm", ContentFile(body), save=True)
    for at_s, picture in zip(film.strip, pictures, strict=True):
        for large in (False, True):
            path = film_store.strip_path(film, at_s, large=large)
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(picture)
    return film


@pytest.fixture
def court(page: Page, live_server: Any, cast: Any, film: Film) -> Any:
    """Opens the court view as a coach; errors of the page's scripts fail the test."""
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("console", lambda line: errors.append(line.text) if "Content Security" in line.text else None)
    come_in(page, live_server, cast, cast.assistant)

    def open_it(query: str = "") -> Page:
        page.goto(live_server.url + reverse("court_view", args=["seaside", film.uuid]) + query)
        return page

    yield open_it
    assert not errors


def come_in(page: Page, live_server: Any, cast: Any, person: Any) -> None:
    cookie = cast.client(person).cookies["sessionid"].value
    page.context.add_cookies([{"name": "sessionid", "value": cookie, "url": live_server.url}])


def frame(page: Page) -> Any:
    return page.get_by_role("application")


def told(page: Page) -> Any:
    return page.locator("[data-part=told]")


def click_at(page: Page, u: float, v: float) -> None:
    """A mouse's click on a pixel of the film."""
    overlay = page.locator(".court-frame > .court-lines")
    overlay.scroll_into_view_if_needed()
    box = overlay.bounding_box()
    assert box
    page.mouse.click(box["x"] + u / 1280 * box["width"], box["y"] + v / 720 * box["height"])


def video_shown(page: Page) -> None:
    expect(page.locator(".court-frame[data-at] video")).to_be_visible()


def foot(page: Page, x: float, y: float) -> tuple[float, float]:
    """What the page says of a foot at a place on the floor: across and along, metres."""
    click_at(page, *CAMERA.project([x, y, 0.0]))
    expect(told(page)).to_contain_text("from the net")
    said = told(page).inner_text()
    found = re.match(
        r"([\d.]+) m from the net on the (near|far) half, give or take [\d.]+ m;"
        r" (?:([\d.]+) m (left|right) of the middle|on the middle)",
        said,
    )
    assert found, said
    depth, half, across, side = found.groups()
    return float(across or 0) * (-1 if side == "left" else 1), float(depth) * (-1 if half == "near" else 1)


def test_by_mouse_from_landmarks_to_metres(court: Any, film: Film, look: Any, no_axe_violations: Any) -> None:
    page = court()
    video_shown(page)
    places = seen(CAMERA)
    assert len(places) >= 8
    for name, place in places.items():
        page.locator(f"[data-landmark='{name}'] input[type=radio]").check()
        click_at(page, *place)
    expect(page.locator(".court-lines polyline:not(.halo)")).not_to_have_count(0)
    expect(page.locator("[data-part=result]")).to_contain_text(f"{len(places)} landmarks.")
    lines = drawn(page)
    assert lines["far service"] < 0.15, lines
    assert lines["left side"] < 0.15, lines
    page.get_by_label("The lines that are drawn lie on the lines of the court").check()
    page.get_by_role("button", name="Save this court view").click()
    expect(page.locator("[data-part=state]")).to_have_text("The court view is saved.")
    expect(page.locator("#court-views tbody tr")).to_have_count(1)
    view = CourtView.objects.get()
    assert view.looked_by is not None
    assert len(view.landmarks) == len(places)
    for name, place in places.items():
        assert math.dist(view.landmarks[name], place) < 1.5, name
    look(page, "court-view")
    no_axe_violations(page)
    page.get_by_role("button", name="Measure a foot").click()
    for place, most in (((-2.0, -3.0), 0.15), ((1.5, -6.0), 0.15), ((2.0, 4.0), 0.3)):
        assert math.dist(foot(page, *place), place) < most
    look(page, "court-measure")


def drawn(page: Page) -> dict[str, float]:
    """How far, in metres, the lines in the picture lie off those of the court."""
    points = page.locator(".court-lines polyline:not(.halo)").evaluate_all(
        "lines => lines.map(line => line.getAttribute('points'))"
    )
    off = {"far service": math.inf, "left side": math.inf}
    for text in points:
        spots = CAMERA.floor([[float(part) for part in pair.split(",")] for pair in text.split()])
        off["far service"] = min(off["far service"], float(np.abs(spots[:, 1] - 6.95).max()))
        off["left side"] = min(off["left side"], float(np.abs(spots[:, 0] + 5).max()))
    return off


def keys_to(page: Page, at: tuple[float, float], to: list[float]) -> None:
    """The cross from where it stands to a pixel: by tens with Shift, then one by one."""
    for start, end, back, forth in (
        (at[0], to[0], "ArrowLeft", "ArrowRight"),
        (at[1], to[1], "ArrowUp", "ArrowDown"),
    ):
        way = round(end - start)
        key = forth if way > 0 else back
        for _ in range(abs(way) // 10):
            page.keyboard.press(f"Shift+{key}")
        for _ in range(abs(way) % 10):
            page.keyboard.press(key)


def cross_of(page: Page) -> tuple[float, float]:
    u, v = page.evaluate(
        """() => {
            const arms = [...document.querySelectorAll('.court-lines .cross.arm line')];
            const all = (name) => arms.map((arm) => Number(arm.getAttribute(name)));
            const middle = (values) => (Math.min(...values) + Math.max(...values)) / 2;
            return [middle([...all('x1'), ...all('x2')]), middle([...all('y1'), ...all('y2')])];
        }"""
    )
    return float(u), float(v)


def chosen(page: Page) -> str:
    return str(page.locator("[data-landmark][aria-current]").get_attribute("data-landmark"))


def tab_to(page: Page, what: str) -> None:
    for _ in range(120):
        page.keyboard.press("Tab")
        if page.evaluate("(what) => document.activeElement?.matches(what)", what):
            return
    raise AssertionError(f"Tab does not reach {what}")


def test_by_keys_alone(court: Any, film: Film) -> None:
    page = court()
    video_shown(page)
    places = seen(CAMERA)
    tab_to(page, ".court-frame")
    done: set[str] = set()
    put = 0
    for _ in range(len(NAMES)):
        name = chosen(page)
        if name in done:
            break
        if name in places:
            # Where it is expected to the pixel it has to be moved, too; and once it is moved no late answer moves it.
            page.keyboard.press("ArrowRight")
            page.keyboard.press("ArrowLeft")
            keys_to(page, cross_of(page), places[name])
            page.keyboard.press("Enter")
            expect(told(page)).to_contain_text("set at")
            put += 1
            if put >= 4:
                expect(page.locator("[data-part=result]")).to_contain_text(
                    re.compile(f"({put}|Four) landmarks")
                )
        else:
            page.keyboard.press("Delete")
            expect(told(page)).to_contain_text("not in the picture")
        done.add(name)
    assert put >= 8, done
    tab_to(page, "#looked")
    page.keyboard.press("Space")
    tab_to(page, "button[value=save]")
    page.keyboard.press("Enter")
    expect(page.locator("[data-part=state]")).to_have_text("The court view is saved.")
    view = CourtView.objects.get()
    assert view.looked_at is not None
    for name, place in view.landmarks.items():
        assert math.dist(place, places[name]) < 1, name
    page.evaluate("document.activeElement.blur()")
    tab_to(page, "[data-mode=measure]")
    page.keyboard.press("Enter")
    page.keyboard.press("Shift+Tab")
    page.keyboard.press("Shift+Tab")
    if not page.evaluate("document.activeElement.matches('.court-frame')"):
        tab_to(page, ".court-frame")
    keys_to(page, cross_of(page), list(CAMERA.project([-2.0, -3.0, 0.0])))
    page.keyboard.press("Enter")
    expect(told(page)).to_contain_text("from the net on the near half")
    assert re.match(r"(2\.9|3|3\.1) m from the net", told(page).inner_text())


def test_a_finger_moves_the_cross_and_a_button_sets(court: Any, film: Film) -> None:
    page = court()
    video_shown(page)
    box = page.locator(".court-frame > .court-lines").bounding_box()
    assert box is not None
    hand = page.context.new_cdp_session(page)
    spot = {"x": box["x"] + box["width"] / 4, "y": box["y"] + box["height"] / 2}
    hand.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [spot]})
    hand.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    expect(told(page)).to_contain_text("Now: 1, near left corner")
    expect(told(page)).to_contain_text("press “Set here”")
    assert math.dist(cross_of(page), (CAMERA.width / 4, CAMERA.height_px / 2)) < 3
    page.get_by_role("button", name="Set here").click()
    expect(told(page)).to_contain_text("near left corner: set at")


def test_an_upright_picture_leaves_room_on_a_phone(court: Any, film: Film) -> None:
    page = court()
    video_shown(page)
    page.set_viewport_size({"width": 390, "height": 844})
    wide = frame(page).bounding_box()
    assert wide is not None
    assert wide["width"] > 340
    page.evaluate(
        """async () => {
          const main = document.querySelector("script[src*='court/main']").src;
          const { Picture } = await import(main.replace("main", "picture"));
          const stage = document.createElement("div");
          document.querySelector("main").append(stage);
          const picture = new Picture(stage, document.createElement("div"));
          picture.size = [1080, 1920];
          picture.resize();
          stage.id = "upright";
        }"""
    )
    upright = page.locator("#upright .court-frame").bounding_box()
    assert upright is not None
    assert upright["height"] < 0.65 * 844
    assert abs(upright["width"] / upright["height"] - 1080 / 1920) < 0.02


def test_what_is_expected_has_to_be_looked_at(court: Any, film: Film) -> None:
    page = court()
    video_shown(page)
    places = seen(CAMERA)
    for name in ("near left service", "near right service", "far left corner", "far right corner"):
        page.locator(f"[data-landmark='{name}'] input[type=radio]").check()
        click_at(page, *places[name])
    expect(page.locator("[data-part=result]")).to_contain_text("Four landmarks")
    page.locator("[data-landmark='left post'] input[type=radio]").check()
    assert math.dist(cross_of(page), places["left post"]) < 4
    frame(page).focus()
    page.keyboard.press("Enter")
    expect(told(page)).to_contain_text("Move it onto what you see")
    expect(page.locator("input[name=u_11]")).to_have_value("")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    expect(page.locator("input[name=u_11]")).not_to_have_value("")


def test_a_phone_that_was_moved(court: Any, film: Film, cast: Any) -> None:
    first = {"width": 1280, "height": 720, "landmarks": seen(CAMERA), "looked": True}
    services.place_court(by=cast.assistant, film=film, from_s=0, at_s=0, **first)
    page = court()
    page.get_by_role("link", name="The phone was moved").click()
    video_shown(page)
    page.get_by_role("button", name="+1 s").click()
    expect(page.locator(".court-frame")).to_have_attribute("data-at", "1")
    page.get_by_role("button", name="The view holds from here on").click()
    for name, place in seen(CAMERA).items():
        page.locator(f"[data-landmark='{name}'] input[type=radio]").check()
        click_at(page, place[0], place[1] - 6)
    expect(page.locator("[data-part=state]")).to_contain_text("Not saved yet. On the near half: good")
    page.get_by_role("button", name="Save this court view").click()
    expect(page.locator("#court-views tbody tr")).to_have_count(2)
    expect(page.locator("#court-heading")).to_have_text("The view from 0:01 on")
    later = film.court_views.get(from_s=1)
    assert later.at_s == 1
    assert later.landmarks["left post"][1] == pytest.approx(seen(CAMERA)["left post"][1] - 6, abs=1.5)
    page.get_by_role("button", name="Measure a foot").click()
    click_at(page, *CAMERA.project([0.5, 4.0, 0.0]))
    expect(told(page)).to_contain_text("from the net on the far half")


def test_a_wrong_landmark_is_said_and_nothing_is_kept(court: Any, film: Film) -> None:
    page = court()
    video_shown(page)
    places = seen(CAMERA)
    order = ["near left service", "near right service", "far left corner", "far right corner"]
    for name, other in zip(order, [order[1], order[0], order[3], order[2]], strict=True):
        page.locator(f"[data-landmark='{name}'] input[type=radio]").check()
        click_at(page, *places[other])
    expect(page.locator("[data-part=result] [role=alert]")).to_contain_text("left and right are exchanged")
    expect(page.locator(".court-lines polyline")).to_have_count(0)
    page.get_by_role("button", name="Save this court view").click()
    expect(page.locator("[data-part=state]")).to_contain_text("left and right are exchanged")
    assert not CourtView.objects.exists()


def test_a_net_that_is_gone_loses_nothing(court: Any, film: Film) -> None:
    page = court()
    video_shown(page)
    page.route("**/api/v1/**", lambda route: route.abort())
    places = seen(CAMERA)
    for name in list(places)[:5]:
        page.locator(f"[data-landmark='{name}'] input[type=radio]").check()
        click_at(page, *places[name])
    expect(page.locator("[data-part=result]")).to_contain_text("cannot be reached")
    page.unroute("**/api/v1/**")
    name = list(places)[5]
    page.locator(f"[data-landmark='{name}'] input[type=radio]").check()
    click_at(page, *places[name])
    expect(page.locator("[data-part=result]")).to_contain_text("6 landmarks")


def test_without_scripts_on_the_first_picture(
    browser: Any, live_server: Any, cast: Any, film: Film, look: Any
) -> None:
    context = browser.new_context(java_script_enabled=False, viewport={"width": 1500, "height": 1000})
    page = context.new_page()
    come_in(page, live_server, cast, cast.assistant)
    page.goto(live_server.url + reverse("court_view", args=["seaside", film.uuid]))
    places = seen(CAMERA)
    picture = page.locator("input[type=image]")
    box = picture.bounding_box()
    assert box
    assert (round(box["width"]), round(box["height"])) == (1280, 720), "clicks are told in its own pixels"
    for name in ("near left service", "near right service", "far left corner"):
        page.locator(f"[data-landmark='{name}'] input[type=radio]").check()
        picture.click(position={"x": places[name][0], "y": places[name][1]})
        expect(page.locator(f"[data-landmark='{name}'] input[name^=u_]")).not_to_have_value("")
    for name in ("far right corner", "left post", "right post", "net centre", "far centre"):
        number = NAMES.index(name) + 1
        page.locator(f"input[name=u_{number}]").fill(f"{places[name][0]:.1f}")
        page.locator(f"input[name=v_{number}]").fill(f"{places[name][1]:.1f}".replace(".", ","))
    page.get_by_role("button", name="Draw the court's lines").click()
    expect(page.locator(".court-lines polyline")).not_to_have_count(0)
    assert drawn(page)["far service"] < 0.3
    look(page, "court-plain")
    page.get_by_label("The lines that are drawn lie on the lines of the court").check()
    page.get_by_role("button", name="Save this court view").click()
    expect(page.locator("#court-views tbody tr")).to_have_count(1)
    view = CourtView.objects.get()
    assert view.looked_at is not None
    assert len(view.landmarks) == 8
    page.get_by_role("button", name="Remove the view").click()
    expect(page.locator("#court-views tbody tr")).to_have_count(0)
    assert not CourtView.objects.exists()
    context.close()


def test_a_film_on_the_coachs_own_disk(court: Any, film: Film, tmp_path: Path) -> None:
    body, _pictures = content()
    path, wrong, other = tmp_path / "mine.webm", tmp_path / "longer.webm", tmp_path / "other.webm"
    path.write_bytes(body)
    wrong.write_bytes(body + b"x")
    other.write_bytes(body[:-1] + bytes([body[-1] ^ 1]))
    with path.open("rb") as file:
        film.slices = slices_of(file)
    film.file, film.digest, film.state, film.strip = "", "", "away", []
    film.save()
    page = court()
    sent: list[bytes] = []
    page.on("request", lambda request: sent.append(request.post_data_buffer or b""))
    page.get_by_label("Open the film from your disk").set_input_files(wrong)
    expect(told(page)).to_contain_text("its size is not that of the film")
    page.get_by_label("Open the film from your disk").set_input_files(other)
    expect(told(page)).to_contain_text("its content is not")
    page.get_by_label("Open the film from your disk").set_input_files(path)
    video_shown(page)
    for name, place in seen(CAMERA).items():
        page.locator(f"[data-landmark='{name}'] input[type=radio]").check()
        click_at(page, *place)
    page.get_by_role("button", name="Save this court view").click()
    expect(page.locator("[data-part=state]")).to_have_text("The court view is saved.")
    page.get_by_role("button", name="Measure a foot").click()
    assert math.dist(foot(page, -2.0, -3.0), (-2.0, -3.0)) < 0.15
    assert CourtView.objects.get().film == film
    assert all(len(body) < 4000 for body in sent), "only landmarks travel"


def test_the_next_film_from_the_same_place(court: Any, film: Film, cast: Any, live_server: Any) -> None:
    coach = cast.assistant
    place = services.save_camera(by=coach, club=cast.club, name="Court 1, pole")
    first = make_film(film.match_films.get().match, camera=place, digest="f" * 64)
    services.place_court(
        by=coach, film=first, from_s=0, at_s=0, width=1280, height=720, landmarks=seen(CAMERA), looked=True
    )
    page = court()
    page.get_by_label("This film is from").select_option(label="Court 1, pole")
    page.get_by_role("button", name="Keep the place").click()
    page.get_by_role("button", name="Same place as there: copy it").click()
    expect(page.locator("#court-views")).to_contain_text("copied from court.webm")
    expect(page.locator("#court-views")).to_contain_text("not yet")
    video_shown(page)
    expect(page.locator(".court-lines polyline:not(.halo)")).not_to_have_count(0)
    page.get_by_label("The lines that are drawn lie on the lines of the court").check()
    page.get_by_role("button", name="Save this court view").click()
    expect(page.locator("#court-views")).not_to_contain_text("not yet")
    assert film.court_views.get().looked_by == coach


def test_where_the_phone_goes_and_where_cameras_stand(
    page: Page, cast: Any, live_server: Any, look: Any, no_axe_violations: Any
) -> None:
    come_in(page, live_server, cast, cast.assistant)
    services.save_camera(
        by=cast.assistant, club=cast.club, name="Court 1, pole", words="behind the north glass"
    )
    for name in ("phone_place", "camera_places"):
        page.goto(live_server.url + reverse(name, args=["seaside"]))
        page.set_viewport_size({"width": 390, "height": 844})
        assert page.evaluate("document.documentElement.scrollWidth - window.innerWidth") <= 0, name
        no_axe_violations(page)
        page.set_viewport_size({"width": 1280, "height": 800})
        look(page, name)
