"""Ten thousand marks from two devices, through a bad network, two kills and a reload; told with figures."""

import random
import re
import time
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.e2e import marking
from tests.e2e.real_server import Weather, served
from tests.sessions.large_sheet import large_sheet

pytestmark = [pytest.mark.long, pytest.mark.browser, pytest.mark.django_db(transaction=True)]
# Each check of these is marked again and again, each time otherwise: an old value that came last would show.
SITUATIONS, ROUNDS = 250, 10
# These the second device marks too while it is cut off and knows nothing of the first one's marks.
FOUGHT_OVER = 3
CONFLICTS = FOUGHT_OVER * len(marking.CHECKS)


def otherwise(lines: list[dict[str, Any]], dice: random.Random) -> list[dict[str, Any]]:
    def another(value: str) -> str:
        return dice.choice([one for one in marking.VALUES if one != value])

    return [{**row, "marks": [[code, another(value)] for code, value in row["marks"]]} for row in lines]


def rounds_of(lines: list[dict[str, Any]], seed: int) -> list[list[dict[str, Any]]]:
    dice, rounds = random.Random(seed), [lines]
    while len(rounds) < ROUNDS:
        rounds.append(otherwise(rounds[-1], dice))
    return rounds


def all_saved(page: Page) -> None:
    page.evaluate("window.dispatchEvent(new Event('online'))")
    expect(page.locator("[data-part=status]")).to_have_text("all saved", timeout=120_000)


def test_ten_thousand_marks(
    page: Page, browser: Browser, browser_context_args: Any, cast: Any, capsys: Any
) -> None:
    court = large_sheet(cast, rallies=50, situations=SITUATIONS, unmarked=SITUATIONS)
    weather, bad = Weather(), 0.2
    lines = marking.lines_of(court, seed=2)
    hers = rounds_of(lines[: SITUATIONS // 2], 3)
    others = rounds_of(lines[SITUATIONS // 2 :], 4)
    against = otherwise(hers[0][:FOUGHT_OVER], random.Random(5))
    errors: list[str] = []
    second = browser.new_context(**browser_context_args).new_page()
    for each in (page, second):
        each.on("pageerror", lambda error: errors.append(str(error)))
    began = time.monotonic()

    def go_on(device: Page, rounds: list[list[dict[str, Any]]]) -> None:
        for lines in rounds:
            marking.mark(device, lines, every=1)

    with served(weather) as (server, base):
        for each in (page, second):
            marking.sign_in(each.context, court, base)
            marking.open_sheet(each, court, base)
        second.context.set_offline(True)
        marking.mark(page, hers[0][:FOUGHT_OVER], every=1)
        all_saved(page)
        marking.mark(second, against, every=1)
        second.context.set_offline(False)
        differing = second.locator("[data-part=notes]").get_by_role("group")
        expect(differing).to_have_count(CONFLICTS, timeout=30_000)
        assert marking.found(court) == marking.wanted(hers[0][:FOUGHT_OVER]), "something was written over"
        for left in range(CONFLICTS, 0, -1):
            expect(differing).to_have_count(left)
            differing.first.get_by_role("button", name="Take what is there").click()
        all_saved(second)

        weather.share = bad
        marking.mark(page, hers[0][FOUGHT_OVER:], every=1)
        go_on(page, hers[1:3])
        server.kill()
        go_on(page, hers[3:4])
        server.begin()
        go_on(second, others[:5])
        server.ready()
        # Nothing gets through for a while: what was pressed lies on the device when the page is read anew.
        weather.share, weather.kinds = 1.0, ("dropped",)
        go_on(page, hers[4:6])
        page.reload()
        status = page.locator("[data-part=status]")
        expect(status).to_have_text(re.compile(r"^\d{3,} marks waiting$"), timeout=30_000)
        page.locator("[data-sheet]").focus()
        weather.share, weather.kinds = bad, Weather.KINDS
        go_on(page, hers[6:])
        server.kill()
        server.begin()
        go_on(second, others[5:])
        server.ready()
        for each in (page, second):
            all_saved(each)
            expect(each.locator("[data-part=notes]")).to_be_empty()
        seconds = time.monotonic() - began
    count = SITUATIONS * len(marking.CHECKS) * ROUNDS
    with capsys.disabled():
        print(
            f"\n{count} marks, {weather.words()}; 2 kills, 1 reload, {CONFLICTS} conflicts, {seconds:.0f} s"
        )
    assert not errors, errors
    assert marking.found(court) == marking.wanted(hers[-1], others[-1])
    marking.each_once(court, count + CONFLICTS, conflicts=CONFLICTS)
    assert marking.history(court) == marking.pressed([*hers, *others])
