"""How loud is it: integrated, momentary and short-term loudness and the loudness range.

Conventions: power = mean square of the K-weighted signal, channels added with their weights; loudness = -0.691 +
10 log10(power) LUFS (ITU-R BS.1770-5, Annex 1, equation 2). Steps are 100 ms; a gating block is four of them,
a short-term value thirty, each starting 100 ms after the one before; an unfinished last one is dropped.
A loudness that does not exist (nothing passes the gate, too short) is None.

Sources: ITU-R BS.1770-5, Annex 1 (gating, channel weights) and Annex 3, Tables 4 and 5 (weights by speaker position);
EBU Tech 3341 (momentary 400 ms, short-term 3 s); EBU Tech 3342 (loudness range).
"""

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from takewell.measure.ranked import IN_MEMORY, Pieces, count_of, in_pieces, ranked

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

OFFSET_DB = -0.691
ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
RANGE_GATE_LU = -20.0
RANGE_LOW, RANGE_HIGH = 0.10, 0.95

BLOCK_STEPS = 4
SHORT_TERM_STEPS = 30
MOMENTARY_FINE_STEPS = 40
SHORT_TERM_FINE_STEPS = 300
TEN = 10

MOST_ROUNDS, SETTLED_LU = 20, 1e-9

SURROUND_WEIGHT = 1.41
_LFE, _BACK, _SIDE = 0x8, 0x30, 0x600
"""dwChannelMask bits: low-frequency effects, back left and right, side left and right."""


def lufs(power: float) -> float | None:
    """Return the loudness in LUFS of a K-weighted power; None for zero."""
    return OFFSET_DB + 10 * math.log10(power) if power > 0 else None


def power_of(loudness_lufs: float) -> float:
    """Return the K-weighted power of a loudness in LUFS."""
    return float(10 ** ((loudness_lufs - OFFSET_DB) / 10))


def channel_weights(channels: int, channel_mask: int | None) -> F64 | None:
    """Return the weight of each channel's power in the programme, or None where the channels are no programme.

    Parameters
    ----------
    channels : int
        How many there are.
    channel_mask : int or None
        dwChannelMask of the file.

    Returns
    -------
    (channels,) float64 array or None
        1.0 for front and back, 1.41 for surrounds (60 to 120 degrees to the side), 0 for LFE. One or two channels
        without a mask are mono and stereo. More channels without a speaker for each are ISO tracks: None.

    Notes
    -----
    ITU-R BS.1770-5, Annex 1, Table 3 and Annex 3, Tables 4 and 5. Back speakers are a 5.1 layout's surrounds (110
    degrees) unless side speakers are there as well: then they stand at 135 degrees and count 1.0.
    """
    mask = channel_mask or 0
    speakers = [1 << bit for bit in range(32) if mask >> bit & 1]
    if len(speakers) != channels:
        return np.ones(channels) if channels <= 2 else None
    surround = _SIDE if mask & _SIDE else _BACK
    return np.array([0.0 if s == _LFE else SURROUND_WEIGHT if s & surround else 1.0 for s in speakers])


def window_powers(sums: F64, lengths: I64, steps: int) -> F64:
    """Return the mean power of every run of `steps` whole steps.

    Parameters
    ----------
    sums : (n, ...) float64 array
        Sum of squares in each step.
    lengths : (n,) int64 array
        Samples in each step.
    steps : int
        Steps in a window.

    Returns
    -------
    (n - steps + 1, ...) float64 array
        Empty when there are too few steps. Only additions of what is positive: a quiet window keeps its full
        precision beside a loud one.
    """
    count = len(sums) - steps + 1
    if count < 1:
        return np.zeros((0, *sums.shape[1:]))
    if steps % TEN == 0:
        tens, ten_lengths = _run_sums(sums, TEN), _run_sums(lengths, TEN)
        power = sum(tens[k : k + count] for k in range(0, steps, TEN))
        samples = sum(ten_lengths[k : k + count] for k in range(0, steps, TEN))
    else:
        power, samples = _run_sums(sums, steps), _run_sums(lengths, steps)
    return np.asarray(power / np.reshape(samples, (-1,) + (1,) * (sums.ndim - 1)))


