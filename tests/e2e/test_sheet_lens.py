"""The second pass in a real browser: what is asked when, what stays covered, keys of one's own, and thumbs alone."""

import json
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from django.urls import reverse
from playwright.sync_api import Browser, Locator, Page, expect

from players.models import CheckWording, Unit
from sessions.models import Closure, Cover, Draw, Film, Hearing, Mark, Op, SheetKeys, Situation, Tally
from sessions.services import publish, submit
from tests import factories as make
from tests.e2e.test_sheet import add_film, court, keys, lens, saved, sheet
from tests.sessions.coding import Court

__all__ = ["court", "sheet"]
pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
SLIP = 260
HELD = """() => {
  const video = document.querySelector('.film-pane video');
  return video.hidden || video.paused;
}"""


def said(page: Page) -> Locator:
    return page.locator("[data-part=said]")


def asked(page: Page) -> str:
    """The check that is asked now, once the film has come to where it is asked."""
    page.wait_for_function(HELD)
    return page.locator(".asks h2").inner_text().split()[0]


def second_pass(page: Page) -> None:
    page.get_by_role("button", name="Go through situations").focus()
    page.keyboard.press("Enter")


def drawn_court(court: Court, *codes: str) -> None:
    court.analysis.plan = "drawn"
    court.analysis.save(update_fields=["plan"])
    lens(court, *codes)


def hear(*hits: float) -> None:
    Hearing.objects.create(film=Film.objects.get(), verdict="good", hits=[[at, "racket", 0.9] for at in hits])


def test_a_match_by_keys_alone_from_the_list_to_its_tallies(
    sheet: Any, court: Court, settings: Any, tmp_path: Path, look: Any
) -> None:
    add_film(court, settings, tmp_path, offset_s=0)
    drawn_court(court, "feet", "lob")
    page = sheet()
    for winner in ("Digit7", "Digit8", "Digit7"):
        keys(page, "Digit6", "Equal", "f", "Equal", "l", "Equal", winner, "Enter", "Equal")
    saved(page)
    assert Closure.objects.count() == 6, "before anything is drawn nothing is left open by closing"
    for number in ("2", "3"):
        page.locator(".draw-form input").first.focus()
        page.keyboard.press("Control+a")
        page.keyboard.type(number)
        page.keyboard.press("Enter")
        expect(page.locator(".draw-area", has_text=f"{number} of 3 listed are drawn")).to_have_count(1)
        page.locator("[data-sheet]").focus()
        if number == "2":
            # The second area's form comes first once the other one has nothing left; so far it follows.
            page.locator(".draw-area").nth(1).locator("input").focus()
            page.keyboard.press("Control+a")
            page.keyboard.type("3")
            page.keyboard.press("Enter")
            expect(page.locator(".draw-area").nth(1)).to_contain_text("3 of 3 listed are drawn")
            break
    assert [(row.area.code, row.planned) for row in Draw.objects.order_by("area__position")] == [
        ("feet", 2),
        ("lob", 3),
    ]
    second_pass(page)
    expect(page.locator(".won .covered")).to_have_count(3)
    pressed: Counter[tuple[str, str]] = Counter()
    for turn in range(40):
        if page.locator(".won .covered").count() == 0:
            break
        code = asked(page)
        key = "123"[turn % 3]
        page.keyboard.press(f"Digit{key}")
        pressed[code, key] += 1
        page.wait_for_timeout(SLIP)
        if turn == 0:
            look(page, "lens-second-pass")
    expect(said(page)).to_contain_text("Every situation is marked.")
    expect(page.locator(".won .covered")).to_have_count(0)
    saved(page)
    undrawn = Situation.objects.get(area__code="feet", drawn=False)
    assert not undrawn.marks.exists()
    assert Mark.objects.count() == sum(pressed.values())

    court.analysis.refresh_from_db()
    submit(by=court.cast.assistant, analysis=court.analysis, devices={})
    court.analysis.refresh_from_db()
    publish(by=court.cast.head_coach, analysis=court.analysis)
    tallied = {
        row.check_identity.code: (row.seen, row.met) for row in Tally.objects.select_related("check_identity")
    }
    codes = {code for code, key in pressed if key != "3"}
    assert tallied == {code: (pressed[code, "1"] + pressed[code, "2"], pressed[code, "1"]) for code in codes}


