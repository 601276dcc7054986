"""Meters that are not ours, and the true-peak signals of EBU Tech 3341."""

from collections.abc import Callable, Mapping

import numpy as np
import pyebur128
import pytest
from numpy.typing import NDArray
from scipy.signal import firwin, resample_poly

F64 = NDArray[np.float64]
RATE = 48_000

# ITU-R BS.1770-5, Annex 2, printed pages 18 and 19: phases 0 and 1; 3 and 2 are these backwards.
PHASES = (
    (0.0017089843750, 0.0109863281250, -0.0196533203125, 0.0332031250000, -0.0594482421875, 0.1373291015625,
     0.9721679687500, -0.1022949218750, 0.0476074218750, -0.0266113281250, 0.0148925781250, -0.0083007812500),
    (-0.0291748046875, 0.0292968750000, -0.0517578125000, 0.0891113281250, -0.1665039062500, 0.4650878906250,
     0.7797851562500, -0.2003173828125, 0.1015625000000, -0.0582275390625, 0.0330810546875, -0.0189208984375),
)  # fmt: skip


def printed_filter(samples: F64) -> float:
    """The largest output of the filter printed in BS.1770-5, as a plain convolution."""
    phases = [*PHASES, *(phase[::-1] for phase in PHASES)]
    return max(float(np.abs(np.convolve(samples, phase)).max()) for phase in phases)


def libebur128(samples: F64) -> float:
    state = pyebur128.R128State(1, RATE, pyebur128.MeasurementMode.MODE_TRUE_PEAK)
    ended = np.concatenate([samples, np.zeros(64)])  # it reads a filter's length late
    state.add_frames(np.ascontiguousarray(ended), len(ended))
    return float(pyebur128.get_true_peak(state, 0))


def oversampled(factor: int) -> Callable[[F64], float]:
    def reading(samples: F64) -> float:
        ended = np.concatenate([np.zeros(64), samples, np.zeros(64)])
        return float(np.abs(resample_poly(ended, factor, 1)).max())

    return reading


@pytest.fixture(scope="session")
def meters() -> Mapping[str, Callable[[F64], float]]:
    """True-peak meters (linear): the printed filter, libebur128, SciPy's resampler at 4x and 32x."""
    return {
        "BS.1770 printed filter, 4x": printed_filter,
        "libebur128": libebur128,
        "scipy 4x": oversampled(4),
        "scipy 32x": oversampled(32),
    }


def faded_tone(f_over_fs: float, amplitude: float, phase_deg: float) -> F64:
    """Cases 15 to 19 of EBU Tech 3341: a tone with fades of 10 ms."""
    n, fade = np.arange(RATE), RATE // 100
    tone = amplitude * np.sin(2 * np.pi * f_over_fs * n + np.radians(phase_deg))
    ramp = np.clip(np.minimum(n + 1, RATE - n) / fade, 0, 1)
    return np.asarray(tone * ramp)


def burst_in_tone(offset: int) -> F64:
    """Cases 20 to 23 of EBU Tech 3341: one period of fs/4 at full scale inside fs/6 at half of it.

    Made at 4 fs with continuous phase, low-passed, and decimated with the offset.
    """
    dense = 4 * RATE
    cycles = 2000
    base = np.sin(2 * np.pi * np.arange(cycles * 24) / 24) * 0.5  # fs/6 at 4 fs: 24 samples a period
    burst = np.sin(2 * np.pi * np.arange(16) / 16)  # fs/4 at 4 fs: 16 samples a period
    signal = np.concatenate([base, burst, base])
    n = np.arange(len(signal))
    ramp = np.clip(np.minimum(n + 1, len(signal) - n) / (dense / 100), 0, 1)
    taps = firwin(511, 0.45 * RATE, fs=dense)
    return np.asarray(np.convolve(signal * ramp, taps, mode="same")[offset::4])


@pytest.fixture(scope="session")
def ebu_true_peak_signals() -> Mapping[int, tuple[F64, float]]:
    """Signal and expected dBTP of cases 15 to 23 (tolerance +0.2 / -0.4 dB) of EBU Tech 3341, Table 1."""
    tones = {15: (1 / 4, 0.5, 0.0), 16: (1 / 4, 0.5, 45.0), 17: (1 / 6, 0.5, 60.0), 18: (1 / 8, 0.5, 67.5),
             19: (1 / 4, 1.41, 45.0)}  # fmt: skip
    signals = {case: (faded_tone(*tone), 3.0 if case == 19 else -6.0) for case, tone in tones.items()}
    return signals | {20 + offset: (burst_in_tone(offset), 0.0) for offset in range(4)}
