"""The one pass: what do whole 100 ms steps of all channels measure?

Compiled loops over interleaved samples. Channels are taken in groups of four, two and one (see
:mod:`takewell.measure.lanes`); a group's step is copied to a scratch of float64 (behind the last samples of the
step before), cut into stretches of at most 128 samples inside the 10 ms steps, and every stretch goes through
`_stretch` once: sums, extremes, K filter, A filter and the envelope of P.56 side by side. What needs a second look (the wave between
samples, a crossing of a P.56 threshold, a flat run, a sample that is not finite) is decided per stretch and channel from the
extremes, so quiet and ordinary stretches pay nothing for it.

The loops stand in one file because numba's cache watches the file of the function it compiles, not those of the
functions that one calls; whoever edits :mod:`takewell.measure.lanes` must touch this file too.

Results do not depend on how the samples were cut into blocks: the caller hands over whole steps, and all
that is carried from step to step lies in `State`. Filters are flushed to zero below 1e-100 at the edges of
steps, so silence never runs into denormal numbers.
"""

import math
from typing import Any, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from takewell.measure.k_weighting import k_weighting_sos
from takewell.measure.lanes import (
    FOUR,
    SIXTEEN,
    TWO,
    highest,
    larger,
    load,
    magnitude,
    smaller,
    splat,
    store,
    total,
    where_least,
    zero_below,
)
from takewell.measure.true_peak import GRID, REACH, SLACK, highest_gain, interpolator, sag_factors
from takewell.measure.weighting import weighting_sos
from takewell.units import FINE_STEPS_PER_SECOND, STEPS_PER_SECOND

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

LONGEST_STRETCH = 128
"""Samples; a stretch of four channels and its envelope stay in the first cache."""

LARGEST = 1e38
"""Beyond +760 dBFS a sample is not a sound's: it counts with the non-finite ones."""

SMALLEST = 1e-100
"""Below -2000 dBFS a sample or a filter's memory is zero."""

ENVELOPE_S = 0.03
HANGOVER_S = 0.2
"""Time constant of each of the two cascaded one-poles, and hangover: ITU-T P.56."""

CLIP_GAP_S = 0.01
"""Clips less than this apart are one."""

FLAT_RATIO = 1e-4
"""Neighbours are alike when they differ by no more than this part of their height (and the word length's steps)."""

SHORTEST_RUN = 3
CORNER = 12.0
"""Samples of a run at a rail, and the fall within two samples beside it, in units of what counts as alike."""

FADE = 0.9
"""What follows a sample that is not finite, sample by sample, in its place: no click, and nothing that lasts."""

LEAST_LOST, FULL_SCALE = 0.015, 1e-3
"""A rail must have cost 0.13 dB of the crest, but not at full scale (within 0.01 dB), where coarse grain in the samples
has no reason to look like one."""

STEP = 24
"""Where in the filters' constants the word length's step stands."""

HISTORY = 2 * REACH
"""Samples kept from the step before: the wave is read `REACH` samples late, from as many on each side."""

# Memories of `_stretch`, one row of lanes each: K filter (4), A filter (6), P.56 envelope (2), last two samples.
MEMORIES = 14
# What `_stretch` leaves: sum, square, K square, A square, maximum, minimum, least magnitude, largest second
# difference, least and largest envelope, the largest magnitude that equals its neighbour's.
SUM, SQUARE, K_SQUARE, A_SQUARE, MAXIMUM, MINIMUM, LEAST, CURVE, LOW, HIGH, LEVEL = range(11)
SUMS = 11

# Columns of a step.
PEAK, BOUND, TOTAL, POWER, K_POWER, A_POWER, NONFINITE, OVER, ZEROS, FLAT, TOP, BOTTOM = range(12)
COLUMNS = 12

# Columns of a 10 ms step: sum of squares, sum of K-weighted squares, largest second difference.
FINE_COLUMNS = 3

# Per channel: floats; ...
BEST, LAST_PEAK, LAST_CURVE, LAST_LEVEL = range(4)
FLOATS = 4
# ... the open run of like samples and the open clip; ...
RUN_LENGTH, RUN_HIGH, RUN_LOW, RUN_BEFORE = range(4)
# Of a clip: first and last position, highest and lowest rail, longest run; then for either side of zero the number of
# runs, their samples and their squared lengths.
CLIP_START, CLIP_END, CLIP_HIGH, CLIP_LOW, CLIP_LONGEST, CLIP_ABOVE = range(4, 10)
CLIP_RUNS, CLIP_FLAT, CLIP_SQUARES = range(3)
CLIP_BELOW = CLIP_ABOVE + 3
CLIP_FIELDS = 11
RUN_FIELDS = 15
# ... and integers; behind them the last sample at each exponent, and the samples counted there.
NOW, ACTIVE, SINCE = range(3)
COUNTERS = 3
LOWEST_EXPONENT = -400
EXPONENTS = 540
"""Thresholds of P.56 at 2^-400 ... 2^139."""

LEVELS = 5
"""Halvings of a gap between samples down to the finest grid."""

NEVER = -(1 << 60)
EVENTS_PER_STEP = 2 * EXPONENTS


