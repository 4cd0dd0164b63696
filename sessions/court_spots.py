"""Places on the floor that were clicked for checks: in metres through the film's court view, with their chances."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, cast

import numpy as np

from clubcoach.compute.court import CourtError, CourtFit
from clubcoach.compute.court_decide import Rule, all_measured, chances_met, rule_of
from clubcoach.compute.court_reach import End
from players.models import CheckWording
from sessions import court_reading, court_words
from sessions.models import CourtView, Spot

# A court that was placed anew since moves a place; by more than this its old metres are no longer those of the click.
SAME_PLACE_M = 0.05


@dataclass(frozen=True)
class Place:
    """A click on the floor, metres and square metres."""

    x: float
    y: float
    var_x: float
    cov_xy: float
    var_y: float

    @property
    def near_court(self) -> bool:
        """Within the walls, or outside by no more than the error explains."""
        slack = court_words.FOUR_IN_FIVE
        return abs(self.x) <= court_reading.HALF_WIDTH + slack * math.sqrt(self.var_x) and abs(
            self.y
        ) <= court_reading.HALF_LENGTH + slack * math.sqrt(self.var_y)


def rule_of_wording(wording: CheckWording) -> Rule | None:
    return rule_of(
        {"code": wording.check_identity.code, "decides": wording.decides, "bounds": wording.bounds or {}}
    )


def rules_of(wordings: Iterable[CheckWording]) -> dict[str, Rule]:
    """By code: every check that places decide, or whose lines are drawn."""
    found = {wording.check_identity.code: rule_of_wording(wording) for wording in wordings}
    return {code: rule for code, rule in found.items() if rule is not None}


def fit_of(view: CourtView) -> CourtFit | None:
    """The fitted court; None where landmarks that were kept fit none any more."""
    marks = tuple((name, float(u), float(v)) for name, (u, v) in view.landmarks.items())
    return _fit(marks, view.width, view.height)


# A sheet asks for the same few views every few seconds.
@lru_cache(maxsize=64)
def _fit(marks: tuple[tuple[str, float, float], ...], width: int, height: int) -> CourtFit | None:
    try:
        return court_reading.fit_of({name: [u, v] for name, u, v in marks}, width, height)
    except CourtError:
        return None


def view_of(views: Sequence[CourtView], at_s: float) -> CourtView | None:
    """Of a film's views the one that holds at a moment of it."""
    begun = [view for view in views if view.from_s <= at_s]
    return max(begun, key=lambda view: view.from_s, default=None)


def pixels(fit: CourtFit, shares: Sequence[tuple[float, float]]) -> Any:
    return np.array(shares, dtype=np.float64).reshape(-1, 2) * np.array(fit.image_size)


def place_at(fit: CourtFit, u: float, v: float) -> Place | None:
    """The place on the floor at shares of the picture; None where it shows none."""
    places, spreads = fit.to_court(pixels(fit, [(u, v)]))
    if not (np.isfinite(places).all() and np.isfinite(spreads).all()):
        return None
    (x, y), spread = places[0], spreads[0]
    return Place(*(float(part) for part in (x, y, spread[0, 0], spread[0, 1], spread[1, 1])))


def sd_along(spot: Spot, rule: Rule | None) -> float:
    """How well a spot is known in the direction that its check asks about."""
    across = rule is not None and rule.measure in ("centre", "across")
    return math.sqrt(spot.var_x if across else spot.var_y)


def shown_spot(spot: Spot, film: str | None, rule: Rule | None) -> dict[str, Any]:
    return {
        "film": film,
        "at_s": spot.at_s,
        "u": spot.u,
        "v": spot.v,
        "x_m": round(spot.x_m, 3),
        "y_m": round(spot.y_m, 3),
        "sd_m": round(sd_along(spot, rule), 3),
    }


@dataclass(frozen=True)
class Asked:
    """A check of a situation, with the spots that were clicked for it."""

    rule: Rule | None
    end: str
    spots: Mapping[int, Spot]


Views = Mapping[int, Sequence[CourtView]]


def decided(asked: Sequence[Asked], views: Views) -> list[dict[str, Any]]:
    """For each ``chance`` and ``measure`` ([metres, standard deviation]), once all its spots are there.

    Nothing where they are not, where they were clicked in two views, or where the court was placed anew since.
    """
    found: list[dict[str, Any]] = [{} for _ in asked]
    # Those of one view, check and end are worked out together: a sheet may have hundreds.
    alike: dict[tuple[int, Rule, str], list[int]] = defaultdict(list)
    by_key: dict[int, CourtView] = {}
    for index, one in enumerate(asked):
        if one.rule is None or not one.rule.spots or set(one.spots) < set(range(1, one.rule.spots + 1)):
            continue
        view = _one_view(_needed(one, one.rule), views)
        if view is not None:
            by_key[view.pk] = view
            alike[view.pk, one.rule, one.end].append(index)
    for (key, rule, end), indices in alike.items():
        fit = fit_of(by_key[key])
        if fit is not None:
            spots = [_needed(asked[index], rule) for index in indices]
            for index, says in zip(indices, _says(fit, rule, cast(End, end), spots), strict=True):
                found[index] = says
    return found


def _needed(one: Asked, rule: Rule) -> list[Spot]:
    return [one.spots[number] for number in range(1, rule.spots + 1)]


def _says(fit: CourtFit, rule: Rule, end: End, rows: Sequence[Sequence[Spot]]) -> list[dict[str, Any]]:
    clicks = pixels(fit, [(spot.u, spot.v) for spots in rows for spot in spots])
    off = fit.to_court(clicks)[0] - np.array([(spot.x_m, spot.y_m) for spots in rows for spot in spots])
    same = (np.hypot(*off.T) <= SAME_PLACE_M).reshape(len(rows), -1).all(axis=1)
    clicks = clicks.reshape(len(rows), rule.spots, 2)
    shares = chances_met(rule, fit, clicks, end=end)
    measures = all_measured(rule, fit, clicks, end=end)
    return [
        {
            "chance": round(float(share), 3),
            "measure": [round(float(value), 2), round(float(sd), 3)],
        }
        if known
        else {}
        for share, (value, sd), known in zip(shares, measures, same & np.isfinite(shares), strict=True)
    ]


def _one_view(spots: Sequence[Spot], views: Views) -> CourtView | None:
    films = {spot.film_id for spot in spots}
    if len(films) > 1 or None in films:
        return None
    there = views.get(cast(int, spots[0].film_id), ())
    found = [view_of(there, spot.at_s) for spot in spots]
    return found[0] if len({view.pk if view else None for view in found}) == 1 else None
