"""The first pass in a real browser: what was heard is decided by winner keys, the rest by hand, and all of it back."""

import uuid
from pathlib import Path
from typing import Any

import pytest
from django.urls import reverse
from playwright.sync_api import Locator, Page, expect

from sessions.models import Analysis, Op, Rally, RallyProposal, Situation
from tests import factories as make
from tests.sessions.coding import Court, make_court
from tests.sessions.heard import Played, hear, played
from tests.sessions.moving import agree

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
SECONDS = 56.0
WON = {"A": "Digit7", "B": "Digit8"}
NONE_THERE = (21.3, 22.1)


@pytest.fixture
def rallies() -> list[Played]:
    """The first game of the demo's film: A, B, A, A, A."""
    return played(SECONDS)


@pytest.fixture
def court(live_server: Any, cast: Any, settings: Any, tmp_path: Path, rallies: list[Played]) -> Court:
    """Four of five rallies were heard, and one between the second and the third that was none."""
    settings.MEDIA_ROOT = tmp_path / "media"
    court = make_court(cast, areas=[])
    agree(court.match)
    make.LensArea.objects.create(analysis=court.analysis, area=court.area("feet"))
    found = [(one.start_s, one.end_s, 0.9 if one.number < 3 else 0.6) for one in rallies if one.number != 4]
    hits = [at for one in rallies for at in one.hits]
    hear(court.match, tmp_path, SECONDS, [*found, (*NONE_THERE, 0.3)], hits)
    return court


@pytest.fixture
def sheet(page: Page, live_server: Any, court: Court) -> Any:
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("console", lambda line: errors.append(line.text) if "Content Security" in line.text else None)
    cookie = court.cast.client(court.cast.assistant).cookies["sessionid"].value
    page.context.add_cookies([{"name": "sessionid", "value": cookie, "url": live_server.url}])

    def open_it() -> Page:
        page.goto(live_server.url + reverse("sheet", args=[court.cast.club.slug, court.analysis.uuid]))
        expect(page.locator("[data-sheet]")).not_to_have_attribute("aria-busy", "true")
        page.wait_for_function("() => document.querySelector('video').readyState >= 2")
        return page

    yield open_it
    assert not errors


def keys(page: Page, *names: str) -> None:
    for name in names:
        page.keyboard.press(name)


def saved(page: Page) -> None:
    expect(page.locator("[data-part=status]")).to_have_attribute("data-waiting", "0")


def said(page: Page) -> Locator:
    return page.locator("[data-part=said]")


def pencilled(page: Page) -> Locator:
    return page.locator("tr[data-proposal]")


def film_at(page: Page) -> float:
    return float(page.evaluate("document.querySelector('video').currentTime"))


def go_to(page: Page, at_s: float) -> None:
    """The film, held and moved by the field of its time; then the keys act again."""
    page.evaluate("document.querySelector('video').pause()")
    field = page.get_by_label("Match time")
    field.fill(f"{at_s:.1f}")
    field.press("Tab")
    page.wait_for_function("at => Math.abs(document.querySelector('video').currentTime - at) < 0.2", arg=at_s)
    page.locator("[data-sheet]").focus()


def stands_at(page: Page, at_s: float) -> None:
    page.wait_for_function(
        "at => { const v = document.querySelector('video');"
        " return v.paused && !v.seeking && Math.abs(v.currentTime - at) < 0.02; }",
        arg=at_s,
        timeout=9000,
    )


def scores(page: Page) -> list[str]:
    return page.locator("tr[data-rally] .score-margin").all_inner_texts()


def states() -> list[str]:
    return list(RallyProposal.objects.order_by("start_s").values_list("state", flat=True))


