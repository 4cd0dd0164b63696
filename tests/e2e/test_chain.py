"""The main job once, whole, in a browser: a film is coded, published, scored, and changes a student's page."""

import re
from pathlib import Path
from typing import Any

import pytest
from django.urls import reverse
from playwright.sync_api import Page, expect

from clubcoach.models import Club, Job, User
from reports.demo import club as demo
from reports.demo.people import COACHES, PASSWORD, STUDENTS, address_of
from reports.demo.scene import render_scene
from reports.models import Score
from sessions.models import Analysis, Film, Mark, Tally

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
HEAD, ASSISTANT, STUDENT = (address_of(*row[:2]) for row in (COACHES[0], COACHES[1], STUDENTS[0]))
WORDS = "Your feet were quieter today. Land as they hit, then go."


@pytest.fixture
def club(settings: Any, tmp_path: Path, live_server: Any) -> Club:
    settings.MEDIA_ROOT = tmp_path / "media"
    return demo.fill(lambda text: None, weeks=3, with_film=False)


@pytest.fixture
def film(tmp_path: Path) -> Path:
    path = tmp_path / "match.webm"
    render_scene(path, None, width=480, height=270, fps=15, end_s=24)
    return path


def test_from_a_film_to_a_student_s_page(
    page: Page,
    live_server: Any,
    club: Club,
    film: Path,
    jobs_at_work: None,
    look: Any,
    no_axe_violations: Any,
) -> None:
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("console", lambda line: errors.append(line.text) if "Content Security" in line.text else None)

    def go(name: str, *args: Any) -> None:
        page.goto(live_server.url + reverse(name, args=[club.slug, *args]))

    def sign_in(email: str) -> None:
        page.context.clear_cookies()
        page.goto(f"{live_server.url}/account/login/")
        page.locator("input[name=login]").fill(email)
        page.locator("input[name=password]").fill(PASSWORD)
        page.get_by_role("button", name="Sign in", exact=True).click()
        page.wait_for_url(re.compile(f"/c/{club.slug}/"))

    student = User.objects.get(email=STUDENT).players.get()
    unit = student.club.units.get(first=student, kind="player")

    sign_in(STUDENT)
    expect(page.get_by_role("heading", level=1)).to_contain_text(student.given_name)
    before = Score.objects.filter(unit=unit, area__code="feet", series="now").count()
    assert before >= 2
    chart_before = chart_days(page)

    sign_in(HEAD)
    register_match(page, go, student)
    upload(page, film)
    ask_for_analysis(page, club)
    look(page, "desk")
    no_axe_violations(page)

    sign_in(ASSISTANT)
    page.get_by_role("link", name=student.name).first.click()
    page.get_by_role("link", name="Open the sheet").click()
    code(page)
    look(page, "sheet")
    no_axe_violations(page)
    page.get_by_role("button", name="Hand in").click()
    expect(page.locator("[data-state=submitted]").first).to_be_visible()
    analysis = Analysis.objects.get(state="submitted")
    assert Mark.objects.filter(situation__analysis=analysis).count() == 12
    assert not Tally.objects.filter(analysis=analysis).exists()

    sign_in(HEAD)
    go("analysis", analysis.uuid)
    page.get_by_text("Publish it").click()
    page.get_by_label("Your words to the student").last.fill(WORDS)
    page.get_by_role("button", name="Publish", exact=True).click()
    expect(page.locator("[data-state=published]").first).to_be_visible()
    assert Tally.objects.filter(analysis=analysis).exists()
    wait_for_jobs(page)

    sign_in(STUDENT)
    expect(page.get_by_text(WORDS)).to_be_visible()
    after = Score.objects.filter(unit=unit, area__code="feet", series="now").count()
    assert after == before + 1
    assert chart_days(page) != chart_before
    draw_charts(page)
    look(page, "student")
    no_axe_violations(page)
    assert not errors


def register_match(page: Page, go: Any, student: Any) -> None:
    go("match_new")
    page.get_by_label("Played on").fill(str(student.club.today()))
    for place, (given, family, *_rest) in enumerate(STUDENTS[:4], 1):
        page.get_by_label(f"Place {place}", exact=True).select_option(label=f"{given} {family}")
    page.get_by_role("button", name="Register").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text(student.given_name)


def upload(page: Page, film: Path) -> None:
    page.get_by_text("Add a film").click()
    page.locator("input[type=file]").set_input_files(film)
    page.get_by_role("button", name="Upload the film").click()
    # Read by a job in a child process; the page looks again by itself.
    expect(page.locator("#films")).to_contain_text("480 by 270", timeout=40_000)
    assert Film.objects.get().state == "ready"


def ask_for_analysis(page: Page, club: Club) -> None:
    page.goto(page.url.replace("films/", ""))
    page.get_by_role("link", name="Ask for an analysis").first.click()
    page.get_by_label(f"{STUDENTS[0][0]} {STUDENTS[0][1]}", exact=True).check()
    page.get_by_label("Feet and ready").check()
    option = page.get_by_label("Analyst").locator("option", has_text=COACHES[1][0])
    page.get_by_label("Analyst").select_option(value=option.get_attribute("value"))
    page.get_by_label("Due on").fill(str(club.today()))
    page.get_by_role("button", name="Ask for it").click()
    page.goto(page.url.split(f"/c/{club.slug}/")[0] + reverse("desk", args=[club.slug]))
    expect(page.locator("main")).to_contain_text(STUDENTS[0][0])


def code(page: Page) -> None:
    """Three rallies of eight seconds by keys alone, a situation of the feet in each, four checks each."""
    expect(page.locator("[data-sheet]")).not_to_have_attribute("aria-busy", "true")
    for marks in (("1", "2", "1", "1"), ("2", "2", "1", "1"), ("1", "2", "2", "1")):
        for key in ("Digit6", "Equal", "f", "Equal", "Equal", "Digit7"):
            page.keyboard.press(key)
        for mark in marks:
            page.keyboard.press(f"Digit{mark}")
            # A second press of the same key at once is taken for a slip.
            page.wait_for_timeout(260)
        page.keyboard.press("Enter")
        page.keyboard.press("Equal")
    expect(page.locator("[data-part=status]")).to_have_text("all saved")
    expect(page.locator("tr[data-rally]")).to_have_count(3)
    expect(page.locator("tr[data-rally] .score-margin").last).to_have_text("0-0 30-0")


def chart_days(page: Page) -> str:
    """The table that stands beside each chart: the same days and figures in words."""
    return "\n".join(page.locator("[data-chart] table, .chart table").all_inner_texts())


def draw_charts(page: Page) -> None:
    """Scrolled into view, the drawing made by the server gives way to the live one, under the strict policy."""
    chart = page.locator("[data-chart]").first
    chart.scroll_into_view_if_needed()
    expect(chart.locator(".js-plotly-plot, .plotly").first).to_be_visible(timeout=20_000)


def wait_for_jobs(page: Page) -> None:
    for _ in range(100):
        if not Job.objects.filter(state__in=["waiting", "running"]).exists():
            break
        page.wait_for_timeout(200)
    states = dict(Job.objects.values_list("kind", "state"))
    assert set(states.values()) == {"done"}, states
