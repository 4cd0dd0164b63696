"""Where the roster stands: three sentences and a list, without anybody's film."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from django.db.models import Max
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from clubcoach.models import Club
from players.models import Area, LevelStandard, Player, Unit
from reports.trend import Standing, standings
from sessions.models import Cover

# Common practice: two looks a term.
LONG = timedelta(days=60)
NAMED = 3


@dataclass(frozen=True)
class Row:
    """One player of the list. ``below``: areas that are surely below; ``compared``: how many could be compared."""

    player: Player
    last_day: date | None
    below: list[Area]
    compared: int

    @property
    def words(self) -> str:
        if self.player.level_id is None:
            return _("no level yet")
        if not self.compared:
            return _("not enough seen yet")
        if not self.below:
            return _("none")
        return ", ".join(area.name for area in self.below)


@dataclass(frozen=True)
class Programme:
    sentences: list[str]
    rows: list[Row]


def programme_of(club: Club, today: date) -> Programme:
    """Six queries whatever the size of the roster. Whoever was not seen for longest stands first."""
    players = list(Player.objects.filter(club=club, active=True).select_related("level", "club"))
    last, told = _last_days(club), standings(club)
    areas = {area.pk: area for area in Area.objects.filter(club=club, on=True)}
    asked: dict[int, dict[int, int]] = defaultdict(dict)
    for level, area, score in LevelStandard.objects.filter(level__club=club).values_list(
        "level", "area", "score"
    ):
        asked[level][area] = score
    units = dict(
        Unit.objects.filter(club=club, kind=Unit.Kind.PLAYER, first__active=True).values_list("first", "pk")
    )
    rows, gaps = [], defaultdict(list)
    for player in players:
        below, compared = [], 0
        standards = asked[player.level_id] if player.level_id else {}
        for area, standard in standards.items():
            standing = told.get((units[player.pk], area))
            if area not in areas or standing is None or not standing.enough:
                continue
            compared += 1
            gaps[area].append(standard - standing.score.score)
            if _surely_below(standing, standard):
                below.append(areas[area])
        rows.append(Row(player, last.get(player.pk), sorted(below, key=lambda a: a.position), compared))
    rows.sort(key=lambda row: (row.last_day or date.min, row.player.family_name, row.player.pk))
    return Programme([_seen(rows, today), _furthest(areas, gaps), _long_ago(rows, today)], rows)


def _surely_below(standing: Standing, standard: float) -> bool:
    return standing.score.high < standard


def _last_days(club: Club) -> dict[int, date]:
    """By player: the last match of which a current analysis covers them, alone or in a pair."""
    rows = (
        Cover.objects.filter(match__club=club, current=True)
        .order_by()
        .values("unit__first", "unit__second")
        .annotate(day=Max("match__played_on"))
    )
    days: dict[int, date] = {}
    for row in rows:
        for player in (row["unit__first"], row["unit__second"]):
            if player is not None:
                days[player] = max(row["day"], days.get(player, row["day"]))
    return days


def _recent(row: Row, today: date) -> bool:
    return row.last_day is not None and row.last_day > today - LONG


def _seen(rows: list[Row], today: date) -> str:
    seen = sum(_recent(row, today) for row in rows)
    return ngettext(
        "%(seen)d of %(all)d player was analysed in the last %(days)d days.",
        "%(seen)d of %(all)d players were analysed in the last %(days)d days.",
        len(rows),
    ) % {"seen": seen, "all": len(rows), "days": LONG.days}


def _furthest(areas: dict[int, Area], gaps: dict[int, list[float]]) -> str:
    means = {area: float(np.mean(found)) for area, found in gaps.items()}
    if not means:
        return _("No area can be compared with the levels yet: not enough was seen.")
    area = max(means, key=lambda key: (means[key], -areas[key].position))
    if means[area] <= 0:
        return _("On average no area lies below what the levels expect.")
    return ngettext(
        "Furthest below what the levels expect is “%(area)s”, by %(gap)d points (%(n)d player compared).",
        "Furthest below what the levels expect is “%(area)s”, by %(gap)d points on average (%(n)d players compared).",
        len(gaps[area]),
    ) % {"area": areas[area].name, "gap": round(means[area]), "n": len(gaps[area])}


def _long_ago(rows: list[Row], today: date) -> str:
    waiting = [row for row in rows if not _recent(row, today)]
    if not waiting:
        return _("Everybody was seen in the last %(days)d days.") % {"days": LONG.days}
    names = [_name(row.player, today) for row in waiting[:NAMED]]
    more = len(waiting) - len(names)
    listed = ", ".join(names)
    if more:
        listed = _("%(names)s and %(more)d more") % {"names": listed, "more": more}
    return _("Not seen for %(days)d days or longer: %(names)s.") % {"days": LONG.days, "names": listed}


def _name(player: Player, today: date) -> str:
    return player.initials if player.is_minor(today) else player.name
