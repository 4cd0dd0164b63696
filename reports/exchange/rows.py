"""A club's rows as they go out: typed, file by file in the order of its key, and never all of them in memory."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from operator import itemgetter
from typing import Any, TypeVar

from django.db.models import F

from clubcoach.models import Club
from players.models import Area, Check, CheckListVersion, CheckWording, Level, Player, Squad
from reports.exchange.clean import cleaned, name_of
from reports.exchange.columns import (
    ANALYSES,
    ANALYSTS,
    CHECK_LISTS,
    CHECKS,
    LEVELS,
    MATCHES,
    PLAYERS,
    RALLIES,
    SITUATIONS,
    FileSpec,
)
from reports.exchange.known import analyst_ref, list_labels, match_cells, player_cells
from reports.exchange.seen import Head, Row, check_rows, heads_of, rally_rows, situation_rows, slices
from sessions.models import Analysis, Analyst, Match

# Matches or players that are fetched at a time.
AT_ONCE = 200
T = TypeVar("T")


@dataclass(eq=False)
class References:
    """What a club's rows are called on the way out, by primary key.

    They are taken once, before the first row: whoever is added while the files are written stands in none of them.
    """

    club: Club
    players: dict[int, str]
    matches: dict[int, str]
    analysts: dict[int, str]
    lists: dict[int, str]
    areas: dict[int, str]
    checks: dict[int, str]

    @classmethod
    def of(cls, club: Club, matches: Iterable[int] | None = None) -> References:
        """With all matches of the club, or those that are named."""
        games = Match.objects.filter(club=club)
        return cls(
            club,
            player_refs(club),
            _refs(games if matches is None else games.filter(pk__in=list(matches))),
            {row.pk: analyst_ref(club, row) for row in Analyst.objects.filter(club=club)},
            {row.pk: label for label, row in list_labels(club).items()},
            dict(Area.objects.filter(club=club).values_list("pk", "code")),
            dict(Check.objects.filter(club=club).values_list("pk", "code")),
        )


def player_refs(club: Club) -> dict[int, str]:
    """The reference of every player of the club, by primary key."""
    return _refs(Player.objects.filter(club=club))


def _refs(rows: Any) -> dict[int, str]:
    return {pk: ref or str(uuid) for pk, ref, uuid in rows.order_by().values_list("pk", "ref", "uuid")}


def going_out(club: Club) -> Any:
    """Published analyses whose place no later version took; one that took it and was withdrawn gives none back."""
    return Analysis.objects.filter(
        match__club=club, state=Analysis.State.PUBLISHED, superseded_by__published_at=None
    )


def club_rows(club: Club) -> Iterator[tuple[str, Iterator[Row]]]:
    """The rows of each file, in the order of `FILES`; each row has a cell for each of its columns.

    A file's rows are fetched while they are read, a slice of matches or analyses at a time.
    """
    refs = References.of(club)
    heads = heads_of(refs, going_out(club))
    yield LEVELS.name, _level_rows(club)
    yield CHECK_LISTS.name, _check_list_rows(refs, heads)
    yield ANALYSTS.name, _analyst_rows(refs, heads)
    yield PLAYERS.name, _player_rows(refs)
    yield MATCHES.name, _match_rows(refs)
    yield (
        RALLIES.name,
        (row for keys in in_parts(_sorted(refs.matches), AT_ONCE) for row in rally_rows(refs, keys)),
    )
    yield ANALYSES.name, iter([head.row for head in heads])
    parts = list(slices(heads))
    yield SITUATIONS.name, (row for part in parts for row in situation_rows(refs, part).values())
    yield CHECKS.name, (row for part in parts for row in check_rows(refs, part))


def analysis_rows(club: Club, analyses: Any) -> dict[str, list[Row]]:
    """The rows of some of the club's analyses, whatever their state, and of the rallies of their matches.

    Parameters
    ----------
    club : Club
    analyses : QuerySet of Analysis
        As many as memory is to hold.

    Returns
    -------
    dict
        Rows as `club_rows` gives them, by the names of the four files.
    """
    matches = set(analyses.order_by().values_list("match", flat=True))
    refs = References.of(club, matches)
    heads = heads_of(refs, analyses)
    return {
        RALLIES.name: rally_rows(refs, _sorted(refs.matches)),
        ANALYSES.name: [head.row for head in heads],
        SITUATIONS.name: list(situation_rows(refs, heads).values()),
        CHECKS.name: check_rows(refs, heads),
    }


def in_parts(keys: Sequence[T], size: int) -> Iterator[Sequence[T]]:
    for begin in range(0, len(keys), size):
        yield keys[begin : begin + size]


def _sorted(refs: dict[int, str]) -> list[int]:
    # Not left to the database: its collation is its own, and files are compared byte by byte.
    return sorted(refs, key=refs.__getitem__)


def _level_rows(club: Club) -> Iterator[Row]:
    rows = Level.objects.filter(club=club).order_by().values("position", "description", level=F("name"))
    yield from sorted((_row(LEVELS, cells) for cells in rows), key=itemgetter(0))


def _check_list_rows(refs: References, heads: list[Head]) -> Iterator[Row]:
    """The club's own list through time, and of lists that came in with older sheets those that are used."""
    used = {head.check_list for head in heads}
    own = CheckListVersion.objects.of(refs.club).order_by().values_list("pk", flat=True)
    wordings = (
        CheckWording.objects.filter(version__in=refs.lists.keys() & {*used, *own})
        .order_by()
        .values_list(
            "version",
            "check_identity__code",
            "check_identity__area__code",
            "check_identity__unit",
            "check_identity__kind",
            "check_identity__phase",
            "name",
        )
    )
    yield from sorted((refs.lists[version], *cells, name_of(words)) for version, *cells, words in wordings)


def _analyst_rows(refs: References, heads: list[Head]) -> Iterator[Row]:
    used = refs.analysts.keys() & {head.analyst for head in heads}
    names = Analyst.objects.filter(pk__in=used).order_by().values_list("pk", "name")
    yield from sorted((refs.analysts[pk], name_of(name)) for pk, name in names)


def _player_rows(refs: References) -> Iterator[Row]:
    for keys in in_parts(_sorted(refs.players), AT_ONCE):
        squads: dict[int, list[str]] = {}
        standing = Squad.objects.filter(club=refs.club, retired_on=None, players__in=keys)
        for player, name in standing.order_by().values_list("players", "name"):
            squads.setdefault(player, []).append(name)
        rows = Player.objects.filter(pk__in=keys).select_related("level", "user").in_bulk()
        for pk in keys:
            # Somebody may have been erased since the references were taken.
            if pk in rows:
                cells = player_cells(rows[pk], squads.get(pk, []))
                yield _row(PLAYERS, cells | {"player_ref": refs.players[pk]})


def _match_rows(refs: References) -> Iterator[Row]:
    for keys in in_parts(_sorted(refs.matches), AT_ONCE):
        rows = Match.objects.filter(pk__in=keys).select_related("club").prefetch_related("seats").in_bulk()
        for pk in keys:
            if pk in rows:
                cells = match_cells(rows[pk], refs.players)
                yield _row(MATCHES, cells | {"match_ref": refs.matches[pk]})


def _row(spec: FileSpec, cells: dict[str, Any]) -> Row:
    told = cleaned(spec, cells)
    return tuple(told[name] for name in spec.names)
