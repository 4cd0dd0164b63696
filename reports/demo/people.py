"""The demo club's people: invented names, one login per role, and the consents that its films stand on."""

from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

from clubcoach.access import Role
from clubcoach.models import Club, Membership, User
from players.lists import install_defaults
from players.models import Level, Player, Unit
from players.services import add_guardian, add_player, give_consent

SLUG = "osterfenn"
MAIL = "osterfenn.example"
PASSWORD = "padel-demo-only"
PURPOSE = "Looking at match films in lessons and on one's own page"

# given name, family name, level, pair number, age
STUDENTS = [
    ("Runa", "Corvandi", 1, 0, 31),
    ("Emeka", "Lindravo", 1, 0, 28),
    ("Mira", "Halvermaa", 0, 1, 13),
    ("Tomás", "Sandrevic", 0, 1, 37),
    ("Fenna", "Okwandile", 1, 2, 45),
    ("Goran", "Tarvainos", 1, 2, 41),
    ("Imani", "Velmoraz", 2, 3, 26),
    ("Henrik", "Jessamund", 2, 3, 33),
    ("Priya", "Delmarok", 0, 4, 52),
    ("Lars", "Palvadori", 0, 4, 49),
    ("Yara", "Winterlohe", 2, 5, 29),
    ("Nils", "Castrevil", 2, 5, 35),
]
COACHES = [
    ("Saskia", "Mordalen", Role.HEAD_COACH),
    ("Kofi", "Eberlohn", Role.ASSISTANT),
    ("Ilse", "Marquevo", Role.ASSISTANT),
    ("Rafael", "Fallowick", Role.ASSISTANT),
]
MANAGER = ("Noor", "Hesparo", Role.MANAGER)
GUARDIAN = ("Edda", "Halvermaa")


@dataclass
class Cast:
    club: Club
    head_coach: User
    assistants: list[User]
    players: list[Player] = field(default_factory=list)
    pairs: list[Unit] = field(default_factory=list)

    def pair_players(self, number: int) -> list[Player]:
        return self.players[2 * number : 2 * number + 2]


def address_of(given: str, family: str) -> str:
    plain = given.lower().replace("á", "a")
    return f"{plain}.{family.lower()}@{MAIL}"


def _user(given: str, family: str) -> User:
    return User.objects.create_user(address_of(given, family), PASSWORD, given_name=given, family_name=family)


def _member(club: Club, given: str, family: str, role: Role) -> User:
    user = _user(given, family)
    Membership.objects.create(user=user, club=club, role=role)
    return user


def make_people(now: datetime) -> Cast:
    """The club with its lists, coaches, students and pairs, as the head coach would enter them."""
    club = Club.objects.create(
        slug=SLUG,
        name=default_data_names()["clubs"][0],
        time_zone="Europe/Lisbon",
        deuce=Club.Deuce.GOLDEN,
        welfare_contact=f"welfare@{MAIL}",
    )
    _member(club, *MANAGER)
    coaches = [_member(club, *coach) for coach in COACHES]
    cast = Cast(club=club, head_coach=coaches[0], assistants=coaches[1:])
    install_defaults(by=cast.head_coach, club=club)
    levels = list(Level.objects.filter(club=club).order_by("position"))
    for number, (given, family, level, _pair, age) in enumerate(STUDENTS):
        cast.players.append(_student(cast, given, family, levels[level], age, number, now))
    for number in range(len(STUDENTS) // 2):
        cast.pairs.append(Unit.objects.pair_of(*cast.pair_players(number)))
    return cast


def default_data_names() -> Any:
    import json

    from django.conf import settings

    return json.loads((settings.BASE_DIR / "fixtures" / "names.json").read_text(encoding="utf-8"))


def _student(
    cast: Cast, given: str, family: str, level: Level, age: int, number: int, now: datetime
) -> Player:
    today = cast.club.today(now)
    user = _member(cast.club, given, family, Role.STUDENT)
    player = add_player(
        by=cast.head_coach,
        club=cast.club,
        level=level,
        now=now,
        given_name=given,
        family_name=family,
        born_on=_birthday(today, age, number),
        side="left" if number % 2 else "right",
        hand="left" if number == 5 else "right",
    )
    player.user = user
    player.save(update_fields=["user"])
    if player.is_minor(today):
        guardian = _user(*GUARDIAN)
        Membership.objects.create(user=guardian, club=cast.club, role=Role.GUARDIAN)
        add_guardian(by=cast.head_coach, player=player, guardian=guardian, now=now)
        give_consent(by=guardian, player=player, as_="guardian", purpose=PURPOSE, now=now)
    give_consent(by=user, player=player, as_="player", purpose=PURPOSE, now=now)
    return player


def _birthday(today: date, age: int, number: int) -> date:
    """Some time in the past year of life, so that nobody has a birthday on the day of the demo."""
    return date(today.year - age, today.month, 1) - timedelta(days=40 + 11 * number)


def logins() -> list[tuple[str, str, str]]:
    """One login per role: (role, address, password). For the demo only; the password is written in this file."""
    minor = next(row for row in STUDENTS if row[4] < 18)
    adult = STUDENTS[0]
    return [
        ("head coach", address_of(*COACHES[0][:2]), PASSWORD),
        ("assistant coach", address_of(*COACHES[1][:2]), PASSWORD),
        ("student", address_of(*adult[:2]), PASSWORD),
        ("student, a minor", address_of(*minor[:2]), PASSWORD),
        ("guardian", address_of(*GUARDIAN), PASSWORD),
        ("club manager", address_of(*MANAGER[:2]), PASSWORD),
    ]
