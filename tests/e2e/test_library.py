"""The drill library in a real browser: a head coach looks, copies, changes and withdraws; a student reads."""

from collections.abc import Callable
from typing import Any

import pytest
from django.urls import reverse
from playwright.sync_api import Page, expect

from players.models import Drill
from players.services.drills import bring_in_standard
from reports.homework import give_homework
from reports.models import Homework
from tests.e2e.test_coach_pages import fits, open_drawers
from tests.reports.pages import page_of

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
Go = Callable[..., Page]


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


@pytest.fixture
def drill(live_server: Any, cast: Any) -> Drill:
    bring_in_standard(by=cast.head_coach, club=cast.club)
    return Drill.objects.filter(club=cast.club, overheads__gt=0).exclude(court={}).order_by("code")[0]


def test_a_new_club_brings_in_the_standard_drills(
    live_server: Any, cast: Any, go: Go, page: Page, log_in: Any, look: Any, no_axe_violations: Any
) -> None:
    log_in(page, cast.head_coach)
    go("drills")
    look(page, "drills-none")
    no_axe_violations(page)
    page.get_by_role("button", name="Bring in the standard drills").click()
    expect(page.get_by_text("drills are new here.")).to_be_visible()
    expect(page.get_by_role("link", name="Hop and go")).to_be_visible()


def test_a_head_coach_looks_copies_changes_and_withdraws(
    drill: Drill, cast: Any, go: Go, page: Page, log_in: Any, look: Any, no_axe_violations: Any
) -> None:
    log_in(page, cast.head_coach)
    page.get_by_role("navigation").get_by_role("link", name="Drills", exact=True).click()
    expect(page.get_by_role("link", name=drill.name, exact=True)).to_be_visible()
    open_drawers(page)
    fits(page)
    look(page, "drills")
    no_axe_violations(page)

    page.get_by_label("Word").fill("no such thing at all")
    page.get_by_label("Place").select_option("wall")
    page.get_by_role("button", name="Show").click()
    expect(page.get_by_text("Nothing fits all of that")).to_be_visible()
    look(page, "drills-nothing")
    no_axe_violations(page)
    page.get_by_role("link", name="without “Word”").click()
    expect(page.get_by_text("Nothing fits all of that")).not_to_be_visible()
    page.get_by_label("Place").select_option("")
    page.get_by_label("Word").fill(drill.name.upper())
    page.get_by_role("button", name="Show").click()
    expect(page.locator(".lede")).to_contain_text("fit")
    page.get_by_role("link", name=drill.name, exact=True).click()

    expect(page.get_by_role("heading", level=1)).to_have_text(drill.name)
    expect(page.get_by_role("img")).to_be_visible()
    fits(page)
    look(page, "drill")
    no_axe_violations(page)
    page.get_by_role("button", name="Copy").click()
    expect(page.get_by_label("Name", exact=True)).to_have_value(f"{drill.name} (copy)")
    open_drawers(page)
    fits(page)
    look(page, "drill-form")
    no_axe_violations(page)

    page.get_by_label("Name", exact=True).fill("Our own way")
    page.get_by_label("Minutes").fill("60")
    page.get_by_label("Plan of the court, in lines").fill("view half\nP1 at 0, -8\nrun to the net")
    page.get_by_role("button", name="Save the drill").click()
    expect(page.get_by_text("60 is not a whole number in range.")).to_be_hidden()
    expect(page.locator(".field.wrong")).to_contain_text("Line 3: it cannot be read; write for instance")
    look(page, "drill-form-wrong")
    no_axe_violations(page)
    page.get_by_label("Plan of the court, in lines").fill("view half\nP1 at 0, -8\nrun from 0, -8 to 0, -3")
    page.get_by_role("button", name="Save the drill").click()
    expect(page.get_by_text("60 is not a whole number in range. Use 1 to 15.")).to_be_visible()
    page.get_by_label("Minutes").fill("9")
    page.get_by_role("button", name="Save the drill").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Our own way")
    expect(page.get_by_role("img")).to_be_visible()
    own = Drill.objects.get(name="Our own way")
    assert (own.own, own.copied_from, own.minutes) == (True, drill.code, 9)

    Drill.objects.filter(pk=own.pk).update(overheads=0)
    own.refresh_from_db()
    rows = [give_homework(by=cast.head_coach, player=player, drill=own) for player in (cast.ana, cast.ben)]
    page.get_by_role("link", name="Take out of use").click()
    expect(page.get_by_text(cast.ana.name)).to_be_visible()
    expect(page.get_by_text(cast.ben.initials)).to_be_visible()
    fits(page)
    look(page, "drill-retire")
    no_axe_violations(page)
    page.get_by_role("button", name="Take it back from them now").click()
    expect(page.get_by_text("“Our own way” is out of use.")).to_be_visible()
    expect(page.get_by_text("Out of use since")).to_be_visible()
    look(page, "drill-retired")
    no_axe_violations(page)
    assert Homework.objects.filter(pk__in=[row.pk for row in rows], withdrawn_at=None).count() == 0
    page.get_by_role("button", name="Bring back into use").click()
    expect(page.get_by_text("“Our own way” is in use again.")).to_be_visible()


def test_a_student_looks(
    drill: Drill,
    cast: Any,
    go: Go,
    page: Page,
    log_in: Any,
    look: Any,
    live_server: Any,
    no_axe_violations: Any,
) -> None:
    give_homework(by=cast.head_coach, player=cast.ana, drill=drill)
    log_in(page, cast.student)
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto(live_server.url + page_of(cast.ana))
    open_drawers(page)
    no_axe_violations(page)
    look(page, "drill-on-student-page")
    page.get_by_role("link", name="All about this drill").click()
    expect(page.get_by_role("heading", level=1)).to_have_text(drill.name)
    expect(page.get_by_role("img")).to_be_visible()
    for name in ("Copy", "Change", "Take out of use"):
        expect(page.get_by_role("button", name=name)).to_have_count(0)
        expect(page.get_by_role("link", name=name)).to_have_count(0)
    fits(page)
    look(page, "drill-student")
    no_axe_violations(page)
    page.get_by_role("navigation").get_by_role("link", name="Drills", exact=True).click()
    page.get_by_role("link", name="Promises for a match").click()
    expect(page.get_by_role("heading", level=2)).to_have_text(["Promises for a match"])
    no_axe_violations(page)
    look(page, "drills-promises")


def test_a_drill_prints_on_one_page(drill: Drill, cast: Any, go: Go, page: Page, log_in: Any) -> None:
    drawn = Drill.objects.filter(club=cast.club, court__view="whole")
    wordy = max(drawn, key=lambda row: len(" ".join([*row.steps, *row.cautions])))
    log_in(page, cast.student)
    go("drill", wordy.code)
    pdf = page.pdf(format="A4", prefer_css_page_size=True)
    assert pdf.count(b"/Type /Page\n") == 1
