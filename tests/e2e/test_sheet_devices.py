"""The sheet on two devices, in two tabs, after a login has expired, and on a machine that somebody else uses too."""

import json
import uuid
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, Route, expect

from sessions.models import Mark, Op, Rally, Situation
from tests import factories as make
from tests.e2e.marking import open_sheet, sign_in
from tests.sessions.coding import Court, make_court

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
OPS = "**/ops/"


@pytest.fixture
def court(live_server: Any, cast: Any) -> Court:
    court = make_court(cast, areas=[])
    make.LensArea.objects.create(analysis=court.analysis, area=court.area("feet"))
    return court


@pytest.fixture
def listed(court: Court) -> str:
    """A rally with one situation, written by a device that is not in this test again."""
    device = court.device()
    return device.situation(device.rally(1, 20, 30, winner="A"), court.ana, "feet")


@pytest.fixture
def sheet(page: Page, live_server: Any, court: Court, listed: str) -> Page:
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    sign_in(page.context, court, live_server.url)
    open_sheet(page, court, live_server.url)
    yield page
    assert not errors, errors


def unfold(page: Page) -> None:
    if not page.locator("tr[data-rally][aria-current]").count():
        page.locator("tr[data-rally] button").first.click()


def choose(page: Page, situation: str) -> None:
    unfold(page)
    page.locator(f'[data-focus="cell-{situation}-F1"]').click()


def press(page: Page, *names: str) -> None:
    for name in names:
        page.keyboard.press(name)


def status(page: Page) -> Any:
    return page.locator("[data-part=status]")


def notes(page: Page) -> Any:
    return page.locator("[data-part=notes]")


def saved(page: Page) -> None:
    expect(status(page)).to_have_text("all saved", timeout=20_000)


def at_once(page: Page) -> None:
    page.evaluate("window.dispatchEvent(new Event('online'))")


def abort(route: Route) -> None:
    route.abort()


def test_two_devices_and_the_head_coach_see_each_other(
    sheet: Page, browser: Browser, browser_context_args: Any, live_server: Any, court: Court, listed: str
) -> None:
    others = []
    for person in (court.cast.assistant, court.cast.head_coach):
        context = browser.new_context(**browser_context_args)
        sign_in(context, court, live_server.url, person)
        others.append(context.new_page())
        open_sheet(others[-1], court, live_server.url)
    second, coach = others
    choose(second, listed)
    unfold(coach)
    # Somebody is in the middle of writing, far down the page, when rallies arrive above.
    second.set_viewport_size({"width": 1280, "height": 500})
    starts = second.locator("[data-focus=start_s]")
    starts.focus()
    starts.fill("0:2")
    where = "document.activeElement.getBoundingClientRect().top"
    before = second.evaluate(where)
    choose(sheet, listed)
    press(sheet, "1", "2")
    device = court.device()
    for number in range(1, 9):
        device.rally(number, number, number + 0.5, winner="B")
    for page in others:
        expect(page.locator("tr[data-rally]")).to_have_count(9, timeout=10_000)
        expect(page.locator(f'[data-focus="cell-{listed}-F1"]')).to_have_class("cell met")
        expect(page.locator(f'[data-focus="cell-{listed}-F2"]')).to_have_class("cell missed")
    expect(starts).to_be_focused()
    expect(starts).to_have_value("0:2")
    assert second.evaluate(where) == pytest.approx(before, abs=1.5)
    starts.fill("0:21")
    starts.press("Tab")
    expect(sheet.locator("[data-focus=start_s]")).to_have_value("0:21.0", timeout=10_000)
    # What is on its way here stays on top of what comes from there.
    sheet.route(OPS, abort)
    sheet.locator(f'[data-focus="cell-{listed}-F1"]').click()
    press(sheet, "3")
    device.do("situation.set", listed, {"ball": "hard"})
    expect(sheet.locator("[data-focus=ball-hard]")).to_have_attribute("aria-pressed", "true", timeout=10_000)
    expect(sheet.locator(f'[data-focus="cell-{listed}-F1"]')).to_have_class("cell not_seen")
    sheet.unroute(OPS)
    at_once(sheet)
    saved(sheet)
    expect(coach.locator(f'[data-focus="cell-{listed}-F1"]')).to_have_class("cell not_seen", timeout=10_000)


def test_a_tab_that_only_shows_takes_over(
    sheet: Page, context: BrowserContext, live_server: Any, court: Court, listed: str
) -> None:
    second = context.new_page()
    open_sheet(second, court, live_server.url)
    expect(notes(second)).to_contain_text("open in another tab")
    unfold(second)
    expect(second.locator(f'[data-focus="cell-{listed}-F1"]')).to_be_disabled()
    second.locator("[data-sheet]").focus()
    press(second, "1")
    assert not Mark.objects.exists()
    choose(sheet, listed)
    sheet.route(OPS, abort)
    press(sheet, "1", "2")
    expect(status(sheet)).to_have_text("2 marks waiting")
    sheet.close()
    second.bring_to_front()
    expect(notes(second)).to_be_empty()
    saved(second)
    second.locator(f'[data-focus="cell-{listed}-F4"]').click()
    press(second, "3")
    saved(second)
    assert list(Mark.objects.order_by("check_identity__code").values_list("value", flat=True)) == [
        "met",
        "missed",
        "not_seen",
    ]
    assert Op.objects.filter(kind="mark.set").values("device").distinct().count() == 1


