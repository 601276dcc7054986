"""Does a clip really hear what a recording heard, where the sketches say so, and exactly where?

First a few windows where both seem to have most in common: do they agree on a line far better than chance? If so, windows
over the whole overlap, placed by what the first ones told, and the line through them. The direct sound comes first: where
an earlier peak than the strongest stands in the sum of all windows, the offset is its.

Conventions: as in `clock_line`; evidence is in spreads of chance.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from takewell.sync.clock_line import ClockLine, Window, clock_line
from takewell.sync.course import Course, course
from takewell.sync.sketch import ROWS_PER_SECOND, Sketch
from takewell.sync.sound import Sound
from takewell.sync.windows import RATE, REACH_S, WINDOW_S, Comparison, Curve, Lag

F64 = NDArray[np.float64]

LEAST_OVERLAP_S = 0.6
MOST_WINDOWS = 200
FIRST_WINDOWS = 24
FLOOR_WINDOWS = 10

_NEAR_S = 0.012
"""Peaks this far from the line are still looked at: a talker four metres nearer."""

_DIRECT_BEFORE_S = 0.015
_DIRECT_SHARE = 0.6
"""The direct sound is the earliest peak with this share of the highest: an echo needs a longer way."""

_LEAST_DETOUR_S = 0.0005
"""Nearer peaks are ripples of one: sound of few frequencies has them. An echo's detour of 17 cm is small for a room."""

PULLED_SLOPES = (1000 / 1001 - 1, 1001 / 1000 - 1)
"""Of a recording pulled up or down 0.1 %."""

_TELLS_SPEED = 4
"""Knots from which a course knows its own slope."""

_PLAIN_EVIDENCE = 14.0
"""With this much, no other speed is tried."""


@dataclass(frozen=True)
class Heard:
    """What comparing a recording with a clip gave."""

    line: ClockLine
    start_s: float
    """Where both have sound, on the recording's clock."""
    end_s: float
    evidence: float
    """Height of the sum of all windows along the line, in spreads of chance."""
    agreeing_share: float
    """Of the windows in which both have sound."""
    polarity: int
    compared_s: float
    """Seconds of sound compared."""
    followed_s: tuple[float, ...]
    """Times of the recording at which the sketches were found to fit."""


