"""What this app does when something happens in the one below."""

from typing import Any

from django.db import transaction
from django.dispatch import receiver

from players.models import Player
from players.signals import consent_withdrawn
from sessions import film_jobs, stills

__all__ = ["film_jobs"]  # registers the handlers of its jobs


@receiver(consent_withdrawn)
def pictures_go_with_the_consent(sender: Any, player: Player, **kwargs: Any) -> None:
    # Pages refuse them from the commit on, whether the files are gone by then or not.
    transaction.on_commit(lambda: stills.drop_stills_of(player))
