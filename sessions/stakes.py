"""Who may not judge which match: the rule of `has_stake` for many people at once, and what follows for marks."""

from collections import defaultdict
from collections.abc import Iterable

from django.db.models import Count, Q
from django.utils.translation import gettext as _

from clubcoach.access import ROLE_RIGHTS, Can
from clubcoach.models import Club, User
from players.models import Guardianship, Player
from sessions.models import Analysis, Match
from sessions.models.analyses import has_stake


def why_closed(person: User, analysis: Analysis) -> str:
    """Why its analyst can write nothing more in an analysis; empty while she can.

    A stake may come after it was given to her: a seat is corrected, a child joins the club. What she marked before
    stays as it is, and what she marks from then on stays on her device, as with a version that is over.
    """
    if not analysis.writable:
        return _("This analysis is %(state)s: nothing more can be written in it.") % {
            "state": analysis.get_state_display()
        }
    if has_stake(person, analysis.match):
        return _(
            "You or your family played in this match, so nothing more is taken from you here."
            " Ask the head coach to give it to somebody else."
        )
    return ""


def coaches_of(club: Club) -> list[User]:
    """Everybody who may analyse here, with ``at_work``: how many open analyses they have."""
    roles = [role.value for role, rights in ROLE_RIGHTS.items() if Can.CODE in rights]
    people = User.objects.filter(is_active=True, memberships__club=club, memberships__role__in=roles)
    at_work = Count(
        "analysts__analyses",
        filter=Q(analysts__club=club, analysts__analyses__state__in=Analysis.OPEN),
        distinct=True,
    )
    return list(people.annotate(at_work=at_work).order_by("given_name", "family_name", "pk"))


def kin_of(club: Club, people: Iterable[User]) -> dict[int, set[int]]:
    """The players that are a person or their family, by the person's key; five queries whatever the number."""
    users = [person.pk for person in people]
    own: dict[int, set[int]] = defaultdict(set)
    for user, player in Player.objects.filter(club=club, user__in=users).values_list("user", "pk"):
        own[user].add(player)
    kin: dict[int, set[int]] = {user: set(own[user]) for user in users}
    for user, player in Guardianship.objects.filter(guardian__in=users).values_list("guardian", "player"):
        kin[user].add(player)
    everyone = set().union(*kin.values()) if kin else set()
    guardians: dict[int, set[int]] = defaultdict(set)
    for player, guardian in Guardianship.objects.filter(player__in=everyone).values_list(
        "player", "guardian"
    ):
        guardians[player].add(guardian)
    elders = set().union(*guardians.values()) if guardians else set()
    reach: dict[int, set[int]] = defaultdict(set)
    for guardian, player in Guardianship.objects.filter(guardian__in=elders).values_list(
        "guardian", "player"
    ):
        reach[guardian].add(player)
    plays: dict[int, set[int]] = defaultdict(set)
    for guardian, player in Player.objects.filter(user__in=elders).values_list("user", "pk"):
        reach[guardian].add(player)
        plays[guardian].add(player)
    for user in users:
        wards = kin[user] - own[user]
        for player in own[user]:
            for guardian in guardians[player]:
                kin[user] |= reach[guardian]
        # A child's other parent who plays; what else that parent looks after is no family of this person.
        for player in wards:
            for guardian in guardians[player]:
                kin[user] |= plays[guardian]
    return kin


def with_stake(kin: dict[int, set[int]], match: Match) -> set[int]:
    """Keys of the people who played in the match, or whose family did."""
    playing = match.player_ids()
    return {user for user, players in kin.items() if players & playing}
