"""Which straight line, with steps where a device lost samples, do the lags of many windows lie on, and how sure is it?

Two crystal clocks run apart evenly, so lags lie on a line. The line that most windows agree on is found by trying the
lines through all pairs of their peaks (windows that heard an echo, noise or another talker agree with none). Steps: where a
run of windows agrees with a line parallel to it and none returns to the first, samples are missing in between. People who
take turns at different distances go to and fro; devices never give back what they lost.

Then offset and speed by weighted least squares over the windows that agree (Tukey's biweight, Beaton and Tukey,
Technometrics 16(2), 1974), and their intervals from what is left over, widened for left-overs that follow each other
(effective number of an AR(1) sequence) and for a walk nobody can see in the sound (`walked_m`).

Conventions: times are seconds of the recording, lags ``t_clip - t_recording`` in seconds, slope = seconds of lag a second,
so that the drift is ``1 / (1 + slope) - 1`` (`drift_ppm`).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from takewell.sync.values import Jump

F64 = NDArray[np.float64]

SPEED_OF_SOUND_M_S = 343.2
"""In dry air at 20 °C: 331.3 sqrt(1 + 20 / 273.15) (Cramer, J. Acoust. Soc. Am. 93(5), 1993, agrees within 0.1 %)."""

AGREE_S = 0.0003
"""Windows within this of the line agree with it while it is looked for: 10 cm."""

MOST_SLOPE = 350e-6
"""Of the line beside a speed that is known roughly: clocks worse than this are broken."""

TOLD_SLOPE = 50e-6
"""A slope whose 95 % interval is wider is not told: ordinary clocks are better than it."""

LEAST_JUMP_S = 0.001

PEOPLE_S = 0.03
"""Smaller steps may be people who talk from elsewhere: ten metres."""

_LEAST_RUN = 3
_LEAST_HEIGHT = 5.0
_MOST_HEIGHT = 15.0
_CHANGE_COST = 30.0
_BIWEIGHT = 4.685
_LEAST_SPREAD_S = 2e-6
_ECHO_S = 1e-4
"""How far early echoes move the peak of one window, in 95 of 100 (found on the tuned voices); windows differ, so it falls with their
number."""
_NORMAL_95 = 1.96
_OFFSET_FLOOR_S = 1e-5
"""Half a sample at 48 kHz: what the room itself adds is not known better."""

_MOST_PEAKS = 240


@dataclass(frozen=True)
class Window:
    """The peaks of one window: (lag in seconds, signed height in spreads of chance), the highest first."""

    time_s: float
    peaks: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class ClockLine:
    """``lag(t) = offset_s + slope * t + (steps before t)``."""

    offset_s: float
    slope: float
    offset_uncertainty_s: float
    slope_uncertainty: float
    """Half of the 95 % intervals: of the lag in the middle of the windows, and of the slope, infinite where the time is too
    short to tell it (then the slope is the expected one, and the line is right in the middle)."""
    steps: tuple[Jump, ...]
    agreeing: int
    windows: int

    def lag(self, time_s: float) -> float:
        """Return the lag at a time of the recording."""
        return (
            self.offset_s
            + self.slope * time_s
            + sum(step.shift_s for step in self.steps if step.recording_s <= time_s)
        )

    @property
    def drift_ppm(self) -> float:
        """The recording's clock against the clip's, positive when it runs fast."""
        return (1 / (1 + self.slope) - 1) * 1e6

    @property
    def drift_uncertainty_ppm(self) -> float:
        """Half of its 95 % interval."""
        return self.slope_uncertainty / (1 + self.slope) ** 2 * 1e6


def clock_line(
    windows: Sequence[Window], expected_slope: float = 0.0, *, walked_m: float = 1.0
) -> ClockLine | None:
    """Return the line that the windows lie on, None where no window has a peak.

    Parameters
    ----------
    windows : sequence of Window
        In order of time.
    expected_slope : float
        Speed as known so far; the line is looked for within `MOST_SLOPE` of it.
    walked_m : float
        How far somebody may have come nearer to one of the microphones over the whole time without being noticed.
    """
    windows = [w for w in windows if w.peaks]
    if not windows:
        return None
    offset, slope = _most_agreed(windows, expected_slope)
    levels = _levels(windows, offset, slope)
    times = np.array([w.time_s for w in windows])
    for _ in range(3):
        lags, weights = _nearest(windows, offset, slope, levels)
        offset, slope, levels = _refit(times, lags, weights, levels, offset, slope)
    lags, weights = _nearest(windows, offset, slope, levels)
    offset, slope, levels = _refit(times, lags, weights, levels, offset, slope)
    left = lags - offset - slope * times - levels
    return _told(times, left, weights, (offset, slope), levels, expected_slope, walked_m)


def _most_agreed(windows: Sequence[Window], expected_slope: float) -> tuple[float, float]:
    """Return (offset, slope) of the line that collects most height over all windows."""
    times = np.array([w.time_s for w in windows for _ in w.peaks])
    lags = np.array([lag for w in windows for lag, _ in w.peaks])
    heights = np.array([_worth(height, w) for w in windows for _, height in w.peaks])
    owner = np.array([k for k, w in enumerate(windows) for _ in w.peaks])
    tops = np.argsort(heights)[::-1][:_MOST_PEAKS]
    one, two = np.triu_indices(len(tops), 1)
    one, two = tops[one], tops[two]
    apart = np.abs(times[two] - times[one])
    span = float(times.max() - times.min())
    fit = apart > max(0.1 * span, 1e-9)
    one, two = one[fit], two[fit]
    slopes = (lags[two] - lags[one]) / (times[two] - times[one])
    fit = np.abs(slopes - expected_slope) <= MOST_SLOPE
    # Two windows close together tell no slope: their line is tried with the expected one too.
    slopes = np.concatenate([slopes[fit], np.full(len(tops), expected_slope)])
    starts = np.concatenate(
        [lags[one[fit]] - slopes[: fit.sum()] * times[one[fit]], lags[tops] - expected_slope * times[tops]]
    )
    best, best_score = 0, -1.0
    order = np.argsort(owner, kind="stable")
    begins = np.searchsorted(owner[order], np.arange(len(windows)))
    for first in range(0, len(slopes), 512):
        part = slice(first, min(first + 512, len(slopes)))
        off = np.abs(lags[None, order] - starts[part, None] - slopes[part, None] * times[None, order])
        agree = np.where(off < AGREE_S, heights[order] * (1 - off / AGREE_S / 2), 0.0)
        score = np.maximum.reduceat(agree, begins, axis=1).sum(axis=1)
        top = int(np.argmax(score))
        if score[top] > best_score:
            best, best_score = first + top, float(score[top])
    return float(starts[best]), float(slopes[best])


def _worth(height: float, window: Window) -> float:
    """Return what a peak counts: its height up to a limit, less where the same window has a higher one."""
    highest = max(abs(other) for _, other in window.peaks)
    return min(abs(height), _MOST_HEIGHT) * abs(height) / highest


def _levels(windows: Sequence[Window], offset: float, slope: float) -> F64:
    """Return for each window how far its run lies off the line: zero, or the steps that lie before it."""
    strong = [[(lag, h) for lag, h in w.peaks if abs(h) >= _LEAST_HEIGHT] for w in windows]
    seen = [
        (lag - offset - slope * w.time_s, _worth(h, w))
        for w, peaks in zip(windows, strong, strict=True)
        for lag, h in peaks[:2]
    ]
    candidates = [0.0]
    # A wrong slope tilts what is far from the line: runs are looked for with a tolerance of a millisecond.
    off, worths = np.array(seen).reshape(-1, 2).T
    near = np.abs(off[:, None] - off[None, :]) < LEAST_JUMP_S / 2
    for k in np.argsort(near @ worths)[::-1]:
        if near[k].sum() >= _LEAST_RUN and all(abs(off[k] - c) >= LEAST_JUMP_S for c in candidates):
            candidates.append(float(np.median(off[near[k]])))
    if len(candidates) == 1:
        return np.zeros(len(windows))
    shifts = np.array(candidates[:40])
    worth = np.zeros((len(windows), len(shifts)))
    for k, (window, peaks) in enumerate(zip(windows, strong, strict=True)):
        for lag, height in peaks:
            near = np.abs(lag - offset - slope * window.time_s - shifts) < LEAST_JUMP_S / 2
            worth[k] = np.maximum(worth[k], near * _worth(height, window))
    path = _cheapest_path(worth)
    heard = worth[np.arange(len(path)), path]
    return _by_one_device(_that_never_returns(shifts[path], heard), heard)


def _cheapest_path(worth: F64) -> NDArray[np.int64]:
    """Return the run of columns worth most, each change costing `_CHANGE_COST` (Viterbi)."""
    total = worth[0].copy()
    back = np.zeros(worth.shape, np.int64)
    for k in range(1, len(worth)):
        top = int(np.argmax(total))
        change = total[top] - _CHANGE_COST
        stay = total >= change
        back[k] = np.where(stay, np.arange(worth.shape[1]), top)
        total = np.where(stay, total, change) + worth[k]
    path = np.empty(len(worth), np.int64)
    path[-1] = int(np.argmax(total))
    for k in range(len(worth) - 1, 0, -1):
        path[k - 1] = back[k, path[k]]
    return path


def _that_never_returns(levels: F64, worth: F64) -> F64:
    """Return the levels with what goes to and fro put to its most heard level, and runs too short to what lies before them."""
    out = levels.copy()
    # A level reaches from its first to its last visit; reaches that overlap are one coming and going.
    start = 0
    while start < len(levels):
        stop = start + 1
        at = start
        while at < stop:
            stop = max(stop, int(np.flatnonzero(levels == levels[at])[-1]) + 1)
            at += 1
        part = slice(start, stop)
        heard = {value: float(worth[part][levels[part] == value].sum()) for value in np.unique(levels[part])}
        out[part] = max(heard, key=lambda value: heard[value])
        start = stop
    for run in np.split(np.arange(len(out)), np.flatnonzero(np.diff(out)) + 1):
        if np.count_nonzero(worth[run]) < _LEAST_RUN:
            out[run] = out[run[0] - 1] if run[0] > 0 else out[min(run[-1] + 1, len(out) - 1)]
    return out


def _by_one_device(levels: F64, worth: F64) -> F64:
    """Return the levels without small steps where they go both ways: that is people, a device only ever loses."""
    steps = np.diff(levels)
    small = (steps != 0) & (np.abs(steps) < PEOPLE_S)
    if not ((steps[small] > 0).any() and (steps[small] < 0).any()):
        return levels
    out = levels.copy()
    for run in np.split(np.arange(len(levels)), np.flatnonzero((steps != 0) & ~small) + 1):
        values = np.unique(levels[run])
        out[run] = values[int(np.argmax([worth[run][levels[run] == value].sum() for value in values]))]
    return out


def _nearest(windows: Sequence[Window], offset: float, slope: float, levels: F64) -> tuple[F64, F64]:
    """Return each window's peak nearest to its line, and its weight: the square of its height."""
    lags = np.empty(len(windows))
    weights = np.empty(len(windows))
    for k, window in enumerate(windows):
        expected = offset + slope * window.time_s + levels[k]
        strong = window.peaks
        lag, height = min(strong, key=lambda peak: abs(peak[0] - expected))
        lags[k], weights[k] = lag, min(abs(height), _MOST_HEIGHT) ** 2
    return lags, weights


