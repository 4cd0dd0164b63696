"""Keys and seconds of coding, in the real page with real keys on a film: a scripted coder who knows at once."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Page, expect

from sessions.draws import make_draw
from sessions.models import Closure, Mark, Situation
from tests import factories as make
from tests.bench.board import Board
from tests.e2e.conftest import browser_context_args, browser_type_launch_args, log_in
from tests.e2e.test_sheet import add_film, court, sheet
from tests.sessions.coding import Court

__all__ = ["browser_context_args", "browser_type_launch_args", "court", "log_in", "sheet"]
pytestmark = [pytest.mark.bench, pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PER_SITUATION, WHOLE = 8, 250
RALLIES, EACH = 16, 12
HELD = "() => document.querySelector('.film-pane video').paused"


@dataclass
class Coder:
    """Presses what a coach would press, as soon as the film holds and never twice at once."""

    page: Page
    keys: int = 0
    last: str = ""
    of: dict[str, int] = field(default_factory=dict)

    def press(self, key: str) -> None:
        if key == self.last:
            self.page.wait_for_timeout(260)
        self.page.keyboard.press(key)
        self.keys, self.last = self.keys + 1, key

    def judge(self, rng: np.random.Generator) -> str | None:
        """One check of the situation that stands open; its place in the match, or None when all are marked."""
        line = self.page.locator(".situation-lines > li.current button").first
        self.page.wait_for_function(HELD)
        if line.count() == 0:
            return None
        place = str(line.get_attribute("data-focus"))
        if rng.random() < 0.1 and place not in self.of:
            self.press("Digit5")
            self.of[place] = 1
        self.press(f"Digit{rng.choice([1, 2, 3], p=[0.55, 0.35, 0.1])}")
        self.of[place] = self.of.get(place, 0) + 1
        return place

    def situations(self, seed: int) -> Iterator[str]:
        rng = np.random.default_rng(seed)
        while place := self.judge(rng):
            yield place


def list_match(court: Court) -> None:
    """Sixteen rallies in half a minute of film, each with a situation of the feet and one of the lob."""
    court.analysis.plan = "drawn"
    court.analysis.save(update_fields=["plan"])
    for number in range(RALLIES):
        start = 1.0 + 1.75 * number
        rally = make.make_rally(court.match, number + 1, start_s=start, end_s=start + 1.6, winner="A")
        for area, later in (("feet", 0.3), ("lob", 0.6)):
            make.make_situation(
                court.analysis, rally, court.ana, court.area(area), hit_s=start + later, end="near"
            )


def test_two_areas_and_24_situations(
    sheet: Any, court: Court, settings: Any, tmp_path: Path, board: Board
) -> None:
    add_film(court, settings, tmp_path, offset_s=0)
    for area in ("feet", "lob"):
        make.LensArea.objects.create(analysis=court.analysis, area=court.area(area))
    list_match(court)
    for area in ("feet", "lob"):
        make_draw(
            by=court.cast.assistant, analysis=court.analysis, area=court.area(area), planned=EACH, seed=7
        )
    page = sheet()
    coder = Coder(page)
    began = time.monotonic()
    page.get_by_role("button", name="Go through situations").focus()
    coder.press("Enter")
    page.locator("[data-sheet]").focus()
    seen = list(coder.situations(seed=7))
    coder.press("Enter")
    coder.press("Enter")
    expect(page.locator("[data-part=said]")).to_contain_text("Every area is done in every rally.")
    expect(page.locator("[data-part=status]")).to_have_text("all saved")
    took = time.monotonic() - began
    counted = Situation.objects.counted()
    assert counted.count() == 2 * EACH == len(set(seen))
    assert Mark.objects.count() == 4 * 2 * EACH
    assert not Mark.objects.exclude(situation__in=counted).exists()
    assert Closure.objects.count() == 2 * RALLIES
    each = list(coder.of.values())
    note = (
        "A made film of half a minute, sixteen rallies listed, 12 situations of two areas drawn, four checks each; the "
        "coder knows what to press as soon as the film holds. So the seconds are those of film and page: what a "
        "person needs to look and decide comes on top."
    )
    with board.section("Keys of coding", note) as section:
        section.tell("keys a situation of four checks", each, bar=f"<= {PER_SITUATION}", show="{:.0f}")
        section.tell(
            "keys of the second pass, 24 situations, areas done", coder.keys, bar=f"<= {WHOLE}", show="{:.0f}"
        )
        section.tell("seconds a situation, film and page", took / (2 * EACH), show="{:.1f}")
    assert max(each) <= PER_SITUATION
    assert coder.keys <= WHOLE
