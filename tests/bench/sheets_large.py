"""A folder of sheets of any size, written straight to files."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import numpy as np

from tests.reports.exchange.sheets import AREAS

FIRST = date(2016, 1, 10)
RALLIES, A_RALLY = 40, 7
"""Some 850 checks a match."""


def large_folder(folder: Path, *, matches: int, players: int, seed: int = 1) -> int:
    """Write it; returns the number of checks."""
    rng = np.random.default_rng(seed)
    folder.mkdir(parents=True, exist_ok=True)
    heads = {
        "players.csv": "player_ref,given_name,family_name,birth_year",
        "analysts.csv": "analyst_ref,name",
        "matches.csv": "match_ref,played_on,kind,player_1,player_2,player_3,player_4",
        "rallies.csv": "match_ref,rally,server,winner,near_pair,start_s,end_s",
        "analyses.csv": "analysis_ref,match_ref,analyst_ref,coded_on",
        "situations.csv": "analysis_ref,rally,situation,unit,area,ball,hit_s,outcome,counted",
        "checks.csv": "analysis_ref,rally,situation,check,met",
    }
    files = {name: (folder / name).open("w", encoding="utf-8") for name in heads}
    for name, head in heads.items():
        files[name].write(head + "\n")
    files["players.csv"].writelines(f"p{n},Given{n},Family{n},{1960 + n % 50}\n" for n in range(players))
    files["analysts.csv"].writelines(f"eye{n},Eye {n}\n" for n in range(6))
    areas, count = list(AREAS.items()), 0
    for m in range(matches):
        day = FIRST + timedelta(days=3600 * m // matches)
        one, two, three, four = rng.choice(players, 4, replace=False).tolist()
        files["matches.csv"].write(f"m{m},{day},league,p{one},p{two},p{three},p{four}\n")
        files["analyses.csv"].write(f"a{m},m{m},eye{m % 6},{day}\n")
        which = rng.integers(len(areas), size=(RALLIES, A_RALLY))
        who = rng.integers(4, size=(RALLIES, A_RALLY))
        good = rng.random((RALLIES, A_RALLY, 4)) < 0.6
        rallies, situations, checks = [], [], []
        for r in range(RALLIES):
            start = 30 * r + 5
            rallies.append(f"m{m},{r + 1},{1 + r % 4},{'AB'[r % 2]},A,{start},{start + 20}\n")
            for s in range(A_RALLY):
                area, (codes, pair) = areas[which[r, s]]
                unit = "AB"[who[r, s] % 2] if pair else str(who[r, s] + 1)
                ball = ("", "", "easy", "hard")[(r + s) % 4]
                situations.append(f"a{m},{r + 1},{s + 1},{unit},{area},{ball},{start + 2 * s}.5,in_play,1\n")
                checks += [
                    f"a{m},{r + 1},{s + 1},{code},{int(good[r, s, n])}\n" for n, code in enumerate(codes)
                ]
        files["rallies.csv"].writelines(rallies)
        files["situations.csv"].writelines(situations)
        files["checks.csv"].writelines(checks)
        count += len(checks)
    for file in files.values():
        file.close()
    return count