def one_situation(court: Court, area: str = "lob", **body: Any) -> str:
    device = court.device()
    rally = device.rally(1, 2, 14, winner="A")
    situation = device.situation(rally, court.ana, area, **{"hit_s": 4.0, **body})
    device.rally(2, 16, 20, winner="B")
    device.rally(3, 22, 26, winner="B")
    return situation


def test_what_is_seen_later_is_asked_later(sheet: Any, court: Court, settings: Any, tmp_path: Path) -> None:
    add_film(court, settings, tmp_path, offset_s=0)
    lens(court, "lob")
    one_situation(court)
    hear(2.5, 4.05, 5.2, 6.4, 8.0, 13.0)
    # When each check is seen stands in the list: two of those that say how it was played are seen after the hit.
    for code, instant in (("L2", "H1"), ("L3", "H1 to the next touch"), ("L6", "H2")):
        CheckWording.objects.filter(check_identity__code=code).update(instant=instant)
    page = sheet()
    here, later = ["L2"], ["L3", "L6", "L4"]
    time = page.get_by_label("Match time")
    second_pass(page)
    # Before the moment was seen nothing is taken, and it is said why.
    page.keyboard.press("Digit1")
    expect(said(page)).to_contain_text("Space holds it now")
    assert asked(page) == here[0]
    expect(time).to_have_value("0:04.0")
    covers = page.locator(".score-margin .covered")
    expect(page.locator(".won .covered")).to_have_count(1)
    expect(covers).to_have_count(2)
    for code in here:
        assert asked(page) == code
        page.keyboard.press("Digit1")
        page.wait_for_timeout(SLIP)
    expect(page.locator(".asks")).to_contain_text("The film runs on")
    assert asked(page) == later[0]
    # To the second hit that is heard after the marked one; what is heard at once is the same hit.
    expect(time).to_have_value("0:06.4")
    for code in later:
        assert asked(page) == code
        assert page.locator(".won .covered").count() == 1
        page.keyboard.press("Digit2")
        page.wait_for_timeout(SLIP)
    expect(time).to_have_value("0:06.4")
    expect(page.locator(".covered")).to_have_count(0)
    expect(said(page)).to_contain_text("Enter: every area is done in every rally.")
    saved(page)
    assert dict(Mark.objects.values_list("check_identity__code", "value")) == {
        **dict.fromkeys(here, "met"),
        **dict.fromkeys(later, "missed"),
    }


def test_only_results_run_on_at_once_and_never_beyond_the_rally(
    sheet: Any, court: Court, settings: Any, tmp_path: Path
) -> None:
    add_film(court, settings, tmp_path, offset_s=0)
    lens(court, "lob")
    device = court.device()
    rally = device.rally(1, 2, 5.5, winner="A")
    situation = device.situation(rally, court.ana, "lob", hit_s=3.5)
    other = device.situation(device.rally(2, 8, 20), court.ana, "lob", hit_s=9)
    for one in (situation, other):
        for code in ("L2", "L3", "L6"):
            device.do("mark.set", f"{one}/{code}", {"value": "met"})
    page = sheet()
    time = page.get_by_label("Match time")
    second_pass(page)
    assert asked(page) == "L4"
    expect(time).to_have_value("0:05.5")
    page.keyboard.press("ArrowDown")
    assert asked(page) == "L4"
    expect(time).to_have_value("0:12.0")


