"""Clubs made at random in the program itself, with everything that an exchange must carry."""

from __future__ import annotations

import copy
import uuid
from datetime import UTC, date, datetime, timedelta
from itertools import count
from typing import Any

import numpy as np

from clubcoach.models import Club, User
from players.lists import default_data, install_check_list
from players.models import Area, Check, Level, Player, Squad, Unit
from sessions.models import Analysis, Analyst, Closure, Cover, Mark, Match, Rally, Seat, Situation
from sessions.services.publishing import write_tallies
from tests.factories import make_club

NAMES = ("Ana", "Bo", "Çağla", "Dvořák", "O'Neil, the elder", 'Éa "Tin"', "李", "=Zoë", "-")
_number = count(1)


def any_club(seed: int, *, people: int, matches: int) -> Club:
    """Levels, squads, an edited list, pairs, visitors, versions, second codings, sheets with and without times."""
    rng = np.random.default_rng(seed)
    club = make_club(f"any-{next(_number)}", time_zone=str(rng.choice(["Asia/Tokyo", "America/Lima"])))
    lists = [install_check_list(by=None, club=club, data=default_data("check_list"))]
    if rng.random() < 0.6:
        lists.append(install_check_list(by=None, club=club, data=_without_a_check(rng)))
    levels = [
        Level.objects.create(
            club=club, position=n, name=f"+Level {n}", description="About it.\r\nIn two lines, “so”."
        )
        for n in range(1, 1 + int(rng.integers(0, 4)))
    ]
    players = [_player(club, rng, levels) for _ in range(people)]
    for name in ("@Morning", "Ze;al")[: int(rng.integers(0, 3))]:
        squad = Squad.objects.create(club=club, name=name)
        squad.players.set([player for player in players if rng.random() < 0.5])
    eyes = [Analyst.objects.create(club=club, name=f"Eye {n}", ref=f"eye{n}" if n else "") for n in range(3)]
    for _ in range(matches):
        _match(club, rng, players, lists, eyes)
    if people and rng.random() < 0.5:
        players[int(rng.integers(people))].delete()
    return club


def _without_a_check(rng: Any) -> dict[str, Any]:
    data = copy.deepcopy(default_data("check_list"))
    area = next(row for row in data["areas"] if row["code"] == "lob")
    gone = str(rng.choice(area["asked"]["any"]))
    data["checks"] = [row for row in data["checks"] if row["code"] != gone]
    for row in data["areas"]:
        row["asked"] = {name: [c for c in codes if c != gone] for name, codes in row["asked"].items()}
    for row in data["checks"]:
        if row["area"] == "lob":
            row["name"] += " indeed"
    return data


def _player(club: Club, rng: Any, levels: list[Level]) -> Player:
    n = next(_number)
    user = (
        User.objects.create_user(f"who{n}@example.org", None, given_name="Who")
        if rng.random() < 0.2
        else None
    )
    return Player.objects.create(
        club=club,
        user=user,
        ref=f"ref {n}" if rng.random() < 0.5 else "",
        given_name=str(rng.choice(NAMES)),
        family_name=str(rng.choice(["", "Family", "de la Cruz"])),
        level=levels[int(rng.integers(len(levels)))] if levels and rng.random() < 0.7 else None,
        born_on=date(int(rng.integers(1950, 2015)), 3, 9) if rng.random() < 0.6 else None,
        hand=str(rng.choice(["right", "left"])),
        email=f"p{n}@example.org" if rng.random() < 0.3 else "",
        active=bool(rng.random() < 0.9),
    )


def _match(club: Club, rng: Any, players: list[Player], lists: list[Any], eyes: list[Analyst]) -> None:
    day = date(2026, 1, 5) + timedelta(days=int(rng.integers(200)))
    match = Match.objects.create(
        club=club,
        ref=f"match {next(_number)}" if rng.random() < 0.4 else "",
        played_on=day,
        kind=str(rng.choice(["friendly", "league", "lesson"])),
        format={"kind": "points", "points_to": 32, "deuce": "golden"} if rng.random() < 0.3 else {},
        place=str(rng.choice(["indoor", "outdoor"])),
        walls=str(rng.choice(["glass", "solid"])),
        rallies_played=int(rng.integers(5, 60)) if rng.random() < 0.5 else None,
    )
    order = rng.permutation(len(players))[:4].tolist()
    for n in range(1, 5):
        who = players[order[n - 1]] if n <= len(order) and rng.random() < 0.85 else None
        Seat.objects.create(
            match=match, position=n, player=who, side=("left", "right")[n % 2] if n < 3 else ""
        )
    rallies = [_rally(match, rng, n) for n in range(1, 1 + int(rng.integers(0, 6)))]
    for purpose in ["count", *rng.choice(["second", "training", "example"], int(rng.integers(0, 3)))]:
        _analysis(match, rng, rallies, lists, eyes, str(purpose))


