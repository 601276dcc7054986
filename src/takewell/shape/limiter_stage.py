"""Which gain brings every peak to the aim, and how does it get there and back?

For every sample whose wave stands above the aim, the attenuation that brings it there is noted. The
attenuation applied is then

1. the largest one noted from `GUARD` samples before to `GUARD` samples plus the look-ahead after (so the gain
   stands still while the wave around a peak passes through any meter's filter);
2. falling back by a constant share per sample (time constant 60 ms) where nothing holds it up;
3. averaged over the look-ahead (5 ms) by two boxes, one after the other: a triangle.

Every average is taken over values that are at least what the peak needs, so the peak always gets all of it.
All of this happens in decibels, counted in whole millionths: sums are exact, so any split of the signal into
blocks gives the same samples. Readings are taken (`between_samples`) only where the bound leaves it open whether the
wave reaches the aim. Samples where the attenuation is zero are not touched.

Conventions: as in `limiter`; attenuations are whole millionths of a decibel, (n, channels) int64.
"""

import math
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from takewell.shape.between_samples import (
    BY_CURVE,
    BY_PEAK,
    PRINTED_TAPS,
    REACH,
    SINC_TAPS,
    STRAIGHT,
    highest_readings,
)
from takewell.units import amplitude

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
Bools = NDArray[np.bool_]

LOOK_AHEAD_S = 0.005
RELEASE_S = 0.060
LET_GO_DB = 0.01
"""A release that has come down to this ends; the average makes the step a slope."""

GUARD = 24
"""Samples to each side of a peak over which the gain stands still: half of any common meter's filter and more."""

UNITS_PER_DB = 1_000_000
MOST_DB = 6300.0
"""Float64's whole span above a ceiling of -60 dBTP; the exact sums stay far inside 64 bits."""

SUB_BLOCK = 32
"""Samples that share one look at the bound; no fewer than `REACH`."""

CHUNK = 4096
"""Samples worked on at once, counted from the first one fed."""

_LEAD = 2 * SUB_BLOCK
"""Samples kept before a chunk: one sub-block to judge again at the very start, one for its readings."""

_KEEP_BITS = 20
_NEPERS_PER_UNIT = -math.log(10) / 20 / UNITS_PER_DB

_TABLE_BITS = 12
_TABLE_DB = 60.0
_TABLE: F64 = np.exp(
    _NEPERS_PER_UNIT * np.arange(0, round(_TABLE_DB * UNITS_PER_DB) + 1, 2**_TABLE_BITS, dtype=np.float64)
)
"""Factors in steps of 2^12 millionths of a decibel; what is left is at most 0.0041 dB, for which four terms of the
exponential's series are exact to 1e-18."""


class Taken(NamedTuple):
    """What was taken off some channels: one row for each of `channels`, a value a sample."""

    channels: I64
    attenuation: I64

    def off(self, samples: F64, first: int) -> None:
        """Take it off `samples` in place, which begin at value `first`."""
        _reduce(samples, self.channels, self.attenuation[:, first : first + len(samples)], _TABLE)


class Chunk(NamedTuple):
    """`CHUNK` samples as a stage got them, and what has to be taken off them (None: nothing)."""

    samples: F64
    taken: Taken | None


