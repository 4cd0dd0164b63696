"""Bulk in and out in a real browser: a wrong import, a right one, and an export."""

import csv
import re
import zipfile
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from django.urls import reverse
from playwright.sync_api import Page, expect

from reports.models import Batch
from sessions.models import Match
from tests.e2e.test_coach_pages import fits, open_drawers
from tests.e2e.test_every_page import reached_by_keys
from tests.factories import PASSWORD
from tests.reports.exchange.sheets import sheets, write_csv

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
SOON = 30_000


@pytest.fixture(autouse=True)
def own_shelf(settings: Any, tmp_path: Path) -> None:
    settings.MEDIA_ROOT = tmp_path / "media"


@pytest.fixture
def sound(page: Page, look: Any, no_axe_violations: Any) -> Any:
    """Nothing too wide, nothing out of reach, nothing that axe finds; and no script was refused."""
    said: list[str] = []
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("console", lambda line: said.append(line.text) if "Content Security" in line.text else None)

    def check(name: str, *, by_keys: bool = True) -> None:
        before = page.viewport_size
        fits(page)
        for width in (390, 1280):
            page.set_viewport_size({"width": width, "height": 844})
            no_axe_violations(page)
        look(page, name)
        if by_keys:
            reached_by_keys(page, name)
        page.set_viewport_size(before)

    yield check
    assert not said


def send(page: Page, folder: Path) -> None:
    page.get_by_label("Files").set_input_files(sorted(folder.iterdir()))
    page.get_by_role("button", name="Read the files").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Bringing data in")


def confirm(page: Page) -> None:
    expect(page.get_by_role("heading", level=1)).to_have_text("Confirm that it is you")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Confirm").click()


def test_an_import_is_wrong_then_right_and_its_match_is_there(
    cast: Any, live_server: Any, page: Page, log_in: Any, jobs_at_work: None, tmp_path: Path, sound: Any
) -> None:
    rows = sheets(matches=2, players=6)
    for level in rows["levels.csv"]:
        level["position"] += 10
    folder = write_csv(rows, tmp_path / "sheets")
    matches = (folder / "matches.csv").read_text()
    (folder / "matches.csv").write_text(matches.replace("place,walls", "weather,walls", 1))
    rallies = (folder / "rallies.csv").read_text()
    (folder / "rallies.csv").write_text(rallies.replace(",20,35.5\n", ',20,"35,5"\n', 1))

    log_in(page, cast.head_coach)
    page.get_by_role("navigation").get_by_role("link", name="Data", exact=True).click()
    expect(page.get_by_text("Nothing came in or went out yet")).to_be_visible()
    open_drawers(page)
    sound("data-none")
    page.get_by_role("button", name="Read the files").click()
    assert not Batch.objects.exists()

    send(page, folder)
    problems = page.locator("#problems")
    expect(problems.get_by_role("heading", name=re.compile(r"\d+ problems?"))).to_be_visible(timeout=SOON)
    expect(page.get_by_text("refused", exact=True)).to_be_visible()
    told = [row.inner_text() for row in problems.get_by_role("row").all()]
    assert any("matches.csv" in row and "weather" in row for row in told), told
    assert any("rallies.csv" in row and "end_s" in row and "35,5" in row for row in told), told
    assert page.get_by_role("button", name="Write it").count() == 0
    sound("batch-refused")
    with page.expect_download() as fetched:
        page.get_by_role("link", name="The same as a CSV file").click()
    with Path(fetched.value.path()).open(encoding="utf-8-sig", newline="") as file:
        assert len(list(csv.reader(file))) == len(told)
    assert Match.objects.count() == 0

    (folder / "matches.csv").write_text(matches)
    (folder / "rallies.csv").write_text(rallies)
    page.get_by_role("link", name="Data", exact=True).first.click()
    send(page, folder)
    write = page.get_by_role("button", name="Write it")
    expect(write).to_be_visible(timeout=SOON)
    counts = page.get_by_role("row", name=re.compile("^matches"))
    assert counts.get_by_role("cell").all_inner_texts() == ["2", "0"]
    assert Match.objects.count() == 0
    sound("batch-read")
    write.click()
    expect(page.get_by_text("done", exact=True)).to_be_visible(timeout=SOON)
    expect(page.get_by_role("heading", name="What was written")).to_be_visible()
    sound("batch-done")
    assert not page.locator("main form").count()

    page.get_by_role("navigation").get_by_role("link", name="Matches").click()
    match = Match.objects.get(ref="m00001")
    expect(page.locator(f'main a[href="{reverse("match", args=["seaside", match.uuid])}"]')).to_be_visible()


