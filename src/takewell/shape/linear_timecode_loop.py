"""The compiled loops that turn a channel into transitions and transitions into words of timecode.

Conventions: positions are samples (fractions allowed) from the first one fed. State is kept in small arrays between
calls, changed in place. See `linear_timecode` for what the steps are.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
U64 = NDArray[np.uint64]

WORD_BITS = 80
SYNC_FORWARD = 0xBFFC
"""Bits 64 to 79, 0011 1111 1111 1101, bit 64 lowest: the last sixteen to arrive when running forward."""
SYNC_BACKWARD = 0x3FFD
"""The same sixteen, bit 79 lowest: the first to arrive when running backward."""

RING = 256
"""Transitions remembered: more than the 160 of a word of ones, so that a word's beginning is known at its end."""

LOOK_BACK = 40
"""Intervals from which the speed is found anew: more than twice the longest run of ones, so both lengths are in it."""

MEAN, ENVELOPE, SIGN, PREVIOUS, CROSSING = range(5)
"""State of the transitions: slow mean, envelope, side it is on, last filtered value, last zero crossing."""

HALF, TROUBLE, LAST_EDGE = range(3)
"""Float state of the words: half a bit in samples (0 = not known), recent bad intervals, last transition."""

SEEN, BITS, OPEN, INTERVALS = range(4)
"""Integer state of the words: transitions seen, good bits in a row, inside a one, intervals since the speed was lost."""


@njit(nogil=True, cache=True)
def find_edges(
    samples: F64,
    history: int,
    width: int,
    first_position: float,
    mean_share: float,
    decay: float,
    hysteresis: float,
    state: F64,
    times: F64,
) -> int:
    """Write the times of the transitions of `samples[history:]` into `times`; return how many there are.

    `samples` begins with `history` old samples, at least `width`. What is looked at is the average of `width`
    samples less its slow mean; a transition is the zero crossing before it leaves the band of `hysteresis` times
    the envelope on the other side.
    """
    mean, envelope, sign = state[MEAN], state[ENVELOPE], state[SIGN]
    previous, crossing = state[PREVIOUS], state[CROSSING]
    total = 0.0
    for i in range(history - width, history):
        total += samples[i]
    scale = 1.0 / width
    delay = 0.5 * (width - 1)
    count = 0
    for i in range(history, len(samples)):
        total += samples[i] - samples[i - width]
        average = total * scale
        mean += mean_share * (average - mean)
        value = average - mean
        height = abs(value)
        envelope *= decay
        if height > envelope:
            envelope = height
        if (value > 0.0) != (previous > 0.0):
            crossing = first_position + (i - history) - value / (value - previous) - delay
        if value * sign < 0.0 and height > hysteresis * envelope:
            sign = -sign
            times[count] = crossing
            count += 1
        previous = value
    state[MEAN], state[ENVELOPE], state[SIGN] = mean, envelope, sign
    state[PREVIOUS], state[CROSSING] = previous, crossing
    return count


@njit(nogil=True, cache=True)
def find_words(
    times: F64,
    floats: F64,
    integers: I64,
    ring: F64,
    bit_starts: F64,
    register: U64,
    words: U64,
    spans: F64,
    flags: I64,
) -> int:
    """Read transitions, write complete words, return how many.

    `words` gets the 64 data bits (bit 0 lowest), `spans` the times of the first and the last transition, `flags`
    1 for a word that ran backward.
    """
    count = 0
    for k in range(len(times)):
        time = times[k]
        if time <= floats[LAST_EDGE]:  # a change of filter may place a transition before the last one
            continue
        floats[LAST_EDGE] = time
        ring[integers[SEEN] % RING] = time
        integers[SEEN] += 1
        integers[INTERVALS] += 1
        if floats[HALF] > 0.0:
            count = _interval(
                integers[SEEN] - 2, floats, integers, ring, bit_starts, register, words, spans, flags, count
            )
            if floats[TROUBLE] > 6.0:
                floats[HALF] = 0.0
                floats[TROUBLE] = 0.0
                integers[INTERVALS] = 0
                integers[BITS] = 0
        elif integers[INTERVALS] > LOOK_BACK:
            half = _half_bit(integers[SEEN], ring)
            if half > 0.0:
                floats[HALF] = half
                floats[TROUBLE] = 0.0
                integers[OPEN] = 0
                integers[BITS] = 0
                for back in range(LOOK_BACK, 0, -1):
                    count = _interval(
                        integers[SEEN] - 1 - back,
                        floats,
                        integers,
                        ring,
                        bit_starts,
                        register,
                        words,
                        spans,
                        flags,
                        count,
                    )
    return count