def test_slips_repeats_and_what_is_marked_already(sheet: Any, court: Court) -> None:
    lens(court, "feet")
    one_situation(court, "feet")
    page = sheet()
    second_pass(page)
    page.locator("[data-sheet]").focus()
    page.keyboard.press("Digit1")
    page.keyboard.press("Digit1")
    expect(said(page)).to_have_text("Pressed twice at once: taken once.")
    for _held in range(3):
        page.keyboard.down("Digit2")
        page.wait_for_timeout(SLIP)
    page.keyboard.up("Digit2")
    expect(page.locator(".cell.met")).to_have_count(1)
    expect(page.locator(".cell.missed")).to_have_count(1)
    saved(page)
    ops = Op.objects.count()
    # The same value again: nothing is written, and the cursor moves on to the next cell that is open.
    keys(page, "ArrowLeft", "ArrowLeft")
    expect(page.locator(".asks h2")).to_contain_text("F1")
    keys(page, "Digit1")
    expect(page.locator(".asks h2")).to_contain_text("F4")
    keys(page, "Digit5")
    page.wait_for_timeout(SLIP)
    keys(page, "Digit5")
    expect(page.get_by_role("button", name="hard", exact=True)).to_have_attribute("aria-pressed", "true")
    page.get_by_role("button", name="normal", exact=True).click()
    expect(page.get_by_role("button", name="normal", exact=True)).to_have_attribute("aria-pressed", "true")
    saved(page)
    assert Op.objects.count() == ops + 2
    assert Situation.objects.get().ball == "normal"
    # The winner shows on demand only, by a key too.
    expect(page.locator(".won .covered")).to_have_count(1)
    keys(page, "Backquote")
    expect(page.locator(".won .covered")).to_have_count(0)


def test_an_area_with_open_checks_is_done_only_when_asked_twice(sheet: Any, court: Court) -> None:
    lens(court, "feet", "lob")
    one_situation(court, "feet")
    page = sheet()
    page.locator("[data-sheet]").focus()
    keys(page, "ArrowDown", "Enter")
    expect(said(page)).to_contain_text("Not marked yet: 4 checks in 1 situation. The same once more")
    keys(page, "ArrowDown", "ArrowUp", "Enter")
    expect(said(page)).to_contain_text("Not marked yet")
    saved(page)
    assert not Closure.objects.exists(), "another key lies between"
    keys(page, "Enter", "Enter")
    expect(said(page)).to_contain_text("Rally 2")
    saved(page)
    assert dict(Closure.objects.values_list("area__code", "situations")) == {"feet": 1, "lob": 0}
    # In the second pass, once every situation is marked, all rallies at once; and that is asked twice too.
    second_pass(page)
    page.locator("[data-sheet]").focus()
    keys(page, "Digit1", "Digit2", "Digit3", "Digit2")
    expect(said(page)).to_contain_text("Every situation is marked.")
    keys(page, "Enter")
    expect(said(page)).to_contain_text("Rallies in which an area is not done yet: 2.")
    keys(page, "Backspace")
    expect(page.locator(".cell.missed")).to_have_count(1)
    keys(page, "Shift+Backspace", "ArrowDown")
    page.wait_for_timeout(SLIP)
    keys(page, "Enter", "Enter")
    expect(said(page)).to_contain_text("Every area is done in every rally.")
    saved(page)
    assert Closure.objects.count() == 6


def test_what_is_only_shown_stands_beside(sheet: Any, court: Court) -> None:
    lens(court, "feet")
    one_situation(court, "feet")
    device = court.device()
    rally = court.match.rallies.get(number=2)
    device.situation(str(rally.uuid), court.ana, "feet", hit_s=17, shown_only=True)
    page = sheet()
    expect(page.locator("tr[data-rally] .area-cell").nth(1)).to_contain_text("only shown, does not count")
    second_pass(page)
    page.locator("[data-sheet]").focus()
    keys(page, "Digit1", "Digit2", "Digit1", "Digit2")
    expect(said(page)).to_contain_text("Every situation is marked.")
    page.get_by_role("button", name="Rally 2", exact=True).click()
    expect(page.locator(".situation-lines")).to_contain_text("only shown, does not count")


