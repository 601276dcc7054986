"""How do two tracks with one source lie to each other over time, from their levels alone?

Conventions: the gain between them is the copy's level over the first track's, in dB, where both rise out of their
floors; elsewhere there is none, and NaN stands for it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from takewell.desk.levels import Levels

F64 = NDArray[np.float64]

OVER_FLOOR_DB = 10.0
"""How far both must lie over their floors for their levels to say something of the gain: noise then adds 0.4 dB at most."""


@dataclass(frozen=True)
class GainBetween:
    """One value a column: the median of the gain between two tracks, and the range of its steps."""

    time_s: F64
    low_db: F64
    middle_db: F64
    high_db: F64


def gain_between(
    first: Levels, copy: Levels, count: int, start_s: float = 0.0, end_s: float | None = None
) -> GainBetween:
    """Return the gain from one track to its copy in at most `count` columns of a stretch.

    Parameters
    ----------
    first, copy : Levels
        Two tracks of one take, so in steps of equal edges.
    count : int
        Columns the drawing has room for.
    start_s, end_s : float
        The stretch; the whole track unless given.
    """
    steps = min(len(first.middles), len(copy.middles))
    middles = first.middles[:steps] / first.rate
    begin = int(np.searchsorted(middles, start_s))
    stop = steps if end_s is None else int(np.searchsorted(middles, end_s, "right"))
    inside = slice(begin, max(stop, begin))
    with np.errstate(invalid="ignore"):  # silence less silence is no gain
        apart = copy.level_dbfs[inside].astype(np.float64) - first.level_dbfs[inside]
    for track in (first, copy):
        quiet = track.level_dbfs[inside] < track.floor_dbfs[inside] + OVER_FLOOR_DB
        apart[quiet | ~np.isfinite(apart)] = np.nan
    shown = min(count, len(apart))
    edges = np.arange(shown + 1) * len(apart) // max(shown, 1)
    rows = np.full((shown, 3), np.nan)
    for k in range(shown):
        some = apart[edges[k] : edges[k + 1]]
        some = some[np.isfinite(some)]
        if len(some):
            rows[k] = some.min(), np.median(some), some.max()
    times = (
        (middles[inside][edges[:-1]] + middles[inside][np.maximum(edges[1:] - 1, edges[:-1])]) / 2
        if shown
        else np.zeros(0)
    )
    return GainBetween(times, rows[:, 0], rows[:, 1], rows[:, 2])