class Constants(NamedTuple):
    """What the loops need to know; numbers and flat arrays only."""

    filters: F64
    weights: F64
    sags: F64
    gain: float
    hangover: int
    over: float
    gap: int
    reach: int
    history: int
    """The last two are `REACH` and `HISTORY`, handed in so that no loop is compiled for them as constants."""


class State(NamedTuple):
    """What is carried from step to step; changed in place by the loops."""

    memories: F64
    history: F64
    floats: F64
    integers: I64
    runs: F64
    scratch: F64
    envelope: F64
    sums: F64
    levels: F64
    stretches: I64
    groups: I64
    marks: NDArray[np.int8]
    line: F64
    halves: F64
    stack: F64


def constants(rate: int, over: float, step: float) -> Constants:
    """Return the constants for a sampling rate.

    Parameters
    ----------
    rate : int
        Hz, 4000 or more.
    over : float
        Magnitude above which a sample counts as over full scale (or at the rail).
    step : float
        How far like samples may differ for the word length's sake, linear.
    """
    shelf, high_pass = k_weighting_sos(rate)
    a_weighting = weighting_sos("A", rate)
    weights = interpolator()
    pole = math.exp(-1 / (rate * ENVELOPE_S))
    filters = np.concatenate(
        [
            shelf[[0, 1, 2, 4, 5]],
            high_pass[4:],
            a_weighting[:, [0, 1, 2, 4, 5]].ravel(),
            [pole, 1 - pole, step],
        ]
    )
    return Constants(
        filters=filters,
        weights=weights.ravel(),
        sags=sag_factors(weights),
        gain=highest_gain(weights),
        hangover=int(HANGOVER_S * rate + 0.5),
        over=over,
        gap=int(CLIP_GAP_S * rate),
        reach=REACH,
        history=HISTORY,
    )


def fresh_state(rate: int, channels: int) -> State:
    """Return the state before the first sample."""
    integers = np.zeros((channels, COUNTERS + 2 * EXPONENTS), np.int64)
    integers[:, [NOW, ACTIVE]] = LOWEST_EXPONENT
    integers[:, COUNTERS : COUNTERS + EXPONENTS] = NEVER
    longest_step = rate // STEPS_PER_SECOND + 2
    stretches = longest_step // LONGEST_STRETCH + 2 * FINE_STEPS_PER_SECOND // STEPS_PER_SECOND + 2
    groups = _groups(channels)
    lanes = int(groups[:, 2].sum())
    return State(
        memories=np.zeros(MEMORIES * lanes),
        history=np.zeros(HISTORY * lanes),
        floats=np.zeros((channels, FLOATS)),
        integers=integers,
        runs=np.zeros((channels, RUN_FIELDS)),
        scratch=np.zeros((HISTORY + longest_step + REACH) * 4),
        envelope=np.zeros(LONGEST_STRETCH * 4),
        sums=np.zeros(SUMS * 4),
        levels=np.zeros((stretches + 1, 4)),
        stretches=np.zeros((stretches + 1, 2), np.int64),
        groups=groups,
        marks=np.zeros((longest_step + 1) * 4, np.int8),
        line=np.zeros(LONGEST_STRETCH + HISTORY + 2 * len(SIXTEEN)),
        halves=np.zeros(len(SIXTEEN)),
        stack=np.zeros((2 * LEVELS, 4)),
    )


def _groups(channels: int) -> I64:
    """Return a row for every group: first channel, channels in it, lanes, lanes of the groups before it.

    Two channels left over, or one, take two lanes; three take four. Lanes without a channel hold silence.
    """
    rows, base = [], 0
    for first in range(0, channels, len(FOUR)):
        used = min(len(FOUR), channels - first)
        lanes = len(TWO) if used <= len(TWO) else len(FOUR)
        rows.append((first, used, lanes, base))
        base += lanes
    return np.array(rows, np.int64)


_compile: Any = njit
"""Its stubs leave out the options that spare the wrappers for calls from Python."""


def _inner(function: Any) -> Any:
    """Compile a loop that only other loops call."""
    return _compile(cache=True, nogil=True, no_cpython_wrapper=True, no_cfunc_wrapper=True)(function)


