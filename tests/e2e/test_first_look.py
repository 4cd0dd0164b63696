"""The first look in a real browser: written without a script, read-only once a mark is there, answered at review."""

from typing import Any

import pytest
from playwright.sync_api import Page, expect

from players.models import Check
from sessions.models import Analysis, Closure, Hunch, Mark
from tests import factories as make
from tests.factories import PASSWORD
from tests.sessions.coding import make_court

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def test_from_the_hunch_to_its_answer(
    live_server: Any, cast: Any, browser: Any, page: Page, log_in: Any, look: Any, no_axe_violations: Any
) -> None:
    court = make_court(cast)
    address = f"{live_server.url}/c/{cast.club.slug}/analyses/{court.analysis.uuid}/"
    plain = browser.new_context(java_script_enabled=False, locale="en-GB")
    bare = plain.new_page()
    bare.goto(f"{live_server.url}/account/login/")
    bare.locator("input[name=login]").fill(cast.assistant.email)
    bare.locator("input[name=password]").fill(PASSWORD)
    bare.get_by_role("button", name="Sign in", exact=True).click()
    bare.goto(address)
    bare.get_by_role("link", name="First look: write your hunches").click()
    first = bare.get_by_role("group", name="Hunch 1")
    first.get_by_label("What do you expect?").fill("She waits on her heels")
    bare.get_by_role("button", name="Write them down").click()
    expect(bare.get_by_text("Choose the area or check that answers it.")).to_be_visible()
    first.get_by_label("What is it about?").select_option("feet/F1")
    third = bare.get_by_role("group", name="Hunch 3")
    third.get_by_label("What do you expect?").fill("Her lobs land deep")
    third.get_by_label("What is it about?").select_option("lob")
    third.get_by_label("You expect it to be").select_option("mostly met")
    bare.get_by_role("button", name="Write them down").click()
    expect(bare.get_by_text("Your hunches are written down.")).to_be_visible()
    plain.close()
    assert list(Hunch.objects.values_list("position", "says")) == [(1, "missed"), (2, "met")]

    log_in(page, cast.assistant)
    page.goto(f"{address}first-look/")
    no_axe_violations(page)
    look(page, "first-look")
    check, feet = Check.objects.get(club=cast.club, code="F1"), court.area("feet")
    for number in range(1, 11):
        rally = make.make_rally(court.match, number)
        situation = make.make_situation(court.analysis, rally, court.ana, feet)
        value = "missed" if number < 10 else "met"
        Mark.objects.create(situation=situation, check_identity=check, value=value)
        Closure.objects.create(analysis=court.analysis, rally=rally, area=feet, situations=1)
    page.reload()
    expect(page.get_by_role("button", name="Write them down")).to_have_count(0)
    expect(page.get_by_text("Not answered yet.")).to_have_count(2)
    no_axe_violations(page)
    look(page, "first-look-read")
    Analysis.objects.update(state="submitted")

    log_in(page, cast.head_coach)
    page.goto(address)
    section = page.locator("section", has=page.get_by_role("heading", name="First look"))
    expect(section).to_contain_text("Missed in 9 of 10 (72 to 97 %): it holds.")
    expect(section).to_contain_text("Nothing of it was counted: it cannot be said.")
    section.get_by_text("How sure?").click()
    expect(section).to_contain_text("more than one half")
    no_axe_violations(page)
    look(page, "first-look-answers")
