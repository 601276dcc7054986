"""Which noises lie under a recording: the room's, the microphone's and the converter's?

Conventions: filters are (taps,) float32 arrays for white noise of variance 1; levels are dB relative to whatever
the caller's unit is. The room's noise falls by 4.5 dB an octave, between pink and brown, as quiet rooms do; the
microphone's and the converter's noise is white. A converter's noise is fixed at its analogue input, so it moves
with the gain setting that follows it (common practice for recorders with float files, no source).
"""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

ROOM_SLOPE_DB_PER_OCTAVE = -4.5
LOW_CUT_HZ = 80.0
CONVERTER_NOISE_DBFS = -118.0
"""AES17 level of the converter's noise at the 0 dB setting: far under any room."""
NOISE_TAPS = 4096
"""Length of the noise filters."""


@lru_cache(maxsize=8)
def low_cut(rate: int, bins: int, corner_hz: float = LOW_CUT_HZ) -> NDArray[np.complex64]:
    """Return the complex response of a second-order Butterworth low cut on `bins` bins from 0 Hz to half the rate.

    Examples
    --------
    >>> corner = low_cut(48_000, 24_001)[80]
    >>> f"{20 * np.log10(abs(corner)):.2f} dB"
    '-3.01 dB'
    """
    s = 1j * np.linspace(0, rate / 2, bins) / corner_hz
    response: NDArray[np.complex64] = (s**2 / (s**2 + np.sqrt(2) * s + 1)).astype(np.complex64)
    response.setflags(write=False)
    return response


@lru_cache(maxsize=32)
def room_noise_filter(rate: int, taps: int = NOISE_TAPS, *, white_share: float = 0.0) -> NDArray[np.float32]:
    """Return the filter that gives white noise the spectrum of a quiet room behind the low cut, at mean square 1.

    Parameters
    ----------
    rate, taps : int
        Sampling rate in Hz and length.
    white_share : float
        Share of the mean square that is white instead, as a microphone's own noise is (behind the low cut too).

    Returns
    -------
    (taps,) float32 array, read-only
        The sum of its squares is 1, so white noise of variance 1 leaves it with mean square 1.
    """
    freqs_hz = np.fft.rfftfreq(taps, 1 / rate)
    cut = np.abs(low_cut(rate, len(freqs_hz))).astype(np.float64)
    room = np.maximum(freqs_hz, 20.0) ** (ROOM_SLOPE_DB_PER_OCTAVE / (20 * np.log10(2))) * cut
    power = (1 - white_share) * room**2 / np.sum(room**2) + white_share * cut**2 / np.sum(cut**2)
    impulse = np.roll(np.fft.irfft(np.sqrt(power), taps), taps // 2) * np.hanning(taps)
    unit: NDArray[np.float32] = (impulse / np.sqrt(np.sum(impulse**2))).astype(np.float32)
    unit.setflags(write=False)
    return unit


def white(shape: int | tuple[int, ...], rng: np.random.Generator) -> NDArray[np.float32]:
    """Return Gaussian white noise of variance 1."""
    return rng.standard_normal(shape, dtype=np.float32)