def test_keys_of_one_s_own(sheet: Any, court: Court, look: Any, no_axe_violations: Any) -> None:
    lens(court, "feet")
    one_situation(court, "feet")
    page = sheet()
    page.locator("[data-sheet]").focus()
    page.keyboard.press("?")
    help = page.get_by_role("dialog", name="Keys of the sheet")
    row = help.locator("[data-part=keys] > div", has_text="missed")
    row.get_by_role("button").click()
    for key, words in (("Digit1", "taken: met"), ("Insert", "Screen readers"), ("f", "letter of the area")):
        page.keyboard.press(key)
        expect(help.get_by_role("status")).to_contain_text(words)
        row.get_by_role("button").click()
    page.keyboard.press("Escape")
    expect(help).to_be_visible()
    row.get_by_role("button").click()
    page.keyboard.press("q")
    expect(help.get_by_role("status")).to_have_text("missed: the key is Q now.")
    expect(row.locator("kbd")).to_have_text("Q")
    no_axe_violations(page)
    look(page, "lens-keys")
    help.get_by_role("button", name="Close").click()
    second_pass(page)
    page.locator("[data-sheet]").focus()
    keys(page, "Digit2", "q")
    expect(page.locator(".cell.missed")).to_have_count(1)
    expect(page.locator(".asks").get_by_role("button", name="missed").locator("kbd")).to_have_text("Q")
    saved(page)
    page.reload()
    expect(page.locator("[data-sheet]")).not_to_have_attribute("aria-busy", "true")
    second_pass(page)
    page.locator("[data-sheet]").focus()
    keys(page, "q")
    expect(page.locator(".cell.missed")).to_have_count(2)
    assert SheetKeys.objects.get().keys == {"missed": "KeyQ"}
    page.keyboard.press("?")
    help.get_by_role("button", name="Back to the usual keys").click()
    expect(row.locator("kbd")).to_have_text("2")
    assert not SheetKeys.objects.exists()


def test_what_another_keyboard_prints_stands_on_the_sheet(sheet: Any, court: Court, page: Page) -> None:
    lens(court, "feet")
    one_situation(court, "feet")
    page.add_init_script(
        """Object.defineProperty(navigator, 'keyboard', { value: { getLayoutMap: async () =>
             new Map([['Digit1', '&'], ['Digit2', 'é'], ['Minus', ')'], ['Equal', '=']]) } });"""
    )
    sheet()
    page.keyboard.press("?")
    rows = page.locator("[data-part=keys] > div")
    expect(rows.nth(0).locator("kbd")).to_have_text("& 1")
    expect(rows.filter(has_text="2 seconds back").locator("kbd")).to_have_text(")")


MARK_ALL = """async () => {
  const turn = () => new Promise((go) => setTimeout(go));
  for (const line of [...document.querySelectorAll('.situation-lines > li')].keys()) {
    document.querySelectorAll('.situation-lines > li')[line].querySelector('.cell').click();
    await turn();
    for (let check = 0; check < 4; check += 1) {
      document.querySelector('.asks .mark-button.met').click();
      await turn();
    }
  }
}"""
PRESS = """async ([act, n]) => {
  for (let i = 0; i < n; i += 1) {
    document.querySelector(`[data-act=${act}]`).click();
    await new Promise((go) => setTimeout(go));
  }
}"""


def test_taking_back_has_no_end(sheet: Any, court: Court) -> None:
    """More than a page of steps, over two reloads, back to nothing and forth again."""
    lens(court, "feet")
    rally = make.make_rally(court.match)
    for later in range(28):
        make.make_situation(
            court.analysis, rally, court.ana, court.area("feet"), hit_s=rally.start_s + later / 4, end="near"
        )
    page = sheet()
    page.locator("tr[data-rally] button").first.click()
    page.evaluate(MARK_ALL)
    saved(page)
    assert Mark.objects.count() == 112
    for act, n, left in (("undo", 111, 1), ("redo", 50, 51), ("undo", 51, 0), ("redo", 112, 112)):
        page.reload()
        expect(page.locator("[data-sheet]")).not_to_have_attribute("aria-busy", "true")
        page.evaluate(PRESS, [act, n])
        saved(page)
        assert Mark.objects.count() == left, act
    page.evaluate(PRESS, ["redo", 1])
    expect(said(page)).to_have_text("There is nothing to take back.")


