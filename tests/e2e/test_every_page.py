"""Every page of every role in a browser: accessible, nothing over the side of a phone, all of it reached by keys."""

from typing import Any

import pytest
from playwright.sync_api import Page

from clubcoach.models import User
from tests.clubcoach.walk import address, build_world, routes

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
# These answer with a file, a picture or a partial and not with a page.
NO_PAGE = {"film_bytes", "still", "schema", "healthz", "film_upload", "batch_problems", "data_workbook"}
PAGES = [
    route
    for route in routes()
    if route.in_club and not route.api and route.name not in NO_PAGE and "GET" in (route.rights or {})
]
ACCOUNT = ["/", "/account/tokens/"] + [
    f"/account/{part}/" for part in ("password/change", "2fa", "sessions", "email")
]


@pytest.fixture
def world(cast: Any, live_server: Any, settings: Any, tmp_path: Any) -> dict[str, Any]:
    settings.MEDIA_ROOT = tmp_path
    return build_world(
        cast.club,
        coach=cast.head_coach,
        analyst=cast.assistant,
        player=cast.ana,
        other=cast.dan,
        mark="seaside",
    )


def come_in(page: Page, live_server: Any, cast: Any, person: User) -> None:
    """The session of a login without its form, which has a test of its own."""
    cookie = cast.client(person).cookies["sessionid"].value
    page.context.add_cookies([{"name": "sessionid", "value": cookie, "url": live_server.url}])


def wider_than_the_screen(page: Page) -> int:
    return int(page.evaluate("document.documentElement.scrollWidth - window.innerWidth"))


@pytest.mark.parametrize("who", ["head_coach", "assistant", "student", "guardian", "manager"])
def test_pages_of(
    who: str,
    page: Page,
    cast: Any,
    world: dict[str, Any],
    live_server: Any,
    no_axe_violations: Any,
    look: Any,
) -> None:
    person = getattr(cast, who)
    if who == "guardian":
        cast.ana.born_on = cast.ben.born_on
        cast.ana.save(update_fields=["born_on"])
        from tests import factories as make

        make.guard(cast.ana, person)
    come_in(page, live_server, cast, person)
    said: list[str] = []
    page.on("console", lambda line: said.append(line.text) if "Content Security" in line.text else None)
    page.on("pageerror", lambda error: said.append(str(error)))
    seen = []
    for route in PAGES:
        path = address(route, "seaside", world)
        # A POST-only address or one that sends elsewhere is no page of its own.
        if page.request.get(live_server.url + path, max_redirects=0).status != 200:
            continue
        page.goto(live_server.url + path)
        seen.append(route.name)
        page.set_viewport_size({"width": 390, "height": 844})
        assert wider_than_the_screen(page) <= 0, f"{path} runs over the side of a phone"
        no_axe_violations(page)
        page.set_viewport_size({"width": 1280, "height": 800})
        look(page, f"{who}-{route.name}")
        reached_by_keys(page, path)
    assert not said, said
    assert len(seen) >= {"head_coach": 14, "assistant": 7, "student": 2, "guardian": 2, "manager": 4}[who], (
        seen
    )


LEFT_OUT = """() => [...document.querySelectorAll('a[href], button, input, select, textarea, summary')]
    .filter(e => !e.disabled && e.type !== 'hidden' && e.tabIndex >= 0 && e.checkVisibility() && !e.__seen
        && !(e.type === 'radio' && !e.checked && [...document.getElementsByName(e.name)]
             .some(o => o.checked || o === e && document.getElementsByName(e.name)[0] !== e)))
    .map(e => e.outerHTML.slice(0, 120))"""


# The page itself marks where each Tab has led to, so that it is asked once and not after every key.
WATCH_TAB = """() => {
    document.activeElement?.blur();
    if (window.__watched) return;
    window.__watched = true;
    addEventListener('keyup', e => {
        if (e.key === 'Tab' && document.activeElement) document.activeElement.__seen = true;
    }, true);
}"""


def reached_by_keys(page: Page, path: str) -> None:
    """Tab goes through everything that can be acted on, and each place where it stops can be seen."""
    left = page.evaluate(LEFT_OUT)
    # A page that fills a part of itself while Tab is under way (a film being cut) has new things in it: those are
    # gone through once more, from the top.
    for _ in range(2):
        left = tab_through(page, len(left))
        if not left:
            return
    raise AssertionError(f"{path}: Tab never reached {left}")


def tab_through(page: Page, wanted: int) -> list[str]:
    """Press Tab once for each wanted place, and then more for the places nobody asked for; what is left out."""
    page.evaluate(WATCH_TAB)
    left: list[str] = []
    for presses in (wanted, 10, 20, 30):
        for _ in range(presses):
            page.keyboard.press("Tab")
        left = page.evaluate(LEFT_OUT)
        if not left:
            break
    return left


def test_account_pages(page: Page, cast: Any, live_server: Any, no_axe_violations: Any) -> None:
    come_in(page, live_server, cast, cast.two_clubs)
    for path in ACCOUNT:
        answer = page.goto(live_server.url + path)
        assert answer is not None
        assert answer.status == 200, path
        page.set_viewport_size({"width": 390, "height": 844})
        assert wider_than_the_screen(page) <= 0, path
        no_axe_violations(page)


@pytest.mark.parametrize(
    "path", ["/account/login/", "/account/password/reset/", "/account/signup/", "/nowhere/"]
)
def test_pages_for_somebody_signed_out(
    path: str, page: Page, db: Any, live_server: Any, no_axe_violations: Any
) -> None:
    page.goto(live_server.url + path)
    page.set_viewport_size({"width": 390, "height": 844})
    assert wider_than_the_screen(page) <= 0
    no_axe_violations(page)
