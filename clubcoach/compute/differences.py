"""Why the raw share of checks met and the progression score differ, taken apart in logits.

The score is of the last match day, over an area's checks alike, on a normal ball before the average analyst. The
share counts what was seen: by whom, on which balls, of which checks and when. Each of these moves it by the mean, over
what was seen, of the effect that the model found; what remains between the share and what the model expects of it is
held back because little was seen, or was put down to the form of the days.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import expit, logit

from clubcoach.compute.progression import Progression


@dataclass(frozen=True, slots=True)
class Gap:
    """Logits by which each cause puts the share above (positive) or below the score.

    Attributes
    ----------
    severity : float
        Who looked, against the average analyst.
    balls : float
        Easy and hard balls.
    checks : float
        Which checks came up, against all checks of the area alike.
    moved : float
        Days before the last, when the unit stood elsewhere.
    form : float
        What the model puts down to the form of the days.
    little : float
        What was seen beyond what the model takes over from it.
    total : float
        Of the share against the score.
    """

    severity: float
    balls: float
    checks: float
    moved: float
    form: float
    little: float
    total: float


def take_apart(
    result: Progression, player: int, area: int, *, since: int, checks: ArrayLike | None = None
) -> Gap | None:
    """Compare what was seen of a unit in an area with its score of the last match day.

    Parameters
    ----------
    result : Progression
    player, area : int
    since : int
        Day number from which on the share counts.
    checks : array_like of int, optional
        Checks that the share counts; without it all of the area.

    Returns
    -------
    Gap or None
        None where nothing was seen.
    """
    posterior = result.posterior
    problem, state, shared = posterior.problem, posterior.state, posterior.shared
    layout, cells = problem.layout, problem.cells
    unit, at = np.flatnonzero(layout.players == player), np.flatnonzero(shared.areas == area)
    if not unit.size or not at.size:
        return None
    mine = (layout.unit[cells.slot] == unit[0]) & (layout.day[cells.slot] >= since)
    mine &= shared.check_area[cells.check] == at[0]
    if checks is not None:
        mine &= np.isin(shared.checks[cells.check], np.asarray(checks, dtype=np.int64))
    rows = np.flatnonzero(mine)
    if not rows.size:
        return None
    slot, check, seen = cells.slot[rows], cells.check[rows], cells.seen[rows].astype(np.float64)
    last = layout.of_unit(int(unit[0]))[-1]
    ease = problem.contrast @ state.own[unit[0]] - shared.effect("delta")
    usual = ease[(shared.check_area == at[0]) & shared.scored]
    theta = state.theta[:, at[0]]
    parts = {
        "severity": shared.average_severity - shared.effect("gamma")[cells.analyst[rows]],
        "balls": -shared.effect("beta")[cells.ball[rows]],
        "checks": ease[check] - usual.mean(),
        "moved": theta[slot] - theta[last],
        "form": state.form[slot, at[0]],
    }
    level = theta[last] + usual.mean() - shared.average_severity
    expected = float(np.average(expit(level + sum(parts.values())), weights=seen))
    share = _logit_of_share(float(cells.met[rows].sum()), float(seen.sum()))
    score = float(expit(theta[last] + usual - shared.average_severity).mean())
    return Gap(
        **{name: float(np.average(part, weights=seen)) for name, part in parts.items()},
        little=share - float(logit(expected)),
        total=share - float(logit(score)),
    )


def _logit_of_share(met: float, seen: float) -> float:
    """Half a check away from none and from all, where a logit has no end."""
    return float(logit(min(max(met, 0.5), seen - 0.5) / seen)) if seen > 1 else 0.0