def test_an_expired_login_goes_on_after_one_in_another_tab(
    sheet: Page, context: BrowserContext, log_in: Any, court: Court, listed: str
) -> None:
    choose(sheet, listed)
    context.clear_cookies()
    press(sheet, "1", "2")
    expect(notes(sheet)).to_contain_text("You are logged out.")
    expect(status(sheet)).to_have_text("2 marks waiting")
    other = context.new_page()
    log_in(other, court.cast.assistant)
    sheet.bring_to_front()
    at_once(sheet)
    saved(sheet)
    expect(notes(sheet)).to_be_empty()
    # Only the token is gone: the page fetches another.
    context.clear_cookies(name="csrftoken")
    press(sheet, "3")
    saved(sheet)
    assert Mark.objects.count() == 3


def test_somebody_else_on_the_same_machine_neither_sees_nor_sends_them(
    sheet: Page, context: BrowserContext, live_server: Any, court: Court, listed: str
) -> None:
    choose(sheet, listed)
    sheet.route(OPS, abort)
    press(sheet, "1", "2")
    expect(status(sheet)).to_have_text("2 marks waiting")
    sign_in(context, court, live_server.url, court.cast.head_coach)
    sheet.unroute(OPS)
    at_once(sheet)
    expect(notes(sheet)).to_contain_text("Somebody else is logged in")
    expect(sheet.locator(".book")).to_be_hidden()
    coach = context.new_page()
    open_sheet(coach, court, live_server.url)
    unfold(coach)
    expect(coach.locator(".cell.met")).to_have_count(0)
    expect(status(coach)).not_to_contain_text("waiting")
    assert not Mark.objects.exists()
    sign_in(context, court, live_server.url)
    sheet.bring_to_front()
    at_once(sheet)
    saved(sheet)
    expect(sheet.locator(".book")).to_be_visible()
    assert Op.objects.filter(kind="mark.set", by=court.cast.assistant).count() == Mark.objects.count() == 2


def test_logging_out_asks_when_something_is_unsent(
    sheet: Page, live_server: Any, court: Court, listed: str
) -> None:
    choose(sheet, listed)
    sheet.route(OPS, abort)
    press(sheet, "1")
    asked: list[str] = []
    answers = ["dismiss", "accept"]

    def answer(dialog: Any) -> None:
        asked.append(dialog.message)
        getattr(dialog, answers[len(asked) - 1])()

    sheet.on("dialog", answer)
    for _ in answers:
        with sheet.expect_event("dialog", timeout=15_000):
            sheet.get_by_role("button", name="Sign out").click()
    assert asked[0].startswith("1 mark is only on this device.")
    sheet.wait_for_url(lambda url: "/sheet/" not in url)
    sheet.unroute(OPS)
    sign_in(sheet.context, court, live_server.url)
    open_sheet(sheet, court, live_server.url)
    saved(sheet)
    assert Mark.objects.get().value == "met"


def test_what_older_pages_and_pages_closed_in_haste_left_is_taken_over(
    sheet: Page, live_server: Any, court: Court, listed: str
) -> None:
    choose(sheet, listed)
    # A store that takes nothing any more: what is pressed lies where writing is immediate once the page is closed.
    sheet.route(OPS, abort)
    sheet.evaluate("() => { IDBDatabase.prototype.transaction = () => { throw new Error('full'); }; }")
    press(sheet, "1", "2")
    expect(notes(sheet)).to_contain_text("keeps nothing on the device")
    expect(status(sheet)).to_have_text("2 marks waiting")
    sheet.goto("about:blank")
    sheet.unroute(OPS)
    open_sheet(sheet, court, live_server.url)
    saved(sheet)
    assert Mark.objects.count() == 2
    prefix = f"sheet.{court.cast.assistant.pk}.{court.analysis.uuid}."
    left = "(prefix) => Object.keys(localStorage).filter((key) => key.startsWith(prefix))"
    assert sheet.evaluate(left, prefix) == []
    op = {
        "op": str(uuid.uuid4()),
        "device": str(Op.objects.latest("pk").device),
        "seq": Op.objects.latest("pk").seq + 1,
        "kind": "mark.set",
        "target": f"{listed}/F5",
        "body": {"value": "missed"},
        "row": f"mark:{listed}/F5",
        "base_rev": 0,
        "after": None,
        "local": None,
    }
    sheet.goto("about:blank")
    sheet.add_init_script(
        f"localStorage.setItem({json.dumps(prefix + 'op.' + op['op'])}, {json.dumps(json.dumps(op))})"
    )
    open_sheet(sheet, court, live_server.url)
    saved(sheet)
    assert Mark.objects.get(check_identity__code="F5").value == "missed"


def test_a_closed_lid_and_no_store_at_all(
    sheet: Page, context: BrowserContext, live_server: Any, court: Court, listed: str
) -> None:
    choose(sheet, listed)
    context.route(OPS, abort)
    press(sheet, "1", "2", "3")
    sheet.close()
    context.unroute(OPS)
    again = context.new_page()
    open_sheet(again, court, live_server.url)
    saved(again)
    assert Mark.objects.count() == 3
    again.close()
    without = context.new_page()
    without.add_init_script("Object.defineProperty(window, 'indexedDB', { value: undefined });")
    open_sheet(without, court, live_server.url)
    expect(notes(without)).to_contain_text("This browser keeps nothing on the device.")
    choose(without, listed)
    without.locator(f'[data-focus="cell-{listed}-F5"]').click()
    press(without, "1")
    saved(without)
    assert Mark.objects.count() == 4
    assert (Rally.objects.count(), Situation.objects.count()) == (1, 1)
