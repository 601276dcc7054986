"""How loud is the speech of a passage, whatever level it was recorded at?

ITU-R BS.1770-5 gating (blocks of 400 ms, 75 % overlap; an absolute gate, then one 10 LU below the mean of what
passed) with two differences, both of which matter only where the standard's own reading would mean nothing:

- the absolute gate stands where it will stand after the gain (`takewell.measure.loudness.levelled`), so a
  passage recorded 60 dB low is gated just as it will be when it is levelled;
- a block counts only if there is own speech in it, so a slammed door or another microphone's talker does not.

Where the passage is speech and pauses, this reads what a meter reads over the levelled passage.

Conventions: LUFS of one channel; RMS in AES17 dBFS over the active 10 ms steps.
"""

import numpy as np
from numpy.typing import NDArray

from takewell.level.ride import Gains
from takewell.level.speech import steps_within
from takewell.measure.loudness import BLOCK_STEPS, levelled, window_powers
from takewell.measure.trace import Trace
from takewell.units import finite_or_none, rms_dbfs

Bools = NDArray[np.bool_]


def passage_loudness(
    trace: Trace,
    own: Bools,
    start_s: float,
    end_s: float,
    *,
    target_lufs: float,
    gains: Gains | None = None,
) -> tuple[float | None, float | None]:
    """Return loudness (LUFS) and RMS (dBFS) of the own speech between two moments; None where there is none.

    With `gains`, as it lies after them.
    """
    inside = steps_within(trace.fine_edges, trace.rate, start_s, end_s)
    mine = np.flatnonzero(own[inside]) + inside.start
    if not len(mine):
        return None, None
    fine = trace.fine_rms[mine].astype(np.float64) ** 2
    if gains is not None:
        fine *= 10 ** (gains(trace.fine_edges[mine] / trace.rate) / 10)
    rms = rms_dbfs(np.mean(fine))
    steps = steps_within(trace.edges, trace.rate, start_s, end_s)
    edges = trace.edges[steps.start : steps.stop + 1]
    lengths = np.diff(edges)
    energy = trace.k_rms[steps].astype(np.float64) ** 2 * lengths
    if gains is not None:
        energy *= 10 ** (gains((edges[:-1] + edges[1:]) / (2 * trace.rate)) / 10)
    powers = window_powers(energy, lengths, BLOCK_STEPS)
    spoken = np.searchsorted(trace.fine_edges[mine], edges)
    speech_in_block = spoken[BLOCK_STEPS:] > spoken[:-BLOCK_STEPS]
    return levelled(powers[speech_in_block[: len(powers)]], target_lufs), finite_or_none(float(rms))
