from datetime import date, datetime
from typing import Any

from django.core.exceptions import PermissionDenied, ValidationError
from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from clubcoach.access import Can, viewer_of
from clubcoach.audit import record
from clubcoach.models import Club, User
from players.models import FilmConsent, Guardianship, Player
from players.models.people import years_after
from players.signals import consent_withdrawn

MOST_YEARS = 3
By = FilmConsent.By
Way = FilmConsent.Way
HERE = str(Way.HERE)


@transaction.atomic
def give_consent(
    *,
    by: User,
    player: Player,
    as_: str,
    purpose: str,
    way: str = HERE,
    expires_on: date | None = None,
    witness: str = "",
    of_age: bool = False,
    now: datetime | None = None,
) -> FilmConsent:
    """Say that a player may be filmed, as the player or as a guardian; saying the same again changes nothing.

    On paper the coach or manager who holds the form writes it down and names a witness. ``of_age`` is the player's
    own word where the club does not know the date of birth.
    """
    moment = now or timezone.now()
    # Two clicks at once would both find nothing in force.
    row = Player.objects.select_for_update(of=("self",)).select_related("club").get(pk=player.pk)
    club, today = row.club, row.club.today(moment)
    ends = expires_on or years_after(today, 1)
    _refuse_person(by, row, as_, way, today)
    _refuse_words(purpose, ends, way, witness, today)
    _refuse_age(row, as_, way, of_age, today)
    open_one = FilmConsent.objects.filter(player=row, by=as_, withdrawn_at__isnull=True).first()
    wanted = (purpose.strip(), ends, way, witness.strip())
    if open_one is not None:
        said = (open_one.purpose, open_one.expires_on, open_one.way, open_one.witness)
        if said == wanted and ends >= today:
            return open_one
        # A new word takes the place of the earlier one.
        open_one.withdrawn_at = moment
        open_one.save(update_fields=["withdrawn_at"])
    consent = FilmConsent.objects.create(
        player=row,
        by=as_,
        given_by=by,
        way=way,
        witness=wanted[3],
        purpose=wanted[0],
        given_at=moment,
        expires_on=ends,
    )
    fields = ["by", "way", "purpose", "expires_on"] + (["of_age"] if of_age else [])
    record(by=by, club=club, action="consent.given", target=consent, fields=fields)
    return consent


@transaction.atomic
def withdraw_consent(*, by: User, player: Player, way: str = HERE, now: datetime | None = None) -> int:
    """Take the consent back. One no is enough: it ends for everybody who had said yes. Returns how many ended."""
    moment = now or timezone.now()
    row = Player.objects.select_for_update(of=("self",)).select_related("club").get(pk=player.pk)
    if way == Way.PAPER:
        _refuse_keeper(by, row.club)
    elif not (is_own(by, row) or is_guardian(by, row, row.club.today(moment))):
        raise PermissionDenied(_("Only the player or a guardian takes a consent back here."))
    return end_consents(by=by, player=row, now=moment)


def end_consents(*, by: Any, player: Player, now: datetime) -> int:
    """End what is in force; call it inside a transaction. Receivers of the signal take the films away."""
    in_force = FilmConsent.objects.filter(player=player).in_force(player.club.today(now))
    ended = list(in_force)
    for consent in ended:
        consent.withdrawn_at = now
        consent.save(update_fields=["withdrawn_at"])
        record(by=by, club=player.club, action="consent.withdrawn", target=consent, fields=["withdrawn_at"])
    # Also when none was in force any more: pictures from the time when one was may still lie there.
    consent_withdrawn.send(sender=Player, player=player, by=by, now=now)
    return len(ended)


def is_own(user: User, player: Player) -> bool:
    return player.user_id is not None and player.user_id == user.pk


def is_guardian(user: User, player: Player, day: date) -> bool:
    """A guardian's word ends at the age of majority."""
    return player.is_minor(day) and Guardianship.objects.filter(player=player, guardian=user).exists()


def _refuse_keeper(by: User, club: Club) -> None:
    if not viewer_of(by, club).can(Can.EDIT_ROSTER):
        raise PermissionDenied(_("Only the head coach and the club manager keep consents on paper."))


def _refuse_person(by: User, player: Player, as_: str, way: str, today: date) -> None:
    if as_ not in By.values or way not in Way.values:
        raise ValidationError(_("Say who agrees, and whether here or on paper."))
    if way == Way.PAPER:
        _refuse_keeper(by, player.club)
    elif as_ == By.PLAYER and not is_own(by, player):
        raise PermissionDenied(_("Only the player says this."))
    elif as_ == By.GUARDIAN and not is_guardian(by, player, today):
        raise PermissionDenied(_("Only a guardian of the player says this."))


def _refuse_words(purpose: str, ends: date, way: str, witness: str, today: date) -> None:
    problems = {}
    if not purpose.strip():
        problems["purpose"] = _("Say what the films are for.")
    elif len(purpose.strip()) > 200:
        problems["purpose"] = _("Say it in 200 letters at most.")
    if ends <= today:
        problems["expires_on"] = _("The last day must lie in the future.")
    elif ends > years_after(today, MOST_YEARS):
        problems["expires_on"] = _("Ask again after %(years)d years at most.") % {"years": MOST_YEARS}
    if way == Way.PAPER and not witness.strip():
        problems["witness"] = _("Name who saw the signature.")
    elif len(witness.strip()) > 120:
        problems["witness"] = _("A name of 120 letters at most.")
    if problems:
        raise ValidationError(problems)


def _refuse_age(player: Player, as_: str, way: str, of_age: bool, today: date) -> None:
    """A child does not agree alone: somebody grown up has to be there who can also say no."""
    if player.is_minor(today):
        guarded = (
            Guardianship.objects.filter(player=player).exists()
            or FilmConsent.objects.filter(player=player, by=By.GUARDIAN).in_force(today).exists()
        )
        if as_ == By.PLAYER and not guarded:
            raise ValidationError(
                _(
                    "Only the year of birth of %(name)s is known, and counted to its end that is under %(age)d. Add a"
                    " guardian, or write down the date of birth or a guardian's consent on paper, first."
                )
                % {"name": player.given_name, "age": player.club.majority_age}
                if player.birth_year
                else _(
                    "%(name)s is under %(age)d and no guardian is known here yet. Add a guardian, or write down"
                    " a guardian's consent on paper, first."
                )
                % {"name": player.given_name, "age": player.club.majority_age}
            )
    elif as_ == By.GUARDIAN:
        raise ValidationError(_("No guardian speaks for this player, who is not known to be a minor."))
    elif player.born_on is None and way == Way.HERE and not of_age:
        raise ValidationError(
            {
                "of_age": _(
                    "The club does not know your date of birth. Say that you are %(age)d or older, or ask your"
                    " coach to write it down."
                )
                % {"age": player.club.majority_age}
            }
        )
