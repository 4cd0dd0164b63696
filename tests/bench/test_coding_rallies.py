"""How long the first pass takes whoever decides what was heard, by arithmetic over the rules of the page itself.

The finder hears the demo's own film; what it proposes, right or wrong, is what the coder goes through. Where the film
begins, where it holds and how fast it runs are read from the page's scripts. No browser runs: that the page keeps to
these rules is tried in ``tests/e2e/test_sheet_rallies.py``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from clubcoach.compute.onsets import Ear
from clubcoach.compute.rallies import listen
from reports.demo.scene import SEED, scene_truth
from reports.demo.scene_frames import scene_of
from reports.demo.scene_sound import RATE, sound_of
from tests.bench.board import Board

pytestmark = pytest.mark.bench
SCRIPTS = Path(__file__).parents[2] / "sessions" / "static" / "sessions" / "sheet"
# A person presses this long after they have seen it.
REACTION_S = 0.4
SPEED, FASTEST = 1.5, 2.0
# The Rules of Padel give twenty seconds between points and ninety at a change of ends; players take less of both.
BETWEEN_POINTS_S, AT_CHANGES_S = 12.0, 60.0
BAR = 0.5


@dataclass(frozen=True)
class Span:
    """From the serve's hit to the last one; ``known_s`` is when the ball is dead, so that it is seen who won."""

    start_s: float
    end_s: float
    known_s: float = 0.0


def constant(file: str, name: str) -> float:
    found = re.search(rf"const {name} = ([\d.]+);", (SCRIPTS / file).read_text())
    assert found, f"{file} has no {name}"
    return float(found.group(1))


@cache
def film() -> tuple[list[Span], list[Span], float]:
    """What was played, what was heard of it, and how long the film is."""
    truth = scene_truth()
    played = []
    for row in truth["rallies"]:
        hits = [hit["t"] for hit in truth["hits"] if hit["rally"] == row["number"]]
        played.append(Span(hits[0], hits[-1], row["end_s"]))
    sound = np.asarray(sound_of(scene_of(SEED)[0]), np.float32)
    ear = Ear(RATE)
    for start in range(0, len(sound), 65_536):
        ear.hear(sound[start : start + 65_536])
    heard = [Span(float(one.start_s), float(one.end_s)) for one in listen(ear.bands()).rallies]
    return played, heard, float(truth["duration_s"])


@dataclass
class Coder:
    """The wall clock of somebody who goes from proposal to proposal with one key for each."""

    lead_in_s: float
    run_out_s: float
    speed: float = SPEED
    wall_s: float = 0.0
    keys: int = 0

    def watch(self, from_s: float, to_s: float) -> None:
        self.wall_s += max(0.0, to_s - from_s) / self.speed

    def press(self) -> None:
        self.wall_s += REACTION_S
        self.keys += 1

    def decide(self, heard: Span, played: Span | None) -> None:
        begins, holds = max(0.0, heard.start_s - self.lead_in_s), heard.end_s + self.run_out_s
        known = played.known_s if played else holds
        self.watch(begins, min(known, holds))
        if known > holds:
            # It held too early: she lets it run on until the ball is dead.
            self.press()
            self.watch(holds, known)
        self.press()

    def find(self, gap: tuple[float, float]) -> None:
        """A rally that nobody heard: she looks through all that lies between its neighbours, and presses two keys."""
        self.watch(*gap)
        self.press()
        self.press()


def same(heard: Span, played: Span) -> bool:
    shared = min(heard.end_s, played.end_s) - max(heard.start_s, played.start_s)
    return shared > 0.5 * (played.end_s - played.start_s)