def test_winner_keys_alone_lead_to_the_score(
    sheet: Any, court: Court, rallies: list[Played], look: Any, no_axe_violations: Any
) -> None:
    page = sheet()
    expect(page.locator("[data-part=ledger]")).to_have_text("5 heard, not decided")
    expect(pencilled(page)).to_have_count(5)
    expect(pencilled(page).first).to_contain_text("heard, 7 s, sure")
    keys(page, "ArrowDown")
    expect(page.locator("tr[aria-current=true]")).to_have_attribute("class", "pencilled")
    page.wait_for_function("() => !document.querySelector('video').paused")
    assert rallies[0].start_s - 1.1 < film_at(page) < rallies[0].start_s + 1
    look(page, "sheet-heard")
    no_axe_violations(page)

    keys(page, WON["A"])
    expect(said(page)).to_contain_text("Rally 1: Ana, Dan. Heard at 0:12, sure. Who won?")
    page.wait_for_function(
        "at => document.querySelector('video').currentTime > at", arg=rallies[1].start_s - 1.1
    )
    keys(page, WON["B"])
    expect(said(page)).to_contain_text("a guess")
    keys(page, "Delete")
    expect(said(page)).to_contain_text("0:21: no rally. Heard at 0:23, fairly sure.")
    keys(page, WON["A"], WON["A"])
    expect(said(page)).to_contain_text("Everything that was heard is decided.")
    expect(pencilled(page)).to_have_count(0)
    saved(page)
    expect(page.locator("tr[data-rally] .won")).to_have_text(["A", "B", "A", "A"])
    expect(page.locator("[data-part=ledger]")).to_have_text("Now 0-0 40-15")
    assert states() == ["accepted", "accepted", "dismissed", "accepted", "accepted"]

    # The fourth was not heard: by hand, and what comes after it is counted anew.
    go_to(page, rallies[3].start_s)
    keys(page, "Digit6")
    go_to(page, rallies[3].end_s)
    keys(page, "Digit7")
    saved(page)
    expect(page.locator("[data-part=ledger]")).to_have_text("Now 1-0 0-0")
    assert scores(page) == ["0-0 0-0", "0-0 15-0", "0-0 15-15", "0-0 30-15", "0-0 40-15"]
    kept = list(Rally.objects.filter(dropped=False).order_by("start_s"))
    assert [row.number for row in kept] == [1, 2, 3, 4, 5]
    assert [row.winner for row in kept] == [one.winner for one in rallies]
    assert [row.start_s for row in kept] == pytest.approx([one.start_s for one in rallies], abs=0.1)
    assert {op["kind"] for op in Op.objects.values("kind")} == {"rally.add", "rally.set", "proposal.set"}

    # An early correction moves all that follows, at once and not when the page next asks what is new.
    page.route("**/state/?since=*", lambda route: route.abort())
    page.locator("tr[data-rally] button").nth(0).click()
    keys(page, "Digit8")
    expect(page.locator("tr[data-rally] .score-margin").nth(4)).to_have_text("0-0 30-30")
    expect(page.locator(".film-said")).to_be_hidden()
    look(page, "sheet-rallies")


def test_each_is_taken_back_and_done_again(sheet: Any, court: Court, rallies: list[Played]) -> None:
    page = sheet()
    keys(page, "ArrowDown", "Digit7")
    saved(page)
    assert states()[0] == "accepted"
    keys(page, "Backspace")
    expect(page.locator("tr[aria-current=true]")).to_contain_text("0:01")
    expect(pencilled(page)).to_have_count(5)
    saved(page)
    assert states()[0] == "open"
    keys(page, "Shift+Backspace")
    expect(page.locator("tr[data-rally]")).to_have_count(1)
    saved(page)
    assert states()[0] == "accepted"
    assert Rally.objects.count() == 1

    pencilled(page).nth(1).locator("button").click()
    keys(page, "Delete")
    expect(pencilled(page)).to_have_count(3)
    saved(page)
    assert states()[2] == "dismissed"
    keys(page, "Backspace")
    expect(page.locator("tr[aria-current=true]")).to_contain_text("a guess")
    saved(page)
    assert states()[2] == "open"

    go_to(page, rallies[3].start_s)
    keys(page, "Digit6")
    go_to(page, rallies[3].end_s)
    keys(page, "Digit9")
    saved(page)
    keys(page, "Backspace", "Backspace")
    saved(page)
    assert Rally.objects.filter(dropped=False).count() == 1
    page.reload()
    expect(pencilled(page)).to_have_count(4)
    assert states() == ["accepted", "open", "open", "open", "open"]