def _rally(match: Match, rng: Any, n: int) -> Rally:
    timed = bool(rng.random() < 0.7)
    return Rally.objects.create(
        uuid=uuid.uuid4(),
        match=match,
        # Numbers with gaps; now and then two that are one number.
        number=n if rng.random() < 0.9 else 2 * n,
        start_s=float(np.round(20 * n + rng.random(), 3)),
        end_s=20 * n + 9.25 if timed and rng.random() < 0.8 else None,
        server=int(rng.integers(1, 5)) if rng.random() < 0.8 else None,
        winner=str(rng.choice(["", "A", "B", "none"])),
        near_pair=str(rng.choice(["", "A", "B"])),
        timed=timed,
        dropped=bool(rng.random() < 0.1),
    )


def _analysis(
    match: Match, rng: Any, rallies: list[Rally], lists: list[Any], eyes: list[Analyst], purpose: str
) -> None:
    plan = str(rng.choice(["all", "drawn", "chosen"], p=[0.7, 0.2, 0.1]))
    at = datetime(2026, 9, int(rng.integers(1, 28)), int(rng.integers(24)), tzinfo=UTC)
    version = lists[int(rng.integers(len(lists)))]
    before: Analysis | None = None
    for number in range(1, 1 + int(rng.integers(1, 3))):
        analysis = Analysis.objects.create(
            match=match,
            analyst=eyes[int(rng.integers(3))],
            purpose=purpose,
            plan=plan,
            version=number,
            supersedes=before,
            state="published",
            check_list=version,
            submitted_at=at if rng.random() < 0.8 else None,
            published_at=at,
        )
        _see(analysis, rng, [rally for rally in rallies if not rally.dropped])
        if before is not None:
            Cover.objects.filter(analysis=before).update(current=False)
        if purpose == "count":
            Cover.objects.filter(analysis=analysis).update(current=True)
            write_tallies(analysis)
        before = analysis


def _see(analysis: Analysis, rng: Any, rallies: list[Rally]) -> None:
    codes = {w.check_identity.code for w in analysis.check_list.wordings.select_related("check_identity")}
    seats = {seat.position: seat.player for seat in analysis.match.seats.all()}
    areas = list(Area.objects.filter(club=analysis.match.club))
    for rally in rallies:
        for n in range(int(rng.integers(0, 4))):
            area = areas[int(rng.integers(len(areas)))]
            unit = _unit(seats, rng, area.for_pair)
            if unit is None:
                continue
            shown = bool(rng.random() < 0.15)
            situation = Situation.objects.create(
                uuid=uuid.uuid4(),
                analysis=analysis,
                rally=rally,
                unit=unit,
                area=area,
                hit_s=rally.start_s + 0.5 * n,
                timed=rally.timed and bool(rng.random() < 0.8),
                end="near",
                ball=str(rng.choice(["easy", "normal", "hard"])),
                outcome=str(rng.choice(["", "in_play", "point_won", "point_lost"])),
                drawn=analysis.plan == "drawn" and not shown and bool(rng.random() < 0.7),
                shown_only=shown,
                not_codable="hidden" if rng.random() < 0.05 else "",
                dropped=bool(rng.random() < 0.05),
            )
            Cover.objects.get_or_create(analysis=analysis, match=analysis.match, unit=unit)
            if rng.random() < 0.9:
                Closure.objects.get_or_create(analysis=analysis, rally=rally, area=area)
            for check in Check.objects.filter(area=area, code__in=codes):
                if rng.random() < 0.7:
                    value = str(rng.choice(["met", "missed", "not_seen"]))
                    Mark.objects.create(situation=situation, check_identity=check, value=value)


def _unit(seats: dict[int, Player | None], rng: Any, for_pair: bool) -> Unit | None:
    if not for_pair:
        player = seats[int(rng.integers(1, 5))]
        return Unit.objects.get(kind="player", first=player) if player else None
    one, other = (seats[n] for n in ((1, 2), (3, 4))[int(rng.integers(2))])
    return Unit.objects.pair_of(one, other) if one and other else None
