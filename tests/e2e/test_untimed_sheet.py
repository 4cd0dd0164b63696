"""The sheet of a match that came without times: read, corrected and added to, with no film stopped and no time said."""

import re
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from sessions.models import Op, Rally, Situation
from tests import factories as make
from tests.e2e.test_sheet import court, keys, lens, saved, sheet
from tests.sessions.coding import Court

__all__ = ["court", "sheet"]
pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def untimed(court: Court) -> Court:
    """Two rallies and a situation in the first, in order and without a time."""
    lens(court, "feet")
    rows = [
        make.make_rally(court.match, n, start_s=20.0 * n, end_s=None, winner="", timed=False) for n in (1, 2)
    ]
    make.make_situation(court.analysis, rows[0], court.ana, court.area("feet"), timed=False, number=1)
    return court


def said(page: Page) -> Any:
    return page.locator("[data-part=said]")


def film_time(page: Page) -> Any:
    return page.get_by_label("Match time")


def test_it_is_read_without_a_time(sheet: Any, untimed: Court) -> None:
    page = sheet(untimed.cast.head_coach)
    rows = page.locator("tr[data-rally]")
    expect(rows).to_have_count(2)
    expect(rows.nth(0).locator("td.num")).to_have_text("")
    expect(rows.nth(0).locator(".won")).to_have_text("")
    page.locator("[data-sheet]").focus()
    keys(page, "ArrowDown")
    expect(said(page)).to_have_text("Rally 1.")
    expect(page.locator(".open-facts")).to_contain_text("Rally 1")
    line = page.locator(".situation-lines button").first
    expect(line).to_have_text(f"Feet and ready, {untimed.ana.name}")
    line.click()
    # Reading a line with a time runs the film from two seconds before it.
    expect(film_time(page)).to_have_value("0:00.0")
    expect(page.get_by_role("button", name="Run", exact=True)).to_be_visible()
    for time in ("0:20", "0:23", "0:40"):
        expect(page.locator(".book-table")).not_to_contain_text(time)


def test_the_second_pass_goes_through_it_without_the_film(sheet: Any, untimed: Court) -> None:
    page = sheet()
    page.get_by_role("button", name="Go through situations").click()
    expect(said(page)).to_have_text(f"1 of 1: Feet and ready, {untimed.ana.name}.")
    keys(page, "Digit1", "Digit2", "Digit1", "Digit1")
    expect(film_time(page)).to_have_value("0:00.0")
    expect(page.get_by_role("button", name="Run", exact=True)).to_be_visible()
    saved(page)
    assert Op.objects.filter(kind="mark.set").count() == 4


def test_the_film_does_not_run_on_to_a_result_of_which_nobody_knows_when(sheet: Any, untimed: Court) -> None:
    lens(untimed, "lob")
    rally = Rally.objects.get(number=2)
    make.make_situation(untimed.analysis, rally, untimed.ana, untimed.area("lob"), timed=False)
    page = sheet()
    page.get_by_role("button", name="Go through situations").click()
    keys(page, *["Digit1"] * 4)
    asked = page.locator(".asks h2")
    expect(asked).to_contain_text("L2")
    for _check in range(4):
        expect(page.get_by_role("button", name="Run", exact=True)).to_be_visible()
        if "L4" in asked.inner_text() or "L1" in asked.inner_text():
            break
        page.wait_for_timeout(260)
        keys(page, "Digit1")
    expect(asked).to_contain_text(re.compile("L1|L4"))
    expect(page.get_by_role("button", name="Run", exact=True)).to_be_visible()
    expect(film_time(page)).to_have_value("0:00.0")


def test_a_winner_and_a_situation_are_added_without_a_time(sheet: Any, untimed: Court) -> None:
    page = sheet()
    page.locator("[data-sheet]").focus()
    keys(page, "ArrowDown")
    expect(page.locator(".open-facts")).to_contain_text("Won by")
    expect(page.locator(".open-facts")).not_to_contain_text("Ends here")
    expect(page.get_by_role("group", name="Situation in this rally, after the others")).to_be_visible()
    keys(page, "Equal", "f")
    expect(said(page)).to_have_text("Feet and ready.")
    expect(page.locator(".situation-lines > li")).to_have_count(2)
    keys(page, "Digit7")
    saved(page)
    rally = Rally.objects.get(number=1)
    assert (rally.winner, rally.end_s, rally.timed) == ("A", None, False)
    assert list(Situation.objects.order_by("pk").values_list("hit_s", "timed", "number")) == [
        (23.0, False, 1),
        (23.0, False, None),
    ]
    expect(page.locator("[data-part=notes]")).to_be_empty()