def test_a_start_by_hand_takes_what_was_heard_and_rallies_entered_over_it_hide_it(
    sheet: Any, court: Court, rallies: list[Played]
) -> None:
    page = sheet()
    keys(page, "ArrowDown", "ArrowDown")
    page.wait_for_function(
        "at => document.querySelector('video').currentTime >= at", arg=rallies[1].start_s - 0.5
    )
    keys(page, "Digit6", "Space")
    go_to(page, rallies[1].end_s + 0.5)
    keys(page, "Digit8")
    expect(said(page)).to_contain_text("Rally 1: ")
    expect(pencilled(page)).to_have_count(4)
    saved(page)
    corrected = Rally.objects.get()
    assert rallies[1].start_s - 1 < corrected.start_s < rallies[1].start_s + 3
    assert corrected.end_s == pytest.approx(rallies[1].end_s + 0.5, abs=0.1)
    assert states()[1] == "accepted"
    court.device().rally(2, rallies[2].start_s + 0.5, rallies[2].end_s, winner="A")
    court.device().rally(3, rallies[2].start_s + 1, rallies[2].end_s + 1, winner="A")
    page.reload()
    expect(pencilled(page)).to_have_count(3)
    marked = page.locator("tr[data-rally]:has(.wrong-mark)")
    expect(marked).to_have_count(2)
    marked.first.locator("button").click()
    expect(page.locator(".open-said")).to_contain_text("It overlaps rally 3.")


def test_a_situation_first_its_winner_then_what_is_asked(
    sheet: Any, court: Court, rallies: list[Played], look: Any, no_axe_violations: Any
) -> None:
    Analysis.objects.update(rally_facts=["net_pair", "ended_by", "ended_how"])
    page = sheet()
    keys(page, "ArrowDown")
    second = rallies[0].hits[1]
    page.wait_for_function("at => document.querySelector('video').currentTime >= at + 0.3", arg=second)
    keys(page, "f")
    saved(page)
    situation = Situation.objects.get()
    assert situation.hit_s == pytest.approx(second, abs=0.006)
    assert states()[0] == "accepted"
    rally = Rally.objects.get()
    assert (rally.winner, rally.end_s) == ("", pytest.approx(rallies[0].end_s, abs=0.001))
    keys(page, "Digit7")
    note = page.locator(".open-prompt")
    expect(note).to_contain_text("Which pair was at the net when it ended?")
    look(page, "sheet-facts")
    no_axe_violations(page)
    keys(page, "Digit1")
    expect(note).to_contain_text("Whose hit ended it?")
    keys(page, "Enter")
    expect(note).to_contain_text("How did that hit end it?")
    keys(page, "Digit3")
    expect(page.locator("tr[aria-current=true]")).to_have_attribute("class", "pencilled")
    saved(page)
    rally.refresh_from_db()
    assert (rally.winner, rally.net_pair, rally.ended_by, rally.ended_how) == ("A", "A", None, "error")
    page.locator("tr[data-rally] button").first.click()
    expect(page.get_by_label("At the net at its end")).to_have_value("A")
    page.get_by_label("Last hit").select_option("3")
    saved(page)
    rally.refresh_from_db()
    assert rally.ended_by == 3
    # A winner is corrected while something is asked.
    pencilled(page).first.locator("button").click()
    keys(page, "Digit7", "Digit8")
    saved(page)
    assert Rally.objects.get(number=2).winner == "B"