def code(
    played: list[Span], heard: list[Span], length_s: float, speed: float = SPEED
) -> tuple[Coder, int, int]:
    coder = Coder(constant("acts_heard.js", "LEAD_IN_S"), constant("acts_heard.js", "RUN_OUT_S"), speed)
    pairs = [(one, next((true for true in played if same(one, true)), None)) for one in heard]
    for one, true in pairs:
        coder.decide(one, true)
    missed = [true for true in played if not any(same(one, true) for one in heard)]
    for true in missed:
        before = max((one.end_s for one in heard if one.end_s <= true.start_s), default=0.0)
        after = min((one.start_s for one in heard if one.start_s >= true.end_s), default=length_s)
        coder.find((before, after))
    return coder, sum(true is None for _one, true in pairs), len(missed)


def with_pauses(played: list[Span], heard: list[Span], length_s: float) -> Any:
    """The same rallies with the time between them that a match has: the demo's film was cut."""
    moved, added = {}, 0.0
    for number, row in enumerate(scene_truth()["rallies"]):
        before = scene_truth()["rallies"][number - 1] if number else None
        if before is not None:
            gap = row["start_s"] - before["end_s"]
            changes = row["near_pair"] != before["near_pair"]
            added += (AT_CHANGES_S if changes else BETWEEN_POINTS_S) - gap
        moved[number] = added

    def later(span: Span) -> Span:
        number = int(np.argmin([abs(one.start_s - span.start_s) for one in played]))
        by = moved[number]
        return Span(span.start_s + by, span.end_s + by, span.known_s + by)

    return [later(one) for one in played], [later(one) for one in heard], length_s + added


@pytest.mark.parametrize(("name", "pauses"), [("as it was cut", False), ("with a match's pauses", True)])
def test_the_first_pass_against_the_length_of_the_film(board: Board, name: str, pauses: bool) -> None:
    played, heard, length_s = with_pauses(*film()) if pauses else film()
    coder, false, missed = code(played, heard, length_s)
    twice = code(played, heard, length_s, FASTEST)[0]
    in_play_s = sum(one.known_s - one.start_s for one in played)
    note = (
        f"The demo's film of {len(played)} rallies, heard by the finder; a coder who presses {REACTION_S} s after she"
        f" has seen it, film at {SPEED} times. Arithmetic over the rules of the page, no browser."
    )
    with board.section(f"The first pass on the demo's film, {name}", note) as section:
        section.tell("length of the film, s", length_s, show="{:.1f}")
        section.tell("in play, s", in_play_s, show="{:.1f}")
        section.tell("the coder, s", coder.wall_s, show="{:.1f}")
        section.tell("share of the film", coder.wall_s / length_s, bar=f"at most {BAR}", show="{:.2f}")
        section.tell(
            f"share of the film at {FASTEST} times",
            twice.wall_s / length_s,
            bar=f"at most {BAR}",
            show="{:.2f}",
        )
        section.tell("share of the time in play", coder.wall_s / in_play_s, show="{:.2f}")
        section.tell("keys", coder.keys, show="{:.0f}")
        section.tell("proposals that are none", false, show="{:.0f}")
        section.tell("rallies that were not heard", missed, show="{:.0f}")
    assert twice.wall_s <= BAR * length_s
    if pauses:
        assert coder.wall_s <= BAR * length_s
    else:
        # In play for three quarters of its length, it cannot be seen in half of it at this speed by anybody.
        assert coder.wall_s < in_play_s


def test_the_coder_pays_for_what_the_finder_gets_wrong() -> None:
    played = [Span(10, 20, 21), Span(40, 50, 51), Span(80, 90, 91)]
    heard = [Span(one.start_s, one.end_s) for one in played]
    right, false, missed = code(played, heard, 120.0)
    assert (false, missed, right.keys) == (0, 0, 3)
    assert right.wall_s == pytest.approx(3 * (12 / SPEED + REACTION_S))
    worse = code(played, [*heard[:1], Span(60, 65), *heard[2:]], 120.0)
    assert (worse[1], worse[2]) == (1, 1)
    assert worse[0].wall_s > right.wall_s
    early = code(played, [Span(10, 17), *heard[1:]], 120.0)[0]
    assert early.keys == 4
    assert early.wall_s == pytest.approx(right.wall_s + REACTION_S)