@_inner
def _stretch(proto: Any, scratch: F64, first: int, rows: int, filters: F64, memory: F64, offset: int, envelope: F64, sums: F64) -> None:  # fmt: skip
    """Run one stretch of one group through everything that needs every sample."""
    n = len(proto)
    zero = splat(proto, 0.0)
    minus_two = splat(proto, -2.0)
    k0, k1, k2 = splat(proto, filters[0]), splat(proto, filters[1]), splat(proto, filters[2])
    k3, k4 = splat(proto, filters[3]), splat(proto, filters[4])
    h3, h4 = splat(proto, filters[5]), splat(proto, filters[6])
    a0, a1, a2 = splat(proto, filters[7]), splat(proto, filters[8]), splat(proto, filters[9])
    a3, a4 = splat(proto, filters[10]), splat(proto, filters[11])
    b0, b1, b2 = splat(proto, filters[12]), splat(proto, filters[13]), splat(proto, filters[14])
    b3, b4 = splat(proto, filters[15]), splat(proto, filters[16])
    c0, c1, c2 = splat(proto, filters[17]), splat(proto, filters[18]), splat(proto, filters[19])
    c3, c4 = splat(proto, filters[20]), splat(proto, filters[21])
    keep, take = splat(proto, filters[22]), splat(proto, filters[23])
    like, step = splat(proto, FLAT_RATIO), splat(proto, filters[24])
    s0, s1 = load(proto, memory, offset), load(proto, memory, offset + n)
    s2, s3 = load(proto, memory, offset + 2 * n), load(proto, memory, offset + 3 * n)
    t0, t1 = load(proto, memory, offset + 4 * n), load(proto, memory, offset + 5 * n)
    t2, t3 = load(proto, memory, offset + 6 * n), load(proto, memory, offset + 7 * n)
    t4, t5 = load(proto, memory, offset + 8 * n), load(proto, memory, offset + 9 * n)
    fast, slow = load(proto, memory, offset + 10 * n), load(proto, memory, offset + 11 * n)
    before, before2 = load(proto, memory, offset + 12 * n), load(proto, memory, offset + 13 * n)
    total, square, k_square, a_square = zero, zero, zero, zero
    top, bottom = splat(proto, -LARGEST), splat(proto, LARGEST)
    least, curve = splat(proto, LARGEST), zero
    low, high, level = splat(proto, LARGEST), zero, zero
    for row in range(rows):
        x = load(proto, scratch, (first + row) * n)
        size = magnitude(x)
        top = larger(x, top)
        bottom = smaller(x, bottom)
        least = smaller(size, least)
        slope = x - before
        level = larger(where_least(magnitude(slope) - (like * size + step), size), level)
        curve = larger(magnitude(slope - (before - before2)), curve)
        before2 = before
        before = x
        total = total + x
        square = square + x * x
        y = k0 * x + s0
        s0 = k1 * x + s1 - k3 * y
        s1 = k2 * x - k4 * y
        z = y + s2
        s2 = minus_two * y + s3 - h3 * z
        s3 = y - h4 * z
        k_square = k_square + z * z
        y = a0 * x + t0
        t0 = a1 * x + t1 - a3 * y
        t1 = a2 * x - a4 * y
        z = b0 * y + t2
        t2 = b1 * y + t3 - b3 * z
        t3 = b2 * y - b4 * z
        y = c0 * z + t4
        t4 = c1 * z + t5 - c3 * y
        t5 = c2 * z - c4 * y
        a_square = a_square + y * y
        fast = keep * fast + take * size
        slow = keep * slow + take * fast
        low = smaller(slow, low)
        high = larger(slow, high)
        store(envelope, row * n, slow)
    store(memory, offset, s0)
    store(memory, offset + n, s1)
    store(memory, offset + 2 * n, s2)
    store(memory, offset + 3 * n, s3)
    store(memory, offset + 4 * n, t0)
    store(memory, offset + 5 * n, t1)
    store(memory, offset + 6 * n, t2)
    store(memory, offset + 7 * n, t3)
    store(memory, offset + 8 * n, t4)
    store(memory, offset + 9 * n, t5)
    store(memory, offset + 10 * n, fast)
    store(memory, offset + 11 * n, slow)
    store(memory, offset + 12 * n, before)
    store(memory, offset + 13 * n, before2)
    store(sums, SUM * n, total)
    store(sums, SQUARE * n, square)
    store(sums, K_SQUARE * n, k_square)
    store(sums, A_SQUARE * n, a_square)
    store(sums, MAXIMUM * n, top)
    store(sums, MINIMUM * n, bottom)
    store(sums, LEAST * n, least)
    store(sums, CURVE * n, curve)
    store(sums, LOW * n, low)
    store(sums, HIGH * n, high)
    store(sums, LEVEL * n, level)


@_inner
def _exponent(value: float) -> int:
    """Return the largest e with ``2^e <= value``, held inside the range that is counted."""
    if value <= 0.0:
        return LOWEST_EXPONENT
    return min(max(math.frexp(value)[1] - 1, LOWEST_EXPONENT), LOWEST_EXPONENT + EXPONENTS - 1)


@_inner
def _activate(counters: I64, level: int, at: int, channel: int, events: I64, count: int) -> int:
    """Count what passed at the old threshold and go on at another from position `at`; return the number of events."""
    counters[COUNTERS + EXPONENTS + counters[ACTIVE] - LOWEST_EXPONENT] += at - counters[SINCE]
    counters[SINCE] = at
    counters[ACTIVE] = level
    events[count, 0], events[count, 1], events[count, 2] = at, channel, level
    return count + 1


@_inner
def _expire(counters: I64, before: int, hangover: int, channel: int, events: I64, count: int) -> int:
    """Let the thresholds drop whose hangover ended before position `before`; return the number of events."""
    last = counters[COUNTERS : COUNTERS + EXPONENTS]
    while counters[ACTIVE] > counters[NOW]:
        drop = last[counters[ACTIVE] - LOWEST_EXPONENT] + hangover + 1
        if drop >= before:
            break
        level = counters[ACTIVE] - 1
        while level > counters[NOW] and last[level - LOWEST_EXPONENT] + hangover < drop:
            level -= 1
        count = _activate(counters, level, drop, channel, events, count)
    return count