def test_the_film_runs_faster_holds_at_the_end_and_ends_before_its_rallies(
    sheet: Any, court: Court, rallies: list[Played]
) -> None:
    device = court.device()
    device.rally(1, SECONDS + 10, SECONDS + 15, winner="A")
    device.rally(2, SECONDS + 30, SECONDS + 35, winner="A")
    page = sheet()
    video = page.locator("video")
    keys(page, "Backslash", "Backslash")
    expect(video).to_have_js_property("playbackRate", 2)
    expect(page.get_by_role("button", name="Speed 2")).to_be_visible()
    last = rallies[4]
    pencilled(page).last.locator("button").click()
    page.locator("[data-sheet]").focus()
    page.wait_for_function("() => !document.querySelector('video').paused")
    # A moment after the last hit: until then nobody has seen who won.
    stands_at(page, last.end_s + 1.5)
    keys(page, "Digit0")
    expect(video).to_have_js_property("playbackRate", 0.5)
    keys(page, "Digit0")
    expect(video).to_have_js_property("playbackRate", 2)
    keys(page, "ArrowDown")
    expect(page.locator(".film-said")).to_have_text("The film ends at 0:56; this rally lies behind it.")
    expect(video).to_have_js_property("paused", True)
    expect(page.locator("tr[data-rally][aria-current=true]")).to_have_count(1)
    # Run from its end a film would begin anew.
    page.wait_for_timeout(400)
    keys(page, "ArrowDown")
    page.wait_for_timeout(400)
    assert film_at(page) > SECONDS - 1
    assert page.evaluate("document.querySelector('video').paused")
    keys(page, "Digit8")
    saved(page)
    assert Rally.objects.get(number=2).winner == "B"
    keys(page, "ArrowUp")
    page.wait_for_timeout(300)
    keys(page, "ArrowUp")
    expect(page.locator(".film-said")).to_be_hidden()
    page.wait_for_function("() => !document.querySelector('video').paused")
    page.get_by_role("button", name="Go through situations").click()
    expect(video).to_have_js_property("playbackRate", 1)
    expect(pencilled(page)).to_have_count(0)
    page.get_by_role("button", name="List rallies").click()
    expect(video).to_have_js_property("playbackRate", 2)


def test_whoever_only_reads_decides_nothing(page: Page, live_server: Any, court: Court) -> None:
    cookie = court.cast.client(court.cast.head_coach).cookies["sessionid"].value
    page.context.add_cookies([{"name": "sessionid", "value": cookie, "url": live_server.url}])
    page.goto(live_server.url + reverse("sheet", args=[court.cast.club.slug, court.analysis.uuid]))
    expect(pencilled(page)).to_have_count(5)
    page.locator("[data-sheet]").focus()
    keys(page, "f", "ArrowDown", "Digit7", "Delete")
    expect(said(page)).to_have_text("This sheet can be read, not written.")
    expect(pencilled(page)).to_have_count(5)
    assert set(states()) == {"open"}


def test_what_another_device_has_taken_is_told_by_its_time(
    sheet: Any, court: Court, rallies: list[Played]
) -> None:
    page = sheet()
    page.route("**/state/?since=*", lambda route: route.abort())
    first = rallies[0]
    body = {"number": 1, "start_s": first.start_s, "end_s": first.end_s, "winner": "B"}
    heard = RallyProposal.objects.order_by("start_s").first()
    court.device().do("rally.add", str(uuid.uuid4()), {**body, "proposal": heard.pk})
    keys(page, "ArrowDown", "Delete")
    notes = page.locator("[data-part=notes]")
    expect(notes).to_contain_text(
        "What was heard at 0:01 was not taken: This is rally 1 of the match already."
    )
    expect(page.locator("tr[data-rally] .won")).to_have_text(["B"])
    notes.get_by_role("button", name="Read").click()
    expect(notes).to_be_empty()
    assert states()[0] == "accepted"