def test_no_moment_of_the_film_is_in_a_rally_without_a_time(sheet: Any, untimed: Court) -> None:
    page = sheet()
    film_time(page).fill("0:45")
    film_time(page).blur()
    page.locator("[data-sheet]").focus()
    keys(page, "f")
    expect(said(page)).to_have_text("There is no rally at 0:45.")
    keys(page, "Digit7")
    expect(said(page)).to_have_text("Open a rally first.")
    assert Situation.objects.count() == 1


def test_a_start_that_is_set_makes_a_time_and_is_taken_back(sheet: Any, untimed: Court) -> None:
    page = sheet()
    page.locator("[data-sheet]").focus()
    keys(page, "ArrowDown")
    start, end = page.locator("[data-focus=start_s]"), page.locator("[data-focus=end_s]")
    expect(start).to_have_value("")
    expect(end).to_have_value("")
    end.fill("0:25")
    end.blur()
    expect(said(page)).to_have_text("This rally has no start yet. Say first when it starts.")
    start.fill("0:15")
    start.blur()
    expect(page.locator("tr[data-rally]").nth(0).locator("td.num")).to_have_text("0:15")
    saved(page)
    assert list(Rally.objects.order_by("number").values_list("start_s", "end_s", "timed")) == [
        (15.0, None, True),
        (40.0, None, False),
    ]
    page.get_by_role("button", name="Take back").click()
    expect(page.locator("tr[data-rally]").nth(0).locator("td.num")).to_have_text("")
    saved(page)
    assert not Rally.objects.filter(timed=True).exists()
    page.get_by_role("button", name="Do again").click()
    expect(page.locator("tr[data-rally]").nth(0).locator("td.num")).to_have_text("0:15")
    saved(page)


def test_the_hit_is_here_gives_a_situation_its_time(sheet: Any, untimed: Court) -> None:
    page = sheet()
    page.locator("[data-sheet]").focus()
    keys(page, "ArrowDown")
    page.locator(".situation-lines button").first.click()
    film_time(page).fill("0:30")
    film_time(page).blur()
    page.get_by_text("End, trigger, choice, cannot be judged").click()
    page.get_by_role("button", name="The hit is here").click()
    line = page.locator(".situation-lines button").first
    expect(line).to_have_text(f"0:30.0 Feet and ready, {untimed.ana.name}")
    saved(page)
    assert list(Situation.objects.values_list("hit_s", "timed")) == [(30.0, True)]


def test_a_new_rally_beside_those_without_an_end(sheet: Any, untimed: Court) -> None:
    page = sheet()
    film_time(page).fill("1:00")
    film_time(page).blur()
    page.get_by_role("button", name="Rally starts here").click()
    expect(page.locator("tr[data-rally]")).to_have_count(3)
    saved(page)
    assert list(Rally.objects.order_by("number").values_list("number", "start_s", "timed")) == [
        (1, 20.0, False),
        (2, 40.0, False),
        (3, 60.0, True),
    ]


def test_where_two_devices_differ_no_order_is_told_as_a_time(sheet: Any, untimed: Court) -> None:
    page = sheet()
    page.locator("[data-sheet]").focus()
    keys(page, "ArrowDown")
    expect(page.locator("[data-focus=start_s]")).to_be_visible()
    rally = Rally.objects.get(number=1)
    untimed.device().do("rally.set", str(rally.uuid), {"side": "left"})
    page.locator("[data-focus=start_s]").fill("0:15")
    page.locator("[data-focus=start_s]").blur()
    notes = page.locator("[data-part=notes]")
    expect(notes).to_contain_text("Here: 15. There: without a time.")
    notes.get_by_role("button", name="Keep what is here").click()
    expect(notes).to_be_empty()
    saved(page)
    rally.refresh_from_db()
    assert (rally.start_s, rally.timed, rally.side) == (15.0, True, "left")
