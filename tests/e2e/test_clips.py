"""A student looks at one of her situations: from her page to the moving picture, by keys alone."""

from pathlib import Path
from typing import Any

import pytest
from django.core.files.base import ContentFile
from django.urls import reverse
from playwright.sync_api import Locator, Page, expect

from clubcoach.models import AuditEvent
from sessions import stills
from sessions.models import Film, MatchFilm, Situation
from tests.clubcoach.walk import build_world
from tests.sessions import moving

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def situation(cast: Any, live_server: Any, settings: Any, tmp_path: Path) -> Situation:
    """Ana's page with a focus point and a situation behind it, seen at 8 s of a film of ours."""
    settings.MEDIA_ROOT = tmp_path / "media"
    build_world(
        cast.club, coach=cast.head_coach, analyst=cast.assistant, player=cast.ana, other=cast.dan, mark="x"
    )
    content = moving.write(tmp_path / "court.webm").read_bytes()
    film = Film.objects.get()
    film.file.save("moving.webm", ContentFile(content), save=False)
    film.duration_s = moving.SECONDS
    film.save()
    MatchFilm.objects.update(offset_s=15)
    row = Situation.objects.get()
    assert row.hit_s == 23
    stills.make(film, [8.0])
    return row


def tab_to(page: Page, target: Locator) -> None:
    for _ in range(80):
        if target.evaluate("e => e === document.activeElement"):
            return
        page.keyboard.press("Tab")
    pytest.fail(f"Tab does not reach {target}")


def until(target: Locator, question: str) -> None:
    """Asked again and again from here: the strict policy forbids a page to be given code to ask itself."""
    for _ in range(100):
        if target.evaluate(question):
            return
        target.page.wait_for_timeout(100)
    pytest.fail(f"never came true: {question}")


def test_from_her_page_to_the_clip(
    page: Page,
    live_server: Any,
    cast: Any,
    situation: Situation,
    log_in: Any,
    look: Any,
    no_axe_violations: Any,
    request: pytest.FixtureRequest,
) -> None:
    said: list[str] = []
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("console", lambda line: said.append(line.text) if "Content Security" in line.text else None)
    log_in(page, cast.student)
    page.goto(live_server.url + reverse("student_page", args=["seaside", cast.ana.uuid]))
    tab_to(page, page.locator("summary", has_text="Situations to look at"))
    page.keyboard.press("Enter")
    tab_to(page, page.get_by_role("link", name="See the situation in rally 1"))
    look(page, "student-situations")
    page.keyboard.press("Enter")

    expect(page.get_by_role("heading", level=1)).to_have_text("Feet and ready, rally 1")
    expect(page.locator("#clip")).to_contain_text("The clip is being cut")
    expect(page.locator("#clip progress")).to_be_visible()
    expect(page.locator("#clip img")).to_be_visible()
    no_axe_violations(page)
    look(page, "situation-waiting")

    # Only now somebody takes up the work; the page looks again by itself.
    request.getfixturevalue("jobs_at_work")
    video = page.locator("#clip video")
    expect(video).to_be_visible(timeout=60_000)
    expect(page.locator("#clip")).not_to_contain_text("being cut")
    until(video, "e => e.readyState >= 1")
    assert video.evaluate("e => e.duration") == pytest.approx(6, abs=0.1)
    assert (video.evaluate("e => e.videoHeight"), video.evaluate("e => e.paused")) == (moving.HEIGHT, True)
    tab_to(page, video)
    page.keyboard.press("Space")
    until(video, "e => e.readyState >= 2 && e.currentTime > 0.5")
    page.keyboard.press("Space")
    no_axe_violations(page)
    look(page, "situation")
    assert AuditEvent.objects.filter(action="clip.watched", actor=cast.student).count() == 1
    assert not said


def test_without_scripts_one_looks_again(
    browser: Any, live_server: Any, cast: Any, situation: Situation
) -> None:
    context = browser.new_context(java_script_enabled=False)
    try:
        cookie = cast.client(cast.student).cookies["sessionid"].value
        context.add_cookies([{"name": "sessionid", "value": cookie, "url": live_server.url}])
        page = context.new_page()
        page.goto(live_server.url + reverse("situation", args=["seaside", situation.pk]))
        expect(page.locator("#clip")).to_contain_text("The clip is being cut")
        assert moving.work() == 1
        page.get_by_role("link", name="Look again").click()
        expect(page.locator("#clip video")).to_be_visible()
        expect(page.locator("#clip progress")).to_have_count(0)
    finally:
        context.close()