@_inner
def _thresholds(counters: I64, envelope: F64, lane: int, n: int, rows: int, low: float, high: float, position: int, hangover: int, channel: int, events: I64, count: int) -> int:  # fmt: skip
    """Follow a channel's envelope through the thresholds of P.56; return the number of events.

    An event (position, channel, e) says that from there on the highest threshold reached within the
    hangover is 2^e.
    """
    now = counters[NOW]
    if _exponent(low) == now and _exponent(high) == now:
        return int(_expire(counters, position + rows, hangover, channel, events, count))
    last = counters[COUNTERS : COUNTERS + EXPONENTS]
    floor, ceiling = math.ldexp(1.0, now), math.ldexp(2.0, now)
    if now == LOWEST_EXPONENT:
        floor = 0.0
    for row in range(rows):
        value = envelope[row * n + lane]
        if floor <= value < ceiling:
            continue
        at = position + row
        last[now - LOWEST_EXPONENT] = at - 1
        count = _expire(counters, at, hangover, channel, events, count)
        now = _exponent(value)
        counters[NOW] = now
        if now > counters[ACTIVE]:
            count = _activate(counters, now, at, channel, events, count)
        floor, ceiling = math.ldexp(1.0, now), math.ldexp(2.0, now)
        if now == LOWEST_EXPONENT:
            floor = 0.0
    return int(_expire(counters, position + rows, hangover, channel, events, count))


@_inner
def _point(samples: F64, k: int, weights: F64, row: int) -> float:
    """Return the magnitude of the wave `row` 32nds after sample k, which stands at ``samples[k + REACH]``."""
    value = splat(FOUR, 0.0)
    for tap in range(0, 2 * REACH, 4):
        value = value + load(FOUR, weights, row * 2 * REACH + tap) * load(FOUR, samples, k + 1 + tap)
    return float(abs(total(value)))


@_inner
def _gap(samples: F64, k: int, row: int, left: float, right: float, curve: float, weights: F64, sags: F64, best: float, stack: F64) -> float:  # fmt: skip
    """Return the larger of `best` and the highest point between two points of the wave half a sample apart."""
    stack[0, 0], stack[0, 1], stack[0, 2], stack[0, 3] = row, LEVELS - 1, left, right
    depth = 1
    while depth > 0:
        depth -= 1
        row, level = int(stack[depth, 0]), int(stack[depth, 1])
        left, right = stack[depth, 2], stack[depth, 3]
        high, rise = max(left, right), sags[level] * curve
        if high + rise <= best or rise <= SLACK * high:
            continue
        half = 1 << (level - 1)
        middle = _point(samples, k, weights, row + half)
        best = max(best, middle)
        if level > 1:
            stack[depth, 0], stack[depth, 1], stack[depth, 2], stack[depth, 3] = row, level - 1, left, middle
            depth += 1
            stack[depth, 0], stack[depth, 1], stack[depth, 2], stack[depth, 3] = (
                row + half,
                level - 1,
                middle,
                right,
            )
            depth += 1
    return best