@njit(nogil=True, cache=True)
def _half_bit(seen: int, ring: F64) -> float:
    """Return half a bit's length, where the last intervals are of two lengths, one twice the other; else 0."""
    lengths = np.empty(LOOK_BACK)
    for back in range(LOOK_BACK):
        last = seen - 1 - back
        lengths[back] = ring[last % RING] - ring[(last - 1) % RING]
    lengths.sort()
    short, long = lengths[4], lengths[LOOK_BACK - 5]
    if not 1.6 < long / short < 2.5:
        return 0.0
    between, shorts, longs, number = 0.5 * (short + long), 0.0, 0.0, 0
    for length in lengths[2:-2]:
        if length < between:
            shorts += length
            number += 1
        else:
            longs += length
    return (shorts + 0.5 * longs) / (LOOK_BACK - 4)


@njit(nogil=True, cache=True)
def _interval(
    start: int,
    floats: F64,
    integers: I64,
    ring: F64,
    bit_starts: F64,
    register: U64,
    words: U64,
    spans: F64,
    flags: I64,
    count: int,
) -> int:
    """Read the interval from transition number `start` to the next."""
    if start < 0:
        return count
    begin, end = ring[start % RING], ring[(start + 1) % RING]
    half = floats[HALF]
    ratio = (end - begin) / half
    if ratio < 0.5 or ratio > 3.0:  # a glitch or a hole: what came before no longer joins what follows
        integers[BITS] = 0
        integers[OPEN] = 0
        floats[TROUBLE] += 1.0
        return count
    if ratio < 1.5:
        floats[HALF] = half + 0.1 * (end - begin - half)
        if integers[OPEN] == 0:
            integers[OPEN] = 1
            return count
        integers[OPEN] = 0
        begin = ring[(start - 1) % RING]
        bit = np.uint64(1)
    else:
        floats[HALF] = half + 0.1 * (0.5 * (end - begin) - half)
        if integers[OPEN] == 1:  # half a one, then a whole nought: bits were cut in the wrong place
            integers[OPEN] = 0
            integers[BITS] = 0
            floats[TROUBLE] += 0.5
        bit = np.uint64(0)
    floats[TROUBLE] = max(0.0, floats[TROUBLE] - 0.02)
    bit_starts[integers[BITS] % WORD_BITS] = begin
    integers[BITS] += 1
    data, sync = register[0], register[1]
    data = (data >> np.uint64(1)) | ((sync & np.uint64(1)) << np.uint64(63))
    sync = (sync >> np.uint64(1)) | (bit << np.uint64(15))
    register[0], register[1] = data, sync
    if integers[BITS] < WORD_BITS:
        return count
    forward = sync == np.uint64(SYNC_FORWARD)
    backward = (data & np.uint64(0xFFFF)) == np.uint64(SYNC_BACKWARD)
    if not (forward or backward):
        return count
    if forward:
        words[count] = data
    else:
        turned = np.uint64(0)
        for k in range(48):
            turned = (turned << np.uint64(1)) | ((data >> np.uint64(16 + k)) & np.uint64(1))
        for k in range(16):
            turned = (turned << np.uint64(1)) | ((sync >> np.uint64(k)) & np.uint64(1))
        words[count] = turned
    spans[count, 0] = bit_starts[integers[BITS] % WORD_BITS]
    spans[count, 1] = end
    flags[count] = 1 if backward else 0
    return count + 1
