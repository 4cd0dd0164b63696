"""A real browser against a live server. Without one these tests do not run, said loudly; in CI that is an error."""

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.conf import settings

from clubcoach.models import User
from tests.factories import PASSWORD
from tests.workers import celery_worker

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
]


@pytest.fixture(scope="session")
def browser_type_launch_args() -> dict[str, Any]:
    # Playwright's sync interface runs a loop in this thread, which Django would refuse to share.
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"
    return {"executable_path": CHROMIUM, "args": FLAGS}


@pytest.fixture(scope="session")
def browser_context_args() -> dict[str, Any]:
    return {"viewport": {"width": 1280, "height": 800}, "locale": "en-GB", "reduced_motion": "reduce"}


@pytest.fixture
def log_in(live_server: Any) -> Callable[[Any, User], None]:
    """Log in by the form, as a person does."""

    def by_form(page: Any, user: User) -> None:
        page.context.clear_cookies()
        page.goto(f"{live_server.url}/account/login/")
        page.locator("input[name=login]").fill(user.email)
        page.locator("input[name=password]").fill(PASSWORD)
        page.get_by_role("button", name="Sign in", exact=True).click()
        page.wait_for_url(lambda url: "/account/login" not in url)

    return by_form


@pytest.fixture
def jobs_at_work(live_server: Any) -> Iterator[None]:
    """Background work as deployed: the embedded runner, or a real Celery worker where Redis is named."""
    if settings.EMBEDDED_JOBS:
        from clubcoach import embedded
        from clubcoach.celery import app

        # Tests without a runner leave their messages in this process; each would be read before the first of this one.
        app.control.purge()
        embedded.start()
        yield
        embedded.shut_down()
    else:
        with celery_worker():
            yield


@pytest.fixture
def look(request: pytest.FixtureRequest) -> Callable[[Any, str], None]:
    """Keep a picture of the page where SHOTS names a folder, at phone and desk width, light and dark."""
    folder = os.environ.get("SHOTS")

    def keep(page: Any, name: str) -> None:
        if not folder:
            return
        Path(folder).mkdir(parents=True, exist_ok=True)
        before = page.viewport_size
        for width, height, size in ((390, 844, "phone"), (1280, 800, "desk")):
            page.set_viewport_size({"width": width, "height": height})
            for scheme in ("light", "dark"):
                page.emulate_media(color_scheme=scheme)
                page.screenshot(path=f"{folder}/{name}-{size}-{scheme}.png", full_page=True)
        page.emulate_media(color_scheme="light")
        page.set_viewport_size(before)

    return keep


@pytest.fixture
def no_axe_violations() -> Callable[[Any], None]:
    source = Axe().axe_script

    def check(page: Any) -> None:
        # Half a megabyte goes into a page once and not for each look; only what is wrong comes back.
        if not page.evaluate("'axe' in window"):
            page.evaluate(source)
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            found = page.evaluate(
                "axe.run(document, {resultTypes: ['violations']}).then(result => result.violations)"
            )
            assert not found, [
                (rule["id"], [node["html"][:160] for node in rule["nodes"]][:4]) for rule in found
            ]
        page.emulate_media(color_scheme="light")

    return check