def _run_sums(values: NDArray[Any], steps: int) -> NDArray[Any]:
    count = len(values) - steps + 1
    total = values[:count].copy()
    for k in range(1, steps):
        total += values[k : k + count]
    return total


class Gated(NamedTuple):
    """Mean power of the blocks that pass the gates, how many they are, and how many there were."""

    power: float
    passed: int
    blocks: int


def gated(block_power: F64 | Pieces, gate_lufs: float = ABSOLUTE_GATE_LUFS) -> Gated:
    """Return what passes both gates; a power of 0 where nothing does.

    Parameters
    ----------
    block_power : (n,) float64 array or function that yields such
        Powers of 400 ms blocks, each 100 ms after the one before.
    gate_lufs : float
        The absolute gate.

    Notes
    -----
    ITU-R BS.1770-5, Annex 1: blocks above the absolute gate, and of these what lies above 10 LU below their mean.
    """
    pieces, gate = in_pieces(block_power), power_of(gate_lufs)
    total, passed, blocks = 0.0, 0, 0
    for part in pieces():
        loud = part[part > gate]
        total, passed, blocks = total + float(loud.sum()), passed + len(loud), blocks + len(part)
    if not passed:
        return Gated(0.0, 0, blocks)
    gate = max(gate, total / passed * 10 ** (RELATIVE_GATE_LU / 10))
    total, passed = 0.0, 0
    for part in pieces():
        loud = part[part > gate]
        total, passed = total + float(loud.sum()), passed + len(loud)
    return Gated(total / passed, passed, blocks)


def integrated(block_power: F64 | Pieces, gate_lufs: float = ABSOLUTE_GATE_LUFS) -> float | None:
    """Return the gated loudness in LUFS; None if no block passes. See `gated`."""
    return lufs(gated(block_power, gate_lufs).power)


def loudness_range(short_term_power: F64 | Pieces) -> float | None:
    """Return the loudness range in LU of the powers of 3 s windows 100 ms apart.

    Notes
    -----
    EBU Tech 3342: values above -70 LUFS, then above 20 LU below their mean power; the 95th percentile less the
    10th, each the value at rank round((n - 1) p).
    """
    pieces, gate = in_pieces(short_term_power), power_of(ABSOLUTE_GATE_LUFS)
    loud = [part[part > gate] for part in pieces()] if count_of(pieces) <= IN_MEMORY else None
    kept: Pieces = (lambda: loud) if loud is not None else (lambda: (part[part > gate] for part in pieces()))
    total, count = 0.0, 0
    for part in kept():
        total, count = total + float(part.sum()), count + len(part)
    if not count:
        return None
    floor = total / count * 10 ** (RANGE_GATE_LU / 10)
    ranges: Pieces = lambda: (part[part >= floor] for part in kept())  # noqa: E731
    count = count_of(ranges)
    low, high = ranked(ranges, [int((count - 1) * part + 0.5) for part in (RANGE_LOW, RANGE_HIGH)])
    return 10 * math.log10(high / low)


def levelled(block_power: F64 | Pieces, target_lufs: float = -23.0) -> float | None:
    """Return the loudness as gated after a steady gain that brings it to `target_lufs`.

    A passage recorded 60 dB low lies under the absolute gate. After a gain that brings it to the target the gate lies
    ``target - (-70)`` LU under its loudness, so here the gate moves with the loudness until both agree.
    """
    pieces = in_pieces(block_power)
    loudness = lufs(max((float(part.max(initial=0.0)) for part in pieces()), default=0.0))
    under = target_lufs - ABSOLUTE_GATE_LUFS
    for _ in range(MOST_ROUNDS):
        if loudness is None:
            return None
        again = integrated(pieces, loudness - under)
        if again is None or abs(again - loudness) < SETTLED_LU:
            break
        loudness = again
    return loudness
