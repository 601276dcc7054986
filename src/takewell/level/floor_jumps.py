"""Which gains keep the floor from jumping, at the least cost to the speech?

Wanted are gains near those the speech asks for, such that the floor after gain changes by no more than the jump
allowed from one passage to the next; floors below the unheard level count as lying there. Sometimes the quieter
passage has to give way (its floor would come up too far), sometimes the louder one (a shout of three seconds
shall not turn down the ten minutes around it). Both is decided at once: the gains that make

    sum over passages of  seconds of speech * |gain - wanted|

smallest are found by dynamic programming over a grid of `GRID_DB` (Viterbi). With the first power one passage gives
way and the others stay right, rather than all being a little wrong; none is raised by more than `HIGHEST_DB`, because
speech that is too loud is worse than a floor that moves. Where limits or a person's line
leave no way to keep the jump, what is over costs `OVER_COST` a dB squared, so as little as can be is over.

Conventions: decibels; one value a passage, in order.
"""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]

GRID_DB = 0.2
LOWEST_DB, HIGHEST_DB = -30.0, 2.0
"""How far from what is wanted a gain may be moved for the floor's sake."""

OVER_COST = 1e6


def settle(
    wanted: F64,
    most: F64,
    floors: F64,
    weights: F64,
    held: NDArray[np.bool_],
    *,
    jumps_db: F64,
    unheard_dbfs: F64,
) -> F64:
    """Return the gains.

    Parameters
    ----------
    wanted, most, floors, weights : (n,) float arrays
        The gain each passage's speech asks for, the most it may get, its floor as recorded (dBFS), and its
        seconds of speech.
    held : (n,) bool array
        Passages whose gain stands, such as a person's.
    jumps_db, unheard_dbfs : (n - 1,) float arrays
        What is allowed from each passage to the next, and the floor that counts as the lowest there.

    Returns
    -------
    (n,) float64 array
        Exactly `wanted` where no jump asks for anything else.
    """
    excess = _excess(floors[:-1] + wanted[:-1], floors[1:] + wanted[1:], jumps_db, unheard_dbfs)
    if not (excess > 0).any():
        return wanted.copy()
    shifts = np.arange(round(LOWEST_DB / GRID_DB), round(HIGHEST_DB / GRID_DB) + 1) * GRID_DB
    grids = [
        np.array([g]) if stays else g + shifts[(shifts <= 0) | (g + shifts <= top)]
        for g, top, stays in zip(wanted, most, held, strict=True)
    ]
    own = [w * np.abs(grid - g) for grid, g, w in zip(grids, wanted, np.maximum(weights, 0.1), strict=True)]
    cost, came_from = own[0], []
    pairs = zip(pairwise(grids), pairwise(floors), jumps_db, unheard_dbfs, own[1:], strict=True)
    for (before, after), floor_pair, jump_db, unheard, mine in pairs:
        over = _excess(floor_pair[0] + before[:, None], floor_pair[1] + after[None, :], jump_db, unheard)
        total = cost[:, None] + OVER_COST * over**2
        came_from.append(np.argmin(total, axis=0))
        cost = total.min(axis=0) + mine
    at = int(np.argmin(cost))
    gains = [grids[-1][at]]
    for index in range(len(came_from) - 1, -1, -1):
        at = int(came_from[index][at])
        gains.append(grids[index][at])
    return np.array(gains[::-1])


def _excess(before: F64, after: F64, jump_db: F64 | float, unheard_dbfs: F64 | float) -> F64:
    """Return by how much two floors after gain lie further apart than allowed."""
    apart = np.abs(np.maximum(before, unheard_dbfs) - np.maximum(after, unheard_dbfs))
    return np.asarray(np.maximum(apart - jump_db - 1e-9, 0.0))
