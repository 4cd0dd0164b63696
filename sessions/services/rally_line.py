"""The kept rallies of a match in the order of time, to put many in or take many out with their numbers in order."""

from __future__ import annotations

from bisect import insort
from collections.abc import Iterable
from datetime import datetime
from typing import Any

from clubcoach.models import User
from sessions import rally_numbers
from sessions.models import Match, Rally, RallyEdit
from sessions.ops.rows import RALLY_FIELDS


class RallyLine:
    """Numbered as `sessions.rally_numbers` says.

    The match's row is held, which writing marks does too, so that nobody else numbers its rallies meanwhile.
    """

    def __init__(self, match: Match) -> None:
        self.match = Match.objects.select_for_update(of=("self",)).get(pk=match.pk)
        self.rows = list(self.match.rallies.filter(dropped=False))
        self._numbers = {rally.pk: rally.number for rally in self.rows}
        self._new: list[Rally] = []
        self._edits: list[tuple[Rally, dict[str, Any], dict[str, Any]]] = []
        self._changed: dict[int, Rally] = {}

    @property
    def untimed(self) -> bool:
        """Whether some came from a sheet without times: then nothing can be put between them by its time."""
        return any(not rally.timed for rally in self.rows)

    def over(self, start_s: float, end_s: float, but: Iterable[Rally] = ()) -> Rally | None:
        """The first rally that was played in between; one whose end nobody has said is a moment."""
        left_out = {rally.pk for rally in but}
        for rally in self.rows:
            if rally.pk is not None and rally.pk in left_out:
                continue
            last = rally.start_s if rally.end_s is None else rally.end_s
            if (rally.start_s < end_s and last > start_s) or start_s <= rally.start_s == last < end_s:
                return rally
        return None

    def find(self, pk: int) -> Rally | None:
        return next((rally for rally in self.rows if rally.pk == pk), None)

    def put_in(self, rally: Rally) -> None:
        rally_numbers.put_in(rally, self.rows)
        insort(self.rows, rally, key=rally_numbers.place)
        self._new.append(rally)
        fields = {name: getattr(rally, name) for name in RALLY_FIELDS}
        self._edits.append((rally, {}, {**fields, "timed": True, "dropped": False}))

    def take_out(self, rally: Rally) -> None:
        self.rows.remove(rally)
        rally_numbers.take_out(rally, self.rows)
        self.change(rally, dropped=True)

    def change(self, rally: Rally, **values: Any) -> None:
        before = {name: getattr(rally, name) for name in values}
        for name, value in values.items():
            setattr(rally, name, value)
        rally.rev += 1
        self._changed[rally.pk] = rally
        self._edits.append((rally, before, values))

    def write(self, by: User, now: datetime) -> None:
        """A few statements, however many rallies; call it once."""
        Rally.objects.bulk_create(self._new)
        moved = [row for row in self.rows if row.pk in self._numbers and row.number != self._numbers[row.pk]]
        rows = {**{row.pk: row for row in moved}, **self._changed}
        Rally.objects.bulk_update(
            rows.values(), ["number", "start_s", "end_s", "dropped", "rev"], batch_size=200
        )
        RallyEdit.objects.bulk_create(
            RallyEdit(rally=rally, by=by, at=now, before=before, after=after)
            for rally, before, after in self._edits
        )
