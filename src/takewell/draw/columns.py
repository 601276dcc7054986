"""How a track's levels become one value per column of a drawing.

Conventions: times in seconds, levels in dBFS (RMS: AES17), ``-inf`` for silence. A column shows the lowest
floor, the level that its louder tenth reaches (speech among pauses), and the highest peak of its time, so
that nothing short and loud is lost between columns.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]

LOUDER_SHARE = 90
"""Percentile of the RMS levels of a column drawn as its level."""


@dataclass(frozen=True)
class Columns:
    """One value per column: times at the columns' middles, and three levels.

    The drawing reaches over `duration_s` from `start_s`; times count from the take's start.
    """

    duration_s: float
    time_s: F64
    floor_dbfs: F64
    level_dbfs: F64
    peak_dbfs: F64
    start_s: float = 0.0


def columns(duration_s: float, floor_dbfs: F64, level_dbfs: F64, peak_dbfs: F64, count: int) -> Columns:
    """Return at most `count` columns from levels in equal steps over `duration_s`.

    Parameters
    ----------
    duration_s : float
        Length of the track in seconds.
    floor_dbfs, level_dbfs, peak_dbfs : (n,) float arrays
        Levels of the track's steps.
    count : int
        Columns the drawing has room for.
    """
    steps = len(level_dbfs)
    shown = min(count, steps)
    if shown == 0:
        empty = np.zeros(0)
        return Columns(duration_s, empty, empty, empty, empty)
    starts = np.arange(shown) * steps // shown
    ends = np.append(starts[1:], steps)
    longest = int((ends - starts).max())
    # Each column's steps side by side, the last one repeated where a column is shorter.
    index = np.minimum(starts[:, None] + np.arange(longest)[None, :], ends[:, None] - 1)
    level = np.sort(level_dbfs[index], axis=1)[:, (longest - 1) * LOUDER_SHARE // 100]
    return Columns(
        duration_s=duration_s,
        time_s=(starts + ends) / 2 * duration_s / steps,
        floor_dbfs=np.minimum.reduceat(floor_dbfs, starts),
        level_dbfs=level,
        peak_dbfs=np.maximum.reduceat(peak_dbfs, starts),
    )