class Stage:
    """One pass of the limiter: samples in, the same samples in chunks out, a little later.

    The samples of a chunk may be a view of the stage's own memory, good until the next chunk is asked for.

    Parameters
    ----------
    rate : int
    active : (channels,) bool array
        The channels to work on.
    aim_dbtp : float
        The level every reading is brought to.
    linked : bool
        Whether active channels share the largest attenuation.
    """

    def __init__(self, rate: int, active: Bools, aim_dbtp: float, *, linked: bool) -> None:
        self._aim = float(amplitude(aim_dbtp))
        self._active = active
        self._linked = linked
        self._half = max(round(LOOK_AHEAD_S * rate / 2), 1)
        self._keep = round(math.exp(-1 / (RELEASE_S * rate)) * 2**_KEEP_BITS)
        ahead = GUARD + 2 * self._half
        self._ahead = -(-(ahead + REACH) // SUB_BLOCK) * SUB_BLOCK + SUB_BLOCK
        rows, channels = _LEAD + CHUNK + self._ahead, len(active)
        self._rows = np.zeros((rows, channels))
        self._needs = np.zeros((channels, rows), np.int64)
        self._held = np.zeros((channels, 2 * self._half), np.int64)
        self._open = np.zeros((rows // SUB_BLOCK, channels), np.bool_)
        # One chunk of silence goes ahead of the first sample, so that the gain is down in time for it.
        self._filled = _LEAD + CHUNK
        self._left = CHUNK
        self._begun = False
        self._busy = False
        self._judged = SUB_BLOCK

    def add(self, samples: F64, taken: Taken | None = None, *, all_open: bool = True) -> Iterator[Chunk]:
        """Take samples (n, channels), less what is `taken` off them, and yield the chunks that are ready.

        Exhaust it before the next call. `all_open` may be False for samples of which no reading stands above the aim, as
        the caller knows, but for those of channels that something was taken off.
        """
        self._left += len(samples)
        done = 0
        while done < len(samples):
            count = min(len(samples) - done, len(self._rows) - self._filled)
            rows = self._rows[self._filled : self._filled + count]
            rows[:] = samples[done : done + count]
            blocks = slice(self._filled // SUB_BLOCK, -(-(self._filled + count) // SUB_BLOCK))
            if all_open:
                self._open[blocks] = True
            if taken is not None:
                taken.off(rows, done)
                self._open[blocks, taken.channels] = True
            self._filled += count
            done += count
            if self._filled == len(self._rows):
                yield from self._give()

    def finish(self) -> Iterator[Chunk]:
        """Yield the chunks that hold what is left; the last one ends in silence."""
        while self._left > 0:
            self._rows[self._filled :] = 0.0
            self._open[self._filled // SUB_BLOCK :] = True
            self._filled = len(self._rows)
            yield from self._give()

    def _give(self) -> Iterator[Chunk]:
        until = len(self._rows) - SUB_BLOCK
        if self._open.any() and _judge(
            self._rows,
            self._judged,
            until,
            self._aim,
            self._active,
            self._open,
            SINC_TAPS,
            PRINTED_TAPS,
            self._needs,
        ):
            self._busy = True
            if self._linked:
                self._needs[self._active] = self._needs[self._active].max(axis=0)
        taken = None
        if self._busy:
            channels = _busy_channels(self._needs, self._held)
            if len(channels):
                taken = Taken(channels, np.empty((len(channels), CHUNK), np.int64))
                _attenuate(self._needs, self._held, self._half, self._keep, *taken)
        if self._begun:
            yield Chunk(self._rows[_LEAD : _LEAD + CHUNK], taken)
        self._begun = True
        self._rows[:-CHUNK] = self._rows[CHUNK:]
        self._open[: -CHUNK // SUB_BLOCK] = self._open[CHUNK // SUB_BLOCK :]
        self._open[-CHUNK // SUB_BLOCK :] = False
        if self._busy:
            self._needs[:, :-CHUNK] = self._needs[:, CHUNK:]
            self._needs[:, -CHUNK:] = 0
            self._busy = bool(self._needs[:, :-CHUNK].any() or self._held.any())
        self._filled -= CHUNK
        self._judged = until - CHUNK
        self._left -= CHUNK


@njit(nogil=True, cache=True)
def _judge(
    rows: F64,
    start: int,
    stop: int,
    aim: float,
    active: Bools,
    is_open: Bools,
    sinc_taps: F64,
    printed_taps: F64,
    needs: I64,
) -> bool:
    """Note the attenuation each row from `start` to `stop` needs; tell whether any does."""
    channels = rows.shape[1]
    blocks = rows.shape[0] // SUB_BLOCK
    some_open = np.zeros(blocks, np.bool_)
    for block in range(blocks):
        for channel in range(channels):
            some_open[block] |= is_open[block, channel]
    peaks = np.zeros((blocks, channels))
    curves = np.zeros((blocks, channels))
    for block in range(start // SUB_BLOCK - 1, blocks):
        # Looked at are open blocks and their neighbours, and they look one block further.
        if not some_open[max(block - 2, 0) : block + 3].any():
            continue
        peak, curve = peaks[block], curves[block]
        for row in range(max(block * SUB_BLOCK, 1), min((block + 1) * SUB_BLOCK, rows.shape[0] - 1)):
            before, here, after = rows[row - 1], rows[row], rows[row + 1]
            for channel in range(channels):  # without branches, so that it vectorises
                size = abs(here[channel])
                bend = abs(before[channel] - 2.0 * here[channel] + after[channel])
                peak[channel] = size if size > peak[channel] else peak[channel]
                curve[channel] = bend if bend > curve[channel] else curve[channel]
    near = np.empty(SUB_BLOCK + 2 * REACH)
    reading = np.empty(SUB_BLOCK)
    found = False
    for block in range(start // SUB_BLOCK, stop // SUB_BLOCK):
        if not some_open[block - 1 : block + 2].any():
            continue
        for channel in range(channels):
            peak_near = max(peaks[block - 1, channel], peaks[block, channel], peaks[block + 1, channel])
            curve_near = max(curves[block - 1, channel], curves[block, channel], curves[block + 1, channel])
            bound = min(BY_PEAK * peak_near, STRAIGHT * peak_near + BY_CURVE * curve_near)
            if bound <= aim or not active[channel] or not is_open[block - 1 : block + 2, channel].any():
                continue
            first = block * SUB_BLOCK
            for i in range(len(near)):
                near[i] = rows[first - REACH + i, channel]
            highest_readings(near, REACH, sinc_taps, printed_taps, reading)
            for i in range(SUB_BLOCK):
                if reading[i] > aim:
                    need = 20.0 * math.log10(reading[i] / aim)
                    needs[channel, first + i] = math.ceil(min(need, MOST_DB) * UNITS_PER_DB)
                    found = True
    return found


@njit(nogil=True, cache=True)
def _busy_channels(needs: I64, held: I64) -> I64:
    """Return the channels of which anything has to be taken off in the chunk."""
    found = np.empty(needs.shape[0], np.int64)
    count = 0
    for channel in range(needs.shape[0]):
        busy = held[channel].any()
        if not busy:
            busy = needs[channel, _LEAD - GUARD : _LEAD + CHUNK + GUARD + held.shape[1]].any()
        if busy:
            found[count] = channel
            count += 1
    return found[:count].copy()


@njit(nogil=True, cache=True)
def _attenuate(needs: I64, held: I64, half: int, keep: int, channels: I64, attenuation: I64) -> None:
    """Work out the attenuation of a chunk's busy channels from what its neighbourhood needs.

    `held` is what stands after step 2 for the samples just before the chunk; it is brought up to date.
    """
    reach = 2 * half
    let_go = int(LET_GO_DB * UNITS_PER_DB)
    standing = np.empty(reach + CHUNK, np.int64)
    queue = np.empty(CHUNK + 2 * GUARD + reach + 1, np.int64)
    for index, channel in enumerate(channels):
        standing[:reach] = held[channel]
        head, tail, arrived = 0, 0, _LEAD - GUARD
        for i in range(CHUNK):
            # The largest need in the window, kept as a queue of falling values (each enters and leaves once).
            while arrived <= _LEAD + i + GUARD + reach:
                while tail > head and needs[channel, queue[tail - 1]] <= needs[channel, arrived]:
                    tail -= 1
                queue[tail] = arrived
                tail += 1
                arrived += 1
            while queue[head] < _LEAD + i - GUARD:
                head += 1
            released = (standing[reach + i - 1] * keep) >> _KEEP_BITS
            if released <= let_go:
                released = 0
            standing[reach + i] = max(needs[channel, queue[head]], released)
        held[channel] = standing[CHUNK:]
        _average(standing, half, attenuation[index])


@njit(nogil=True, cache=True)
def _average(standing: I64, half: int, attenuation: I64) -> None:
    """Average over the last ``2 half + 1`` values by boxes of `half` and ``half + 2``, rounding up."""
    first_box, second_box = half, half + 2
    inner = np.empty(len(standing), np.int64)
    total = 0
    for i in range(len(standing)):
        total += standing[i]
        if i >= first_box:
            total -= standing[i - first_box]
        inner[i] = total
    total = 0
    for i in range(first_box - 1, first_box + second_box - 2):
        total += inner[i]
    weight = first_box * second_box
    for i in range(CHUNK):
        at = i + 2 * half
        total += inner[at]
        attenuation[i] = -(-total // weight) if total else 0
        total -= inner[at - second_box + 1]


@njit(nogil=True, cache=True)
def _reduce(samples: F64, channels: I64, attenuation: I64, table: F64) -> None:
    """Take rows of attenuation off their channels of `samples`, in place."""
    within = 2**_TABLE_BITS - 1
    # Some samples at a time, so that what is interleaved stays in the nearest cache from channel to channel.
    for start in range(0, samples.shape[0], SUB_BLOCK):
        stop = min(start + SUB_BLOCK, samples.shape[0])
        for index, channel in enumerate(channels):
            for i in range(start, stop):
                amount = attenuation[index, i]
                if amount == 0:
                    continue
                high = amount >> _TABLE_BITS
                if high < len(table):
                    x = (amount & within) * _NEPERS_PER_UNIT
                    factor = table[high] * (1.0 + x * (1.0 + x * (0.5 + x * (1.0 / 6.0 + x / 24.0))))
                else:
                    factor = math.exp(amount * _NEPERS_PER_UNIT)
                samples[i, channel] *= factor