def _refit(
    times: F64, lags: F64, weights: F64, levels: F64, offset: float, slope: float
) -> tuple[float, float, F64]:
    """Return (offset, slope, levels) by least squares with Tukey's weights."""
    runs = np.concatenate([[0], np.cumsum(np.diff(levels) != 0)]).astype(np.int64)
    columns = np.zeros((len(times), 1 + runs[-1] + 1))
    columns[:, 0] = times - times.mean()
    columns[np.arange(len(times)), 1 + runs] = 1.0
    left = lags - offset - slope * times - levels
    for _ in range(6):
        spread = max(_spread(left[np.abs(left) < 2 * AGREE_S]), _LEAST_SPREAD_S)
        limit = min(_BIWEIGHT * spread, 2 * AGREE_S)
        biweight = np.maximum(1 - (left / limit) ** 2, 0) ** 2
        root = np.sqrt(weights * biweight)
        if np.count_nonzero(root) < 2 or np.ptp(times[root > 0]) == 0:
            columns = columns[:, 1:]
            break
        found, *_ = np.linalg.lstsq(columns * root[:, None], lags * root, rcond=None)
        left = lags - columns @ found
    else:
        starts = found[1:] - found[0] * times.mean()
        offset, slope = float(starts[0]), float(found[0])
        return offset, slope, starts[runs] - starts[0]
    return offset, slope, levels


