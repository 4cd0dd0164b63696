"""The files of an exchange and their columns: what a cell may hold, and which rows are one and the same."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from django.utils.translation import gettext_lazy as _

from players.models import Check, Player, Side
from sessions.models import Analysis, Match, Situation


class Cell(StrEnum):
    """What a column's cells are; in a `Table` they are str, int, float or date, and None where nothing is recorded."""

    REF = "ref"  # str, at most 60 characters, none of them a control character
    NAME = "name"  # str that people read; may not begin with = + - @
    TEXT = "text"  # str, the same, and may be long
    WHOLE = "whole"  # int
    NUMBER = "number"  # float, shortest decimal on the way out
    DATE = "date"  # datetime.date, ISO
    WORD = "word"  # str, one of `words`
    FLAG = "flag"  # int, 1 or 0
    NAMES = "names"  # tuple of str, joined by ;
    EMAIL = "email"  # str


@dataclass(frozen=True)
class Column:
    """A column. `least` and `most` bound numbers, or the length of a text (`most`)."""

    name: str
    cell: Cell
    needed: bool = False
    words: tuple[str, ...] = ()
    least: float | None = None
    most: float | None = None


@dataclass(frozen=True)
class FileSpec:
    """A file. `key` names the columns that make a row itself; rows are sorted by them on the way out."""

    name: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    what: str = field(default="")

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(column.name for column in self.columns)

    def column(self, name: str) -> Column:
        return next(column for column in self.columns if column.name == name)


def _words(choices: type) -> tuple[str, ...]:
    return tuple(choices.values)  # type: ignore[attr-defined]


_REF = {"cell": Cell.REF, "most": 60}
_SEATS = tuple(Column(f"player_{n}", Cell.REF, most=60) for n in range(1, 5))
_SIDES = tuple(Column(f"side_{n}", Cell.WORD, words=_words(Side)) for n in range(1, 5))
# A day has no more seconds, a match no more rallies, a rally no more situations.
DAY_S, MOST_RALLIES, MOST_SITUATIONS = 86_400.0, 9_999, 999
NONE = "none"
FORMATS = ("sets", "points", "free")
DEUCES = ("advantage", "golden", "star")