@_inner
def _wave(scratch: F64, n: int, lane: int, first: int, count: int, curve: float, k: Constants, best: float, state: State) -> float:  # fmt: skip
    """Return the larger of `best` and the highest point of the wave from row `first` over `count` samples.

    `curve` is the largest second difference in reach.
    """
    samples, halves, weights, sags = state.line, state.halves, k.weights, k.sags
    for i in range(count + 2 * REACH):
        samples[i] = scratch[(first - REACH + i) * n + lane]
    for i in range(count + 2 * REACH, count + 2 * REACH + len(SIXTEEN)):
        samples[i] = 0.0
    whole, rise = sags[LEVELS] * curve, sags[LEVELS - 1] * curve
    middle = GRID // 2 * 2 * REACH
    for begin in range(0, count, len(SIXTEEN)):
        left, right = load(SIXTEEN, samples, begin + REACH), load(SIXTEEN, samples, begin + REACH + 1)
        high = highest(larger(magnitude(left), magnitude(right)))
        if high + whole <= best:
            continue
        # The row half-way between the samples is symmetric, which halves its multiplications.
        value = splat(SIXTEEN, 0.0)
        for tap in range(REACH):
            pair = load(SIXTEEN, samples, begin + 1 + tap) + load(SIXTEEN, samples, begin + 2 * REACH - tap)
            value = value + splat(SIXTEEN, weights[middle + tap]) * pair
        value = magnitude(value)
        high = max(high, highest(value))
        if high + rise <= best:
            continue
        store(halves, 0, value)
        end = min(begin + len(SIXTEEN), count)
        for i in range(begin, end):
            half = halves[i - begin]
            here, there = abs(samples[i + REACH]), abs(samples[i + REACH + 1])
            best = max(best, half)
            if max(here, half) + rise > best:
                best = _gap(samples, i, GRID - GRID, here, half, curve, weights, sags, best, state.stack)
            if max(half, there) + rise > best:
                best = _gap(samples, i, GRID // 2, half, there, curve, weights, sags, best, state.stack)
    return best


@_inner
def _repair(samples: Any, first: int, channels: int, rows: int, n: int, lane: int, state: State) -> int:
    """Let the sample before fade away in place of each that is not finite; return how many there were."""
    count = 0
    scratch, marks = state.scratch, state.marks
    for row in range(rows):
        bad = not abs(samples[first + row * channels]) <= LARGEST
        marks[row * n + lane] = bad
        if bad:
            scratch[(HISTORY + row) * n + lane] = FADE * scratch[(HISTORY + row - 1) * n + lane]
            count += 1
    return count


@_inner
def _withdraw(edges: I64, fine_step: int, fine_count: int, n: int, lane: int, c: int, k: Constants, state: State, steps: F64, step: int, fine: F64) -> None:  # fmt: skip
    """Take what stands in for samples that are not finite out of the sums again."""
    start = edges[fine_step]
    for f in range(fine_step, fine_step + fine_count):
        bad = 0
        for row in range(edges[f] - start, edges[f + 1] - start):
            if state.marks[row * n + lane]:
                value = state.scratch[(HISTORY + row) * n + lane]
                bad += 1
                steps[step, TOTAL, c] -= value
                steps[step, OVER, c] -= abs(value) > k.over
                fine[f, 0, c] = max(fine[f, 0, c] - value * value, 0.0)
        if bad == edges[f + 1] - edges[f]:
            fine[f, 0, c] = 0.0


@_inner
def _copy(proto: Any, samples: Any, first: int, channels: int, rows: int, used: int, scratch: F64) -> bool:
    """Copy one group's step into the scratch; return whether any sample is not finite."""
    n = len(proto)
    # What lies in lanes without a channel is the next row's: an infinite limit makes it zero.
    for lane in range(n):
        scratch[lane] = SMALLEST if lane < used else math.inf
    limit = load(proto, scratch, 0)
    zero, broken, top = splat(proto, 0.0), splat(proto, 0.0), splat(proto, 0.0)
    for row in range(rows - 1):
        value = load(proto, samples, first + row * channels)
        broken = broken + value * zero
        top = larger(magnitude(value), top)
        store(scratch, (HISTORY + row) * n, zero_below(value, limit))
    store(scratch, 0, top + broken)
    bad = False
    for lane in range(n):
        # The last row alone: behind it there may be nothing.
        value = float(samples[first + (rows - 1) * channels + min(lane, used - 1)])
        scratch[(HISTORY + rows - 1) * n + lane] = value if lane < used and abs(value) >= SMALLEST else 0.0
        bad = bad or (lane < used and not (scratch[lane] <= LARGEST and abs(value) <= LARGEST))
    return bad


@_inner
def _fetch(
    samples: Any, start: int, channels: int, rows: int, group: I64, state: State, steps: F64, step: int
) -> None:
    """Fill the scratch with a group's step behind the samples before it, and put right what is not finite."""
    channel, used, n, base = group[0], group[1], group[2], group[3]
    scratch = state.scratch
    first = start * channels + channel
    if n == 4:
        broken = _copy(FOUR, samples, first, channels, rows, used, scratch)
    else:
        broken = _copy(TWO, samples, first, channels, rows, used, scratch)
    for at in range(HISTORY * n):
        scratch[at] = state.history[base * HISTORY + at]
    for lane in range(used):
        steps[step, :, channel + lane] = 0.0
        if broken:
            steps[step, NONFINITE, channel + lane] = _repair(
                samples, first + lane, channels, rows, n, lane, state
            )


@_inner
def _close_clip(run: F64, channel: int, clips: F64, count: int) -> int:
    """Write a channel's open clip, if any, as a row of `clips`; return the number of rows."""
    if run[CLIP_END] > 0:
        clips[count, 0] = channel
        for field in range(CLIP_FIELDS):
            clips[count, 1 + field] = run[CLIP_START + field]
        count += 1
    run[CLIP_END] = 0.0
    return count


@_inner
def _end_run(run: F64, next1: float, next2: float, end: float, top: float, bottom: float, step: float, gap: int, channel: int, clips: F64, count: int) -> int:  # fmt: skip
    """Judge the run of like samples that ended before position `end`; return the number of clips written."""
    length = run[RUN_LENGTH]
    run[RUN_LENGTH] = 0.0
    if length < SHORTEST_RUN:
        return count
    sign = 1.0 if run[RUN_HIGH] > 0 else -1.0
    level = max(sign * run[RUN_HIGH], sign * run[RUN_LOW])
    slack = FLAT_RATIO * level + step
    # A rail is an extreme of its step with a corner at each end: a smooth crest, flat within `slack` over
    # three samples or more, falls by less than six times as much over the next two.
    if level < (top if sign > 0 else -bottom) - slack or sign * next1 > level + slack:
        return count
    if level < max(top, -bottom) / 2 or level <= 0.0:
        return count
    before, after = level - sign * run[RUN_BEFORE], level - sign * next2
    if min(before, after) < CORNER * slack:
        return count
    # The parabola that meets the rail with the slopes at both ends would have risen this much above it.
    lost = (before + after) / 2 * (length + 1) / 8
    if abs(level - 1.0) > FULL_SCALE and lost < LEAST_LOST * level:
        return count
    if run[CLIP_END] > 0 and end - length - run[CLIP_END] > gap:
        count = _close_clip(run, channel, clips, count)
    if run[CLIP_END] == 0:
        for field in range(CLIP_FIELDS):
            run[CLIP_START + field] = 0.0
        run[CLIP_START] = end - length
    run[CLIP_END] = end
    run[CLIP_HIGH] = max(run[CLIP_HIGH], sign * level)
    run[CLIP_LOW] = min(run[CLIP_LOW], sign * level)
    run[CLIP_LONGEST] = max(run[CLIP_LONGEST], length)
    side = CLIP_ABOVE if sign > 0 else CLIP_BELOW
    run[side + CLIP_RUNS] += 1
    run[side + CLIP_FLAT] += length
    run[side + CLIP_SQUARES] += length * length
    return count


@_inner
def _flats(scratch: F64, n: int, lane: int, first: int, last: int, position: int, half: float, top: float, bottom: float, step: float, gap: int, run: F64, longest: int, channel: int, clips: F64, count: int) -> tuple[int, int]:  # fmt: skip
    """Follow runs of like samples over rows `first` to `last`; return (longest run, clips written)."""
    for row in range(first, last):
        x = scratch[row * n + lane]
        high, low = max(run[RUN_HIGH], x), min(run[RUN_LOW], x)
        if run[RUN_LENGTH] > 0 and high - low <= FLAT_RATIO * abs(x) + step:
            run[RUN_HIGH], run[RUN_LOW] = high, low
        else:
            end = float(position + row - HISTORY)
            count = _end_run(run, x, scratch[(row + 1) * n + lane], end, top, bottom, step, gap, channel, clips, count)  # fmt: skip
            run[RUN_HIGH], run[RUN_LOW] = x, x
            run[RUN_BEFORE] = scratch[(row - 2) * n + lane] if end >= 2 else x
        run[RUN_LENGTH] += 1
        if abs(x) >= half and run[RUN_LENGTH] > max(longest, 1):
            longest = int(run[RUN_LENGTH])
    return longest, count


@_inner
def _window(scratch: F64, n: int, lane: int, first: int, last: int) -> tuple[float, float]:
    """Return the largest magnitude and the largest second difference inside rows `first` to `last`."""
    peak, curve = 0.0, 0.0
    for row in range(first, last):
        peak = max(peak, abs(scratch[row * n + lane]))
        if row >= first + 2:
            bend = scratch[row * n + lane] - 2 * scratch[(row - 1) * n + lane] + scratch[(row - 2) * n + lane]
            curve = max(curve, abs(bend))
    return peak, curve


@_inner
def _bound(peak: float, curve: float, k: Constants) -> float:
    """Return what the wave cannot exceed where no sample is larger than `peak` and no bend than `curve`."""
    return float(min(k.gain * peak, peak + k.sags[LEVELS] * curve))


@_inner
def _before(group: I64, rows: int, k: Constants, state: State, steps: F64, step: int) -> None:
    """Read the wave over the last samples of the step before, which had to wait for these."""
    channel, used, n = group[0], group[1], group[2]
    last = HISTORY - REACH + min(REACH, rows)
    for lane in range(used):
        peak, curve = _window(state.scratch, n, lane, 1, last + REACH)
        bound = _bound(peak, curve, k)
        if step > 0:
            steps[step - 1, BOUND, channel + lane] = max(steps[step - 1, BOUND, channel + lane], bound)
        if bound > state.floats[channel + lane, BEST]:
            state.floats[channel + lane, BEST] = _wave(
                state.scratch, n, lane, HISTORY - REACH, last - HISTORY + REACH, curve, k,
                state.floats[channel + lane, BEST], state,
            )  # fmt: skip


@_inner
def _cut(edges: I64, fine_step: int, fine_count: int, stretches: I64) -> int:
    """Cut a step's 10 ms steps into stretches; return how many. Their edges and 10 ms steps go to `stretches`."""
    count = 0
    start = edges[fine_step]
    for f in range(fine_step, fine_step + fine_count):
        begin, length = edges[f] - start, edges[f + 1] - edges[f]
        pieces = (length + LONGEST_STRETCH - 1) // LONGEST_STRETCH
        for piece in range(pieces):
            stretches[count, 0] = begin + length * piece // pieces
            stretches[count, 1] = f
            count += 1
    stretches[count, 0] = edges[fine_step + fine_count] - start
    return count


@_inner
def _group(group: I64, edges: I64, fine_step: int, fine_count: int, position: int, k: Constants, state: State, steps: F64, step: int, fine: F64, events: I64, clips: F64, counts: I64) -> None:  # fmt: skip
    """Measure one step of a group of channels, which lies in the scratch.

    `edges` are the 10 ms edges as rows of the samples; this step has those from `fine_step` on. `position` is
    the absolute position of row 0. Writes row `step` of `steps` and the rows of `fine`.
    """
    scratch, sums, floats, envelope, stretches = state.scratch, state.sums, state.floats, state.envelope, state.stretches  # fmt: skip
    channel, used, n, base = group[0], group[1], group[2], group[3]
    start = edges[fine_step]
    rows = edges[fine_step + fine_count] - start
    memory = base * MEMORIES
    for at in range((MEMORIES - 2) * n):
        if abs(state.memories[memory + at]) < SMALLEST:
            state.memories[memory + at] = 0.0
    for c in range(channel, channel + used):
        steps[step, TOP, c] = -LARGEST
        steps[step, BOTTOM, c] = LARGEST
    _before(group, rows, k, state, steps, step)
    count = _cut(edges, fine_step, fine_count, stretches)
    for stretch in range(count):
        a, b, f = stretches[stretch, 0], stretches[stretch + 1, 0], stretches[stretch, 1]
        if n == 4:
            _stretch(FOUR, scratch, HISTORY + a, b - a, k.filters, state.memories, memory, envelope, sums)
        else:
            _stretch(TWO, scratch, HISTORY + a, b - a, k.filters, state.memories, memory, envelope, sums)
        for lane in range(used):
            c = channel + lane
            fine[f, 0, c] += sums[SQUARE * n + lane]
            fine[f, 1, c] += sums[K_SQUARE * n + lane]
            fine[f, 2, c] = max(fine[f, 2, c], sums[CURVE * n + lane])
            steps[step, TOTAL, c] += sums[SUM * n + lane]
            steps[step, A_POWER, c] += sums[A_SQUARE * n + lane]
            top, bottom = sums[MAXIMUM * n + lane], sums[MINIMUM * n + lane]
            peak, curve = max(top, -bottom), sums[CURVE * n + lane]
            steps[step, TOP, c] = max(steps[step, TOP, c], top)
            steps[step, BOTTOM, c] = min(steps[step, BOTTOM, c], bottom)
            floats[c, BEST] = max(floats[c, BEST], peak)
            state.levels[stretch + 1, lane] = sums[LEVEL * n + lane]
            if peak == 0.0:
                steps[step, ZEROS, c] += b - a
            elif sums[LEAST * n + lane] == 0.0 or peak > k.over:
                _count(scratch, n, lane, HISTORY + a, HISTORY + b, k.over, steps, step, c)
            counts[0] = _thresholds(
                state.integers[c], envelope, lane, n, b - a, sums[LOW * n + lane], sums[HIGH * n + lane],
                position + start + a, k.hangover, c, events, counts[0],
            )  # fmt: skip
            # The wave is read `REACH` samples behind, so its reach lies in this stretch and the one before it.
            wide_peak, wide_curve = max(peak, floats[c, LAST_PEAK]), max(curve, floats[c, LAST_CURVE])
            floats[c, LAST_PEAK], floats[c, LAST_CURVE] = peak, curve
            if b - a < HISTORY:
                floats[c, LAST_PEAK], floats[c, LAST_CURVE] = wide_peak, wide_curve
            first, last = max(a - REACH, 0), b - REACH
            if last > first:
                bound = _bound(wide_peak, wide_curve, k)
                steps[step, BOUND, c] = max(steps[step, BOUND, c], bound)
                if bound > floats[c, BEST]:
                    floats[c, BEST] = _wave(
                        scratch, n, lane, HISTORY + first, last - first, wide_curve, k, floats[c, BEST], state
                    )
    for lane in range(used):
        _second_look(n, lane, count, position + start, k, state, steps, step, channel + lane, clips, counts)
    for at in range(HISTORY * n):
        state.history[base * HISTORY + at] = scratch[rows * n + at]


@_inner
def _count(
    scratch: F64, n: int, lane: int, first: int, last: int, over: float, steps: F64, step: int, c: int
) -> None:
    """Count a stretch's samples that are zero or over."""
    for row in range(first, last):
        size = abs(scratch[row * n + lane])
        steps[step, ZEROS, c] += size == 0.0
        steps[step, OVER, c] += size > over


@_inner
def _second_look(n: int, lane: int, stretches: int, position: int, k: Constants, state: State, steps: F64, step: int, c: int, clips: F64, counts: I64) -> None:  # fmt: skip
    """Find the runs of like samples, now that the step's extremes are known."""
    top, bottom = steps[step, TOP, c], steps[step, BOTTOM, c]
    peak = max(top, -bottom)
    steps[step, PEAK, c] = peak
    run, levels, edges = state.runs[c], state.levels, state.stretches
    levels[0, lane] = state.floats[c, LAST_LEVEL]
    longest = int(steps[step, FLAT, c])
    for s in range(stretches):
        first, last = HISTORY + edges[s, 0] - 2, HISTORY + edges[s + 1, 0] - 2
        level = max(levels[s, lane], levels[s + 1, lane])
        if level >= peak / 2 and level > 0.0:
            if run[RUN_LENGTH] == 0:
                first -= 1
            longest, counts[1] = _flats(
                state.scratch, n, lane, first, last, position, peak / 2, top, bottom, k.filters[STEP], k.gap, run,
                longest, c, clips, counts[1],
            )  # fmt: skip
        elif run[RUN_LENGTH] > 0:
            counts[1] = _end_run(
                run, state.scratch[first * n + lane], state.scratch[(first + 1) * n + lane],
                float(position + first - HISTORY), top, bottom, k.filters[STEP], k.gap, c, clips, counts[1],
            )  # fmt: skip
    state.floats[c, LAST_LEVEL] = levels[stretches, lane]
    steps[step, FLAT, c] = longest
    if run[CLIP_END] > 0 and position + edges[stretches, 0] - 2 - run[CLIP_END] - run[RUN_LENGTH] > k.gap:
        counts[1] = _close_clip(run, c, clips, counts[1])


@_inner
def _finish(group: I64, position: int, k: Constants, state: State, steps: F64, step: int, clips: F64, counts: I64) -> None:  # fmt: skip
    """Read the wave behind a group's last sample as if silence followed, and close what is open.

    `step` is the row behind the last step of `steps`, `position` the length of the signal.
    """
    channel, used, n, base = group[0], group[1], group[2], group[3]
    scratch = state.scratch
    for at in range(HISTORY * n):
        scratch[at] = state.history[base * HISTORY + at]
    for at in range(HISTORY * n, (HISTORY + REACH) * n):
        scratch[at] = 0.0
    _before(group, k.reach, k, state, steps, step)
    for lane in range(used):
        c = channel + lane
        run = state.runs[c]
        last = scratch[(HISTORY - 1) * n + lane]
        scratch[HISTORY * n + lane] = last
        if run[RUN_LENGTH] > 0:
            peak, top, bottom = steps[step - 1, PEAK, c], steps[step - 1, TOP, c], steps[step - 1, BOTTOM, c]
            longest, counts[1] = _flats(
                scratch, n, lane, k.history - 2, k.history, position, peak / 2, top, bottom, k.filters[STEP], k.gap,
                run, int(steps[step - 1, FLAT, c]), c, clips, counts[1],
            )  # fmt: skip
            steps[step - 1, FLAT, c] = longest
            counts[1] = _end_run(run, last, last, float(position), top, bottom, k.filters[STEP], k.gap, c, clips, counts[1])  # fmt: skip
        counts[1] = _close_clip(run, c, clips, counts[1])


@njit(cache=True, nogil=True)
def measure_steps(samples32: F32, samples64: F64, channels: int, edges: I64, fine_steps: I64, position: int, k: Constants, state: State, steps: F64, step: int, fine: F64, events: I64, clips: F64, counts: I64, ends: bool) -> int:  # fmt: skip
    """Measure whole steps of all channels.

    Parameters
    ----------
    samples32, samples64 : (n * channels,) float32 array, (n * channels,) float64 array
        Interleaved, 1.0 = full scale; one of them is empty.
    channels : int
        Channels in it.
    edges : (m + 1,) int64 array
        The 10 ms edges as rows of `samples`, first one 0.
    fine_steps : (s + 1,) int64 array
        The first 10 ms step of every 100 ms step, and m.
    position : int
        Absolute position of row 0.
    k, state : Constants, State
        `state` is changed.
    steps : (>= step + s, COLUMNS, channels) float64 array
        Rows from `step` on are written; row ``step - 1`` is the step before, whose bound may rise.
    fine : (>= m, FINE_COLUMNS, channels) float64 array
        Written: sums of squares, sums of K-weighted squares, largest second differences.
    events, clips : (many, 3) int64, (many, CLIP_FIELDS + 1) float64 array
        Written from ``counts[0]`` and ``counts[1]`` on.
    counts : (2,) int64 array
        Rows in use; changed.
    ends : bool
        Whether the signal ends behind these steps: then the wave behind the last sample is read as if silence
        followed, and what is open is closed. `clips` needs two free rows a channel for it.

    Returns
    -------
    int
        Steps measured: fewer than asked where `events` or `clips` might not hold the next one.
    """
    asked = len(fine_steps) - 1
    for s in range(asked):
        f, count = fine_steps[s], fine_steps[s + 1] - fine_steps[s]
        rows = edges[f + count] - edges[f]
        if len(events) - counts[0] < EVENTS_PER_STEP * channels or len(clips) - counts[1] < (rows // (k.gap + 1) + 4) * channels:  # fmt: skip
            return s
        fine[f : f + count] = 0.0
        for g in range(len(state.groups)):
            group = state.groups[g]
            if len(samples32) > 0:
                _fetch(samples32, edges[f], channels, rows, group, state, steps, step + s)
            else:
                _fetch(samples64, edges[f], channels, rows, group, state, steps, step + s)
            _group(group, edges, f, count, position, k, state, steps, step + s, fine, events, clips, counts)
            for lane in range(group[1]):
                c = group[0] + lane
                if steps[step + s, NONFINITE, c] > 0:
                    _withdraw(edges, f, count, group[2], lane, c, k, state, steps, step + s, fine)
        for at in range(f, f + count):
            for c in range(channels):
                steps[step + s, POWER, c] += fine[at, 0, c]
                steps[step + s, K_POWER, c] += fine[at, 1, c]
    if ends:
        for g in range(len(state.groups)):
            _finish(
                state.groups[g],
                position + edges[len(edges) - 1],
                k,
                state,
                steps,
                step + asked,
                clips,
                counts,
            )
    return asked
