"""The demo's scenario: who is in the club, who plays whom, and what was planted. It stands in ``fixtures/demo.json``.

Tests ask the pages for what stands there, so the file is checked before anything is made of it.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import time
from functools import cached_property
from itertools import chain
from pathlib import Path
from typing import Any

from django.conf import settings

REVIEWS = ("done", "dropped", "reworded")
LEAST_MATCHES, MOST_MATCHES = 2, 6
_TIME = re.compile(r"([01]\d|2[0-3]):[0-5]\d")


class ScenarioError(Exception):
    """Everything that is wrong with the file, a line for each."""


@dataclass(frozen=True)
class Person:
    ref: str
    given: str
    family: str
    level: str = ""
    age: int = 0
    hand: str = "right"
    account: bool = True
    consent: bool = True
    role: str = ""
    # How much stricter than the average analyst, in logits.
    severity: float = 0.0


@dataclass(frozen=True)
class Fixture:
    """A match of the term: in which week, on which day of it, who against whom, and who analyses it."""

    week: int
    day: int
    home: tuple[str, str]
    away: tuple[str, str]
    analyst: str

    @property
    def players(self) -> tuple[str, ...]:
        return (*self.home, *self.away)


@dataclass(frozen=True)
class SquadPlan:
    name: str
    level: str
    coach: str
    weekday: int
    at: time
    court: str
    players: tuple[str, ...]


@dataclass(frozen=True)
class Scenario:
    """What the file says, with the names of people as it calls them."""

    data: Mapping[str, Any]

    @property
    def seed(self) -> int:
        return int(self.data["seed"])

    @property
    def planted(self) -> Mapping[str, Any]:
        return self.data["planted"]

    @property
    def simulation(self) -> Mapping[str, Any]:
        return self.data["simulation"]

    @property
    def weeks(self) -> int:
        return int(self.data["term"]["weeks"])

    @cached_property
    def coaches(self) -> tuple[Person, ...]:
        """The head coach first."""
        rows = [Person(**row) for row in self.data["people"]["coaches"]]
        return tuple(sorted(rows, key=lambda row: row.role != "head_coach"))

    @property
    def assistants(self) -> tuple[Person, ...]:
        return self.coaches[1:]

    @cached_property
    def manager(self) -> Person:
        return Person(**self.data["people"]["manager"], role="manager")

    @cached_property
    def guardian(self) -> Person:
        row = {name: value for name, value in self.data["people"]["guardian"].items() if name != "of"}
        return Person(**row, role="guardian")

    @property
    def wards(self) -> tuple[str, ...]:
        return tuple(self.data["people"]["guardian"]["of"])

    @cached_property
    def students(self) -> tuple[Person, ...]:
        return tuple(Person(**row) for row in self.data["people"]["students"])

    @cached_property
    def left(self) -> tuple[Person, ...]:
        return tuple(Person(**row) for row in self.data["people"]["left"])

    @cached_property
    def pairs(self) -> tuple[tuple[str, str], ...]:
        return tuple(two(name) for name in self.data["pairs"])

    @cached_property
    def fixtures(self) -> tuple[Fixture, ...]:
        rows = self.data["term"]["matches"]
        return tuple(
            Fixture(row["week"], row["day"], two(row["home"]), two(row["away"]), row["analyst"])
            for row in sorted(rows, key=lambda row: (row["week"], row["day"]))
        )

    @cached_property
    def squads(self) -> tuple[SquadPlan, ...]:
        return tuple(
            SquadPlan(
                row["name"],
                row["level"],
                row["coach"],
                row["weekday"],
                time.fromisoformat(row["at"]),
                row["court"],
                tuple(row["players"]),
            )
            for row in self.data["squads"]
        )

    def with_changes(self, **planted: Any) -> Scenario:
        """The same club with something else planted; ``seed`` is one of the things that may change."""
        seed = planted.pop("seed", self.seed)
        return replace(self, data={**self.data, "seed": seed, "planted": {**self.planted, **planted}})


def two(name: str) -> tuple[str, str]:
    """ "runa+emeka": the players of a pair."""
    one, other = name.split("+")
    return one, other


def where() -> Path:
    return Path(settings.BASE_DIR) / "fixtures" / "demo.json"


def load() -> Scenario:
    """Read the file and say everything that is wrong with it."""
    try:
        data = json.loads(where().read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise ScenarioError(f"{where()}: {error}") from None
    return checked(data)


def checked(data: Any) -> Scenario:
    try:
        problems = list(_problems(Scenario(data)))
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise ScenarioError(f"fixtures/demo.json is not whole: {type(error).__name__}: {error}") from None
    if problems:
        raise ScenarioError("fixtures/demo.json: " + "\n".join(problems))
    return Scenario(data)


def _problems(told: Scenario) -> Iterator[str]:
    yield from _people(told)
    yield from _squads(told)
    yield from _matches(told)
    yield from _simulation(told)
    yield from _planted(told)
    yield from _said(told)


def _people(told: Scenario) -> Iterator[str]:
    everybody = [*told.coaches, told.manager, told.guardian, *told.students, *told.left]
    yield from _twice("ref", [row.ref for row in everybody])
    yield from _twice("person", [f"{row.given} {row.family}" for row in everybody])
    if Counter(row.role for row in told.coaches) != {"head_coach": 1, "assistant": 3}:
        yield "coaches: name one head_coach and three assistants"
    levels = {row["code"] for row in _fixture("levels")["levels"]}
    for row in (*told.students, *told.left):
        if row.level not in levels:
            yield f"{row.ref}: level {row.level!r} is none of {', '.join(sorted(levels))}"
        if row.hand not in ("left", "right"):
            yield f"{row.ref}: hand is left or right, not {row.hand!r}"
        if not 5 <= row.age <= 90:
            yield f"{row.ref}: an age between 5 and 90, not {row.age}"
        if (row.age < 18) != (row.ref in told.wards):
            yield f"{row.ref}: whoever is under 18 has the guardian, and nobody else"
    names = json.loads((where().parent / "names.json").read_text(encoding="utf-8"))
    for row in everybody:
        if row.family not in names["family"] or row.given not in names["given"]:
            yield f"{row.ref}: {row.given} {row.family} is not among the invented names of names.json"


def _squads(told: Scenario) -> Iterator[str]:
    coaches, students = {row.ref for row in told.coaches}, [row.ref for row in told.students]
    yield from _twice("squad", [row.name for row in told.squads])
    placed = list(chain.from_iterable(row.players for row in told.squads))
    yield from _twice("player of the squads", placed)
    yield from (f"{ref}: is in a squad and no student" for ref in set(placed) - set(students))
    for row in told.squads:
        if row.coach not in coaches:
            yield f"squad {row.name}: {row.coach!r} is no coach"
        if not 4 <= len(row.players) <= 6:
            yield f"squad {row.name}: four to six players, not {len(row.players)}"
        if not 0 <= row.weekday <= 6:
            yield f"squad {row.name}: weekday 0 (Monday) to 6"


def _matches(told: Scenario) -> Iterator[str]:
    students = {row.ref for row in told.students}
    assistants = {row.ref for row in told.assistants}
    for pair in told.pairs:
        yield from (f"pairs: {ref!r} is no student" for ref in pair if ref not in students)
    listed = [ref for pair in told.pairs for ref in pair]
    if listed != [row.ref for row in told.students]:
        yield "pairs: name the students two by two in the order in which they are listed"
    for row in told.fixtures:
        place = f"match of week {row.week}, {'+'.join(row.home)} against {'+'.join(row.away)}"
        yield from (f"{place}: {ref!r} is no student" for ref in row.players if ref not in students)
        if len(set(row.players)) != 4:
            yield f"{place}: somebody plays twice"
        if row.analyst not in assistants:
            yield f"{place}: {row.analyst!r} is no assistant"
        if not 1 <= row.week <= told.weeks or not 0 <= row.day <= 6:
            yield f"{place}: week 1 to {told.weeks}, day 0 to 6"
    # The filmed match is one more for the first two pairs.
    played = Counter(chain.from_iterable(row.players for row in told.fixtures))
    played.update(chain.from_iterable(told.pairs[:2]))
    for ref in sorted(students):
        if not LEAST_MATCHES <= played[ref] <= MOST_MATCHES:
            yield f"{ref}: two to six matches in the term, not {played[ref]}"
    if played[told.planted["two_matches"]] != 2:
        yield f"two_matches: {told.planted['two_matches']} plays {played[told.planted['two_matches']]}"
    together = Counter(frozenset(pair) for row in told.fixtures for pair in (row.home, row.away))
    four = told.planted["four_together"]
    if together[frozenset(two(four))] != 4 or two(four) in told.pairs[:2]:
        yield f"four_together: {four} play {together[frozenset(two(four))]} matches together"


def _simulation(told: Scenario) -> Iterator[str]:
    rules = told.simulation
    levels = {row["code"] for row in _fixture("levels")["levels"]}
    if set(rules["levels"]) != levels:
        yield f"simulation, levels: give a skill for each of {', '.join(sorted(levels))}"
    if set(rules["ball"]) != {"easy", "normal", "hard"}:
        yield "simulation, ball: easy, normal and hard"
    elif abs(sum(row["share"] for row in rules["ball"].values()) - 1) > 1e-9:
        yield "simulation, ball: the shares add up to 1"
    if not 0 <= rules["not_seen"] < 1 or not 0 < rules["serving_pair_wins"] < 1:
        yield "simulation: not_seen and serving_pair_wins are shares"
    if rules["rallies"] < 1:
        yield "simulation, rallies: at least one"
    yield from _codes("simulation", [*rules["costs"], *rules["hardness"]])


def _planted(told: Scenario) -> Iterator[str]:
    students = {row.ref for row in told.students}
    what = told.planted
    named = [*what["chain"]["students"], what["decoy"]["student"], *two(what["leaves_net"]["pair"])]
    yield from (f"planted: {ref!r} is no student" for ref in named if ref not in students)
    if what["decoy"]["student"] in what["chain"]["students"]:
        yield "planted: the decoy's faults lead to nothing, so the decoy is not in the chain"
    if what["growth"]["days"] <= 0:
        yield "planted, growth: so many logits in so many days, at least one"
    for link in what["chain"]["links"]:
        yield from _codes("planted, chain", [*link["from"], *link["to"]])
    for name in ("chain", "leaves_net"):
        yield from _codes(f"planted, {name}", [*what[name]["weak"], *what[name]["lost"]["from"]])
    yield from _codes("planted, decoy", what["decoy"]["weak"])


def _said(told: Scenario) -> Iterator[str]:
    students, coaches = {row.ref for row in told.students}, {row.ref for row in told.coaches}
    areas = {row["code"] for row in _fixture("check_list")["areas"]}
    for kind in ("notes", "goals", "reviews"):
        for row in told.data[kind]:
            place = f"{kind}, {row['unit']}"
            yield from (
                f"{place}: {ref!r} is no student" for ref in row["unit"].split("+") if ref not in students
            )
            if not 1 <= row["week"] <= told.weeks:
                yield f"{place}: week 1 to {told.weeks}"
    yield from (f"notes: {row['by']!r} is no coach" for row in told.data["notes"] if row["by"] not in coaches)
    yield from (
        f"goals: there is no area {row['area']!r}" for row in told.data["goals"] if row["area"] not in areas
    )
    for row in told.data["reviews"]:
        if row["what"] not in REVIEWS or (row["what"] == "reworded") != bool(row.get("words")):
            yield f"reviews, {row['unit']}: done, dropped, or reworded with the words"
    yield from (
        f"homework: {ref!r} is no student"
        for ref in told.data["homework"]["diligence"]
        if ref not in students
    )
    off = told.data["lessons"]["called_off"]
    if off["squad"] not in {row.name for row in told.squads} or not 1 <= off["week"] <= told.weeks:
        yield "lessons, called_off: name a squad and a week of the term"


def _codes(place: str, codes: Any) -> Iterator[str]:
    known = {row["code"] for row in _fixture("check_list")["checks"]}
    yield from (f"{place}: the check list has no check {code!r}" for code in codes if code not in known)


def _twice(word: str, values: list[str]) -> Iterator[str]:
    yield from (f"{word} {value!r} is there {n} times" for value, n in Counter(values).items() if n > 1)


def _fixture(name: str) -> Any:
    return json.loads((where().parent / f"{name}.json").read_text(encoding="utf-8"))
