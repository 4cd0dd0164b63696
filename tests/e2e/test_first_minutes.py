"""The first five minutes of each role: where they land, and the two or three things they do first, by keys too."""

import re
from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import Locator, Page, expect

from clubcoach.access import Role
from clubcoach.models import User
from players.lists import default_data, install_drills
from players.models import Check, FilmConsent, Note, Squad
from players.services import write_note
from reports.focus import propose
from reports.models import HomeworkLog
from reports.scoring import full_fit
from sessions.models import Attendance, Lesson
from tests import factories as make
from tests.reports.pages import SHARES, publish
from tests.reports.published import FIRST, publish_rows, unit_of

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def term(live_server: Any, cast: Any, settings: Any, tmp_path: Any) -> Any:
    """A club at work: a lesson tomorrow and one today, published matches, homework, notes, things that wait."""
    settings.MEDIA_ROOT = tmp_path
    known = set(Check.objects.filter(club=cast.club).values_list("code", flat=True))
    data = default_data("drills")
    data["drills"] = [row for row in data["drills"] if set(row["checks"]) <= known]
    install_drills(by=cast.head_coach, club=cast.club, data=data)
    first, _last = publish(cast, cast.ana, words="Feet first, hands later.")
    type(first).objects.filter(pk=first.pk).update(published_at=timezone.now() - timedelta(days=9))
    publish_again(cast, cast.ben)
    squad = Squad.objects.create(club=cast.club, name="Early squad", coach=cast.assistant)
    squad.players.set([cast.ana, cast.ben])
    today = cast.club.today()
    for days in (0, 1, -7):
        lesson = Lesson.objects.create(
            club=cast.club,
            squad=squad,
            coach=cast.assistant,
            starts_at=datetime.combine(today + timedelta(days=days), time(0, 5), tzinfo=cast.club.zone),
            court="Court 3",
        )
        for player in squad.players.all():
            Attendance.objects.create(lesson=lesson, player=player)
    match = make.make_match(cast.club, [cast.dan, None, None, None], played_on=today)
    for state in ("submitted", "assigned"):
        make.make_analysis(
            match, analyst=cast.assistant, units=[unit_of(cast.dan)], state=state, due_on=today
        )
    write_note(by=cast.assistant, unit=unit_of(cast.ben), text="You waited for the ball.", for_players=True)
    return cast


def publish_again(cast: Any, player: Any) -> None:
    """Another player's matches beside the first one's, in the same club."""
    for number in range(2):
        analysis = publish_rows(
            cast, {unit_of(player): SHARES}, day=FIRST + timedelta(days=7 * number), seed=5
        )
    full_fit(club=cast.club)
    propose(analysis=analysis)


@pytest.fixture
def fine(page: Page, no_axe_violations: Any, look: Any) -> Any:
    """Readable by everybody and inside the screen, on a phone and at a desk; nothing said by the browser."""
    said: list[str] = []
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("console", lambda line: said.append(line.text) if "Content Security" in line.text else None)

    def check(name: str) -> None:
        for width, height in ((390, 844), (1280, 800)):
            page.set_viewport_size({"width": width, "height": height})
            over = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
            assert over <= 0, f"{page.url} is {over} px too wide at {width}"
            no_axe_violations(page)
        look(page, f"home-{name}")

    yield check
    assert not said, said


def press(page: Page, target: Locator) -> None:
    """Reach it with Tab from the top of the page, as somebody without a mouse, and press Enter."""
    handle = target.element_handle()
    page.evaluate("document.activeElement && document.activeElement.blur()")
    for _ in range(150):
        page.keyboard.press("Tab")
        if page.evaluate("e => e === document.activeElement", handle):
            page.keyboard.press("Enter")
            return
    raise AssertionError(f"Tab never reaches {target}")


def lands_on(page: Page, path: str) -> None:
    expect(page).to_have_url(re.compile(f"/c/seaside/{path}$"))


def part(page: Page, name: str) -> Locator:
    return page.locator(f"section#{name}")


def test_head_coach(term: Any, page: Page, log_in: Callable[[Page, User], None], fine: Any) -> None:
    log_in(page, term.head_coach)
    lands_on(page, "today/")
    fine("head_coach-today")
    expect(part(page, "lessons")).to_contain_text("Early squad")
    expect(part(page, "desk")).to_contain_text("1 waiting for your review")
    press(page, part(page, "desk").get_by_role("link", name=term.dan.name).first)
    expect(page.get_by_role("heading", level=1)).to_be_visible()
    page.get_by_role("link", name="Today").click()
    part(page, "papers").get_by_text("No consent ends").wait_for()
    page.get_by_role("link", name="People", exact=True).click()
    page.get_by_role("link", name=term.ana.name).first.click()
    page.get_by_role("link", name="Areas and notes").click()
    fine("head_coach-unit")
    page.get_by_role("link", name="Bandeja", exact=True).click()
    expect(part(page, "area").locator(".chart")).to_have_count(1)
    fine("head_coach-unit-area")
    page.get_by_label("Note", exact=True).fill("Ask about the elbow before more overheads.")
    press(page, page.get_by_role("button", name="Write it down"))
    expect(page.get_by_role("status").first).to_contain_text("The note is written down.")
    note = Note.objects.get(by=term.head_coach)
    assert (note.unit, note.for_players) == (unit_of(term.ana), False)


