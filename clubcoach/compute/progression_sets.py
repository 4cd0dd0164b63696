"""Which units and analysts hang together: scores of sets that share no analyst rest on nobody's common eye."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from clubcoach.compute.progression_input import whole
from clubcoach.compute.progression_shared import Ints


@dataclass(frozen=True, slots=True, eq=False)
class Sets:
    """Sets of units and analysts that are linked by looks, numbered by their smallest unit's place.

    Attributes
    ----------
    players, set_of_player : ndarray of int64, shape (units,)
    analysts, set_of_analyst : ndarray of int64, shape (analysts,)
    """

    players: Ints
    set_of_player: Ints
    analysts: Ints
    set_of_analyst: Ints

    @property
    def n(self) -> int:
        """Number of sets; 0 without data."""
        return int(self.set_of_player.max(initial=-1)) + 1

    @property
    def one_eye(self) -> bool:
        """Whether a single analyst saw everything: progress and a changing eye can't be told apart then."""
        return self.analysts.size == 1

    def together(self, one: int, other: int) -> bool:
        """Whether two units' scores may be compared without a mark.

        Parameters
        ----------
        one, other : int
            Units; one without data stands alone.

        Returns
        -------
        bool
        """
        at = [np.flatnonzero(self.players == unit) for unit in (one, other)]
        if not at[0].size or not at[1].size:
            return False
        return bool(self.set_of_player[at[0][0]] == self.set_of_player[at[1][0]])


def connected_sets(player: ArrayLike, analyst: ArrayLike) -> Sets:
    """Find the sets of units and analysts that are linked by looks.

    Parameters
    ----------
    player, analyst : array_like of int, shape (rows,)
        Who was seen, and by whom; any identities.

    Returns
    -------
    Sets

    Raises
    ------
    ValueError
        When the lengths differ or an array does not hold whole numbers.

    References
    ----------
    Weeks, D. L. and Williams, D. R. (1964). A note on the determination of connectedness in an N-way cross
    classification. Technometrics 6, 319-324 (from memory).
    """
    seen, by = whole("player", player), whole("analyst", analyst)
    if seen.size != by.size:
        raise ValueError(f"lengths differ: player {seen.size}, analyst {by.size}")
    players, u = np.unique(seen, return_inverse=True)
    analysts, r = np.unique(by, return_inverse=True)
    size = players.size + analysts.size
    links = coo_array((np.ones(u.size), (u, players.size + r)), shape=(size, size))
    _count, label = connected_components(links, directed=False) if size else (0, np.zeros(0, dtype=np.int64))
    # Every analyst has seen some unit, so the units' labels are all there are, in the order of the units.
    _, first, back = np.unique(label[: players.size], return_index=True, return_inverse=True)
    rank = np.argsort(np.argsort(first))
    renumbered = np.zeros(size, dtype=np.int64)
    names = np.unique(label[: players.size])
    renumbered[:] = rank[np.searchsorted(names, label)] if size else 0
    return Sets(players, rank[back].astype(np.int64), analysts, renumbered[players.size :])
