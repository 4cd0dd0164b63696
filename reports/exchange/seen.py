"""What was seen in some analyses, as rows of an exchange: rallies, analyses, situations and checks."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from operator import attrgetter
from typing import TYPE_CHECKING, Any, NamedTuple

from django.db.models import Count

from reports.exchange.known import rally_cells, rally_numbers
from sessions.models import Mark, Rally, Seat, Situation

if TYPE_CHECKING:
    from reports.exchange.rows import References

Row = tuple[Any, ...]
# What is fetched at a time: so many analyses, or one more than have so many situations.
ANALYSES_AT_ONCE, SITUATIONS_AT_ONCE = 100, 5000


class Head(NamedTuple):
    """An analysis on the way out, with its row of analyses.csv."""

    ref: str
    pk: int
    match: int
    analyst: int | None
    check_list: int
    row: Row


def heads_of(refs: References, analyses: Any) -> list[Head]:
    """In the order of their references."""
    fields = ("pk", "ref", "uuid", "match", "analyst", "check_list", "purpose", "submitted_at", "plan")
    heads = []
    for pk, ref, uuid, match, analyst, check_list, purpose, submitted_at, plan in (
        analyses.order_by().values_list(*fields).iterator()
    ):
        called = ref or str(uuid)
        if match not in refs.matches:
            continue
        row = (
            called,
            refs.matches[match],
            refs.analysts.get(analyst),
            purpose,
            refs.club.day_of(submitted_at) if submitted_at else None,
            refs.lists.get(check_list),
            plan,
        )
        heads.append(Head(called, pk, match, analyst, check_list, row))
    return sorted(heads)


def slices(heads: list[Head]) -> Iterator[list[Head]]:
    """Few enough at a time for memory, however much is in one of them."""
    part: list[Head] = []
    n = 0
    sizes = _sizes(heads)
    for head in heads:
        part.append(head)
        n += sizes.get(head.pk, 0)
        if len(part) == ANALYSES_AT_ONCE or n >= SITUATIONS_AT_ONCE:
            yield part
            part, n = [], 0
    if part:
        yield part


def _sizes(heads: list[Head]) -> dict[int, int]:
    sizes: dict[int, int] = {}
    for begin in range(0, len(heads), 1000):
        rows = Situation.objects.filter(analysis__in=[head.pk for head in heads[begin : begin + 1000]])
        sizes |= dict(rows.order_by().values_list("analysis").annotate(Count("pk")))
    return sizes


def rally_rows(refs: References, matches: Sequence[int]) -> list[Row]:
    rows: list[Row] = [
        (refs.matches[rally.match_id], number, *rally_cells(rally).values())
        for number, rally in numbered(matches)
    ]
    # One row for each match and number, so nothing behind them is ever compared.
    return sorted(rows)


def numbered(matches: Iterable[int]) -> Iterator[tuple[int, Rally]]:
    """Rallies of some matches, each by the number that it is known under; one query."""
    rows = (
        Rally.objects.filter(match__in=list(matches), dropped=False)
        .order_by("match", "start_s", "pk")
        .only("match", "number", "server", "winner", "near_pair", "start_s", "end_s", "timed")
    )
    for _match, of_match in groupby(rows.iterator(), key=attrgetter("match_id")):
        yield from rally_numbers(list(of_match)).items()


def situation_rows(refs: References, heads: Sequence[Head]) -> dict[int, Row]:
    """By primary key, in the order of the file.

    Left behind is what neither counts nor was picked to be shown, and what is about somebody who sits on no place
    of the match any more.
    """
    head_of = {head.pk: head for head in heads}
    rally_number = {rally.pk: number for number, rally in numbered({head.match for head in heads})}
    seats = _seats(refs, heads)
    here = Situation.objects.filter(analysis__in=head_of)
    counted = set(here.counted().order_by().values_list("pk", flat=True))
    shown = set(here.shown().filter(not_codable="").order_by().values_list("pk", flat=True))
    rows: list[tuple[Row, int]] = []
    for (analysis, rally), some in _kept(here).items():
        head = head_of[analysis]
        if rally not in rally_number:
            continue
        for number, found in _with_numbers(some):
            letter = _letter(seats.get(head.match, {}), found.unit__first, found.unit__second)
            if letter is None or not (found.pk in counted or found.pk in shown):
                continue
            row = (
                head.ref,
                rally_number[rally],
                number,
                letter,
                refs.areas[found.area],
                None if found.ball == Situation.Ball.NORMAL else found.ball,
                found.hit_s if found.timed else None,
                found.outcome or None,
                found.choice or None,
                int(found.pk in counted),
            )
            rows.append((row, found.pk))
    return {pk: row for row, pk in sorted(rows, key=lambda entry: entry[0][:3])}


def check_rows(refs: References, heads: Sequence[Head]) -> list[Row]:
    """In the order of the file; what was not seen has no row."""
    situations = situation_rows(refs, heads)
    marks = (
        Mark.objects.filter(
            situation__analysis__in=[head.pk for head in heads],
            value__in=[Mark.Value.MET, Mark.Value.MISSED],
        )
        .order_by()
        .values_list("situation", "check_identity", "value")
    )
    return sorted(
        (*row[:3], refs.checks[check], int(value == Mark.Value.MET))
        for situation, check, value in marks.iterator()
        if (row := situations.get(situation)) is not None
    )


def _kept(here: Any) -> dict[tuple[int, int], list[Any]]:
    """Situations of each analysis and rally, in the order of time."""
    rows = (
        here.filter(dropped=False, rally__dropped=False)
        .order_by("hit_s", "pk")
        .values_list(
            "pk",
            "analysis",
            "rally",
            "number",
            "unit__first",
            "unit__second",
            "area",
            "ball",
            "hit_s",
            "timed",
            "outcome",
            "choice",
            named=True,
        )
    )
    found: dict[tuple[int, int], list[Any]] = {}
    for row in rows.iterator():
        found.setdefault((row.analysis, row.rally), []).append(row)
    return found


def _with_numbers(some: list[Any]) -> Iterator[tuple[int, Any]]:
    """Those of one rally; what stays behind is numbered too, so that no number depends on who has left since."""
    taken: set[int] = set()
    without = []
    for row in some:
        if row.number and row.number not in taken:
            taken.add(row.number)
            yield row.number, row
        else:
            without.append(row)
    yield from enumerate(without, max(taken, default=0) + 1)


def _seats(refs: References, heads: Sequence[Head]) -> dict[int, dict[int, int]]:
    """By match the place of each player."""
    seats: dict[int, dict[int, int]] = {}
    rows = Seat.objects.filter(match__in={head.match for head in heads}, player__isnull=False)
    for match, player, position in rows.order_by().values_list("match", "player", "position"):
        if player in refs.players:
            seats.setdefault(match, {})[player] = position
    return seats


def _letter(seats: dict[int, int], first: int, second: int | None) -> str | None:
    if second is None:
        return str(seats[first]) if first in seats else None
    places = sorted((seats.get(first, 0), seats.get(second, 0)))
    return "A" if places == [1, 2] else "B" if places == [3, 4] else None
