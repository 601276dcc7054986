"""The signals that published checks ask for. Levels of tones are peak levels in dBFS, which for a sine are AES17 dBFS too.

Every array is (n,) or (n, channels) float64, linear, 1.0 = full scale.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.signal import firwin, lfilter

F64 = NDArray[np.float64]


def sine(frequency_hz: float, level_dbfs: float, seconds: float, rate: int, phase_deg: float = 0.0) -> F64:
    """Return a steady tone."""
    n = np.arange(round(seconds * rate))
    return 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * frequency_hz / rate * n + np.radians(phase_deg))


def steps(parts: list[tuple[float | None, float]], rate: int, frequency_hz: float = 1000.0) -> F64:
    """Return a tone that runs on in phase while its level steps; parts are (dBFS or None for silence, seconds)."""
    ends = np.round(np.cumsum([seconds for _, seconds in parts]) * rate).astype(int)
    gain = np.zeros(ends[-1])
    for (level, _), start, end in zip(parts, [0, *ends[:-1]], ends, strict=True):
        gain[start:end] = 0.0 if level is None else 10 ** (level / 20)
    return gain * np.sin(2 * np.pi * frequency_hz / rate * np.arange(len(gain)))


def stereo(channel: F64) -> F64:
    """Return the same sound in two channels."""
    return np.stack([channel, channel], axis=1)


def faded(channel: F64, fade_s: float, rate: int) -> F64:
    """Return the sound with linear fades at both ends."""
    ramp = np.arange(len(channel)) / (fade_s * rate)
    return channel * np.clip(np.minimum(ramp, ramp[::-1]), 0, 1)


def burst_between_samples(offset: int) -> F64:
    """Return EBU Tech 3341's true-peak cases 20 to 23, one second at any rate.

    A tone at a sixth of the rate, 0.50 high, with one period at a quarter of the rate, 1.00 high, that begins and ends
    where both are zero; made at four times the rate, low-passed, and decimated from sample `offset` on.
    """
    base_period, burst_period, periods = 24, 16, 1000
    base = 0.5 * np.sin(2 * np.pi * np.arange(base_period) / base_period)
    burst = np.sin(2 * np.pi * np.arange(burst_period) / burst_period)
    wave = np.concatenate([np.tile(base, periods), burst, np.tile(base, periods)])
    ramp = np.arange(len(wave)) / 2000
    low_pass = firwin(255, 0.45, fs=4, window=("kaiser", 8.0))
    return lfilter(low_pass, 1, wave * np.clip(np.minimum(ramp, ramp[::-1]), 0, 1))[offset::4]


def tone_burst(
    frequency_hz: float, burst_s: float, rate: int, *, before_s: float = 0.05, after_s: float = 1.0
) -> F64:
    """Return a full-scale burst that starts at a zero crossing, in silence."""
    n = np.arange(round((burst_s + after_s) * rate))
    burst = np.where(n < burst_s * rate, np.sin(2 * np.pi * frequency_hz / rate * n), 0.0)
    return np.concatenate([np.zeros(round(before_s * rate)), burst])


def burst_train(frequency_hz: float, burst_s: float, per_s: float, seconds: float, rate: int) -> F64:
    """Return full-scale bursts at an even pace, each from a zero crossing."""
    into = np.arange(round(seconds * rate)) % (rate / per_s)
    return np.where(into < burst_s * rate, np.sin(2 * np.pi * frequency_hz / rate * into), 0.0)


def white_noise(rms: float, seconds: float, rate: int, seed: int) -> F64:
    """Return Gaussian noise whose RMS is exactly `rms`."""
    noise = np.random.default_rng(seed).standard_normal(round(seconds * rate))
    return noise * (rms / np.sqrt(np.mean(noise**2)))


def quantised(signal: F64, bits: int, seed: int) -> F64:
    """Return the signal rounded to `bits` with triangular dither of one step either way."""
    step = 2.0 ** (1 - bits)
    random = np.random.default_rng(seed)
    dither = random.uniform(-0.5, 0.5, len(signal)) + random.uniform(-0.5, 0.5, len(signal))
    return np.round(signal / step + dither) * step
