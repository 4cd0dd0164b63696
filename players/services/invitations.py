from datetime import datetime
from smtplib import SMTPException
from typing import Any

import structlog
from allauth.account.models import EmailAddress
from django.conf import settings
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.mail import send_mail
from django.core.validators import validate_email
from django.db import IntegrityError, transaction
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone, translation
from django.utils.translation import gettext as _

from clubcoach.access import Role
from clubcoach.audit import record
from clubcoach.models import Club, Invitation, Membership, User
from clubcoach.validators import formulas_in
from players.models import Guardianship, Player
from players.services.people import refuse_guardian
from players.signals import invitation_accepted

log = structlog.get_logger(__name__)

ABOUT_A_PLAYER = (Role.STUDENT, Role.GUARDIAN)
MAY_INVITE = {
    Role.MANAGER: tuple(Role),
    Role.HEAD_COACH: (Role.HEAD_COACH, Role.ASSISTANT, Role.STUDENT, Role.GUARDIAN),
}


def roles_to_invite(user: User, club: Club) -> list[Role]:
    """The roles that this person may give away here, in the order of Role."""
    own = set(Membership.objects.filter(user=user, club=club).values_list("role", flat=True))
    allowed = {role for giver, given in MAY_INVITE.items() if giver in own for role in given}
    return [role for role in Role if role in allowed]


@transaction.atomic
def invite(
    *,
    by: User,
    club: Club,
    email: str,
    role: str,
    person: Player | None = None,
    language: str = "",
    now: datetime | None = None,
) -> Invitation:
    """Mail an address whose secret makes its reader a member. An earlier open one for the same ends.

    ``unsent`` on the answer becomes true when the mail could not be handed over, which is known after the commit.
    """
    moment = now or timezone.now()
    address = User.objects.normalize_email(email.strip()).lower()
    _refuse_invitation(by, club, address, role, person, moment)
    invitation, _secret = issue_invitation(
        by=by, club=club, address=address, role=role, person=person, language=language, now=moment
    )
    return invitation


def issue_invitation(
    *,
    by: User | None,
    club: Club,
    address: str,
    role: str,
    person: Player | None = None,
    language: str = "",
    now: datetime,
    keep_unsent: bool = False,
) -> tuple[Invitation, str]:
    """The invitation itself, with the secret of its address; who may give it was asked before.

    Call it inside a transaction. ``keep_unsent`` is for somebody who can pass the address on without the mail.
    """
    same = Invitation.objects.filter(
        club=club, email=address, role=role, person=person.uuid if person else None, accepted_at=None
    )
    same.filter(expires_at__gt=now).update(expires_at=now)
    invitation, secret = Invitation.issue(
        now=now,
        club=club,
        email=address,
        role=role,
        person=person.uuid if person else None,
        invited_by=by,
    )
    record(by=by, club=club, action="invitation.sent", target=invitation, fields=["email", "role", "person"])
    spoken = language if language in dict(settings.LANGUAGES) else club.language
    invitation.unsent = False  # type: ignore[attr-defined]
    transaction.on_commit(lambda: _post(invitation, secret, spoken, keep_unsent))
    return invitation, secret


def address_of(secret: str) -> str:
    return settings.SITE_URL + reverse("invitation", args=[secret])


def _refuse_invitation(
    by: User, club: Club, address: str, role: str, person: Player | None, now: datetime
) -> None:
    try:
        validate_email(address)
    except ValidationError as error:
        raise ValidationError({"email": error.messages}) from None
    if role not in roles_to_invite(by, club):
        raise ValidationError({"role": _("Your own role does not allow you to give this one.")})
    if role not in ABOUT_A_PLAYER:
        if person is not None:
            raise ValidationError({"person": _("Only a student or a guardian comes with a player.")})
        if Membership.objects.filter(club=club, role=role, user__email__iexact=address).exists():
            raise ValidationError({"email": _("Somebody with this address has that role here already.")})
        return
    if person is None:
        raise ValidationError({"person": _("Choose the player that this is about.")})
    if person.club_id != club.pk:
        raise ValidationError({"person": _("This is no player of the club.")})
    if role == Role.STUDENT and person.user_id is not None:
        raise ValidationError({"person": _("This player has an account already.")})
    if role == Role.GUARDIAN:
        refuse_guardian(person, User.objects.filter(email__iexact=address).first(), now)