def compare(
    recording: Sound,
    clip: Sound,
    sketches: tuple[Sketch, Sketch],
    anchors: Sequence[tuple[float, float]],
    *,
    most_windows: int = MOST_WINDOWS,
    walked_m: float = 1.0,
    perhaps_pulled: bool = True,
) -> Heard | None:
    """Compare a recording with a clip around places where the sketches fit; None where there is nothing to compare.

    Parameters
    ----------
    recording, clip : Sound
    sketches : (Sketch, Sketch)
        Theirs.
    anchors : sequence of (float, float)
        (time of the recording, lag) in seconds, known to about 50 ms.
    most_windows : int
        Windows compared at most.
    walked_m : float
        As in `clock_line`.
    perhaps_pulled : bool
        Whether to try pull-up and pull-down where the overlap is too short to tell speed from sketches.
    """
    way = course(*sketches, anchors)
    span_s = way.end_s - way.start_s
    if span_s < LEAST_OVERLAP_S:
        return None
    length_s = min(WINDOW_S, span_s)
    comparison = Comparison(recording, clip)
    count = min(FLOOR_WINDOWS, max(1, int(2 * span_s / length_s)), max(most_windows // 2, 1))
    floor_at = way.start_s + span_s * (np.arange(count) + 0.5) / count
    comparison.learn_floors([float(t) for t in floor_at], way.lag, length_s)
    heard = _at_speed(comparison, sketches, way, length_s, most_windows, walked_m)
    weak = heard is None or heard.evidence < _PLAIN_EVIDENCE
    if perhaps_pulled and weak and len(way.times_s) < _TELLS_SPEED:
        for slope in PULLED_SLOPES:
            pulled = replace(way, slope=slope)
            other = _at_speed(comparison, sketches, pulled, length_s, most_windows, walked_m)
            if other is not None and (heard is None or other.evidence > heard.evidence):
                heard = other
    return heard


def _at_speed(
    comparison: Comparison,
    sketches: tuple[Sketch, Sketch],
    way: Course,
    length_s: float,
    most_windows: int,
    walked_m: float,
) -> Heard | None:
    """Compare along a course, its slope taken for right within what clocks may be off."""
    first = comparison.curves(
        _busiest(sketches, way, min(FIRST_WINDOWS, most_windows), length_s), way.lag, length_s
    )
    line = clock_line(_windows(first), way.slope, walked_m=walked_m)
    if line is None:
        return None
    middles = _busiest(sketches, way, most_windows, length_s)
    curves = comparison.curves(middles, _lag_by(line, way), length_s)
    if not curves:
        return None
    line = clock_line(_windows(curves), line.slope, walked_m=walked_m) or line
    if not line.steps:
        near = [Window(c.recording_s, tuple(c.peaks(line.lag(c.recording_s), _NEAR_S))) for c in curves]
        line = clock_line(near, line.slope, walked_m=walked_m) or line
    shift_s, evidence, polarity = _direct(curves, line)
    return Heard(
        replace(line, offset_s=line.offset_s + shift_s),
        way.start_s,
        way.end_s,
        evidence,
        line.agreeing / max(len(middles), 1),
        polarity,
        len(curves) * length_s,
        tuple(float(t) for t in way.times_s),
    )


def _lag_by(line: ClockLine, way: Course) -> Lag:
    """Return the line's lag where the way agrees with it, else the way's: behind a step not found yet."""

    def lag(time_s: float) -> float:
        exact, rough = line.lag(time_s), way.lag(time_s)
        return exact if abs(exact - rough) < REACH_S else rough

    return lag


def _windows(curves: Sequence[Curve]) -> list[Window]:
    return [Window(c.recording_s, tuple(c.peaks())) for c in curves]


def _busiest(sketches: tuple[Sketch, Sketch], way: Course, most: int, length_s: float) -> list[float]:
    """Return the middles of windows, spread over the overlap, where both have most movement in common."""
    own, other = (one.moves for one in sketches)
    first, last = round(way.start_s * ROWS_PER_SECOND), round(way.end_s * ROWS_PER_SECOND)
    last = min(last, len(own))
    width = max(1, round(length_s * ROWS_PER_SECOND))
    alike = np.zeros(max(last - first, 1))
    for start in range(first, last, 4096):
        rows = np.arange(start, min(start + 4096, last))
        lag = way.lag(float(rows.mean() / ROWS_PER_SECOND))
        partner = rows + round(lag * ROWS_PER_SECOND)
        inside = (partner >= 0) & (partner < len(other))
        products = own[rows[inside]].astype(np.float32) * other[partner[inside]]
        alike[rows[inside] - first] = products.sum(axis=1)
    smooth = uniform_filter1d(alike, width, mode="constant")
    usable = np.arange(len(smooth))[width // 2 : max(len(smooth) - width // 2, width // 2 + 1)]
    if not len(usable):
        return [(way.start_s + way.end_s) / 2]
    count = max(1, min(most, int(len(usable) / width) + 1))
    middles = []
    for part in np.array_split(usable, count):
        if len(part):
            middles.append(float(first + part[int(np.argmax(smooth[part]))] + 0.5) / ROWS_PER_SECOND)
    half = length_s / 2
    return [min(max(t, way.start_s + half), way.end_s - half) for t in middles]


def _direct(curves: Sequence[Curve], line: ClockLine) -> tuple[float, float, int]:
    """Return (how much the direct sound lies off the line in seconds, its evidence, its polarity)."""
    reach = round(_NEAR_S * 1.5 * RATE * 4)
    offsets = np.arange(-reach, reach + 1) / (RATE * 4)
    total = np.zeros(len(offsets))
    for curve in curves:
        total += curve.height_at(line.lag(curve.recording_s) + offsets)
    total /= np.sqrt(len(curves))
    size = np.abs(total)
    highest = int(np.argmax(np.where(np.abs(offsets) < 0.001, size, 0)))
    tops = np.flatnonzero((size[1:-1] >= size[:-2]) & (size[1:-1] > size[2:])) + 1
    before_s = offsets[highest] - offsets[tops]
    early = tops[
        (before_s > _LEAST_DETOUR_S)
        & (before_s < _DIRECT_BEFORE_S)
        & (size[tops] >= _DIRECT_SHARE * size[highest])
    ]
    top = int(early[0]) if len(early) else highest
    shift = float(offsets[top]) if abs(offsets[top]) > 1.5 / RATE else 0.0
    return shift, float(size[highest]), 1 if total[top] >= 0 else -1
