"""Folders of sheets for tests: a club's players, matches and what was seen, as rows by file name."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from reports.exchange.columns import FILES
from reports.exchange.tables import Table, Tables

Rows = dict[str, list[dict[str, Any]]]
# Areas of the default list, with two of its checks each and who is looked at.
AREAS = {
    "feet": (("F1", "F2", "F4"), False),
    "lob": (("L1", "L2", "L3"), False),
    "bandeja": (("B1", "B2", "B3"), False),
    "serve": (("S1", "S2"), False),
    "net": (("N1", "N2"), True),
}


def sheets(
    seed: int = 1,
    *,
    players: int = 8,
    matches: int = 2,
    rallies: int = 5,
    a_rally: int = 3,
    first: date = date(2026, 3, 1),
    timed: bool = True,
) -> Rows:
    """Sheets as a club would bring them: every match with one analysis by one of three analysts."""
    rng = np.random.default_rng(seed)
    rows: Rows = {name: [] for name in FILES if name != "check_lists.csv"}
    rows["levels.csv"] = [{"level": name, "position": n} for n, name in enumerate(("Copper", "Tin"), 1)]
    rows["analysts.csv"] = [{"analyst_ref": f"eye-{n}", "name": f"Eye {n}"} for n in range(1, 4)]
    for n in range(1, players + 1):
        rows["players.csv"].append(
            {
                "player_ref": f"p{n:04d}",
                "given_name": f"Given{n}",
                "family_name": f"Family{n}",
                "level": ("Copper", "Tin")[n % 2],
                "birth_year": 1980 + n % 30,
                "hand": "left" if n % 9 == 0 else "right",
                "squads": ("Early", "Late")[: 1 + n % 2],
            }
        )
    for m in range(1, matches + 1):
        _match(rows, rng, m, players, rallies, a_rally, first + timedelta(days=3 * m % 200), timed)
    return rows


def _match(
    rows: Rows, rng: Any, m: int, players: int, rallies: int, a_rally: int, day: date, timed: bool
) -> None:
    ref = f"m{m:05d}"
    seats = rng.permutation(players)[:4] + 1
    rows["matches.csv"].append(
        {"match_ref": ref, "played_on": day, "kind": "league", "format": "sets", "deuce": "golden"}
        | {f"player_{n}": f"p{who:04d}" for n, who in enumerate(seats.tolist(), 1)}
        | {"side_1": "left", "side_2": "right", "rallies_played": rallies}
    )
    rows["analyses.csv"].append(
        {
            "analysis_ref": f"a{m:05d}",
            "match_ref": ref,
            "analyst_ref": f"eye-{m % 3 + 1}",
            "purpose": "count",
            "coded_on": day + timedelta(days=1),
            "plan": "all",
        }
    )
    names = list(AREAS)
    for r in range(1, rallies + 1):
        start = 20.0 * r
        times = {"start_s": start, "end_s": start + 15.5} if timed else {}
        rows["rallies.csv"].append(
            {"match_ref": ref, "rally": r, "server": 1 + r % 4, "winner": "AB"[r % 2], "near_pair": "A"}
            | times
        )
        for s in range(1, a_rally + 1):
            area = names[int(rng.integers(len(names)))]
            checks, pair = AREAS[area]
            unit = "AB"[int(rng.integers(2))] if pair else str(int(rng.integers(1, 5)))
            key = {"analysis_ref": f"a{m:05d}", "rally": r, "situation": s}
            rows["situations.csv"].append(
                key
                | {"unit": unit, "area": area, "ball": (None, "easy", "hard")[int(rng.integers(3))]}
                | ({"hit_s": start + s} if timed else {})
                | {"outcome": "in_play", "counted": int(rng.random() < 0.9)}
            )
            for check in checks:
                if rng.random() < 0.9:
                    rows["checks.csv"].append(key | {"check": check, "met": int(rng.random() < 0.6)})


def tables(rows: Rows) -> Tables:
    """The rows as a reader hands them on; the line of each is its place in the file."""
    out = Tables()
    for name, some in rows.items():
        out.files[name] = table = Table(FILES[name])
        for line, row in enumerate(some, 2):
            table.add(line, **row)
    return out


def write_csv(rows: Rows, folder: Path) -> Path:
    """The rows as files, in the order in which they stand."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, some in rows.items():
        spec = FILES[name]
        lines = [",".join(spec.names)]
        lines += [",".join(_cell(row.get(column)) for column in spec.names) for row in some]
        (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, tuple):
        return ";".join(value)
    if isinstance(value, float):
        return repr(value).removesuffix(".0")
    return str(value)
