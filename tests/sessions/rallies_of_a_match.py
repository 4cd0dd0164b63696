"""A made match for draws: situations in rallies, met less and less often, those of one rally somewhat alike."""

from dataclasses import dataclass
from typing import Any

import numpy as np


@dataclass(frozen=True)
class Match:
    frame: list[dict[str, Any]]
    met: dict[str, bool]

    @property
    def share(self) -> float:
        return float(np.mean(list(self.met.values())))


def made(seed: int, rallies: int = 110) -> Match:
    rng = np.random.default_rng(seed)
    frame, met = [], {}
    for number in range(rallies):
        form = 0.85 - 0.7 * number / (rallies - 1)
        # What is alike in a rally: its own part of luck.
        luck = rng.normal(0, 0.12)
        stratum = f"{'near' if number // 12 % 2 else 'far'}-{'A' if number // 6 % 2 else 'B'}"
        for later in range(int(rng.integers(1, 4))):
            name = f"{number}-{later}"
            frame.append(
                {
                    "situation": name,
                    "rally": str(number),
                    "unit": 1,
                    "hit_s": 30.0 * number + 3 * later,
                    "stratum": stratum,
                }
            )
            met[name] = bool(rng.random() < np.clip(form + luck, 0, 1))
    return Match(frame, met)


def first_ones(match: Match, n: int) -> tuple[list[str], float]:
    names = [row["situation"] for row in sorted(match.frame, key=lambda row: row["hit_s"])]
    return names, float(np.mean([match.met[name] for name in names[:n]]))
