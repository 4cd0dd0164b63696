"""Many marks by key in a real page, faster than fingers, and what must then be found on the server."""

from __future__ import annotations

import random
from typing import Any

from playwright.sync_api import BrowserContext, Page, expect

from sessions.models import Mark, Op
from tests.sessions.coding import Court

CHECKS = ("F1", "F2", "F4", "F5")
VALUES = ("met", "missed", "not_seen")
# A situation's cell is clicked, then one key a check; `every` milliseconds from key to key. What the page shows after
# each key is compared at once, whatever the network does.
MARK = """async ([lines, every]) => {
  const sheet = document.querySelector('[data-sheet]');
  const rest = () => new Promise((done) => (every ? setTimeout(done, every) : queueMicrotask(done)));
  const find = async (selector) => {
    for (let tries = 0; tries < 200; tries += 1) {
      const node = document.querySelector(selector);
      if (node) return node;
      await new Promise((done) => setTimeout(done, 10));
    }
    throw new Error(`nothing like ${selector}`);
  };
  for (const { rally, situation, marks } of lines) {
    const row = await find(`tr[data-rally="${rally}"]`);
    if (!row.hasAttribute('aria-current')) row.querySelector('button').click();
    for (const [code, value] of marks) {
      const cell = `[data-focus="cell-${situation}-${code}"]`;
      const now = await find(cell);
      if (now.getAttribute('aria-pressed') !== 'true') now.click();
      await new Promise(queueMicrotask);
      const key = 1 + ['met', 'missed', 'not_seen'].indexOf(value);
      const event = new KeyboardEvent('keydown', { code: `Digit${key}`, key: String(key), bubbles: true });
      // By its own clock no faster than a person: else the sheet would take the same key twice for a slip.
      Object.defineProperty(event, 'timeStamp', { value: (window.markedAt = (window.markedAt ?? 0) + 1000) });
      sheet.dispatchEvent(event);
      await rest();
      const shown = document.querySelector(cell);
      if (!shown?.classList.contains(value)) {
        const part = (name) => document.querySelector(`[data-part=${name}]`).textContent;
        const told = ['status', 'said', 'notes'].map(part);
        throw new Error(`${code} does not show ${value}: ${shown?.outerHTML} ${told.join(' | ')}`);
      }
    }
  }
}"""


def sign_in(context: BrowserContext, court: Court, base: str, person: Any = None) -> None:
    client = court.cast.client(person or court.cast.assistant)
    value = client.cookies["sessionid"].value
    context.add_cookies([{"name": "sessionid", "value": value, "url": base}])


def open_sheet(page: Page, court: Court, base: str) -> None:
    page.goto(f"{base}/c/{court.cast.club.slug}/analyses/{court.analysis.uuid}/sheet/")
    expect(page.locator("[data-sheet]")).not_to_have_attribute("aria-busy", "true")
    page.locator("[data-sheet]").focus()


def lines_of(court: Court, seed: int, codes: tuple[str, ...] = CHECKS) -> list[dict[str, Any]]:
    """What is to be marked, in the order of the match: each situation with a value for each check."""
    dice = random.Random(seed)
    rows = court.analysis.situations.order_by("rally__number", "hit_s").values_list("rally__uuid", "uuid")
    return [
        {
            "rally": str(rally),
            "situation": str(uuid),
            "marks": [[code, dice.choice(VALUES)] for code in codes],
        }
        for rally, uuid in rows
    ]


def mark(page: Page, lines: list[dict[str, Any]], every: int) -> None:
    page.evaluate(MARK, [lines, every])


def wanted(*parts: list[dict[str, Any]]) -> dict[tuple[str, str], str]:
    return {
        (row["situation"], code): value for lines in parts for row in lines for code, value in row["marks"]
    }


def found(court: Court) -> dict[tuple[str, str], str]:
    rows = Mark.objects.filter(situation__analysis=court.analysis)
    marks = rows.values_list("situation__uuid", "check_identity__code", "value")
    return {(str(uuid), code): value for uuid, code, value in marks}


def each_once(court: Court, count: int, conflicts: int = 0) -> None:
    """Every operation was answered one time, under the numbers 1, 2, 3 ... of its device, and applied or told."""
    ops = Op.objects.filter(analysis=court.analysis)
    assert ops.count() == count
    applied = ops.filter(result__status="applied")
    assert (applied.count(), ops.filter(result__status="conflict").count()) == (count - conflicts, conflicts)
    assert not applied.filter(before=None).exists(), "something was written twice and changed nothing"
    numbers: dict[Any, list[int]] = {}
    for device, seq in ops.order_by("seq").values_list("device", "seq"):
        numbers.setdefault(device, []).append(seq)
    assert all(found == list(range(1, len(found) + 1)) for found in numbers.values())


def pressed(rounds: list[list[dict[str, Any]]]) -> dict[str, list[str]]:
    """By situation and check, the values in the order in which they were pressed."""
    values: dict[str, list[str]] = {}
    for lines in rounds:
        for row in lines:
            for code, value in row["marks"]:
                values.setdefault(f"{row['situation']}/{code}", []).append(value)
    return values


def history(court: Court) -> dict[str, list[str]]:
    """The same as the server has applied them."""
    values: dict[str, list[str]] = {}
    rows = Op.objects.filter(analysis=court.analysis, kind="mark.set", result__status="applied")
    for target, body in rows.order_by("pk").values_list("target", "body"):
        values.setdefault(target, []).append(body["value"])
    return values