LEVELS = FileSpec(
    "levels.csv",
    (
        Column("level", Cell.NAME, needed=True, most=60),
        Column("position", Cell.WHOLE, needed=True, least=1, most=999),
        Column("description", Cell.TEXT, most=2000),
    ),
    ("level",),
    _("levels"),
)
CHECK_LISTS = FileSpec(
    "check_lists.csv",
    (
        Column("check_list", Cell.NAME, needed=True, most=60),
        Column("check", Cell.REF, needed=True, most=12),
        Column("area", Cell.REF, needed=True, most=20),
        Column("unit", Cell.WORD, needed=True, words=_words(Check.UnitKind)),
        Column("kind", Cell.WORD, needed=True, words=_words(Check.Kind)),
        Column("phase", Cell.WHOLE, needed=True, least=1, most=99),
        Column("wording", Cell.NAME, needed=True, most=120),
    ),
    ("check_list", "check"),
    _("check lists"),
)
ANALYSTS = FileSpec(
    "analysts.csv",
    (
        Column("analyst_ref", needed=True, **_REF),  # type: ignore[arg-type]
        Column("name", Cell.NAME, needed=True, most=160),
    ),
    ("analyst_ref",),
    _("analysts"),
)
PLAYERS = FileSpec(
    "players.csv",
    (
        Column("player_ref", needed=True, **_REF),  # type: ignore[arg-type]
        Column("given_name", Cell.NAME, needed=True, most=80),
        Column("family_name", Cell.NAME, most=80),
        Column("level", Cell.NAME, most=60),
        Column("birth_year", Cell.WHOLE, least=1900, most=2200),
        Column("hand", Cell.WORD, words=_words(Player.Hand)),
        Column("squads", Cell.NAMES, most=60),
        Column("email", Cell.EMAIL, most=254),
    ),
    ("player_ref",),
    _("players"),
)
MATCHES = FileSpec(
    "matches.csv",
    (
        Column("match_ref", needed=True, **_REF),  # type: ignore[arg-type]
        Column("played_on", Cell.DATE, needed=True),
        Column("kind", Cell.WORD, words=_words(Match.Kind)),
        Column("format", Cell.WORD, words=FORMATS),
        Column("deuce", Cell.WORD, words=DEUCES),
        Column("place", Cell.WORD, words=_words(Match.Place)),
        Column("walls", Cell.WORD, words=_words(Match.Walls)),
        *_SEATS,
        *_SIDES,
        Column("rallies_played", Cell.WHOLE, least=0, most=MOST_RALLIES),
    ),
    ("match_ref",),
    _("matches"),
)
RALLIES = FileSpec(
    "rallies.csv",
    (
        Column("match_ref", needed=True, **_REF),  # type: ignore[arg-type]
        Column("rally", Cell.WHOLE, needed=True, least=1, most=MOST_RALLIES),
        Column("server", Cell.WHOLE, least=1, most=4),
        Column("winner", Cell.WORD, words=("A", "B", NONE)),
        Column("near_pair", Cell.WORD, words=("A", "B")),
        Column("start_s", Cell.NUMBER, least=0, most=DAY_S),
        Column("end_s", Cell.NUMBER, least=0, most=DAY_S),
    ),
    ("match_ref", "rally"),
    _("rallies"),
)
ANALYSES = FileSpec(
    "analyses.csv",
    (
        Column("analysis_ref", needed=True, **_REF),  # type: ignore[arg-type]
        Column("match_ref", needed=True, **_REF),  # type: ignore[arg-type]
        Column("analyst_ref", **_REF),  # type: ignore[arg-type]
        Column("purpose", Cell.WORD, words=_words(Analysis.Purpose)),
        Column("coded_on", Cell.DATE),
        Column("check_list", Cell.NAME, most=60),
        Column("plan", Cell.WORD, words=_words(Analysis.Plan)),
    ),
    ("analysis_ref",),
    _("analyses"),
)
SITUATIONS = FileSpec(
    "situations.csv",
    (
        Column("analysis_ref", needed=True, **_REF),  # type: ignore[arg-type]
        Column("rally", Cell.WHOLE, needed=True, least=1, most=MOST_RALLIES),
        Column("situation", Cell.WHOLE, needed=True, least=1, most=MOST_SITUATIONS),
        Column("unit", Cell.WORD, needed=True, words=("1", "2", "3", "4", "A", "B")),
        Column("area", Cell.REF, needed=True, most=20),
        Column("ball", Cell.WORD, words=_words(Situation.Ball)),
        Column("hit_s", Cell.NUMBER, least=0, most=DAY_S),
        Column("outcome", Cell.WORD, words=_words(Situation.Outcome)),
        Column("choice", Cell.REF, most=20),
        Column("counted", Cell.FLAG),
    ),
    ("analysis_ref", "rally", "situation"),
    _("situations"),
)
CHECKS = FileSpec(
    "checks.csv",
    (
        Column("analysis_ref", needed=True, **_REF),  # type: ignore[arg-type]
        Column("rally", Cell.WHOLE, needed=True, least=1, most=MOST_RALLIES),
        Column("situation", Cell.WHOLE, needed=True, least=1, most=MOST_SITUATIONS),
        Column("check", Cell.REF, needed=True, most=12),
        Column("met", Cell.FLAG, needed=True),
    ),
    ("analysis_ref", "rally", "situation", "check"),
    _("checks"),
)
FILES: dict[str, FileSpec] = {
    spec.name: spec
    for spec in (
        LEVELS,
        CHECK_LISTS,
        ANALYSTS,
        PLAYERS,
        MATCHES,
        RALLIES,
        ANALYSES,
        SITUATIONS,
        CHECKS,
    )
}
NEEDED = (MATCHES.name, SITUATIONS.name, CHECKS.name)
"""Without these three a folder is none of ours."""
