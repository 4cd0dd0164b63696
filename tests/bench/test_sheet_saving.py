"""A mark on the screen within a frame, and saved while the same machine encodes a film."""

from __future__ import annotations

import statistics
import time
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from playwright.sync_api import Page, expect

from clubcoach.models import Job
from sessions.models import Mark
from tests.bench.board import Board
from tests.e2e import marking
from tests.e2e.conftest import browser_context_args, browser_type_launch_args
from tests.e2e.real_server import served
from tests.sessions import moving, stored
from tests.sessions.coding import Court
from tests.sessions.large_sheet import large_sheet

__all__ = ["browser_context_args", "browser_type_launch_args"]

pytestmark = [pytest.mark.bench, pytest.mark.browser, pytest.mark.django_db(transaction=True)]
MARKS, FRAME_MS, SAVED_MS = 100, 1000 / 60, 100

# For each mark: from the key to the next picture, by which it has to show; and to the moment at which the page says
# that all is saved. One mark is answered before the next is pressed, as a person does it.
TIMES = """async (marks) => {
  const sheet = document.querySelector('[data-sheet]');
  const status = document.querySelector('[data-part=status]');
  const frame = () => new Promise(requestAnimationFrame);
  const until = async (test) => { while (!test()) await new Promise((done) => setTimeout(done, 1)); };
  const found = { idle: [], frame: [], late: 0, work: [], saved: [] };
  for (let n = 0; n < 60; n += 1) {
    const from = performance.now();
    await new Promise((done) => setTimeout(done, 7));
    await frame();
    found.idle.push(performance.now() - from - 7);
  }
  let clock = performance.now();
  for (const [rally, situation, code, value] of marks) {
    const row = document.querySelector(`tr[data-rally="${rally}"]`);
    if (!row.hasAttribute('aria-current')) row.querySelector('button').click();
    await frame();
    const cell = `[data-focus="cell-${situation}-${code}"]`;
    document.querySelector(cell).click();
    await frame();
    const key = String(1 + ['met', 'missed', 'not_seen'].indexOf(value));
    const event = new KeyboardEvent('keydown', { code: `Digit${key}`, key, bubbles: true });
    Object.defineProperty(event, 'timeStamp', { value: (clock += 1000) });
    const pressed = performance.now();
    sheet.dispatchEvent(event);
    found.work.push(performance.now() - pressed);
    await frame();
    found.frame.push(performance.now() - pressed);
    if (!document.querySelector(cell).classList.contains(value)) found.late += 1;
    await until(() => status.textContent === 'all saved');
    found.saved.push(performance.now() - pressed);
    await new Promise((done) => setTimeout(done, 60));
  }
  return found;
}"""


def film_to_encode(court: Court, folder: Path) -> None:
    """Long enough in the making that every mark falls into it; quickly written, since only its reading counts."""
    source = folder / "court.mkv"
    arrays = [moving.frame(number, 540, 960) for number in range(10)]
    pictures = [av.VideoFrame.from_ndarray(one, format="rgb24").reformat(format="yuvj420p") for one in arrays]
    with av.open(str(source), "w", format="matroska") as film:
        stream = film.add_stream("mjpeg", rate=25)
        stream.width, stream.height, stream.pix_fmt = 960, 540, "yuvj420p"
        for number in range(1800):
            picture = pictures[number % 10]
            picture.pts, picture.time_base = number, Fraction(1, 25)
            film.mux(stream.encode(picture))
        film.mux(stream.encode(None))
    moving.agree(court.match)
    stored.arrived(court.match, source.read_bytes(), source.name)


def encoding() -> bool:
    return Job.objects.filter(kind="film.make", state="running").exists()


def marks_of(court: Court) -> list[list[str]]:
    lines = marking.lines_of(court, seed=3)
    marks = [[row["rally"], row["situation"], code, value] for row in lines for code, value in row["marks"]]
    return marks[-MARKS:]


def queries_of_a_mark(court: Court) -> tuple[int, float]:
    """Of a request with one mark, and how many each further mark in it adds."""
    device = court.device()
    situations = [str(uuid) for uuid in court.analysis.situations.values_list("uuid", flat=True)[:26]]

    def cost(chosen: list[str], value: str) -> int:
        ops = [device.op("mark.set", f"{uuid}/F1", {"value": value}) for uuid in chosen]
        with CaptureQueriesContext(connection) as caught:
            device.send(*ops)
        return len(caught)

    one, many = cost(situations[:1], "met"), cost(situations[1:], "missed")
    return one, (many - one) / (len(situations) - 2)


def test_saving(page: Page, cast: Any, board: Board, settings: Any, tmp_path: Path) -> None:
    settings.MEDIA_ROOT = tmp_path / "media"
    court = large_sheet(cast, unmarked=MARKS // len(marking.CHECKS))
    chosen = marks_of(court)
    errors: list[str] = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    with served(EMBEDDED_JOBS="true") as (server, base):
        marking.sign_in(page.context, court, f"http://127.0.0.1:{server.port}")
        marking.open_sheet(page, court, f"http://127.0.0.1:{server.port}")
        film_to_encode(court, tmp_path)
        until = time.monotonic() + 90
        while not encoding():
            assert time.monotonic() < until, "no film is being encoded"
            time.sleep(0.2)
        found = page.evaluate(TIMES, chosen)
        still = encoding()
        expect(page.locator("[data-part=status]")).to_have_text("all saved")
        assert base
    first, more = queries_of_a_mark(court)
    saved = statistics.median(found["saved"])
    with board.section(
        "The sheet: from key to screen and to the server",
        f"{MARKS} marks, one after the other, in a sheet of 160 rallies and 2,000 situations, while the same process"
        " has a film encoded by its embedded job runner. On screen: from the key to the next picture, in which the mark"
        " has to show. Saved: until the page says so.",
    ) as section:
        section.tell("marks missing in the next picture", found["late"], bar="0", show="{:.0f}")
        section.tell(
            "to the next picture without a key, median (ms)", statistics.median(found["idle"]), show="{:.1f}"
        )
        section.tell("key to the next picture, median (ms)", statistics.median(found["frame"]), show="{:.1f}")
        section.tell("key to the next picture, worst (ms)", max(found["frame"]), show="{:.1f}")
        section.tell(
            "work of the page at the key, median (ms)",
            statistics.median(found["work"]),
            bar=f"{FRAME_MS:.1f}",
            show="{:.1f}",
        )
        section.tell("key to saved, median (ms)", saved, bar=str(SAVED_MS), show="{:.0f}")
        section.tell("key to saved, worst (ms)", max(found["saved"]), show="{:.0f}")
        section.tell("queries of a request with one mark", first, show="{:.0f}")
        section.tell("queries for each further mark in it", more, show="{:.1f}")
    assert not errors, errors
    assert still, "the film was done before the marks"
    assert Mark.objects.filter(situation__analysis=court.analysis).count() >= 8000
    assert found["late"] == 0
