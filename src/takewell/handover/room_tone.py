"""Where in a take does the room speak alone?

Method: the longest stretch of at least 3 s in which every 100 ms step lies within 6 dB of the track's floor
and none is digitally silent, half a second shy of either end so that the last word's tail stays out.
"""

import numpy as np

from takewell.measure.running_floor import running_floor
from takewell.measure.trace import Trace

SHORTEST_S = 3.0
"""What an editor can loop without hearing it turn round (common practice, no source)."""

ABOVE_FLOOR_DB = 6.0
SHY_S = 0.5


def room_tone_stretch(trace: Trace, longest_s: float = 60.0) -> tuple[float, float] | None:
    """Return (start, end) in seconds of a track's longest stretch of room tone, or None.

    Parameters
    ----------
    trace : Trace
    longest_s : float
        A longer stretch is cut to this.
    """
    rms = trace.rms.astype(np.float64)
    floor = running_floor(trace)
    lengths = np.diff(trace.edges)
    quiet = (
        (rms > 0)
        & (rms <= floor * 10 ** (ABOVE_FLOOR_DB / 20))
        & (trace.zeros < lengths // 2)
        & (trace.nonfinite == 0)
    )
    edges = np.flatnonzero(np.diff(np.concatenate([[False], quiet, [False]]).astype(np.int8)))
    if not len(edges):
        return None
    starts, ends = trace.edges[edges[::2]] / trace.rate, trace.edges[edges[1::2]] / trace.rate
    longest = int(np.argmax(ends - starts))
    start, end = float(starts[longest]) + SHY_S, float(ends[longest]) - SHY_S
    return (start, min(end, start + longest_s)) if end - start >= SHORTEST_S else None
