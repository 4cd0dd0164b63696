"""The first steps of a new club. What is done is read from the data: there is nothing to tick off."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Count, Exists, OuterRef
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from clubcoach.access import Can, Role, Viewer
from clubcoach.models import Club, Invitation, Membership
from players.consent import consent_states
from players.models import CheckListVersion, Guardianship, Level, Player
from sessions.models import Analysis, Match, MatchFilm

ON_COURT = 4
COACHES = (Role.HEAD_COACH, Role.ASSISTANT)


@dataclass(frozen=True)
class Step:
    """One thing to do before the first analysis: why, what is there of it, and the one page that leads on.

    `url` is empty for a viewer who may not act there; then `who` says who does.
    """

    code: str
    title: str
    why: str
    found: str
    done: bool
    button: str
    url: str
    who: str = ""


def open_steps(club: Club, viewer: Viewer | None = None, *, now: datetime | None = None) -> list[Step]:
    """The steps for a home page: all five until the last is done, then none.

    A club that has published an analysis has the way behind it, also when a consent runs out later; it costs one query.
    """
    if _published(club).exists():
        return []
    steps = first_steps(club, viewer, now=now)
    return [] if all(step.done for step in steps) else steps


def first_steps(club: Club, viewer: Viewer | None = None, *, now: datetime | None = None) -> list[Step]:
    """The five steps in their order, with the same number of queries for one player and for five hundred."""
    facts = _Facts(club, now or timezone.now())
    made = (_people, _levels, _check_list, _consents, _match)
    return [_for(viewer, step(club, facts)) for step in made]


class _Facts:
    """Everything the steps ask about, read once."""

    def __init__(self, club: Club, now: datetime) -> None:
        self.now = now
        self.today = club.today(now)
        self.players = list(Player.objects.filter(club=club, active=True))
        states = consent_states(self.players, club, self.today)
        self.filmable = sum(state.complete for state in states.values())
        invited = Invitation.objects.filter(club=club, accepted_at=None, expires_at__gt=now)
        self.invited = list(invited.values_list("role", "person"))
        guarded = Guardianship.objects.filter(player__club=club).values_list("player", flat=True)
        self.unguarded = self._unguarded(club, set(guarded))
        coaches = Membership.objects.filter(club=club, role__in=COACHES)
        self.coaches = coaches.order_by().values("user").distinct().count()
        levels = Level.objects.filter(club=club).annotate(asked=Count("standards"))
        self.levels = list(levels.values_list("asked", flat=True))
        versions = CheckListVersion.objects.of(club)
        self.list_number = versions.values_list("number", flat=True).first()
        self.match = _match_to_go_on_with(club)
        self.asked = (
            Analysis.objects.filter(match__club=club).exclude(state=Analysis.State.CANCELLED).exists()
        )

    def _unguarded(self, club: Club, guarded: set[int]) -> list[Player]:
        asked = {person for role, person in self.invited if role == Role.GUARDIAN}
        found = []
        for player in self.players:
            age = player.age_on(self.today)
            known = player.pk in guarded or player.uuid in asked
            if age is not None and age < club.majority_age and not known:
                found.append(player)
        return found


def _published(club: Club) -> Any:
    return Analysis.objects.filter(match__club=club, state=Analysis.State.PUBLISHED)


def _match_to_go_on_with(club: Club) -> dict[str, Any] | None:
    """The newest match, one with a film first."""
    filmed = Exists(MatchFilm.objects.filter(match=OuterRef("pk")))
    rows = Match.objects.filter(club=club).annotate(filmed=filmed)
    return rows.order_by("-filmed", "-played_on", "-pk").values("uuid", "filmed").first()


@dataclass(frozen=True)
class _Draft:
    code: str
    title: str
    why: str
    found: str
    done: bool
    button: str
    url: str
    right: Can
    who: str


def _for(viewer: Viewer | None, draft: _Draft) -> Step:
    may = viewer is None or bool(viewer.can(draft.right))
    return Step(
        code=draft.code,
        title=draft.title,
        why=draft.why,
        found=draft.found,
        done=draft.done,
        button=draft.button if may else "",
        url=draft.url if may else "",
        who="" if may else draft.who,
    )


def _address(club: Club) -> Callable[..., str]:
    return lambda name, *args: reverse(name, args=[club.slug, *args])


def _people(club: Club, facts: _Facts) -> _Draft:
    to = _address(club)
    button, url = _("Open the roster"), to("roster")
    if not facts.players:
        button, url = _("Add the first player"), to("player_new")
    elif facts.unguarded:
        child = facts.unguarded[0]
        button = _("Name a guardian of %(child)s") % {"child": child.initials}
        url = to("guardian_add", child.uuid)
    return _Draft(
        code="people",
        title=_("People"),
        why=_(
            "Everything here is about players. A minor needs a guardian who agrees to films, and coaches come in by"
            " a mail that you send from the roster."
        ),
        found=" ".join(_people_found(facts)),
        done=bool(facts.players) and not facts.unguarded,
        button=button,
        url=url,
        right=Can.EDIT_ROSTER,
        who=_("The head coach or the club manager does this."),
    )


def _people_found(facts: _Facts) -> list[str]:
    n = len(facts.players)
    said = [
        ngettext("%(n)d player is on the roster.", "%(n)d players are on the roster.", n) % {"n": n}
        if n
        else _("Nobody is on the roster yet.")
    ]
    if facts.unguarded:
        missing = len(facts.unguarded)
        said.append(
            ngettext("%(n)d minor has no guardian yet.", "%(n)d minors have no guardian yet.", missing)
            % {"n": missing}
        )
    said.append(ngettext("%(n)d coach is in.", "%(n)d coaches are in.", facts.coaches) % {"n": facts.coaches})
    if waiting := len(facts.invited):
        said.append(
            ngettext("%(n)d invitation is on its way.", "%(n)d invitations are on their way.", waiting)
            % {"n": waiting}
        )
    return said


def _levels(club: Club, facts: _Facts) -> _Draft:
    n, bare = len(facts.levels), facts.levels.count(0)
    if not n:
        found = _("There is no level yet.")
    elif bare:
        found = ngettext(
            "%(n)d level has no standard in any area.", "%(n)d levels have no standard in any area.", bare
        ) % {"n": bare}
    else:
        found = ngettext("%(n)d level with its standards.", "%(n)d levels with their standards.", n) % {
            "n": n
        }
    return _Draft(
        code="levels",
        title=_("Levels and standards"),
        why=_(
            "A focus point is the widest gap between what was seen and what the player's level expects: without a"
            " standard there is nothing to measure against."
        ),
        found=found,
        done=bool(n) and not bare,
        button=_("Look at the levels"),
        url=_address(club)("levels"),
        right=Can.SEE_ROSTER,
        who=_("The head coach does this."),
    )


def _check_list(club: Club, facts: _Facts) -> _Draft:
    number = facts.list_number
    return _Draft(
        code="check_list",
        title=_("Check list"),
        why=_(
            "It says what an analyst looks at and from where to where a thing is met. Fewer checks, looked at more"
            " often, say more."
        ),
        found=_("Version %(n)d is in use.") % {"n": number}
        if number
        else _("The club has no check list yet."),
        done=bool(number),
        button=_("Look at the check list"),
        url=_address(club)("check_list"),
        right=Can.EDIT_LISTS,
        who=_("The head coach does this."),
    )


def _consents(club: Club, facts: _Facts) -> _Draft:
    n = len(facts.players)
    if not n:
        found = _("Nobody is there to ask yet.")
    else:
        found = ngettext(
            "%(may)d of %(n)d player may be filmed.", "%(may)d of %(n)d players may be filmed.", n
        ) % {"may": facts.filmable, "n": n}
    return _Draft(
        code="consents",
        title=_("Consent to be filmed"),
        why=_(
            "A film is taken in only when everybody in the picture has agreed. Players and guardians say so on their"
            " own page; what was signed on paper is written down at the player."
        ),
        found=found,
        # Four play a match; of a smaller roster everybody.
        done=bool(n) and facts.filmable >= min(n, ON_COURT),
        button=_("See who has agreed"),
        url=_address(club)("roster"),
        right=Can.EDIT_ROSTER,
        who=_("The head coach or the club manager does this."),
    )


def _match(club: Club, facts: _Facts) -> _Draft:
    to, match = _address(club), facts.match
    right = Can.EDIT_MATCHES
    if match is None:
        found, button, url = _("No match is registered yet."), _("Register a match"), to("match_new")
    elif not match["filmed"]:
        found = _("A match is registered; its film is still to come.")
        button, url = _("Open the match"), to("match", match["uuid"])
    else:
        found = _("A match with its film is here.")
        button = _("Ask for an analysis")
        url = f"{to('request_analysis')}?match={match['uuid']}"
        right = Can.REQUEST_ANALYSIS
    if facts.asked:
        found = _("The first analysis is asked for.")
        button, url, right = _("Open the matches"), to("match_list"), Can.SEE_MATCHES
    return _Draft(
        code="match",
        title=_("First match"),
        why=_(
            "Say who sat where, add the film, and ask for an analysis of one or two areas. Once it is published, the"
            " players' pages begin to fill."
        ),
        found=found,
        done=facts.asked,
        button=button,
        url=url,
        right=right,
        who=_("The head coach does this."),
    )
