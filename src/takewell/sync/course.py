"""Along all of their overlap, how do a recording and a clip lie to each other, to a few milliseconds?

From one place that fits, the sketches are followed both ways: stretches of 20 s, each looked for near where the one before lay.
The result is good enough for the windows that are compared exactly, and shows already what a wrong speed or lost
samples do.

Conventions: times are seconds of the recording; a lag is ``t_clip - t_recording``.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from takewell.sync.sketch import ROWS_PER_SECOND, Sketch

F64 = NDArray[np.float64]

STRETCH_S = 20.0
MOST_KNOTS = 120
_NEAR_ROWS = 15
"""A stretch is looked for 0.3 s either side of where its neighbour lay: 0.1 % of five minutes."""

_CHANCE_ROWS = 250
_LEAST_STANDING_OUT = 5.0
_STRAIGHT_S = 0.02
_LEAST_KNOTS_FOR_SPEED = 4
_MOST_SLOPE = 1.5e-3


@dataclass(frozen=True)
class Course:
    """Lags at some times, in order, and the straight line through most of them."""

    times_s: F64
    lags_s: F64
    slope: float
    """Of the line: seconds of lag for each second of the recording."""
    start_s: float
    """Where both have sound, on the recording's clock."""
    end_s: float

    def lag(self, time_s: float) -> float:
        """Return the lag at a time of the recording."""
        middle = float(np.median(self.lags_s - self.slope * self.times_s))
        straight = middle + self.slope * time_s
        nearest = int(np.argmin(np.abs(self.times_s - time_s)))
        off = float(self.lags_s[nearest] - middle - self.slope * self.times_s[nearest])
        return straight + (off if abs(off) > _STRAIGHT_S else 0.0)


def course(recording: Sketch, clip: Sketch, anchors: Sequence[tuple[float, float]]) -> Course:
    """Follow the sketches from known places over the whole overlap.

    Parameters
    ----------
    recording, clip : Sketch
    anchors : sequence of (float, float)
        Places known to fit: (time of the recording, lag), in seconds.
    """
    anchors = sorted(anchors)
    lags = [lag for _, lag in anchors]
    start_s = max(0.0, -max(lags))
    end_s = min(recording.duration_s, clip.duration_s - min(lags))
    span_s = max(end_s - start_s, 0.0)
    length_s = min(STRETCH_S, span_s)
    count = max(1, min(MOST_KNOTS, int(span_s / STRETCH_S)))
    middles = start_s + span_s * (np.arange(count) + 0.5) / count
    knots: dict[int, tuple[float, float]] = {}
    for k_anchor, (time_s, lag_s) in enumerate(anchors):
        upper = anchors[k_anchor + 1][0] if k_anchor + 1 < len(anchors) else np.inf
        lower = anchors[k_anchor - 1][0] if k_anchor else -np.inf
        mine = [k for k in range(count) if (time_s + lower) / 2 < middles[k] <= (time_s + upper) / 2]
        first = [k for k in mine if middles[k] >= time_s]
        for way in (first, [k for k in reversed(mine) if middles[k] < time_s]):
            expected = lag_s
            for k in way:
                found = _near(recording, clip, float(middles[k]), length_s, expected)
                if found is not None:
                    expected = found
                    knots[k] = (float(middles[k]), found)
    if not knots:
        knots = dict(enumerate(anchors))
    times = np.array([knots[k][0] for k in sorted(knots)])
    found_lags = np.array([knots[k][1] for k in sorted(knots)])
    return Course(times, found_lags, _slope(times, found_lags), start_s, end_s)


def _near(recording: Sketch, clip: Sketch, middle_s: float, length_s: float, lag_s: float) -> float | None:
    """Return the lag at which a stretch fits best near the expected one, None where it fits nowhere clearly."""
    first = round((middle_s - length_s / 2) * ROWS_PER_SECOND)
    first = max(first, 0)
    last = min(first + round(length_s * ROWS_PER_SECOND), len(recording.moves))
    own = recording.moves[first:last].astype(np.float32)
    at = first + round(lag_s * ROWS_PER_SECOND)
    low, high = at - _CHANCE_ROWS, at + _CHANCE_ROWS + len(own)
    other = np.zeros((high - low, own.shape[1]), np.float32)
    inside = slice(max(low, 0), min(high, len(clip.moves)))
    if inside.stop <= inside.start or not own.any():
        return None
    other[inside.start - low : inside.stop - low] = clip.moves[inside]
    curve = np.zeros(2 * _CHANCE_ROWS + 1)
    for band in range(own.shape[1]):
        curve += np.correlate(other[:, band], own[:, band], "valid")
    near = slice(_CHANCE_ROWS - _NEAR_ROWS, _CHANCE_ROWS + _NEAR_ROWS + 1)
    top = near.start + int(np.argmax(curve[near]))
    apart = np.abs(np.arange(len(curve)) - top) > _NEAR_ROWS
    spread = float(curve[apart].std())
    if spread == 0 or curve[top] - curve[apart].mean() < _LEAST_STANDING_OUT * spread:
        return None
    shift = 0.0
    if 0 < top < len(curve) - 1:
        below, height, above = curve[top - 1 : top + 2]
        bend = below - 2 * height + above
        shift = 0.5 * (below - above) / bend if bend < 0 else 0.0
    return float((at - first + top - _CHANCE_ROWS + shift) / ROWS_PER_SECOND)


def _slope(times: F64, lags: F64) -> float:
    """Return the median slope between knots far apart (Theil and Sen), zero where there are too few."""
    count = len(times)
    if count < _LEAST_KNOTS_FOR_SPEED:
        return 0.0
    later, earlier = np.triu_indices(count, max(1, count // 3))[::-1]
    slope = float(np.median((lags[later] - lags[earlier]) / (times[later] - times[earlier])))
    return slope if abs(slope) <= _MOST_SLOPE else 0.0
