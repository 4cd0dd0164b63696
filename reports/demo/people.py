"""The demo club's people: invented names, one login per role, and the consents that its films stand on."""

import json
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any
from unicodedata import combining, normalize

from django.conf import settings
from django.contrib.auth.hashers import make_password

from clubcoach.access import Role
from clubcoach.models import Club, Membership, User
from players.lists import default_data, install_defaults
from players.models import Level, Player, Unit
from players.services import add_guardian, add_player, edit_player, give_consent
from reports.demo.scenario import Person, Scenario, load

SLUG = "osterfenn"
MAIL = "osterfenn.example"
PASSWORD = "padel-demo-only"
ZONE = "Europe/Lisbon"
PURPOSE = "Looking at match films in lessons and on one's own page"

_TOLD = load()
STUDENTS = [(row.given, row.family) for row in _TOLD.students]
COACHES = [(row.given, row.family, Role(row.role)) for row in _TOLD.coaches]


@dataclass
class Cast:
    """Who is there; ``by_ref`` and ``users`` find players and accounts by the names of the scenario."""

    club: Club
    told: Scenario
    head_coach: User
    assistants: list[User]
    users: dict[str, User] = field(default_factory=dict)
    players: list[Player] = field(default_factory=list)
    pairs: list[Unit] = field(default_factory=list)
    by_ref: dict[str, Player] = field(default_factory=dict)
    _units: dict[str, Unit] = field(default_factory=dict)

    def pair_players(self, number: int) -> list[Player]:
        return self.players[2 * number : 2 * number + 2]

    def unit(self, name: str) -> Unit:
        """ "runa" is a player's unit, "runa+emeka" a pair's."""
        if name not in self._units:
            people = [self.by_ref[ref] for ref in name.split("+")]
            self._units[name] = (
                Unit.objects.pair_of(*people)
                if len(people) > 1
                else Unit.objects.get(first=people[0], kind=Unit.Kind.PLAYER)
            )
        return self._units[name]


def address_of(given: str, family: str) -> str:
    plain = "".join(letter for letter in normalize("NFD", given.lower()) if not combining(letter))
    return f"{plain}.{family.lower()}@{MAIL}"


def make_people(now: datetime, told: Scenario | None = None) -> Cast:
    """The club with its lists, coaches, students and pairs, as the head coach would enter them."""
    told = told or _TOLD
    club = Club.objects.create(
        slug=SLUG,
        name=default_data_names()["clubs"][0],
        time_zone=ZONE,
        deuce=Club.Deuce.GOLDEN,
        welfare_contact=f"welfare@{MAIL}",
        created_at=now,
    )
    users = _accounts(club, told)
    coaches = [users[row.ref] for row in told.coaches]
    cast = Cast(club=club, told=told, head_coach=coaches[0], assistants=coaches[1:], users=users)
    install_defaults(by=cast.head_coach, club=club)
    for number, row in enumerate(told.students):
        cast.by_ref[row.ref] = _student(cast, row, number, now)
        cast.players.append(cast.by_ref[row.ref])
    for number, row in enumerate(told.left, len(told.students)):
        gone = _student(cast, row, number, now)
        edit_player(by=cast.head_coach, player=gone, active=False, now=now)
    cast.pairs = [cast.unit("+".join(pair)) for pair in told.pairs]
    return cast


def _accounts(club: Club, told: Scenario) -> dict[str, User]:
    """Everybody with a login. They share one password, so it is hashed once: doing so is slow on purpose."""
    hashed = make_password(PASSWORD)
    students = [row for row in (*told.students, *told.left) if row.account]
    users = {}
    for row in (told.manager, *told.coaches, told.guardian, *students):
        user = User.objects.create_user(
            address_of(row.given, row.family), None, given_name=row.given, family_name=row.family
        )
        Membership.objects.create(user=user, club=club, role=Role(row.role or "student"))
        users[row.ref] = user
    User.objects.filter(pk__in=[user.pk for user in users.values()]).update(password=hashed)
    return users


def default_data_names() -> Any:
    return json.loads((settings.BASE_DIR / "fixtures" / "names.json").read_text(encoding="utf-8"))


def levels_by_code(club: Club) -> dict[str, Level]:
    named = {level.name: level for level in Level.objects.filter(club=club)}
    return {row["code"]: named[row["name"]] for row in default_data("levels")["levels"]}


def _student(cast: Cast, row: Person, number: int, now: datetime) -> Player:
    today = cast.club.today(now)
    player = add_player(
        by=cast.head_coach,
        club=cast.club,
        level=levels_by_code(cast.club)[row.level],
        now=now,
        given_name=row.given,
        family_name=row.family,
        born_on=_birthday(today, row.age, number),
        side="left" if number % 2 else "right",
        hand=row.hand,
    )
    if row.account:
        player.user = cast.users[row.ref]
        player.save(update_fields=["user"])
    if row.ref in cast.told.wards:
        guardian = cast.users[cast.told.guardian.ref]
        add_guardian(by=cast.head_coach, player=player, guardian=guardian, now=now)
        give_consent(by=guardian, player=player, as_="guardian", purpose=PURPOSE, now=now)
    if row.consent:
        _agree(cast, player, now)
    return player


def _agree(cast: Cast, player: Player, now: datetime) -> None:
    """Whoever has no login signs on paper, and the head coach writes it down."""
    if player.user is not None:
        give_consent(by=player.user, player=player, as_="player", purpose=PURPOSE, now=now)
        return
    give_consent(
        by=cast.head_coach,
        player=player,
        as_="player",
        purpose=PURPOSE,
        way="paper",
        witness=cast.head_coach.name,
        now=now,
    )


def _birthday(today: date, age: int, number: int) -> date:
    """Some time in the past year of life, so that nobody has a birthday on the day of the demo."""
    return date(today.year - age, today.month, 1) - timedelta(days=100 + 9 * number)


def logins() -> list[tuple[str, str, str]]:
    """One login per role: (role, address, password). For the demo only; the password is written in this file."""
    ages = {row.ref: row.age for row in _TOLD.students}
    minor = min(_TOLD.wards, key=lambda ref: ages[ref])
    people = {row.ref: row for row in _TOLD.students}
    found = [
        ("head coach", _TOLD.coaches[0]),
        ("assistant coach", _TOLD.assistants[0]),
        ("student", _TOLD.students[0]),
        ("student, a minor", people[minor]),
        ("guardian", _TOLD.guardian),
        ("club manager", _TOLD.manager),
    ]
    return [(role, address_of(row.given, row.family), PASSWORD) for role, row in found]
