"""What the program's own meter reads from a signal, in blocks, as it would from a file."""

import numpy as np
from numpy.typing import NDArray

from takewell.engine import Meter, MeterResult
from takewell.measure.loudness import lufs, window_powers

F64 = NDArray[np.float64]

BLOCK_SAMPLES = 50_021
FIVE_CHANNELS = 0x37
"""Front left, right and centre, back left and right: a 5.0 file."""


def measured(samples: F64, rate: int, *, channel_mask: int | None = None) -> MeterResult:
    """Return everything the meter says about (n, channels) samples."""
    meter = Meter(rate, samples.shape[1], encoding="float64", channel_mask=channel_mask)
    for start in range(0, len(samples), BLOCK_SAMPLES):
        meter.add(samples[start : start + BLOCK_SAMPLES])
    return meter.finish()


def loudness_history(result: MeterResult, window_s: float) -> F64:
    """Return the loudness in LUFS of a sliding window every 10 ms, channels added; entry k begins at k x 10 ms."""
    lengths = np.diff(result.traces[0].fine_edges)
    power = sum(trace.fine_k_rms.astype(np.float64) ** 2 for trace in result.traces)
    windows = window_powers(power * lengths, lengths, round(window_s * 100))
    return np.array([lufs(value) or -np.inf for value in windows])
