"""Progression scores: a dynamic many-facet Rasch model of checks met.

A raw share mixes up the player, how hard the checks were, how strict the analyst is, how hard the balls
were, and the day. The model takes them apart:

    logit P(met) = theta[u, a](t) + form[u, a, day] + own[u, c] - delta[c] - gamma[r] - beta[ball]

- theta: a Gaussian random walk between match days for each unit u and area a, around a drift common to all
  units; at a unit's first match normal around the area's mean start, correlated over the areas.
- form: of the day. It widens intervals; the score leaves it out.
- own: which checks are this unit's own strong and weak ones; sums to zero over an area's checks.
- delta, gamma, beta: difficulty of the check, severity of the analyst, hardness of the ball (normal is 0).

Only differences of severity can be seen in tallies. So scores are told before the average of the analysts in
the data of the full fit (`Shared.anchor`): the part of severity that all share can't widen their intervals.

Hyper-parameters are fixed at documented priors (`Priors`). A check is known by being in the data: callers
pass the tallies of *doing* checks only, and an area's score is over the checks of the area that occur in the
data of the full fit, or in `shared`.

References
----------
Linacre, J. M. (1989). Many-Facet Rasch Measurement. Durbin, J. and Koopman, S. J. (2012). Time Series
Analysis by State Space Methods, 2nd ed. Rasmussen, C. E. and Williams, C. K. I. (2006). Gaussian Processes
for Machine Learning, section 3.4 (the Laplace approximation). All from memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from clubcoach.compute.intervals import normal_quantile
from clubcoach.compute.progression_extend import extend
from clubcoach.compute.progression_input import (
    Layout,
    Tallies,
    add_up,
    codes,
    distinct,
    first_of,
    lay_out,
    prefixes,
    read_tallies,
    refuse_far_days,
    whole,
)
from clubcoach.compute.progression_learn import can_learn, learn
from clubcoach.compute.progression_model import most_seen, pose
from clubcoach.compute.progression_predict import predict_rows
from clubcoach.compute.progression_read import draw_scores, score_rows, seen_so_far
from clubcoach.compute.progression_seats import seats_of
from clubcoach.compute.progression_shared import (
    Floats,
    Ints,
    Priors,
    Shared,
    at_priors,
    average,
)
from clubcoach.compute.progression_solve import Posterior, solve

__all__ = ["Better", "Priors", "Progression", "Shared", "fit_progression", "p_better"]

# Prefixes of a unit are solved in batches of about so many unit-days, which bounds the memory.
_BATCH = 4000


@dataclass(frozen=True, slots=True, eq=False)
class Progression:
    """What the model says; see `fit_progression`. All methods are pure."""

    posterior: Posterior

    @property
    def shared(self) -> Shared:
        """Shared effects with their covariance, hyper-parameters and identities; `to_dict` for JSON."""
        return self.posterior.shared

    @property
    def areas(self) -> Ints:
        """Area identities, rising: the order of the last axis of `draws`."""
        return self.posterior.shared.areas

    @property
    def players(self) -> Ints:
        """Units with data, rising."""
        return np.sort(self._layout.players)

    @property
    def _layout(self) -> Layout:
        return self.posterior.problem.layout

    def scores(
        self, *, kind: Literal["smoothed", "filtered"] = "smoothed", level: float = 0.8
    ) -> dict[str, Floats | Ints]:
        """Progression scores, a row per unit x match day x area.

        Parameters
        ----------
        kind : str
            "smoothed": as seen now, every day in the light of all data. "filtered": as told then, each day
            from the unit's own tallies up to that day (with the shared effects of this fit).
        level : float
            Coverage of the two-sided interval.

        Returns
        -------
        dict of str to ndarray, each of shape (rows,)
            player, day, area, n (int64: checks seen in the area so far); score, low, high (float64, 0-100).
            Sorted by player, day, area. Areas in which a unit has never been seen have no rows.

        Raises
        ------
        ValueError
            When `kind` or `level` is not known.
        """
        if kind not in ("smoothed", "filtered"):
            raise ValueError(f"kind must be 'smoothed' or 'filtered', not {kind!r}")
        layout, z = self._layout, normal_quantile(level)
        then = kind == "filtered"
        parts = self._as_told_then(z) if then else score_rows(self.posterior, np.arange(layout.slots), z)
        count = seen_so_far(self.posterior)
        ever = np.zeros((layout.players.size, self.areas.size), dtype=np.int64)
        np.maximum.at(ever, layout.unit, count)
        slot, area = np.nonzero((ever > 0)[layout.unit])
        order = np.lexsort((area, layout.day[slot], layout.players[layout.unit[slot]]))
        slot, area = slot[order], area[order]
        out: dict[str, Floats | Ints] = {
            "player": layout.players[layout.unit[slot]],
            "day": layout.day[slot],
            "area": self.areas[area],
        }
        out.update(
            {name: part[slot, area] for name, part in zip(("score", "low", "high"), parts, strict=True)}
        )
        out["n"] = count[slot, area]
        return out

    def predict(
        self,
        *,
        player: ArrayLike,
        day: ArrayLike,
        area: ArrayLike,
        check: ArrayLike,
        analyst: ArrayLike,
        ball: ArrayLike,
    ) -> Floats:
        """Chance that a check is met, over everything that the model does not know for sure.

        Days beyond a unit's last match follow the drift and the walk, days between two matches lie
        between them; the form of the day counts as a new one. A unit, check or analyst that is not
        known stands at its prior mean and variance.

        Parameters
        ----------
        player, day, area, check, analyst, ball : array_like of int, shape (rows,)

        Returns
        -------
        ndarray of float64, shape (rows,)
            Between 0 and 1.

        Raises
        ------
        ValueError
            As `fit_progression`, and when a check is known in another area.
        """
        given = {"player": player, "day": day, "area": area, "check": check, "analyst": analyst, "ball": ball}
        size = np.asarray(player).size
        ones = np.ones(size, dtype=np.int64)
        arrays = read_tallies({**given, "seen": ones, "met": ones})
        _same_areas(self.shared, arrays)
        return predict_rows(self.posterior, arrays)

    def draws(self, player: int, days: ArrayLike, *, rng: np.random.Generator, n: int) -> Floats:
        """Draws of one unit's scores, joint over days and areas.

        Parameters
        ----------
        player : int
            A unit with data.
        days : array_like of int, shape (days,)
            Any days: beyond the last match they are forecasts.
        rng : numpy.random.Generator
        n : int
            Number of draws.

        Returns
        -------
        ndarray of float64, shape (n, days, areas)
            0 to 100; areas in the order of `areas`.

        Raises
        ------
        ValueError
            When the unit has no data, a day is no whole number, or n is negative.
        """
        if n < 0:
            raise ValueError(f"n must not be negative, not {n}")
        return draw_scores(self.posterior, self._unit(player), whole("days", days), rng, n)

    def seen(self, player: int, area: int, day: int) -> int:
        """Checks of an area seen from a unit up to and including a day.

        Parameters
        ----------
        player, area, day : int

        Returns
        -------
        int

        Raises
        ------
        ValueError
            When the unit or the area has no data.
        """
        slots = self._layout.of_unit(self._unit(player))
        before = slots[self._layout.day[slots] <= day]
        return int(seen_so_far(self.posterior)[before[-1], self._area(area)]) if before.size else 0

    def _unit(self, player: int) -> int:
        found = np.flatnonzero(self._layout.players == player)
        if not found.size:
            raise ValueError(f"player {player} has no data in this result")
        return int(found[0])

    def _area(self, area: int) -> int:
        found = np.flatnonzero(self.areas == area)
        if not found.size:
            raise ValueError(f"area {area} is not in this result")
        return int(found[0])

    def _as_told_then(self, z: float) -> tuple[Floats, Floats, Floats]:
        problem, layout = self.posterior.problem, self._layout
        out = tuple(np.zeros((layout.slots, self.areas.size)) for _ in range(3))
        days = np.cumsum(layout.steps * (layout.steps + 1) // 2)
        for batch in range(int(days[-1] if days.size else 0) // _BATCH + 1):
            units = np.flatnonzero(days // _BATCH == batch)
            part, cells, last, origin = prefixes(layout, problem.cells, units)
            then = solve(pose(part, cells, self.shared, problem.looks[origin]), held=True)
            for whole_part, found in zip(out, score_rows(then, last, z), strict=True):
                whole_part[part.players] = found
        return out[0], out[1], out[2]


@dataclass(frozen=True, slots=True)
class Better:
    """Chance that a unit is better than at an earlier date; `change` in points of the score, with interval.

    `n` is the number of checks seen in the area up to the later date, `draws` the number of draws.
    """

    p: float
    change: float
    low: float
    high: float
    n: int
    draws: int


def fit_progression(
    player: ArrayLike,
    day: ArrayLike,
    area: ArrayLike,
    check: ArrayLike,
    analyst: ArrayLike,
    ball: ArrayLike,
    seen: ArrayLike,
    met: ArrayLike,
    *,
    situation: ArrayLike | None = None,
    shared: Shared | Mapping[str, Any] | None = None,
    priors: Priors | None = None,
    anchor: ArrayLike | None = None,
) -> Progression:
    """Fit the progression model to tallies.

    Parameters
    ----------
    player, day, area, check, analyst, ball : array_like of int, shape (rows,)
        Unit (player or pair), day number in the club's time zone, area, check identity (of *doing* checks
        only), analyst, ball (0 easy, 1 normal, 2 hard). Identities are any whole numbers.
    seen, met : array_like of int, shape (rows,)
        0 <= met <= seen. Rows of the same keys add up; rows with nothing seen are no data.
    situation : array_like of int, shape (rows,), optional
        Which situation a row comes from. It says how many situations a unit's day in an area had, over which
        the luck inside a situation averages; without it they are as many as the check seen most often there.
    shared : Shared or mapping, optional
        `.shared` of a full fit, or its `to_dict`. Only the units are solved, with the shared effects
        held; their covariance still widens the intervals. Unknown areas, checks and analysts stand at
        prior mean and variance (see `progression_extend.extend`).
    priors : Priors, optional
        Fixed hyper-parameters of a full fit; with `shared` those of that fit hold.
    anchor : array_like of int, shape (any,), optional
        Analysts of a full fit whose average is the average analyst; all of them where it is not given. Held
        for a season, no old score moves because somebody joins or leaves.

    Returns
    -------
    Progression
        Empty input gives a result without rows.

    Raises
    ------
    ValueError
        When lengths differ, an array is not of whole numbers, a ball is not 0 to 2, a count is negative,
        met is above seen, a day lies a lifetime from the others, a check stands in two areas (also: in another
        one than in `shared`), `shared` is given together with `priors` or `anchor`, or no analyst of `anchor` has data.
    """
    columns: dict[str, ArrayLike] = {
        "player": player,
        "day": day,
        "area": area,
        "check": check,
        "analyst": analyst,
        "ball": ball,
        "seen": seen,
        "met": met,
    }
    if situation is not None:
        columns["situation"] = situation
    tallies = read_tallies(columns)
    refuse_far_days(columns["day"])
    layout, slot = lay_out(tallies.player, tallies.day)
    if shared is None:
        known, seat = _unfitted(tallies, priors or Priors(), anchor)
    else:
        if priors is not None or anchor is not None:
            raise ValueError("shared brings its own priors and anchor: give no others")
        known, seat = _held(tallies, shared if isinstance(shared, Shared) else Shared.from_dict(shared))
    check = np.searchsorted(known.checks, tallies.check)
    cells = add_up(slot, check, seat, tallies.ball, tallies.seen, tallies.met)
    looks = most_seen(layout, cells, known)
    if tallies.situation is not None:
        node = slot * max(known.areas.size, 1) + np.searchsorted(known.areas, tallies.area)
        looks = distinct(node, tallies.situation, layout.slots * known.areas.size)
        looks = looks.reshape(layout.slots, known.areas.size)
    if shared is None and priors is None and can_learn(layout):
        known = learn(layout, cells, known, looks)
    return Progression(solve(pose(layout, cells, known, looks), held=shared is not None))


def _unfitted(tallies: Tallies, priors: Priors, anchor: ArrayLike | None) -> tuple[Shared, Ints]:
    """Shared effects at their priors, and the seat of each row."""
    areas, in_area = codes(tallies.area)
    checks, which = codes(tallies.check)
    analysts, who, month, seat = seats_of(tallies.analyst, tallies.day, walking=priors.severity_walk_sd > 0)
    where = first_of(checks.size, which, in_area)
    known = at_priors(priors, areas, checks, where, analysts, who, month)
    return (known if anchor is None else _anchored(known, whole("anchor", anchor))), seat


def _held(tallies: Tallies, shared: Shared) -> tuple[Shared, Ints]:
    """The effects of an earlier fit with what is new in the tallies, and the seat of each row."""
    _same_areas(shared, tallies)
    areas, _in_area = codes(tallies.area)
    checks, which = codes(tallies.check)
    area_of = first_of(checks.size, which, tallies.area)
    walking = shared.priors.severity_walk_sd > 0
    analysts, who, month, seat = seats_of(tallies.analyst, tallies.day, walking=walking)
    known = extend(shared, areas, checks, area_of, analysts, who, month)
    pairs = list(zip(np.searchsorted(known.analysts, analysts)[who].tolist(), month.tolist(), strict=True))
    at = {
        pair: i
        for i, pair in enumerate(zip(known.seat_analyst.tolist(), known.seat_month.tolist(), strict=True))
    }
    return known, np.array([at[pair] for pair in pairs], dtype=np.int64)[seat]


def p_better(
    result: Progression,
    player: int,
    area: int,
    day_now: int,
    day_then: int,
    *,
    rng: np.random.Generator,
    n: int = 4000,
    level: float = 0.8,
) -> Better:
    """Chance that a unit's score in an area is higher than at an earlier date.

    From joint draws, so that what both dates share (the analysts, the checks, the walk between) cancels.

    Parameters
    ----------
    result : Progression
    player, area : int
    day_now, day_then : int
    rng : numpy.random.Generator
    n : int
        Number of draws, at least 1.
    level : float
        Coverage of the interval of the change.

    Returns
    -------
    Better
        On equal days p is one half.

    Raises
    ------
    ValueError
        When the unit or the area has no data, n is below 1, or level is no inner share.
    """
    if n < 1:
        raise ValueError(f"n must be at least 1, not {n}")
    if not 0.0 < level < 1.0:
        raise ValueError(f"level must lie between 0 and 1, not {level!r}")
    where = result._area(area)
    drawn = result.draws(player, [day_then, day_now], rng=rng, n=n)[:, :, where]
    change = drawn[:, 1] - drawn[:, 0]
    tail = (1.0 - level) / 2.0
    low, high = np.quantile(change, [tail, 1.0 - tail])
    chance = float(np.mean(change > 0) + 0.5 * np.mean(change == 0))
    return Better(
        chance, float(change.mean()), float(low), float(high), result.seen(player, area, day_now), n
    )


def _anchored(shared: Shared, anchor: Ints) -> Shared:
    among = np.isin(shared.analysts, anchor)
    if not among.any():
        raise ValueError("none of the analysts of anchor has data")
    weights = among / among.sum()
    return replace(shared, anchor=weights, reference=average(shared.seat_analyst, weights))


def _same_areas(shared: Shared, tallies: Tallies) -> None:
    at = np.searchsorted(shared.checks, tallies.check)
    at = np.minimum(at, max(shared.checks.size - 1, 0))
    if not shared.checks.size:
        return
    moved = (shared.checks[at] == tallies.check) & (shared.areas[shared.check_area[at]] != tallies.area)
    if moved.any():
        row = int(np.flatnonzero(moved)[0])
        raise ValueError(
            f"check {tallies.check[row]} is in area {tallies.area[row]} here and in another in shared"
        )
