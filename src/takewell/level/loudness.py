"""How loud is the speech of a passage, whatever level it was recorded at?

ITU-R BS.1770-5 gating (blocks of 400 ms, 75 % overlap; an absolute gate, then one 10 LU below the mean of what
passed) with two differences, both of which matter only where the standard's own reading would mean nothing:

- the absolute gate stands where it will stand after the gain: -70 LUFS moved along with the passage, so one
  recorded 60 dB low is gated just as it will be when it is levelled;
- a block counts only if there is own speech in it, so a slammed door or another microphone's talker does not.

Where the passage is speech and pauses, this reads what a meter reads over the levelled passage.

Conventions: LUFS of one channel; RMS in AES17 dBFS over the active 10 ms steps.
"""

import numpy as np
from numpy.typing import NDArray

from takewell.level.speech import steps_within
from takewell.measure.trace import Trace
from takewell.units import finite_or_none, power_decibels, rms_dbfs

F64 = NDArray[np.float64]
Bools = NDArray[np.bool_]

OFFSET_LU = -0.691
"""BS.1770-5, Annex 1, eq. 2."""
ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
BLOCK_STEPS = 4


def passage_loudness(
    trace: Trace, own: Bools, start_s: float, end_s: float, *, target_lufs: float
) -> tuple[float | None, float | None]:
    """Return loudness (LUFS) and RMS (dBFS) of the own speech between two moments; None where there is none."""
    active = steps_within(trace.fine_edges, trace.rate, start_s, end_s)
    mine = np.flatnonzero(own[active]) + active.start
    if not len(mine):
        return None, None
    rms = rms_dbfs(np.mean(trace.fine_rms[mine].astype(np.float64) ** 2))
    blocks = _blocks(trace, start_s, end_s, trace.fine_edges[mine])
    return _gated(blocks, target_lufs), finite_or_none(float(rms))


def _blocks(trace: Trace, start_s: float, end_s: float, speech_at: NDArray[np.int64]) -> F64:
    """Return the mean squares of the 400 ms blocks that have own speech in them."""
    steps = steps_within(trace.edges, trace.rate, start_s, end_s)
    edges = trace.edges[steps.start : steps.stop + 1]
    lengths = np.diff(edges)
    if len(lengths) < BLOCK_STEPS:
        return np.zeros(0)
    energy = np.concatenate([[0.0], np.cumsum(trace.k_rms[steps].astype(np.float64) ** 2 * lengths)])
    blocks = (energy[BLOCK_STEPS:] - energy[:-BLOCK_STEPS]) / (edges[BLOCK_STEPS:] - edges[:-BLOCK_STEPS])
    counts = np.searchsorted(speech_at, edges)
    return np.asarray(np.maximum(blocks[counts[BLOCK_STEPS:] > counts[:-BLOCK_STEPS]], 0.0))


def _gated(blocks: F64, target_lufs: float) -> float | None:
    loudness = power_decibels(blocks) + OFFSET_LU
    reading = float(power_decibels(blocks.mean()) + OFFSET_LU) if len(blocks) else -np.inf
    for _ in range(
        20
    ):  # the gate moves with the reading, and the reading with the gate: settles in a few rounds
        if not np.isfinite(reading):
            return None
        passed = blocks[loudness > reading + ABSOLUTE_GATE_LUFS - target_lufs]
        if not len(passed):
            return None
        gate = float(power_decibels(passed.mean())) + OFFSET_LU + RELATIVE_GATE_LU
        both = passed[power_decibels(passed) + OFFSET_LU > gate]
        following = float(power_decibels(both.mean())) + OFFSET_LU if len(both) else -np.inf
        if following == reading:
            break
        reading = following
    return reading