def _spread(left: F64) -> float:
    """Return the spread of left-overs, little disturbed by the few that are far off."""
    return 1.4826 * float(np.median(np.abs(left))) if len(left) else AGREE_S


def _told(
    times: F64,
    left: F64,
    weights: F64,
    line: tuple[float, float],
    levels: F64,
    expected_slope: float,
    walked_m: float,
) -> ClockLine:
    """Return the line with its intervals; a slope that too little time tells is the expected one."""
    offset, slope = line
    agree = np.abs(left) < 2 * AGREE_S
    count = int(agree.sum())
    at = np.flatnonzero(np.diff(levels))
    steps = tuple(
        Jump(
            float((times[k] + times[k + 1]) / 2),
            float(levels[k + 1] - levels[k]),
            float((times[k + 1] - times[k]) / 2),
        )
        for k in at
    )
    slope_u, offset_u = float("inf"), AGREE_S
    if count:
        own, held = times[agree], weights[agree]
        middle = float(np.average(own, weights=held))
        spread = float(np.sqrt(np.average(left[agree] ** 2, weights=held) * count / max(count - 2, 1)))
        spread = max(spread, _LEAST_SPREAD_S)
        follows = _follows(left[agree])
        effective = max(count * (1 - follows) / (1 + follows), 1.0)
        offset_u = float(np.hypot(_NORMAL_95 * spread, _ECHO_S) / np.sqrt(effective))
        around = float(np.sum((own - own.mean()) ** 2)) * effective / count
        if count > 2 + len(steps) and around > 0:
            statistical = _NORMAL_95 * spread / np.sqrt(around)
            if statistical <= TOLD_SLOPE:
                slope_u = float(np.hypot(statistical, walked_m / SPEED_OF_SOUND_M_S / np.ptp(times)))
        if slope_u == np.inf and not steps:
            # The middle is known, the speed is not: the line turns about the middle.
            offset, slope = offset + (slope - expected_slope) * middle, expected_slope
    return ClockLine(
        offset, slope, float(np.hypot(offset_u, _OFFSET_FLOOR_S)), slope_u, steps, count, len(times)
    )


def _follows(left: F64) -> float:
    """Return how much each left-over repeats the one before, 0 to 0.9."""
    if len(left) < 8:
        return 0.0
    own = left - left.mean()
    power = float(own @ own)
    return min(max(float(own[1:] @ own[:-1]) / power, 0.0), 0.9) if power else 0.0
