"""Rows of the state document say only what differs from an empty row; the document says once what that is.

Most rallies have no fact of their own beyond time and winner, most situations no word beyond what they are: left out,
a sheet of thousands of rows is half as long, and the reader fills them in from ``empty``.
"""

from __future__ import annotations

from typing import Any

Document = dict[str, Any]

EMPTY: dict[str, Document] = {
    "rally": {
        "end_s": None,
        "server": None,
        "winner": "",
        "near_pair": "",
        "side": "",
        "score_set": None,
        "reason": "",
        "net_pair": "",
        "ended_by": None,
        "ended_how": "",
        "timed": True,
        "dropped": False,
        "rev": 1,
    },
    "situation": {
        "trigger": "",
        "ball": "normal",
        "choice": "",
        "outcome": "",
        "not_codable": "",
        "note": "",
        "shown_only": False,
        "timed": True,
        "drawn": False,
        "dropped": False,
        "rev": 1,
    },
    "mark": {"rev": 1},
    "closure": {"rev": 1},
}


def sparse(kind: str, row: Document) -> Document:
    """What differs from an empty row of that kind."""
    empty = EMPTY[kind]
    return {name: value for name, value in row.items() if name not in empty or empty[name] != value}


def full(kind: str, row: Document) -> Document:
    """A row with what was left out of it."""
    return {**EMPTY[kind], **row}
