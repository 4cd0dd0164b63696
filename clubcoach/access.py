"""Who may do what in a club: one vocabulary, roles as data, and the one door through which views fetch a club.

The club's member is found first: a stranger gets 404, a member without the right gets 403 with the reason.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property, wraps
from typing import TYPE_CHECKING, Any

from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponseBase
from django.utils.translation import gettext_lazy as _

if TYPE_CHECKING:
    from clubcoach.models import Club, User


class Role(StrEnum):
    MANAGER = "manager"
    HEAD_COACH = "head_coach"
    ASSISTANT = "assistant"
    STUDENT = "student"
    GUARDIAN = "guardian"

    @property
    def label(self) -> Any:
        return ROLE_LABELS[self]


ROLE_LABELS = {
    Role.MANAGER: _("club manager"),
    Role.HEAD_COACH: _("head coach"),
    Role.ASSISTANT: _("assistant coach"),
    Role.STUDENT: _("student"),
    Role.GUARDIAN: _("guardian"),
}


class Can(StrEnum):
    SEE_ROSTER = "see_roster"
    EDIT_ROSTER = "edit_roster"
    INVITE = "invite"
    SEE_MATCHES = "see_matches"
    EDIT_MATCHES = "edit_matches"
    WATCH_FILM = "watch_film"
    KEEP_FILMS = "keep_films"
    REQUEST_ANALYSIS = "request_analysis"
    CODE = "code"
    REVIEW = "review"
    SEE_SCORES = "see_scores"
    SET_FOCUS = "set_focus"
    SEE_PROGRAMME = "see_programme"
    OWN_PADEL = "own_padel"
    EDIT_CLUB = "edit_club"
    EDIT_LISTS = "edit_lists"
    ADD_DRILLS = "add_drills"
    WRITE_NOTES = "write_notes"
    SEE_LESSONS = "see_lessons"
    PLAN_LESSONS = "plan_lessons"
    RUN_LESSONS = "run_lessons"
    MOVE_DATA = "move_data"
    BE_HERE = "be_here"


_EVERYBODY = {Can.BE_HERE}
_COACH = {
    Can.SEE_ROSTER,
    Can.SEE_MATCHES,
    Can.EDIT_MATCHES,
    Can.WATCH_FILM,
    Can.CODE,
    Can.SEE_SCORES,
    Can.ADD_DRILLS,
    Can.WRITE_NOTES,
    Can.SEE_LESSONS,
    Can.RUN_LESSONS,
}

ROLE_RIGHTS: dict[Role, frozenset[Can]] = {
    Role.MANAGER: frozenset(
        _EVERYBODY
        | {
            Can.SEE_ROSTER,
            Can.EDIT_ROSTER,
            Can.INVITE,
            Can.SEE_PROGRAMME,
            Can.EDIT_CLUB,
            Can.SEE_LESSONS,
            Can.PLAN_LESSONS,
            Can.MOVE_DATA,
            Can.KEEP_FILMS,
        }
    ),
    Role.HEAD_COACH: frozenset(
        _EVERYBODY
        | _COACH
        | {
            Can.EDIT_ROSTER,
            Can.INVITE,
            Can.REQUEST_ANALYSIS,
            Can.REVIEW,
            Can.SET_FOCUS,
            Can.SEE_PROGRAMME,
            Can.EDIT_CLUB,
            Can.EDIT_LISTS,
            Can.PLAN_LESSONS,
            Can.MOVE_DATA,
            Can.KEEP_FILMS,
        }
    ),
    Role.ASSISTANT: frozenset(_EVERYBODY | _COACH),
    Role.STUDENT: frozenset(_EVERYBODY | {Can.OWN_PADEL}),
    Role.GUARDIAN: frozenset(_EVERYBODY | {Can.OWN_PADEL}),
}

REFUSALS = {
    Can.REQUEST_ANALYSIS: _("Only the head coach asks for analyses."),
    Can.REVIEW: _("Only the head coach returns or publishes an analysis."),
    Can.SET_FOCUS: _("Only the head coach sets focus points."),
    Can.WATCH_FILM: _("Whole films are for coaches; students see pieces of their own situations."),
    Can.KEEP_FILMS: _("Only the head coach and the club manager decide how long films are kept."),
    Can.EDIT_ROSTER: _("Only the head coach and the club manager change the roster."),
    Can.INVITE: _("Only the head coach and the club manager invite people."),
    Can.EDIT_CLUB: _("Only the head coach and the club manager change the club's settings."),
    Can.EDIT_LISTS: _("Only the head coach changes levels, check list and drills."),
    Can.ADD_DRILLS: _("Only coaches add drills."),
    Can.WRITE_NOTES: _("Only coaches write notes."),
    Can.PLAN_LESSONS: _("Only the head coach and the club manager plan lessons."),
    Can.RUN_LESSONS: _("Only coaches note who came."),
    Can.MOVE_DATA: _("Only the head coach and the club manager bring data in or take it out."),
}
REFUSED = _("Your role in this club does not include this page.")


@dataclass(frozen=True)
class Refusal:
    """A no with its reason; false in a condition, so that a rule reads as a question."""

    reason: Any

    def __bool__(self) -> bool:
        return False


ALLOWED = True
Answer = bool | Refusal


class Viewer:
    """A person in one club, with the union of what their roles there allow."""

    def __init__(self, user: User, club: Club, roles: frozenset[Role]) -> None:
        self.user = user
        self.club = club
        self.roles = roles

    @cached_property
    def rights(self) -> frozenset[Can]:
        return frozenset().union(*(ROLE_RIGHTS[role] for role in self.roles))

    def can(self, right: Can) -> Answer:
        return ALLOWED if right in self.rights else Refusal(REFUSALS.get(right, REFUSED))

    def must(self, right: Can) -> None:
        insist(self.can(right))


def insist(answer: Answer) -> None:
    """Turn a refusal into 403 with its sentence."""
    if isinstance(answer, Refusal):
        raise PermissionDenied(str(answer.reason))


def viewer_for(user: Any, slug: str) -> Viewer:
    """The person as a member of the club at this address; 404 for everybody else."""
    from clubcoach.models import Membership

    if not user.is_authenticated or not user.is_active:
        raise Http404
    memberships = list(
        Membership.objects.filter(user=user, club__slug=slug).select_related("club").order_by("pk")
    )
    if not memberships:
        raise Http404
    return Viewer(user, memberships[0].club, frozenset(Role(row.role) for row in memberships))


def viewer_of(person: User, club: Club) -> Viewer:
    """The person with their roles in the club; somebody from elsewhere has none, and so no right."""
    from clubcoach.models import Membership

    roles = Membership.objects.filter(user=person, club=club).values_list("role", flat=True)
    return Viewer(person, club, frozenset(Role(role) for role in roles))


def people_who_can(club: Club, right: Can) -> Any:
    """The people of the club whose roles include a right, by name."""
    from clubcoach.models import Membership, User

    roles = [role.value for role, rights in ROLE_RIGHTS.items() if right in rights]
    here = Membership.objects.filter(club=club, role__in=roles)
    people = User.objects.filter(is_active=True, pk__in=here.values("user"))
    return people.order_by("given_name", "family_name", "pk")


class ClubRequest(HttpRequest):
    viewer: Viewer
    club: Club


def club_view(*rights: Can) -> Callable[[Callable[..., HttpResponseBase]], Callable[..., HttpResponseBase]]:
    """For views under /c/<slug>/: the view gets ``request.viewer``; any one of the rights opens it.

    The rights stay readable on the view (``view.club_rights``), where the walk through all addresses checks them.
    """

    def decorate(view: Callable[..., HttpResponseBase]) -> Callable[..., HttpResponseBase]:
        @wraps(view)
        def inner(request: Any, slug: str, *args: Any, **kwargs: Any) -> HttpResponseBase:
            request.viewer = viewer_for(request.user, slug)
            request.club = request.viewer.club
            if not any(request.viewer.can(right) for right in rights):
                request.viewer.must(rights[0])
            return view(request, *args, **kwargs)

        inner.club_rights = frozenset(rights)  # type: ignore[attr-defined]
        return inner

    return decorate