def _post(invitation: Invitation, secret: str, language: str, keep_unsent: bool) -> None:
    with translation.override(language):
        values = {
            "invitation": invitation,
            "club": invitation.club,
            "role": Role(invitation.role).label,
            "by": invitation.invited_by,
            "link": address_of(secret),
        }
        subject = " ".join(render_to_string("players/mail/invitation_subject.txt", values).split())
        text = render_to_string("players/mail/invitation.txt", values)
    try:
        send_mail(subject, text, None, [invitation.email])
    except (OSError, SMTPException) as error:
        # Nobody has the secret, so nobody could ever use it: end it, and let the page say so.
        log.warning("invitation.not_sent", invitation=invitation.pk, error=type(error).__name__)
        if not keep_unsent:
            Invitation.objects.filter(pk=invitation.pk).update(expires_at=timezone.now())
        invitation.unsent = True  # type: ignore[attr-defined]


@transaction.atomic
def accept_invitation(
    *,
    secret: str,
    user: User | None = None,
    given_name: str = "",
    family_name: str = "",
    password: str = "",
    language: str = "",
    now: datetime | None = None,
) -> tuple[Invitation, User]:
    """Make the invited person a member: somebody with an account as ``user``, anybody else with names and password."""
    moment = now or timezone.now()
    invitation = Invitation.objects.select_related("club").filter(digest=Invitation.digest_of(secret)).first()
    if invitation is None:
        raise ValidationError(_("There is no such invitation. Check the address in your mail."))
    if problem := invitation.problem(moment):
        raise ValidationError(problem)
    if user is not None and user.email.lower() != invitation.email.lower():
        raise ValidationError(_("This invitation was sent to another address than that of your account."))
    # Two clicks at once both come this far; only one of them changes the row.
    mine = Invitation.objects.filter(pk=invitation.pk, accepted_at=None, expires_at__gt=moment)
    if not mine.update(accepted_at=moment):
        invitation.refresh_from_db()
        raise ValidationError(invitation.problem(moment))
    member = user or _new_user(invitation, given_name, family_name, password, language)
    Invitation.objects.filter(pk=invitation.pk).update(accepted_by=member)
    invitation.accepted_at, invitation.accepted_by = moment, member
    _join(invitation, member, moment)
    record(
        by=member,
        club=invitation.club,
        action="invitation.accepted",
        target=invitation,
        fields=["accepted_by"],
    )
    invitation_accepted.send(sender=Invitation, invitation=invitation, user=member, now=moment)
    return invitation, member


def _new_user(
    invitation: Invitation, given_name: str, family_name: str, password: str, language: str
) -> User:
    known = ValidationError(_("There is an account with this address. Sign in, then accept."))
    if User.objects.filter(email__iexact=invitation.email).exists():
        raise known
    user = User(
        email=invitation.email,
        given_name=" ".join(given_name.split()),
        family_name=" ".join(family_name.split()),
        language=language or invitation.club.language,
    )
    problems: dict[str, Any] = {}
    try:
        user.clean_fields(exclude=["password"])
    except ValidationError as error:
        problems = error.update_error_dict({})
    problems |= formulas_in({"given_name": user.given_name, "family_name": user.family_name})
    try:
        validate_password(password, user)
    except ValidationError as error:
        problems["password"] = error
    if problems:
        raise ValidationError(problems)
    user.set_password(password)
    try:
        with transaction.atomic():
            user.save()
    except IntegrityError:
        # Two invitations to one address, accepted at once: the other one was a moment earlier.
        raise known from None
    # The secret came to this address: nobody has to confirm it again.
    EmailAddress.objects.create(user=user, email=user.email, verified=True, primary=True)
    return user


def _join(invitation: Invitation, user: User, now: datetime) -> None:
    club, role = invitation.club, Role(invitation.role)
    if invitation.person is not None:
        player = Player.objects.select_related("club").filter(club=club, uuid=invitation.person).first()
        if player is None:
            raise ValidationError(_("The player is not on the roster any more. Ask the club."))
        if role == Role.STUDENT:
            _link_student(player, user)
        elif role == Role.GUARDIAN:
            try:
                refuse_guardian(player, user, now)
            except ValidationError as error:
                raise ValidationError(error.messages) from None
            Guardianship.objects.get_or_create(guardian=user, player=player, defaults={"since": now})
    Membership.objects.get_or_create(user=user, club=club, role=role.value, defaults={"since": now})


def _link_student(player: Player, user: User) -> None:
    if player.user_id == user.pk:
        return
    if Player.objects.filter(club_id=player.club_id, user=user).exists():
        raise ValidationError(_("Your account belongs to another player of this club. Ask the club."))
    # Another invitation for the same player may be accepted at this moment.
    if not Player.objects.filter(pk=player.pk, user=None).update(user=user):
        raise ValidationError(_("This player has an account already. Ask the club."))
