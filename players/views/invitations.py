from typing import Any
from uuid import UUID

from django.contrib import messages
from django.contrib.auth import login
from django.contrib.auth.decorators import login_not_required
from django.core.exceptions import ValidationError
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from clubcoach.access import Can, Role, club_view
from clubcoach.models import Club, Invitation, User
from players import services
from players.forms import AcceptForm, GuardianForm, InviteForm, tell
from players.models import Player
from players.services.invitations import roles_to_invite
from players.views.people import player_here

BACKEND = "allauth.account.auth_backends.AuthenticationBackend"
SHOWN = 50


@require_http_methods(["GET", "POST"])
@club_view(Can.INVITE)
def invite(request: Any) -> HttpResponse:
    club = request.club
    initial = {"role": request.GET.get("role", ""), "person": request.GET.get("person", "")}
    initial["email"] = _address_of(club, initial["role"], initial["person"])
    roles = roles_to_invite(request.user, club)
    form = InviteForm(request.POST or None, initial=initial, club=club, roles=roles)
    if request.method == "POST" and form.is_valid():
        try:
            invitation = services.invite(by=request.user, club=club, **form.cleaned_data)
        except ValidationError as error:
            tell(form, error)
        else:
            _tell_sent(request, invitation)
            return redirect("invite", slug=club.slug)
    open_ones = Invitation.objects.filter(club=club, accepted_at=None, expires_at__gt=timezone.now())
    rows = list(open_ones.select_related("invited_by").order_by("-created_at")[:SHOWN])
    context = {"form": form, "rows": [(row, Role(row.role).label) for row in rows]}
    return render(request, "players/invite.html", context, status=422 if form.errors else 200)


def _address_of(club: Club, role: str, person: str) -> str:
    """Where the club can write to the player that a student's invitation is about; a guardian has another address."""
    if role != Role.STUDENT:
        return ""
    try:
        player = Player.objects.filter(club=club, active=True, uuid=UUID(person)).first()
    except ValueError:
        return ""
    return player.email if player else ""


@require_http_methods(["GET", "POST"])
@club_view(Can.EDIT_ROSTER)
def guardian_add(request: Any, player: UUID) -> HttpResponse:
    row = player_here(request.viewer, player)
    form = GuardianForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            _add_or_invite(request, row, form.cleaned_data["email"])
        except ValidationError as error:
            tell(form, error)
        else:
            return redirect("player", slug=request.club.slug, player=row.uuid)
    context = {"form": form, "player": row, "minor": row.is_minor(request.club.today())}
    return render(request, "players/guardian_add.html", context, status=422 if form.errors else 200)


def _add_or_invite(request: Any, player: Player, email: str) -> None:
    member = User.objects.filter(email__iexact=email, memberships__club=request.club).first()
    if member is None:
        invitation = services.invite(
            by=request.user, club=request.club, email=email, role=Role.GUARDIAN.value, person=player
        )
        _tell_sent(request, invitation)
        return
    services.add_guardian(by=request.user, player=player, guardian=member)
    messages.success(request, _("%(name)s is a guardian now.") % {"name": member.name})


def _tell_sent(request: Any, invitation: Any) -> None:
    values = {"email": invitation.email}
    if invitation.unsent:
        messages.error(request, _("The mail to %(email)s could not be sent. Try again later.") % values)
    else:
        messages.success(request, _("An invitation is on its way to %(email)s.") % values)


@login_not_required
@never_cache
@require_http_methods(["GET", "POST"])
def invitation(request: Any, secret: str) -> HttpResponse:
    """Whoever holds the secret got it by mail; without it this page says nothing about anybody."""
    found = (
        Invitation.objects.select_related("club", "invited_by")
        .filter(digest=Invitation.digest_of(secret))
        .first()
    )
    if found is None:
        raise Http404
    if problem := found.problem(timezone.now()):
        return render(request, "players/invitation_over.html", {"problem": problem}, status=410)
    user = request.user if request.user.is_authenticated else None
    known = User.objects.filter(email__iexact=found.email).exists()
    form = AcceptForm(request.POST or None, initial=_names(found)) if not (user or known) else None
    refused = ""
    if request.method == "POST" and (form is None or form.is_valid()):
        try:
            answers = form.cleaned_data if form else {}
            accepted, member = services.accept_invitation(secret=secret, user=user, **answers)
        except ValidationError as error:
            if form:
                tell(form, error)
            else:
                refused = " ".join(error.messages)
        else:
            return _welcome(request, accepted.club, member, fresh=user is None)
    context = {
        "invitation": found,
        "role": Role(found.role).label,
        "form": form,
        "known": known,
        "mine": user is not None and user.email.lower() == found.email.lower(),
        "refused": refused,
    }
    wrong = bool(refused or (form and form.errors))
    return render(request, "players/invitation.html", context, status=422 if wrong else 200)


def _names(invitation: Invitation) -> dict[str, str]:
    """A student's names are on the roster already."""
    names = {"language": invitation.club.language}
    if invitation.role == Role.STUDENT and invitation.person:
        player = Player.objects.filter(club=invitation.club, uuid=invitation.person).first()
        if player:
            names |= {"given_name": player.given_name, "family_name": player.family_name}
    return names


def _welcome(request: Any, club: Club, member: User, *, fresh: bool) -> HttpResponse:
    if fresh:
        login(request, member, backend=BACKEND)
    messages.success(request, _("Welcome to %(club)s.") % {"club": club.name})
    return redirect("club_home", slug=club.slug)
