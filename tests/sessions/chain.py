"""A small match with a coded analysis, as the tests of services and pages need it."""

import uuid
from dataclasses import dataclass
from datetime import date
from typing import Any

from players.models import Area, Check, Player, Unit
from sessions.models import Analysis, Closure, Mark, Match, Op, Rally, Situation
from tests import factories as make

PLAYED = date(2026, 9, 1)


def unit_of(player: Player) -> Unit:
    return Unit.objects.get(first=player, kind="player")


@dataclass
class Chain:
    """Ana and Dan (pair A) against two visitors; Aldo looks at Ana's lobs in two rallies."""

    cast: Any
    match: Match
    analysis: Analysis
    rallies: list[Rally]
    unit: Unit

    def area(self, code: str) -> Area:
        return Area.objects.get(club=self.cast.club, code=code)

    def see(
        self, area: str = "lob", unit: Unit | None = None, rally: int = 0, marks: Any = None, **fields: Any
    ) -> Situation:
        situation = make.make_situation(
            self.analysis, self.rallies[rally], unit or self.unit, self.area(area), **fields
        )
        for code, value in (marks or {}).items():
            check = Check.objects.get(club=self.cast.club, code=code)
            Mark.objects.create(situation=situation, check_identity=check, value=value)
        return situation

    def close(self, area: str = "lob", rally: int = 0) -> Closure:
        count = Situation.objects.filter(
            analysis=self.analysis, rally=self.rallies[rally], area=self.area(area), dropped=False
        ).count()
        return Closure.objects.create(
            analysis=self.analysis, rally=self.rallies[rally], area=self.area(area), situations=count
        )

    def op(self, device: uuid.UUID, seq: int) -> Op:
        return Op.objects.create(
            analysis=self.analysis,
            device=device,
            seq=seq,
            kind="mark.set",
            target="x",
            by=self.cast.assistant,
        )

    def state(self, state: str) -> None:
        Analysis.objects.filter(pk=self.analysis.pk).update(state=state)
        self.analysis.refresh_from_db()

    def fresh(self) -> Analysis:
        return Analysis.objects.get(pk=self.analysis.pk)


def make_chain(cast: Any, *, areas: tuple[str, ...] = ("lob",), units: Any = None, **fields: Any) -> Chain:
    match = fields.pop("match", None) or make.make_match(
        cast.club, [cast.ana, cast.dan, None, None], played_on=PLAYED
    )
    rallies = list(Rally.objects.filter(match=match)) or [make.make_rally(match, n) for n in (1, 2)]
    lens = list(Area.objects.filter(club=cast.club, code__in=areas))
    analysis = make.make_analysis(
        match,
        analyst=fields.pop("analyst", cast.assistant),
        units=units or [unit_of(cast.ana)],
        areas=lens,
        state=fields.pop("state", "in_progress"),
        **fields,
    )
    return Chain(cast, match, analysis, rallies, unit_of(cast.ana))
