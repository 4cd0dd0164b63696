"""The coaches' pages in a real browser: readable by everybody, reached by keys, honest about what has not arrived."""

import uuid
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import Page, expect

from sessions.models import Analysis, AnalysisComment, Film, Op
from tests import factories as make
from tests.sessions.chain import Chain, make_chain

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
Go = Callable[..., Page]


@pytest.fixture
def chain(live_server: Any, cast: Any, settings: Any, tmp_path: Path) -> Chain:
    settings.MEDIA_ROOT = tmp_path / "media"
    chain = make_chain(cast)
    for player in (cast.ana, cast.dan):
        make.consent(player)
    chain.see(marks={"L2": "met"})
    chain.close()
    yesterday = cast.club.today() - timedelta(days=1)
    Analysis.objects.filter(pk=chain.analysis.pk).update(due_on=yesterday)
    AnalysisComment.objects.create(analysis=chain.analysis, by=cast.head_coach, text="Look at rally 2 again.")
    for fields in (
        {"state": "submitted", "submitted_at": timezone.now()},
        {"state": "published", "published_at": timezone.now()},
    ):
        make_chain(cast, match=chain.match, **fields)
    asked = make_chain(cast, match=chain.match).analysis
    Analysis.objects.filter(pk=asked.pk).update(state="requested", analyst=None)
    return chain


@pytest.fixture
def go(page: Page, live_server: Any) -> Any:
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("console", lambda line: errors.append(line.text) if "Content Security" in line.text else None)

    def open_page(name: str, *args: Any, query: str = "") -> Page:
        page.goto(live_server.url + reverse(name, args=["seaside", *args]) + query)
        return page

    yield open_page
    assert not errors


def fits(page: Page) -> None:
    """No page has to be moved sideways, on a phone or at a desk."""
    before = page.viewport_size
    page.wait_for_load_state()
    for width in (390, 1280):
        page.set_viewport_size({"width": width, "height": 844})
        # The locator waits for a page that is still on its way.
        over = page.locator("html").evaluate("page => page.scrollWidth - page.clientWidth")
        assert over <= 0, f"{page.url} is {over} px too wide at {width}"
    page.set_viewport_size(before)


def open_drawers(page: Page) -> None:
    page.evaluate("for (const drawer of document.querySelectorAll('main details')) drawer.open = true")


def test_pages_of_the_head_coach(
    chain: Chain, go: Go, page: Page, log_in: Any, look: Any, no_axe_violations: Any
) -> None:
    log_in(page, chain.cast.head_coach)
    visits = [
        ("desk", [], ""),
        ("request_analysis", [], ""),
        ("request_analysis", [], f"?match={chain.match.uuid}"),
        ("match_list", [], ""),
        ("match_new", [], ""),
        ("match", [chain.match.uuid], ""),
        ("film_upload", [chain.match.uuid], ""),
    ]
    visits += [("analysis", [row.uuid], "") for row in Analysis.objects.order_by("pk")]
    for number, (name, args, query) in enumerate(visits):
        go(name, *args, query=query)
        open_drawers(page)
        expect(page.get_by_role("heading", level=1)).to_be_visible()
        fits(page)
        no_axe_violations(page)
        look(page, f"coach-{number:02d}-{name}")


def test_pages_of_an_assistant_and_with_nothing_on_them(
    chain: Chain, go: Go, page: Page, log_in: Any, look: Any, no_axe_violations: Any
) -> None:
    cast = chain.cast
    log_in(page, cast.assistant)
    for name, args in (("queue", []), ("analysis", [chain.analysis.uuid]), ("match", [chain.match.uuid])):
        go(name, *args)
        fits(page)
        no_axe_violations(page)
        look(page, f"assistant-{name}")
    chain.match.delete()
    for name in ("queue", "match_list"):
        go(name)
        expect(page.locator(".empty")).to_be_visible()
        no_axe_violations(page)
    log_in(page, cast.head_coach)
    for name in ("desk", "request_analysis"):
        go(name)
        expect(page.locator(".empty")).to_be_visible()
        no_axe_violations(page)


def test_a_refused_step_is_said_at_its_field(
    chain: Chain, go: Go, page: Page, log_in: Any, no_axe_violations: Any
) -> None:
    log_in(page, chain.cast.head_coach)
    submitted = Analysis.objects.get(state="submitted")
    go("analysis", submitted.uuid)
    page.get_by_text("Return it with a comment").click()
    page.get_by_label("What should be looked at again").fill("   ")
    page.get_by_role("button", name="Return it").click()
    expect(page.locator("details[open] .errorlist")).to_have_text("Say what should be looked at again.")
    no_axe_violations(page)


def test_assigning_and_publishing_by_keys(chain: Chain, go: Go, page: Page, log_in: Any) -> None:
    log_in(page, chain.cast.head_coach)
    go("desk")
    page.get_by_label("Analyst").focus()
    page.keyboard.type("Toni")
    for _ in range(12):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent").strip().startswith("Assign"):
            break
    page.keyboard.press("Enter")
    expect(page.get_by_role("status").first).to_contain_text("It is on their list now.")
    assert Analysis.objects.filter(analyst__user=chain.cast.two_clubs, state="assigned").count() == 1


def test_handing_in_waits_for_what_is_on_the_device(chain: Chain, go: Go, page: Page, log_in: Any) -> None:
    """Away from the sheet too: the page tells the server what this device has written."""
    cast, device = chain.cast, uuid.uuid4()
    log_in(page, cast.assistant)
    go("analysis", chain.analysis.uuid)
    page.evaluate(
        "([prefix, device]) => { localStorage.setItem(prefix + 'device', JSON.stringify(device));"
        " localStorage.setItem(prefix + 'last', '2'); }",
        [f"sheet.{cast.assistant.pk}.{chain.analysis.uuid}.", str(device)],
    )
    page.get_by_text("Hand in").first.click()
    page.get_by_role("button", name="Hand in").click()
    expect(page.locator(".errorlist")).to_contain_text("2 marks have not arrived from your device yet.")
    assert chain.fresh().state == "in_progress"
    for seq in (1, 2):
        Op.objects.create(analysis=chain.analysis, device=device, seq=seq, kind="mark.set", target="x")
    page.get_by_role("button", name="Hand in").click()
    expect(page.locator("[data-state=submitted]").first).to_be_visible()
    assert chain.fresh().state == "submitted"


def test_a_file_that_is_no_film_is_refused_while_one_looks_on(
    chain: Chain, go: Go, page: Page, log_in: Any, jobs_at_work: None, tmp_path: Path, no_axe_violations: Any
) -> None:
    chain.match.seats.update(visitor_consent=True)
    log_in(page, chain.cast.assistant)
    go("film_upload", chain.match.uuid)
    text, disguised = tmp_path / "notes.webm", tmp_path / "court.webm"
    text.write_text("no film at all " * 50)
    disguised.write_bytes(b"\x1a\x45\xdf\xa3" + bytes(2000))
    page.locator("input[type=file]").set_input_files(text)
    page.get_by_role("button", name="Upload the film").click()
    expect(page.get_by_role("main")).to_contain_text("This file is not a film.")
    no_axe_violations(page)
    page.locator("input[type=file]").set_input_files(disguised)
    page.get_by_role("button", name="Upload the film").click()
    expect(page.locator("#films")).to_contain_text("Refused.", timeout=90_000)
    problem = Film.objects.get().problem
    assert problem
    expect(page.locator("#films")).to_contain_text(problem)
    no_axe_violations(page)
