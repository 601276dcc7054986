"""By how much does a noisy microphone count for less?

A microphone whose noise lies near its speech (a receiver at the end of its range, a preamplifier turned up late) hands its noise to the
mix whenever it is open. What it is worth is the distance from its loudest second to its floor, held against the quietest
source of the take; what is missing beyond `ALLOWED_DB` is its handicap in the sharing, up to `MOST_DB`. From `ENOUGH_DB` on a
source is quiet, whatever another one reaches: rooms differ by more than that and nobody hears it.

Where all are alike, nobody gets a handicap and the law stands as published.
"""

import numpy as np
from numpy.typing import NDArray

from takewell.mix.levels import Levels

F64 = NDArray[np.float64]

ENOUGH_DB = 36.0
ALLOWED_DB = 6.0
MOST_DB = 20.0


def distances_db(levels: Levels) -> F64:
    """Return how far each source's loudest second stands over its floor; infinite over no noise, NaN for silence."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(10 * np.log10(levels.loudest / levels.floors))


def handicaps_db(distances: F64) -> F64:
    """Return by how many decibels each source counts for less: 0 or more.

    Examples
    --------
    >>> handicaps_db(np.array([40.0, 33.0, 20.0, np.nan])).tolist()
    [0.0, 0.0, 10.0, 0.0]
    """
    known = np.minimum(distances, ENOUGH_DB)
    if not np.isfinite(known).any():
        return np.zeros(len(known))
    missing = np.nanmax(known) - known - ALLOWED_DB
    return np.asarray(np.nan_to_num(np.clip(missing, 0.0, MOST_DB), nan=0.0))
