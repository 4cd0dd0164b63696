"""Small makers of rows for tests. Names are invented; a maker takes what the test is about."""

import itertools
import json
import uuid
from datetime import date, timedelta
from functools import cache
from pathlib import Path
from typing import Any

from clubcoach.access import Role
from clubcoach.models import Club, Membership, User
from players.models import (
    Area,
    Check,
    CheckListVersion,
    CheckWording,
    FilmConsent,
    Guardianship,
    Level,
    Player,
)
from sessions.models import Analysis, Analyst, Cover, LensArea, Match, Rally, Seat, Situation

FIXTURES = Path(__file__).resolve().parent.parent / "fixtures"
PASSWORD = "a-long-enough-password"
_number = itertools.count(1)


def make_club(slug: str | None = None, **fields: Any) -> Club:
    n = next(_number)
    return Club.objects.create(
        slug=slug or f"club-{n}", name=fields.pop("name", f"Club number {n}"), **fields
    )


def make_user(name: str = "Person", **fields: Any) -> User:
    n = next(_number)
    return User.objects.create_user(
        fields.pop("email", f"{name.lower().replace(' ', '.')}{n}@example.org"),
        PASSWORD,
        given_name=name,
        family_name=fields.pop("family_name", f"Family{n}"),
        **fields,
    )


def make_member(club: Club, *roles: Role, name: str | None = None, user: User | None = None) -> User:
    person = user or make_user(name or roles[0].value.replace("_", " ").title())
    for role in roles:
        Membership.objects.create(user=person, club=club, role=role)
    return person


def make_level(club: Club, position: int = 1, name: str | None = None) -> Level:
    return Level.objects.create(club=club, position=position, name=name or f"Level {position}")


def make_player(club: Club, name: str = "Player", **fields: Any) -> Player:
    n = next(_number)
    return Player.objects.create(
        club=club, given_name=name, family_name=fields.pop("family_name", f"Surname{n}"), **fields
    )


def make_check_list(
    club: Club, *, areas: tuple[str, ...] = ("feet", "lob", "bandeja", "serve", "net")
) -> CheckListVersion:
    """The areas and checks of the default list, straight into rows."""
    data = json.loads(_default_check_list())
    version = CheckListVersion.objects.create(club=club, number=1, data=data)
    # Nearly every test has two of these lists: a statement for a table and not for a row.
    rows = Area.objects.bulk_create(
        Area(
            club=club,
            code=area["code"],
            position=position,
            name=area["name"],
            for_pair=area["unit"] == "pair",
            trigger=area["trigger"],
            key=area["key"],
        )
        for position, area in enumerate(data["areas"], 1)
        if area["code"] in areas
    )
    by_code = {area.code: area for area in rows}
    checks = [check for check in data["checks"] if check["area"] in by_code]
    identities = Check.objects.bulk_create(
        Check(
            club=club,
            code=check["code"],
            area=by_code[check["area"]],
            unit=check["unit"],
            kind=check["kind"],
            phase=check["phase"],
        )
        for check in checks
    )
    CheckWording.objects.bulk_create(
        CheckWording(
            version=version,
            check_identity=identity,
            name=check["name"],
            met=check["met"],
            missed=check["missed"],
            cue=check["cue"],
            decides=check["decides"],
            end=check["end"],
            bounds=check["bounds"],
        )
        for identity, check in zip(identities, checks, strict=True)
    )
    return version


@cache
def _default_check_list() -> str:
    return (FIXTURES / "check_list.json").read_text()


def make_match(club: Club, players: list[Player | None] | None = None, **fields: Any) -> Match:
    match = Match.objects.create(club=club, played_on=fields.pop("played_on", date(2026, 9, 1)), **fields)
    for position, player in enumerate(players or [None] * 4, 1):
        Seat.objects.create(match=match, position=position, player=player, visitor_consent=player is None)
    return match


def make_analyst(club: Club, user: User) -> Analyst:
    return Analyst.objects.get_or_create(club=club, user=user, defaults={"name": user.name})[0]


def make_analysis(
    match: Match, *, analyst: User, units: list[Any], areas: list[Area] | None = None, **fields: Any
) -> Analysis:
    club = match.club
    version = (
        fields.pop("check_list", None)
        or CheckListVersion.objects.filter(club=club).first()
        or make_check_list(club)
    )
    analysis = Analysis.objects.create(
        match=match,
        analyst=make_analyst(club, analyst),
        check_list=version,
        state=fields.pop("state", Analysis.State.ASSIGNED),
        **fields,
    )
    for unit in units:
        Cover.objects.create(analysis=analysis, match=match, unit=unit)
    for area in Area.objects.filter(club=club) if areas is None else areas:
        LensArea.objects.create(analysis=analysis, area=area)
    return analysis


def make_rally(match: Match, number: int = 1, **fields: Any) -> Rally:
    start = fields.pop("start_s", 20.0 * number)
    return Rally.objects.create(
        uuid=uuid.uuid4(),
        match=match,
        number=number,
        start_s=start,
        end_s=fields.pop("end_s", start + 10),
        server=fields.pop("server", 1),
        winner=fields.pop("winner", "A"),
        **fields,
    )


def make_situation(analysis: Analysis, rally: Rally, unit: Any, area: Area, **fields: Any) -> Situation:
    return Situation.objects.create(
        uuid=uuid.uuid4(),
        analysis=analysis,
        rally=rally,
        unit=unit,
        area=area,
        hit_s=fields.pop("hit_s", rally.start_s + 3),
        end=fields.pop("end", "near"),
        **fields,
    )


def consent(player: Player, by: str = "player", **fields: Any) -> FilmConsent:
    return FilmConsent.objects.create(
        player=player,
        by=by,
        given_by=fields.pop("given_by", player.user),
        purpose=fields.pop("purpose", "match analysis in lessons"),
        expires_on=fields.pop("expires_on", date(2026, 1, 1) + timedelta(days=3650)),
        **fields,
    )


def guard(player: Player, guardian: User) -> Guardianship:
    return Guardianship.objects.create(guardian=guardian, player=player)
