"""How does a track's floor run, for drawing and for joins?

Convention: the floor at a step is the level below which a tenth of the steps within ±10 s lie: low enough to
ignore speech, high enough to ignore a lone gap of digital silence. It follows a moved gain within those 10 s,
and for that reason is computed apart on either side of the places where the caller knows the gain moved.
"""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import percentile_filter

from takewell.measure.trace import Trace

REACH_S = 10.0
"""Half the stretch a floor is taken from, in seconds: longer than people speak without a pause."""

SHARE = 10
"""Percentile of the steps' RMS."""


def running_floor(trace: Trace, moved_at_s: Sequence[float] = ()) -> NDArray[np.float64]:
    """Return the floor at every step of a trace, as linear RMS.

    Parameters
    ----------
    trace : Trace
        The track's levels.
    moved_at_s : sequence of float
        Seconds at which the gain setting moved; the floor is not smeared across them.

    Returns
    -------
    (steps,) float64 array
    """
    rms = trace.rms.astype(np.float64)
    floor = np.empty_like(rms)
    size = 2 * int(REACH_S * 10) + 1
    cuts = [0, *(trace.steps(0, at).stop for at in sorted(moved_at_s)), len(rms)]
    for start, stop in pairwise(cuts):
        if stop > start:
            reach = min(size, 2 * (stop - start) + 1)
            floor[start:stop] = percentile_filter(rms[start:stop], SHARE, size=reach, mode="nearest")
    return floor
