"""What a club has already, by the references that an exchange knows it by."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from clubcoach.models import Club
from players.lists import current_list
from players.models import Area, Check, CheckListVersion, CheckWording, Level, Player, Squad, Unit
from reports.exchange.clean import cleaned, name_of
from reports.exchange.columns import LEVELS, PLAYERS
from sessions.models import Analysis, Analyst, Cover, Match, Rally


@dataclass(eq=False)
class Known:
    """Primary keys by reference, with the cells that an import is compared with."""

    club: Club
    levels: dict[str, tuple[int, dict[str, Any]]] = field(default_factory=dict)
    squads: dict[str, int] = field(default_factory=dict)
    areas: dict[str, tuple[int, bool]] = field(default_factory=dict)
    checks: dict[str, Check] = field(default_factory=dict)
    lists: dict[str, CheckListVersion] = field(default_factory=dict)
    newest: str = ""
    analysts: dict[str, tuple[int, str]] = field(default_factory=dict)
    players: dict[str, tuple[int, dict[str, Any]]] = field(default_factory=dict)
    units: dict[int, int] = field(default_factory=dict)
    pairs: dict[tuple[int, int], int] = field(default_factory=dict)
    matches: dict[str, int] = field(default_factory=dict)
    analyses: dict[str, int] = field(default_factory=dict)

    @classmethod
    def of(cls, club: Club) -> Known:
        known = cls(club)
        for row in Level.objects.filter(club=club):
            cells = {"level": row.name, "position": row.position, "description": row.description}
            told = cleaned(LEVELS, cells)
            known.levels[told.pop("level")] = row.pk, told
        squads = Squad.objects.filter(club=club).values_list("name", "pk")
        known.squads = {cleaned(PLAYERS, {"squads": (name,)})["squads"][0]: pk for name, pk in squads}
        known.areas = {
            code: (pk, for_pair)
            for code, pk, for_pair in Area.objects.filter(club=club).values_list("code", "pk", "for_pair")
        }
        known.checks = {row.code: row for row in Check.objects.filter(club=club).select_related("area")}
        known.lists = list_labels(club)
        newest = current_list(club)
        known.newest = next((name for name, row in known.lists.items() if row == newest), "")
        known.analysts = {
            analyst_ref(club, row): (row.pk, name_of(row.name) or "")
            for row in Analyst.objects.filter(club=club)
        }
        known._add_people(club)
        known.matches = {
            ref or str(uuid): pk
            for pk, ref, uuid in Match.objects.filter(club=club).values_list("pk", "ref", "uuid")
        }
        known.analyses = {
            ref or str(uuid): pk
            for pk, ref, uuid in Analysis.objects.filter(match__club=club).values_list("pk", "ref", "uuid")
        }
        return known

    def _add_people(self, club: Club) -> None:
        squads: dict[int, list[str]] = {}
        in_squad = Squad.objects.filter(club=club, players__isnull=False, retired_on=None)
        for player, name in in_squad.values_list("players", "name"):
            squads.setdefault(player, []).append(name)
        for row in Player.objects.filter(club=club).select_related("level", "user"):
            cells = cleaned(PLAYERS, player_cells(row, squads.get(row.pk, [])))
            self.players[row.ref or str(row.uuid)] = row.pk, cells
        for pk, kind, first, second in Unit.objects.filter(club=club).values_list(
            "pk", "kind", "first", "second"
        ):
            if kind == Unit.Kind.PLAYER:
                self.units[first] = pk
            else:
                self.pairs[first, second] = pk

    def wordings(self, label: str) -> dict[str, dict[str, Any]]:
        """The rows of one of the club's lists, by check code."""
        rows = CheckWording.objects.filter(version=self.lists[label]).select_related("check_identity__area")
        return {
            row.check_identity.code: {
                "area": row.check_identity.area.code,
                "unit": row.check_identity.unit,
                "kind": row.check_identity.kind,
                "phase": row.check_identity.phase,
                "wording": name_of(row.name),
            }
            for row in rows
        }

    def match_entries(self, refs: list[str]) -> dict[str, tuple[Match, dict[str, Any]]]:
        """Matches with their cells of matches.csv."""
        by_pk = {self.matches[ref]: ref for ref in refs if ref in self.matches}
        ref_of = {pk: ref for ref, (pk, _cells) in self.players.items()}
        out: dict[str, tuple[Match, dict[str, Any]]] = {}
        keys = list(by_pk)
        for begin in range(0, len(keys), 500):
            rows = Match.objects.filter(pk__in=keys[begin : begin + 500])
            for row in rows.select_related("club").prefetch_related("seats"):
                out[by_pk[row.pk]] = (row, match_cells(row, ref_of))
        return out

    def taken(self, match: int) -> set[int]:
        """Units of a match for whom a published analysis counts already."""
        return set(Cover.objects.filter(match=match, current=True).values_list("unit", flat=True))


def analyst_ref(club: Club, row: Analyst) -> str:
    return row.ref or f"{club.slug}-analyst-{row.pk}"[-60:]


def player_cells(row: Player, squads: list[str]) -> dict[str, Any]:
    """A player's cells of players.csv without the reference."""
    return {
        "given_name": row.given_name,
        "family_name": row.family_name or None,
        "level": row.level.name if row.level else None,
        "birth_year": row.born_on.year if row.born_on else None,
        "hand": row.hand,
        "squads": tuple(sorted(squads)) or None,
        "email": row.email or (row.user.email if row.user else None),
    }


def match_cells(row: Match, ref_of: dict[int, str]) -> dict[str, Any]:
    """A match's cells of matches.csv without the reference; `ref_of` tells players' references."""
    cells: dict[str, Any] = {
        "played_on": row.played_on,
        "kind": row.kind,
        "format": row.match_format.kind,
        "deuce": row.match_format.deuce,
        "place": row.place,
        "walls": row.walls,
        "rallies_played": row.rallies_played,
    }
    seats = {seat.position: seat for seat in row.seat_list}
    for n in range(1, 5):
        seat = seats.get(n)
        cells[f"player_{n}"] = ref_of.get(seat.player_id or 0) if seat else None
        cells[f"side_{n}"] = (seat.side or None) if seat else None
    return cells


def rally_cells(row: Rally) -> dict[str, Any]:
    """A rally's cells of rallies.csv behind its match and number, in their order."""
    return {
        "server": row.server,
        "winner": row.winner or None,
        "near_pair": row.near_pair or None,
        "start_s": row.start_s if row.timed else None,
        "end_s": row.end_s if row.timed else None,
    }


def list_labels(club: Club) -> dict[str, CheckListVersion]:
    """The club's check lists by the names that they go out and are known under.

    The first of a name keeps it, so that a later edit of the list changes no reference that went out before.
    """
    out: dict[str, CheckListVersion] = {}
    for row in CheckListVersion.objects.filter(club=club).order_by("number"):
        label = name_of(row.name) or row.name
        while label in out:
            label = f"{label}-{row.number}"
        out[label] = row
    return out


def rally_numbers(rows: list[Rally]) -> dict[int, Rally]:
    """Rallies of one match, in the order of time, by number; by their place where two have one number."""
    given = [row.number for row in rows]
    if len(set(given)) < len(given):
        given = list(range(1, len(rows) + 1))
    return dict(zip(given, rows, strict=True))
