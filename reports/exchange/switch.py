"""Putting a written import in place in one short transaction, and sweeping what one left behind."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from django.db import IntegrityError, models, transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from clubcoach.audit import record
from clubcoach.jobs import CannotWork
from clubcoach.models import Club
from players.lists import next_number
from players.models import Area, Check, CheckListVersion, CheckWording, Level, Player, Squad, Unit
from reports.exchange.load import chunk
from reports.exchange.plan import Plan
from reports.exchange.write import Tell, Written
from reports.models import Batch
from sessions.models import (
    Analysis,
    Analyst,
    Closure,
    Cover,
    LensArea,
    Mark,
    Match,
    Rally,
    Seat,
    Situation,
    Tally,
)

# What stands in the holding club by itself; everything else hangs on one of these.
_OWNED: tuple[type[models.Model], ...] = (Level, Area, Check, Analyst, Player, Unit, Squad, Match)
_AT_ONCE = 500
# Analyses whose rows are swept in one step.
_SWEPT_AT_ONCE = 5


@transaction.atomic
def switch_over(batch: Batch, plan: Plan) -> None:
    """Give the club what was written for it.

    Raises
    ------
    CannotWork
        Something changed in the club since the files were read, so that a row is there twice. Nothing is in place then.
    """
    written = plan.written
    if written is None:
        raise LookupError("nothing was written that could be put in place")
    club = Club.objects.select_for_update(no_key=True).get(pk=plan.club.pk)
    try:
        with transaction.atomic():
            _put_in_place(club, plan, written)
    except IntegrityError:
        raise CannotWork(
            _(
                "The club changed while this was brought in, and a row would be there twice. Read the files again."
            )
        ) from None
    Batch.objects.filter(pk=batch.pk).update(
        state=Batch.State.DONE, holding=None, counts=plan.counts, ended_at=timezone.now()
    )
    Club.objects.filter(pk=written.holding.pk)._raw_delete(Club.objects.db)  # type: ignore[attr-defined]
    record(by=plan.by, club=club, action="data.brought_in", target=batch, fields=list(plan.counts))
    batch.refresh_from_db()


def _put_in_place(club: Club, plan: Plan, written: Written) -> None:
    holding = written.holding
    number = next_number(club)
    for version in CheckListVersion.objects.filter(club=holding).order_by("number"):
        CheckListVersion.objects.filter(pk=version.pk).update(club=club, number=number)
        number += 1
    _seat(plan, written)
    _cover(plan, written)
    for ref, stand_in in written.stand_ins.items():
        real = plan.matches[ref].pk
        Analysis.objects.filter(match=stand_in).update(match=real)
        Rally.objects.filter(match=stand_in).update(match=real)
        Match.objects.filter(pk=stand_in)._raw_delete(Match.objects.db)  # type: ignore[attr-defined]
    for model in _OWNED:
        model._default_manager.filter(club=holding).update(club=club)
    in_squad = Squad.players.through
    in_squad.objects.bulk_create(
        [
            in_squad(squad_id=written.squads[name], player_id=written.players[row["player_ref"]])
            for row in plan.players
            for name in row["squads"] or ()
        ],
        batch_size=_AT_ONCE,
    )


def _seat(plan: Plan, written: Written) -> None:
    Seat.objects.bulk_create(
        (
            Seat(
                match_id=key,
                position=n,
                player_id=written.players[player] if (player := plan.matches[ref].player(n)) else None,
                side=plan.matches[ref].cells[f"side_{n}"] or "",
            )
            for ref, key in written.matches.items()
            for n in range(1, 5)
        ),
        batch_size=_AT_ONCE,
    )


def _cover(plan: Plan, written: Written) -> None:
    Cover.objects.bulk_create(
        (
            Cover(
                analysis_id=analysis,
                match_id=written.matches.get(ref) or plan.matches[ref].pk,
                unit_id=unit,
                current=counts,
            )
            for analysis, ref, unit, counts in written.covers
        ),
        batch_size=_AT_ONCE,
    )


def sweep(batch: Batch, tell: Tell = lambda *_: None) -> bool:
    """Remove what a batch left in its holding club, in steps short enough for others to work between them.

    Parameters
    ----------
    batch : Batch
    tell : callable, optional
        Called before each step, for a lease that has to be renewed.

    Returns
    -------
    bool
        Whether there was anything.
    """
    holding = batch.holding
    if holding is None:
        return False
    for keys in _slices(Analysis.objects.filter(match__club=holding), _SWEPT_AT_ONCE):
        tell(0, _("Clearing away what was begun"))
        with chunk():
            situations = Situation.objects.filter(analysis__in=keys)
            _remove(Mark.objects.filter(situation__in=situations.values("pk")))
            for model in (Tally, Closure, Situation, Cover, LensArea):
                _remove(model._default_manager.filter(analysis__in=keys))
            _remove(Analysis.objects.filter(pk__in=keys))
    for keys in _slices(Match.objects.filter(club=holding), _AT_ONCE // 10):
        tell(0, _("Clearing away what was begun"))
        with chunk():
            for model in (Rally, Seat):
                _remove(model._default_manager.filter(match__in=keys))
            _remove(Match.objects.filter(pk__in=keys))
    with chunk():
        _remove(CheckWording.objects.filter(version__club=holding))
        for model in (CheckListVersion, Unit, Player, Squad, Analyst, Check, Area, Level):
            _remove(model._default_manager.filter(club=holding))
        Batch.objects.filter(pk=batch.pk).update(holding=None)
        _remove(Club.objects.filter(pk=holding.pk))
    batch.holding = None
    return True


def _slices(rows: Any, size: int) -> Iterator[list[int]]:
    while keys := list(rows.order_by("pk").values_list("pk", flat=True)[:size]):
        yield keys


def _remove(rows: Any) -> None:
    """Without looking for what hangs on them: the caller knows, and goes from the leaves to the root."""
    rows._raw_delete(rows.db)