def test_assistant(term: Any, page: Page, log_in: Callable[[Page, User], None], fine: Any) -> None:
    log_in(page, term.assistant)
    lands_on(page, "today/")
    fine("assistant-today")
    expect(part(page, "own")).to_contain_text(term.dan.name)
    expect(page.locator("section#desk")).to_have_count(0)
    expect(part(page, "lessons")).to_contain_text("Who came is still to be noted")
    press(page, part(page, "lessons").get_by_role("link", name="Early squad").last)
    lands_on(page, "lessons/[0-9a-f-]{36}/")
    page.go_back()
    part(page, "own").get_by_role("link", name=term.dan.name).click()
    expect(page.get_by_role("link", name="Open the sheet")).to_be_visible()


def test_student(term: Any, page: Page, log_in: Callable[[Page, User], None], fine: Any) -> None:
    log_in(page, term.student)
    lands_on(page, f"padel/{term.ana.uuid}/")
    fine("student")
    tomorrow = term.club.today() + timedelta(days=1)
    facts = page.locator("#facts")
    expect(facts).to_contain_text(f"{tomorrow.day} {tomorrow:%b %Y}, 00:05, Court 3")
    expect(facts).to_contain_text("New since")
    expect(page.locator("#focus .points > li")).to_have_count(3)
    drill = page.locator("#homework .drill").first
    drill.get_by_role("radio").first.focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.get_by_role("status").first).to_contain_text("Written down")
    assert HomeworkLog.objects.get().felt == "easy"


def test_student_under_age(term: Any, page: Page, log_in: Callable[[Page, User], None], fine: Any) -> None:
    minor = make.make_member(term.club, Role.STUDENT, name="Benny")
    type(term.ben).objects.filter(pk=term.ben.pk).update(user=minor)
    log_in(page, minor)
    lands_on(page, f"padel/{term.ben.uuid}/")
    fine("minor")
    heads = page.get_by_role("heading", level=2).all_inner_texts()
    assert heads.index("What goes well") < heads.index("One thing to work on")
    expect(page.locator("#focus .points > li")).to_have_count(1)
    expect(page.locator("#notes")).to_contain_text("You waited for the ball.")
    expect(page.locator("main")).not_to_contain_text(term.ben.family_name)
    press(page, page.get_by_role("link", name="Consent to be filmed"))
    expect(page.get_by_role("button", name="I agree")).to_be_visible()


def test_guardian(term: Any, page: Page, log_in: Callable[[Page, User], None], fine: Any) -> None:
    make.guard(make.make_player(term.club, "Bea", born_on=date(2016, 1, 1)), term.guardian)
    make.consent(term.ben)
    log_in(page, term.guardian)
    lands_on(page, "padel/")
    fine("guardian")
    child = part(page, f"player-{term.ben.pk}")
    expect(child).to_contain_text("your yes is missing")
    expect(child).to_contain_text("You waited for the ball.")
    press(page, child.get_by_role("link", name="Consent"))
    press(page, page.get_by_role("button", name="I agree"))
    expect(page.get_by_role("status").first).to_contain_text("Your consent is kept.")
    assert FilmConsent.objects.filter(player=term.ben, by="guardian", given_by=term.guardian).exists()
    page.get_by_role("link", name="My padel").click()
    expect(child).to_contain_text("yes, until")
    child.get_by_role("link", name="Open the page of Ben").click()
    expect(page.locator("#notes")).to_contain_text("You waited for the ball.")
    expect(page.get_by_role("heading", name="One thing to work on")).to_be_visible()


def test_manager(term: Any, page: Page, log_in: Callable[[Page, User], None], fine: Any) -> None:
    Attendance.objects.filter(lesson__starts_at__lt=timezone.now() - timedelta(days=2)).update(state="came")
    Lesson.objects.filter(starts_at__lt=timezone.now() - timedelta(days=2)).update(state="held")
    log_in(page, term.manager)
    lands_on(page, "programme/")
    fine("manager")
    expect(part(page, "attendance").get_by_role("row", name="Early squad")).to_contain_text("2 of 2")
    expect(part(page, "levels")).to_contain_text("below")
    expect(page.locator("main")).not_to_contain_text(term.ben.family_name)
    press(page, part(page, "papers").get_by_role("link", name="To the people"))
    lands_on(page, "people/")
    page.get_by_role("link", name="Lessons", exact=True).click()
    expect(page.locator("main")).to_contain_text("Early squad")
    page.get_by_role("link", name="Club", exact=True).click()
    lands_on(page, "settings/")
