"""What this app does when something happens in the one below."""

from datetime import datetime
from typing import Any

from django.db import transaction
from django.dispatch import receiver

from players.models import Player, Squad
from players.signals import consent_withdrawn, squad_changed, squad_retiring
from sessions import clips, film_jobs, film_jobs_listen, film_jobs_make, film_store, stills
from sessions.models import Film
from sessions.services.lessons import end_lessons_of, expect_squad

__all__ = ["film_jobs", "film_jobs_listen", "film_jobs_make"]  # registers the handlers of its jobs


@receiver(consent_withdrawn)
def pictures_go_with_the_consent(sender: Any, player: Player, **kwargs: Any) -> None:
    # Pages refuse them from the commit on, whether the files are gone by then or not.
    clips.drop_clips_of(player)
    transaction.on_commit(lambda: stills.drop_stills_of(player))
    transaction.on_commit(lambda: _drop_strips_of(player))


def _drop_strips_of(player: Player) -> None:
    for film in Film.objects.filter(match_films__match__seats__player=player).exclude(digest="").distinct():
        film_store.drop_strip(film)


@receiver(squad_changed)
def who_is_in_the_squad_is_expected(sender: Any, squad: Squad, now: datetime, **kwargs: Any) -> None:
    expect_squad(squad=squad, now=now)


@receiver(squad_retiring)
def nothing_stays_planned(
    sender: Any, squad: Squad, by: Any, now: datetime, call_off: bool, **kwargs: Any
) -> None:
    end_lessons_of(by=by, squad=squad, call_off=call_off, now=now)