def test_an_export_asks_again_is_made_and_fetched(
    cast: Any, world: Any, live_server: Any, page: Page, log_in: Any, jobs_at_work: None, sound: Any
) -> None:
    log_in(page, cast.manager)
    page.get_by_role("navigation").get_by_role("link", name="Data", exact=True).click()
    page.get_by_role("link", name="Take data out").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Confirm that it is you")
    sound("confirm", by_keys=False)
    confirm(page)
    expect(page.get_by_role("heading", level=1)).to_have_text("Take data out")
    page.get_by_role("button", name="Everything, as a ZIP of files").click()
    link = page.get_by_role("link", name=re.compile("^Fetch it")).first
    expect(page.locator("#parcels")).not_to_contain_text("being made", timeout=SOON)
    sound("data-out")
    with page.expect_download() as fetched:
        link.click()
    assert fetched.value.suggested_filename == f"seaside-{cast.club.today().isoformat()}.zip"
    with zipfile.ZipFile(BytesIO(Path(fetched.value.path()).read_bytes())) as archive:
        players = archive.read("players.csv").decode()
    assert "Ana" in players
    page.get_by_role("link", name="Data", exact=True).first.click()
    expect(page.get_by_role("row", name=re.compile("everything, as a folder"))).to_contain_text(
        "can be fetched"
    )
    sound("data-some")


def test_a_passkey_opens_it_too(cast: Any, live_server: Any, page: Page, sound: Any) -> None:
    """A key that the browser holds: made on the account's page, and then enough to take data out."""
    devtools = page.context.new_cdp_session(page)
    devtools.send("WebAuthn.enable")
    key = {"protocol": "ctap2", "transport": "internal", "hasResidentKey": True, "hasUserVerification": True}
    devtools.send(
        "WebAuthn.addVirtualAuthenticator",
        {"options": {**key, "isUserVerified": True, "automaticPresenceSimulation": True}},
    )
    # Keys belong to a name, and an address of numbers is none.
    here = live_server.url.replace("127.0.0.1", "localhost")
    assert "localhost" in here

    def sign_in() -> None:
        page.context.clear_cookies()
        page.goto(f"{here}{reverse('account_login')}")
        page.locator("input[name=login]").fill(cast.head_coach.email)
        page.locator("input[name=password]").fill(PASSWORD)
        page.get_by_role("button", name="Sign in", exact=True).click()
        page.wait_for_url(lambda url: "/account/login" not in url)

    sign_in()
    page.goto(f"{here}{reverse('mfa_add_webauthn')}")
    confirm(page)
    page.get_by_label("Name").fill("My key")
    page.get_by_role("button", name="Add", exact=True).click()
    expect(page.get_by_text("Security key added.")).to_be_visible()

    sign_in()
    page.get_by_role("button", name="Use a security key").click()
    page.wait_for_url(lambda url: "/account/" not in url)
    page.goto(f"{here}{reverse('data_out', args=['seaside'])}")
    page.get_by_role("link", name="Use a security key").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Confirm that it is you")
    sound("confirm-key", by_keys=False)
    page.get_by_role("button", name="Use a security key").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Take data out")


def test_a_thousand_problems_fit_on_a_phone(
    cast: Any, live_server: Any, page: Page, log_in: Any, sound: Any
) -> None:
    long = "=" + "very-long-reference-" * 6
    batch = Batch.objects.create(
        club=cast.club,
        by=cast.manager,
        name="x" * 200,
        state=Batch.State.REFUSED,
        problems=[
            ["situations.csv", line, "analysis_ref", long, "There is none."] for line in range(2, 1002)
        ],
        problem_count=20_480,
    )
    log_in(page, cast.manager)
    page.goto(live_server.url + reverse("batch", args=["seaside", batch.uuid]))
    expect(page.get_by_text("The first 1000 of 20480 stand below.")).to_be_visible()
    sound("batch-thousand")
    page.get_by_role("link", name="Next page").click()
    expect(page.get_by_role("row", name=re.compile("^situations.csv 102 "))).to_be_visible()
