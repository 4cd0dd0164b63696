"""Whether a player may be filmed: who has to say so, who did, and until when."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from django.utils.translation import gettext as _

from clubcoach import formatting
from clubcoach.models import Club
from players.models import FilmConsent, Player

BY_PLAYER = str(FilmConsent.By.PLAYER)
BY_GUARDIAN = str(FilmConsent.By.GUARDIAN)


def needed_from(player: Player, club: Club, day: date) -> tuple[str, ...]:
    """Who has to agree: the player, and below the age of own consent a guardian too."""
    age = player.age_on(day)
    if age is not None and age < club.own_consent_age:
        return (BY_PLAYER, BY_GUARDIAN)
    return (BY_PLAYER,)


@dataclass(frozen=True)
class ConsentState:
    """What is in force on a day, against what is needed."""

    club: Club
    needed: tuple[str, ...]
    given: tuple[FilmConsent, ...]

    @property
    def missing(self) -> tuple[str, ...]:
        have = {consent.by for consent in self.given}
        return tuple(by for by in self.needed if by not in have)

    @property
    def complete(self) -> bool:
        return not self.missing

    @property
    def ends_on(self) -> date | None:
        """The day on which the first of the needed consents ends."""
        ends = [consent.expires_on for consent in self.given if consent.by in self.needed]
        return min(ends) if ends and self.complete else None

    @property
    def words(self) -> str:
        if self.complete and self.ends_on:
            return _("yes, until %(day)s") % {"day": formatting.day(self.ends_on, self.club)}
        if not self.given:
            return _("not given")
        if BY_GUARDIAN in self.missing:
            return _("not yet: a guardian has to agree too")
        return _("not yet: the player has to agree too")


def consent_states(players: Iterable[Player], club: Club, day: date) -> dict[int, ConsentState]:
    """The state of each player, by primary key; one query for all of them."""
    rows = list(players)
    given: dict[int, list[FilmConsent]] = {player.pk: [] for player in rows}
    for consent in FilmConsent.objects.filter(player__in=rows).in_force(day):
        given[consent.player_id].append(consent)
    return {
        player.pk: ConsentState(club, needed_from(player, club, day), tuple(given[player.pk]))
        for player in rows
    }


def consent_state(player: Player, day: date) -> ConsentState:
    return consent_states([player], player.club, day)[player.pk]
