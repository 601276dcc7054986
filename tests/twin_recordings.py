"""A voice whose every sample is known, and the noise of two converters: what a pair of copies is made of."""

import numpy as np
import soxr
from numpy.typing import NDArray
from scipy.signal import butter, lfilter, sosfilt

RATE = 48_000
F64 = NDArray[np.float64]


def voice(seconds: float, seed: int = 5, *, room_dbfs: float = -75.0) -> F64:
    """Return sound with the pitch, syllables and pauses of speech up to 12 kHz, over a room's noise."""
    rng = np.random.default_rng(seed)
    n = round(seconds * RATE)
    t = np.arange(n) / RATE
    pitch = 130 * np.exp(0.2 * np.sin(2 * np.pi * 0.6 * t + seed))
    phase = 2 * np.pi * np.cumsum(pitch) / RATE
    buzz = sum(np.cos(h * phase + h * h) / h for h in range(1, 40))
    breath = lfilter([0.3], [1, -0.7], rng.standard_normal(n))
    syllables = np.clip(np.sin(2 * np.pi * 3.3 * t + 2 * np.sin(2 * np.pi * 0.41 * t)), 0, 1) ** 1.5
    sentences = np.clip(8 * (np.sin(2 * np.pi * 0.23 * t + seed) + 0.7), 0, 1)
    sound = sosfilt(butter(4, 12_000, fs=RATE, output="sos"), (buzz + 0.4 * breath) * syllables * sentences)
    return 0.1 * sound / sound.std() + 10 ** (room_dbfs / 20) * rng.standard_normal(n)


def late(samples: F64, delay: float, drift_ppm: float = 0.0) -> F64:
    """Return what a recorder hears `delay` samples later, on a clock that runs `drift_ppm` fast.

    The clock by libsoxr, the delay by turning the whole spectrum: nothing of the code under test.
    """
    heard = (
        samples
        if not drift_ppm
        else soxr.resample(samples, RATE, RATE * (1 + drift_ppm * 1e-6), quality="VHQ")
    )
    n = len(heard)
    spectrum = np.fft.rfft(np.concatenate([heard, np.zeros(n)]))
    turned = spectrum * np.exp(-2j * np.pi * np.fft.rfftfreq(2 * n) * delay)
    return np.asarray(np.fft.irfft(turned, 2 * n)[:n])


def noise(n: int, dbfs: float, seed: int) -> F64:
    """Return white noise of an RMS relative to 1.0."""
    return 10 ** (dbfs / 20) * np.random.default_rng(seed).standard_normal(n)
