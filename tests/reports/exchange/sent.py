"""A small club whose every row is known, for tests of the way out."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

from clubcoach.models import Club
from players.models import Area, Check, CheckListVersion, CheckWording, Player, Squad, Unit
from reports.exchange.rows import club_rows
from sessions.models import Analysis, Analyst, Closure, Cover, Mark, Match, Rally, Seat, Situation
from tests import factories as make

CODED = datetime(2026, 9, 3, 23, 30, tzinfo=UTC)


@dataclass
class Sent:
    """Ida and Jo (pair A) against Kim and a visitor; what was seen of them is published under "one"."""

    club: Club
    version: CheckListVersion
    analyst: Analyst
    ida: Player
    jo: Player
    kim: Player
    match: Match
    rallies: list[Rally]
    analysis: Analysis

    def area(self, code: str) -> Area:
        return Area.objects.get(club=self.club, code=code)

    def unit(self, player: Player) -> Unit:
        return Unit.objects.get(kind="player", first=player)

    def analyse(self, **fields: Any) -> Analysis:
        """Another published analysis, of this match if none is named."""
        return Analysis.objects.create(
            **{
                "match": self.match,
                "analyst": self.analyst,
                "check_list": self.version,
                "state": "published",
                "published_at": CODED,
                **fields,
            }
        )

    def see(
        self,
        player: Player | Unit,
        area: str = "lob",
        *,
        analysis: Analysis | None = None,
        rally: Rally | None = None,
        close: bool = True,
        marks: dict[str, str] | None = None,
        **fields: Any,
    ) -> Situation:
        analysis, rally = analysis or self.analysis, rally or self.rallies[0]
        unit = player if isinstance(player, Unit) else self.unit(player)
        situation = make.make_situation(analysis, rally, unit, self.area(area), **fields)
        Cover.objects.get_or_create(analysis=analysis, match=analysis.match, unit=unit)
        if close:
            Closure.objects.get_or_create(analysis=analysis, rally=rally, area=situation.area)
        for code, value in (marks or {}).items():
            check = Check.objects.get(club=self.club, code=code)
            Mark.objects.create(situation=situation, check_identity=check, value=value)
        return situation


def sent_club() -> Sent:
    club = make.make_club(time_zone="Europe/Madrid")
    high = make.make_level(club, 2, "Copper")
    make.make_level(club, 1, "Tin")
    ida = make.make_player(club, "Ida", ref="p2", family_name="Holm", level=high, born_on=date(2012, 4, 30))
    jo = make.make_player(club, "Jo", ref="p10", family_name="", hand="left", email="jo@example.org")
    kim = make.make_player(club, "Kim", ref="p1", family_name="Ray, jr", active=False)
    for name, retired_on in (("Late", None), ("Early", None), ("Gone", date(2026, 1, 1))):
        Squad.objects.create(club=club, name=name, retired_on=retired_on).players.add(ida)
    version = CheckListVersion.objects.create(club=club, number=1, name="ours")
    for code, position in (("lob", 1), ("net", 2)):
        Area.objects.create(club=club, code=code, position=position, name=code, for_pair=code == "net")
    for code, area, kind, phase, words in (
        ("L2", "lob", "doing", 1, "Feet"),
        ("L3", "lob", "result", 2, 'Time, "in the air"'),
        ("N1", "net", "doing", 1, "Level"),
    ):
        check = Check.objects.create(
            club=club,
            code=code,
            area=Area.objects.get(club=club, code=area),
            unit="pair" if area == "net" else "player",
            kind=kind,
            phase=phase,
        )
        CheckWording.objects.create(version=version, check_identity=check, name=words)
    analyst = Analyst.objects.create(club=club, ref="eye", name="Eye One")
    match = make.make_match(
        club,
        [ida, jo, kim, None],
        ref="m1",
        played_on=date(2026, 9, 1),
        kind="league",
        place="outdoor",
        walls="solid",
        rallies_played=40,
        format={"kind": "sets", "deuce": "golden"},
    )
    Seat.objects.filter(match=match, position=1).update(side="left")
    rallies = [
        make.make_rally(match, 1, start_s=12.0, end_s=20.25, near_pair="B", server=3),
        make.make_rally(match, 3, start_s=30.1, end_s=None, winner="none", server=None),
    ]
    analysis = make.make_analysis(
        match,
        analyst=make.make_user(),
        units=[],
        ref="one",
        check_list=version,
        state="published",
        published_at=CODED,
        submitted_at=CODED,
    )
    Analysis.objects.filter(pk=analysis.pk).update(analyst=analyst)
    return Sent(club, version, analyst, ida, jo, kim, match, rallies, analysis)


def rows_of(club: Club) -> dict[str, list[tuple[Any, ...]]]:
    return {name: list(rows) for name, rows in club_rows(club)}
