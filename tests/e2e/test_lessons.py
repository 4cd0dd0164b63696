"""A term from its squad to its first attendance in a real browser, by keys."""

from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import Page, expect

from players.models import Squad
from sessions.models import Lesson
from tests import factories as make
from tests.e2e.test_coach_pages import fits

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

NAMED = """() => {
  const at = document.activeElement;
  const labels = at.labels && at.labels.length ? [...at.labels].map((label) => label.textContent) : [at.textContent];
  return labels.join(' ').replace(/\\s+/g, ' ').trim();
}"""


def reach(page: Page, words: str) -> None:
    """Go on by Tab until the thing that is called so has the focus."""
    for _step in range(120):
        page.keyboard.press("Tab")
        if str(page.evaluate(NAMED)).startswith(words):
            return
    raise AssertionError(f"no key leads to {words!r} on {page.url}")


def follow(page: Page, words: str, heading: str) -> None:
    """The same, and through it to the page with this heading."""
    reach(page, words)
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_contain_text(heading)


@pytest.fixture
def errors(page: Page) -> Any:
    found: list[str] = []
    page.on("pageerror", lambda error: found.append(str(error)))
    page.on("console", lambda line: found.append(line.text) if "Content Security" in line.text else None)
    yield found
    assert not found


def test_a_squad_its_term_and_the_first_attendance(
    live_server: Any, cast: Any, page: Page, errors: Any, log_in: Any, look: Any, no_axe_violations: Any
) -> None:
    first = (timezone.now() - timedelta(minutes=10)).astimezone(cast.club.zone)
    log_in(page, cast.head_coach)

    page.goto(live_server.url + reverse("roster", args=["seaside"]))
    no_axe_violations(page)
    follow(page, "Squads", "Squads")
    expect(page.locator(".empty")).to_contain_text("No squads yet")
    no_axe_violations(page)
    follow(page, "New squad", "New squad")
    reach(page, "Name")
    page.keyboard.type("Monday evening")
    reach(page, "Coach")
    page.keyboard.type("Aldo")
    for player in (cast.ana, cast.ben):
        reach(page, player.name)
        page.keyboard.press("Space")
    no_axe_violations(page)
    look(page, "squad-form")
    fits(page)
    reach(page, "Save the squad")
    page.keyboard.press("Enter")
    expect(page.get_by_role("status").first).to_contain_text("Monday evening is saved.")
    expect(page.locator(".note").last).to_contain_text("Adults and minors train together here")
    no_axe_violations(page)
    look(page, "squad")
    fits(page)
    squad = Squad.objects.get()
    assert set(squad.players.all()) == {cast.ana, cast.ben}
    assert squad.coach == cast.assistant

    follow(page, "Plan lessons", "Plan lessons")
    page.get_by_label("First day").fill(first.strftime("%Y-%m-%d"))
    page.get_by_label("Time").fill(first.strftime("%H:%M"))
    reach(page, "Weeks")
    page.keyboard.type("8")
    reach(page, "Court")
    page.keyboard.type("Court 1")
    reach(page, "Plan")
    page.keyboard.type("Lobs from deep, then to the net together.")
    no_axe_violations(page)
    look(page, "lesson-new")
    fits(page)
    reach(page, "Plan")
    page.keyboard.press("Enter")
    expect(page.get_by_role("status").first).to_contain_text("8 lessons of Monday evening are planned")
    assert Lesson.objects.count() == 8

    log_in(page, cast.assistant)
    page.goto(live_server.url + reverse("lessons", args=["seaside"]))
    expect(page.get_by_role("heading", level=2).first).to_have_text("Your own: to note, and the next ones")
    no_axe_violations(page)
    look(page, "lessons")
    fits(page)
    follow(page, "Monday evening", "Monday evening")
    no_axe_violations(page)
    look(page, "lesson")
    fits(page)
    reach(page, "came")
    page.keyboard.press("Space")
    page.keyboard.press("ArrowDown")
    reach(page, "All came")
    page.keyboard.press("Enter")
    expect(page.get_by_role("status").first).to_contain_text("Noted: 1 came, 1 said no in time")
    no_axe_violations(page)
    look(page, "lesson-noted")
    lesson = Lesson.objects.order_by("starts_at")[0]
    assert lesson.state == "held"
    assert sorted(lesson.attendances.values_list("state", flat=True)) == ["came", "excused"]


def test_a_pair_and_what_is_refused(
    live_server: Any, cast: Any, page: Page, errors: Any, log_in: Any, look: Any, no_axe_violations: Any
) -> None:
    make.make_player(cast.club, "Nils", born_on=cast.club.today() - timedelta(days=4000))
    log_in(page, cast.manager)
    page.goto(live_server.url + reverse("roster", args=["seaside"]))
    expect(page.locator(".note.wrong").last).to_contain_text("1 minor has no guardian here")
    no_axe_violations(page)
    look(page, "roster")
    fits(page)
    page.goto(live_server.url + reverse("pairs", args=["seaside"]))
    for label in ("One player", "The other player"):
        reach(page, label)
        page.keyboard.type("Ana")
    reach(page, "Make the pair")
    page.keyboard.press("Enter")
    expect(page.locator(".field.wrong .errorlist")).to_contain_text("A pair needs two different players")
    no_axe_violations(page)
    look(page, "pairs-refused")
    reach(page, "The other player")
    page.keyboard.type("Ben")
    reach(page, "Make the pair")
    page.keyboard.press("Enter")
    expect(page.get_by_role("status").first).to_contain_text("are a pair now.")
    no_axe_violations(page)
    look(page, "pairs")
    fits(page)


def test_the_rota_on_paper_has_a_minor_s_initials(
    live_server: Any, cast: Any, page: Page, log_in: Any
) -> None:
    log_in(page, cast.assistant)
    page.goto(live_server.url + reverse("roster", args=["seaside"]))
    name = page.locator(f".print-initials[data-initials='{cast.ben.initials}']").first
    expect(name.locator("span")).to_be_visible()
    page.emulate_media(media="print")
    expect(name.locator("span")).to_be_hidden()
    expect(page.get_by_text(cast.ana.name)).to_be_visible()
    written = name.evaluate("at => getComputedStyle(at, '::after').content")
    assert written == f'"{cast.ben.initials}"'
