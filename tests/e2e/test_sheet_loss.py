"""Marks through a network that fails, before a server that is killed: each arrives, once, as it was pressed."""

from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tests.e2e import marking
from tests.e2e.real_server import Weather, served
from tests.sessions.large_sheet import large_sheet

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
ORDER = (
    "fair",
    "dropped",
    "late",
    "doubled",
    "unanswered",
    "doubled",
    "cut",
    "late",
    "failed",
    "late",
    "dropped",
)


def test_two_hundred_marks_arrive_whatever_the_network_does(page: Page, cast: Any, capsys: Any) -> None:
    court = large_sheet(cast, rallies=10, situations=50, unmarked=50)
    weather = Weather(order=ORDER)
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    lines = marking.lines_of(court, seed=1)
    with served(weather) as (server, base):
        marking.sign_in(page.context, court, base)
        marking.open_sheet(page, court, base)
        marking.mark(page, lines[:20], every=40)
        server.kill()
        marking.mark(page, lines[20:25], every=20)
        server.begin()
        marking.mark(page, lines[25:], every=30)
        server.ready()
        # A laptop that is opened again does not wait out its last pause.
        page.evaluate("window.dispatchEvent(new Event('online'))")
        expect(page.locator("[data-part=status]")).to_have_text("all saved", timeout=20_000)
        expect(page.locator("[data-part=notes]")).to_be_empty()
    with capsys.disabled():
        print(f"\n200 marks, {weather.words()}, 1 kill")
    assert not errors, errors
    assert all(weather.seen[kind] for kind in Weather.KINDS), "the network was kinder than it should be"
    assert marking.found(court) == marking.wanted(lines)
    marking.each_once(court, 200)