@pytest.mark.parametrize("width", [390, 820])
def test_a_situation_by_touch_alone(
    court: Court,
    live_server: Any,
    browser: Browser,
    log_in: Any,
    width: int,
    settings: Any,
    tmp_path: Path,
    no_axe_violations: Any,
) -> None:
    add_film(court, settings, tmp_path, offset_s=0)
    lens(court, "feet")
    one_situation(court, "feet")
    context = browser.new_context(
        viewport={"width": width, "height": 844}, has_touch=True, is_mobile=True, reduced_motion="reduce"
    )
    page = context.new_page()
    log_in(page, court.cast.assistant)
    page.goto(live_server.url + reverse("sheet", args=[court.cast.club.slug, court.analysis.uuid]))
    expect(page.locator("[data-sheet]")).not_to_have_attribute("aria-busy", "true")
    page.get_by_role("button", name="Go through situations").tap()
    thumbs = page.locator("[data-part=thumbs]")
    wanted = {
        *(
            "met",
            "missed",
            "not_seen",
            "easy",
            "normal",
            "hard",
            "clear",
            "uncover",
            "run",
            "back",
            "on",
            "slow",
        ),
        *("done", "cell_before", "cell_after", "before", "after", "undo", "redo"),
    }
    buttons = thumbs.locator("button[data-thumb]")
    sizes = buttons.evaluate_all(
        "nodes => nodes.map((node) => [node.dataset.thumb, node.getBoundingClientRect().toJSON()])"
    )
    assert {name for name, _box in sizes} == wanted
    small = [(name, box) for name, box in sizes if box["width"] < 44 or box["height"] < 44]
    assert not small
    assert all(box["top"] > 844 / 2 and box["bottom"] <= 844 and box["right"] <= width for _n, box in sizes)
    for name in ("met", "missed", "not_seen"):
        page.wait_for_function(HELD)
        expect(thumbs).not_to_contain_text("The film runs on")
        thumbs.locator(f"[data-thumb={name}]").tap()
    thumbs.locator("[data-thumb=hard]").tap()
    thumbs.locator("[data-thumb=undo]").tap()
    thumbs.locator("[data-thumb=easy]").tap()
    page.wait_for_function(HELD)
    expect(thumbs).not_to_contain_text("The film runs on")
    no_axe_violations(page)
    thumbs.locator("[data-thumb=met]").tap()
    saved(page)
    assert Situation.objects.get().ball == "easy"
    marks = Mark.objects.order_by("check_identity__phase").values_list("value", flat=True)
    assert list(marks) == ["met", "missed", "not_seen", "met"]
    # As wide as the screen: nothing hangs over its side.
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    context.close()


def test_a_later_unit_gets_a_draw_of_its_own_on_the_page(sheet: Any, court: Court) -> None:
    drawn_court(court, "feet")
    device = court.device()
    rally = device.rally(1, 2, 14)
    device.situation(rally, court.ana, "feet", hit_s=4)
    page = sheet()
    page.get_by_role("button", name="Draw", exact=True).click()
    expect(page.locator(".draw-area")).to_contain_text("1 of 1 listed are drawn")
    dan = Unit.objects.get(kind="player", first=court.cast.dan)
    Cover.objects.create(analysis=court.analysis, match=court.match, unit=dan)
    device.situation(rally, dan, "feet", hit_s=6)
    page.reload()
    page.get_by_label("draw for those who were listed later").fill("1")
    page.get_by_role("button", name="Draw", exact=True).click()
    expect(page.locator(".draw-area")).to_contain_text(
        "for those who were listed later: 1 of 1 listed are drawn"
    )
    assert list(Draw.objects.order_by("wave").values_list("wave", "planned")) == [(1, 1), (2, 1)]


def test_rallies_are_drawn_where_no_list_is_made(sheet: Any, court: Court) -> None:
    drawn_court(court, "feet")
    page = sheet()
    page.get_by_label("every how many rallies").fill("2")
    page.get_by_role("button", name="Begin at random").click()
    expect(page.locator(".draw-area")).to_contain_text("One rally in 2 is looked at, from a random start")
    first = Draw.objects.get().first
    page.locator("[data-sheet]").focus()
    for _number in (1, 2):
        keys(page, "Digit6", "Equal", "f", "Equal", "Digit7", "Equal")
    saved(page)
    assert [row.drawn for row in Situation.objects.order_by("hit_s")] == [first == 1, first == 2]
    second_pass(page)
    expect(said(page)).to_contain_text("1 of 1")
    row = page.locator("tr[aria-current=true]")
    expect(row.locator("th")).to_contain_text(str(first))
    assert json.dumps(court.state()["draws"])
