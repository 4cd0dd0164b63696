"""A club that begins: from the command line through the invitation to the first analysis asked for, by keys."""

import re
from io import StringIO
from typing import Any

import pytest
from django.core.management import call_command
from django.urls import reverse
from playwright.sync_api import Locator, Page, expect

from clubcoach.models import Club
from players.models import Level
from sessions.models import Analysis
from tests.e2e.test_coach_pages import fits
from tests.factories import PASSWORD

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def press(page: Page, target: Locator, key: str = "Enter") -> None:
    """Reach it with Tab, as a hand on the keyboard does, and press."""
    reach(page, target)
    page.keyboard.press(key)


def reach(page: Page, target: Locator) -> None:
    expect(target).to_be_visible()
    for _ in range(150):
        if target.evaluate("element => element === document.activeElement"):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"Tab does not reach {target}")


def write(page: Page, label: str, text: str) -> None:
    reach(page, page.get_by_label(label, exact=True))
    page.keyboard.press("Control+a")
    page.keyboard.type(text)


@pytest.fixture
def address(live_server: Any, settings: Any) -> str:
    settings.SITE_URL = live_server.url
    said = StringIO()
    call_command(
        "new_club",
        name="Fresh Test Club",
        slug="fresh",
        time_zone="America/Bogota",
        head_coach="hana@example.org",
        stdout=said,
    )
    return said.getvalue().strip().splitlines()[-1]


def test_from_an_empty_club_to_the_first_analysis(
    page: Page, live_server: Any, address: str, look: Any, no_axe_violations: Any
) -> None:
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("console", lambda line: errors.append(line.text) if "Content Security" in line.text else None)
    club = Club.objects.get()

    def go(name: str, *args: Any) -> None:
        page.goto(live_server.url + reverse(name, args=[club.slug, *args]))

    def steps(done: int) -> None:
        go("start")
        expect(page.locator(".points .state[data-state=published]")).to_have_count(done)

    accept(page, address)
    page.wait_for_url(re.compile("/c/fresh/"))
    steps(2)
    fits(page)
    no_axe_violations(page)
    look(page, "start-new")

    press(page, page.get_by_role("link", name="Look at the levels"))
    add_a_level(page)
    assert list(Level.objects.order_by("position").values_list("name", flat=True))[-2:] == [
        "Expert",
        "Strong",
    ]

    steps(2)
    press(page, page.get_by_role("link", name="Add the first player"))
    add_player(page, "Ida", "Testmann")
    go("player_new")
    add_player(page, "Uma", "Testfrau")
    steps(3)

    press(page, page.get_by_role("link", name="Register a match"))
    register(page, club)
    steps(3)
    press(page, page.get_by_role("link", name="Open the match"))
    press(page, page.get_by_role("link", name="Ask for an analysis").first)
    press(page, page.get_by_label("Ida Testmann", exact=True), "Space")
    press(page, page.get_by_label("Feet and ready"), "Space")
    press(page, page.get_by_role("button", name="Ask for it"))
    expect(page.locator("main")).to_contain_text("Ida Testmann")
    assert Analysis.objects.get().match.club == club
    steps(4)
    expect(page.locator("main")).to_contain_text("0 of 2 players may be filmed.")
    no_axe_violations(page)
    look(page, "start-under-way")
    assert not errors


def accept(page: Page, address: str) -> None:
    page.goto(address)
    expect(page.get_by_role("heading", level=1)).to_contain_text("Fresh Test Club")
    write(page, "Given name", "Hana")
    reach(page, page.locator("input[name=password]"))
    page.keyboard.type(PASSWORD)
    press(page, page.get_by_role("button", name="Accept and make my account"))


def add_a_level(page: Page) -> None:
    """Between the second and the third of the standard ones, with one figure."""
    press(page, page.get_by_role("link", name="Add a level"))
    write(page, "Name", "Expert")
    press(page, page.get_by_role("button", name="Add the level"))
    expect(page.get_by_role("heading", level=1)).to_have_text("Expert")
    reach(page, page.locator("input[name=standard-lob]"))
    page.keyboard.type("63")
    press(page, page.get_by_role("button", name="Save"))
    press(page, page.get_by_role("button", name="Move Expert up"))
    expect(page.locator("main")).to_contain_text("“Expert” has moved.")


def add_player(page: Page, given: str, family: str) -> None:
    write(page, "Given name", given)
    reach(page, page.locator("input[name=family_name]"))
    page.keyboard.type(family)
    press(page, page.get_by_role("button", name=re.compile("^(Add|Put)")))
    expect(page.locator(".messages")).to_contain_text("is on the roster")


def register(page: Page, club: Club) -> None:
    # A browser's date field takes its parts in the order of the locale; filled as one it is the same everywhere.
    page.get_by_label("Played on").fill(str(club.today()))
    for place, letter in ((1, "I"), (2, "U"), (3, "a v"), (4, "a v")):
        reach(page, page.get_by_label(f"Place {place}", exact=True))
        page.keyboard.type(letter)
    press(page, page.get_by_role("button", name="Register"))
    expect(page.get_by_role("heading", level=1)).to_contain_text("Ida")


def test_the_club_s_own_pages(
    page: Page, live_server: Any, cast: Any, log_in: Any, look: Any, no_axe_violations: Any
) -> None:
    """Settings, levels and check list: read by everybody, a figure changed by keys and told afterwards."""
    from players.lists import default_data, install_check_list, install_levels
    from players.models import CheckListVersion

    CheckListVersion.objects.all().delete()
    install_check_list(by=cast.head_coach, club=cast.club, data=default_data("check_list"))
    install_levels(by=cast.head_coach, club=cast.club, data=default_data("levels"))
    log_in(page, cast.head_coach)

    def go(name: str, *args: Any) -> None:
        page.goto(live_server.url + reverse(name, args=["seaside", *args]))

    for name, args in (
        ("club_settings", []),
        ("levels", []),
        ("level", [cast.ana.level.pk]),
        ("level_remove", [cast.ana.level.pk]),
        ("check_list", []),
    ):
        go(name, *args)
        fits(page)
        no_axe_violations(page)
        look(page, name)

    go("check_list")
    reach(page, page.locator('input[name="N1.depth_m"]'))
    page.keyboard.press("Control+a")
    page.keyboard.type("1.25")
    page.keyboard.press("Enter")
    expect(page.locator(".messages")).to_contain_text("Saved as version 2.")
    expect(page.locator("#versions")).to_contain_text("depth is 1.25 m, was 1.5 m")
    look(page, "check_list-changed")
    press(page, page.locator('input[name="check-F3"]'), "Space")
    page.keyboard.press("Enter")
    expect(page.locator(".field.wrong")).to_contain_text("switch off all but 4 of them")
    no_axe_violations(page)
    look(page, "check_list-wrong")
