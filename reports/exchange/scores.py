"""Every score of a club as one file: what its pages draw, for other programs to read."""

from __future__ import annotations

import csv
from typing import IO

from clubcoach.models import Club
from players.models import Unit
from reports.exchange.out import shortest
from reports.exchange.rows import in_parts, player_refs
from reports.models import Score

COLUMNS = ("player_ref", "area", "played_on", "score", "low", "high", "n", "better_than_first")
# Units whose scores are fetched at a time.
AT_ONCE = 200


def write_scores(club: Club, file: IO[str]) -> int:
    """Write the scores as they are seen now, in the order of reference, area and day; returns how many there are.

    A pair goes by the references of both players with a + between them. `file` was opened with ``newline=""``.
    """
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow(COLUMNS)
    refs = _unit_refs(club)
    n = 0
    for keys in in_parts(sorted(refs, key=refs.__getitem__), AT_ONCE):
        found = Score.objects.filter(club=club, series=Score.Series.NOW, unit__in=keys).order_by()
        fields = ("unit", "area__code", "day", "score", "low", "high", "n", "better_than_first")
        rows = [(refs[unit], *rest) for unit, *rest in found.values_list(*fields)]
        rows.sort(key=lambda row: row[:3])
        for ref, area, day, score, low, high, seen, better in rows:
            shares = [shortest(round(value, 2)) for value in (score, low, high)]
            writer.writerow(
                [ref, area, day, *shares, seen, None if better is None else shortest(round(better, 4))]
            )
        n += len(rows)
    return n


def _unit_refs(club: Club) -> dict[int, str]:
    players = player_refs(club)
    refs = {}
    for pk, first, second in Unit.objects.filter(club=club).values_list("pk", "first", "second"):
        both = [players[player] for player in (first, second) if player in players]
        refs[pk] = "+".join(sorted(both))
    return refs
