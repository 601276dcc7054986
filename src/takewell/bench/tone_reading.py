"""What does a stretch of a steady tone measure: its level, what is left without it, and its harmonics?

Fit: IEEE 1057's four-parameter sine fit (from memory): least squares for ``A cos + B sin + C`` and the frequency together,
by Gauss and Newton's steps from the highest bin of a Hann spectrum; where the tone is too weak to set its own frequency,
the three-parameter fit at the frequency the clock gives.

Noise and distortion: AES17-2015, 6.3.1: what is left after a notch (5.2.8: Q from 1.2 to 3; ours 2.9, which takes least of the second harmonic) over the whole, both
through a 20 kHz low pass. The fitted sine is taken away before, the notch's power response and every weighting are
applied to the power spectrum of the rest, which gives the same long-term number as filters for steady sound.
The plain band begins at 20 Hz, so that DC and infrasound of the converter do not count; a weighting curve is its own band.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len, rfft

from takewell.measure.bs468 import CCIR_RMS_OFFSET_DB, bs468_db
from takewell.measure.weighting import weighting_db
from takewell.units import power_decibels, rms_dbfs

F64 = NDArray[np.float64]
Weight = Literal["plain", "A", "CCIR-RMS"]

NOTCH_Q = 2.9
BAND_HZ = (20.0, 20_000.0)
HARMONICS = 10
STRONG_DB = 20.0
"""A tone this far over the rest in its band sets its own frequency."""


@dataclass(frozen=True)
class Sine:
    """A fitted sine: frequency, AES17 level, phase at the first sample (of a sine), offset, and what is left."""

    frequency_hz: float
    level_dbfs: float
    phase_rad: float
    offset: float
    rest: F64


def fit_sine(samples: F64, rate: int, expected_hz: float, *, free: bool = True) -> Sine:
    """Fit one sine to a channel.

    Parameters
    ----------
    samples : (n,) float64 array
        At least a few periods.
    rate : int
        Sampling rate in Hz.
    expected_hz : float
        Within 0.02 % of the truth.
    free : bool
        Whether the frequency is fitted too.

    Notes
    -----
    IEEE 1057, three- and four-parameter fits (from memory).
    """
    time = (np.arange(len(samples)) - (len(samples) - 1) / 2) / rate
    frequency = _peak_hz(samples, rate, expected_hz) if free else expected_hz
    for _ in range(6 if free else 1):
        angle = 2 * np.pi * frequency * time
        cosine, sine = np.cos(angle), np.sin(angle)
        columns = [cosine, sine, np.ones_like(time)]
        if free:
            columns.append(_slope(samples, cosine, sine, time))
        basis = np.stack(columns, axis=1)
        weights = np.linalg.solve(basis.T @ basis, basis.T @ samples)
        if not free:
            break
        change = weights[3] / (2 * np.pi)
        frequency += change
        if abs(change) < 1e-9 * frequency:
            break
    rest = samples - basis @ weights
    power = (weights[0] ** 2 + weights[1] ** 2) / 2
    phase = np.arctan2(weights[0], weights[1]) + 2 * np.pi * frequency * time[0]
    return Sine(float(frequency), float(rms_dbfs(power)), float(phase), float(weights[2]), rest)


def _slope(samples: F64, cosine: F64, sine: F64, time: F64) -> F64:
    """Return the derivative of the present sine by angular frequency."""
    a, b = 2 * np.mean(samples * cosine), 2 * np.mean(samples * sine)
    return np.asarray(time * (b * cosine - a * sine))


def _peak_hz(samples: F64, rate: int, expected_hz: float) -> float:
    size = next_fast_len(4 * len(samples), real=True)
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(len(samples)) / len(samples))
    spectrum = np.abs(rfft((samples - samples.mean()) * window, size))
    width = max(3, round(3e-4 * expected_hz * size / rate))
    middle = round(expected_hz * size / rate)
    low = max(1, middle - width)
    near = spectrum[low : middle + width + 1]
    top = low + int(np.argmax(near))
    if not 0 < top < len(spectrum) - 1 or spectrum[top] == 0:
        return expected_hz
    below, at, above = np.log(np.maximum(spectrum[top - 1 : top + 2], 1e-300))
    bend = below - 2 * at + above
    return float((top + (0.5 * (below - above) / bend if bend < 0 else 0.0)) * rate / size)


def notch_power(frequency_hz: F64, notch_hz: float) -> F64:
    """Return the power response of the notch: 0 at `notch_hz`, 1 far from it."""
    ratio = np.maximum(frequency_hz, 1e-3) / notch_hz
    off = (ratio - 1 / ratio) ** 2
    return np.asarray(off / (off + 1 / NOTCH_Q**2))


def mean_square(samples: F64, rate: int, weight: Weight = "plain", *, notch_hz: float | None = None) -> float:
    """Return the mean square of a channel, weighted (plain: 20 Hz to 20 kHz) and notched.

    Parameters
    ----------
    samples : (n,) float64 array
        Half a second or more of steady sound.
    rate : int
        Sampling rate in Hz.
    weight : {"plain", "A", "CCIR-RMS"}
        IEC 61672-1:2013, Annex E; AES17-2015, 5.2.7.
    notch_hz : float, optional
        Where the notch sits.

    Notes
    -----
    Hann-windowed segments of about 0.34 s, half overlapped (Welch).
    """
    size = min(len(samples), next_fast_len(round(rate * 0.34), real=True))
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(size) / size)
    power = np.zeros(size // 2 + 1)
    count = 0
    for start in range(0, len(samples) - size + 1, size // 2):
        spectrum = rfft(samples[start : start + size] * window)
        power += spectrum.real**2 + spectrum.imag**2
        count += 1
    frequency = np.arange(len(power)) * rate / size
    share = ((frequency >= BAND_HZ[0]) & (frequency <= BAND_HZ[1])).astype(np.float64)
    if weight == "A":
        share[1:] = 10 ** (weighting_db("A", frequency[1:]) / 10)
    elif weight == "CCIR-RMS":
        share[1:] = 10 ** ((bs468_db(frequency[1:]) + CCIR_RMS_OFFSET_DB) / 10)
    if notch_hz is not None:
        share *= notch_power(frequency, notch_hz)
    return float(2 * np.sum(power * share) / (count * size * np.sum(window**2)))


def noise_dbfs(samples: F64, rate: int, weight: Weight) -> float:
    """Return the level of a noise in AES17 dBFS, its mean taken away."""
    return float(rms_dbfs(mean_square(samples - samples.mean(), rate, weight)))


@dataclass(frozen=True)
class ToneReading:
    """A steady tone: level and frequency of the sine, THD+N and THD against the whole in dB, the rest's level."""

    frequency_hz: float
    level_dbfs: float
    thd_n_db: float
    thd_db: float
    rest_dbfs: float
    """Of what is left after the notch, 20 Hz to 20 kHz."""
    rest_ccir_dbfs: float
    """The same, CCIR-RMS weighted (AES17-2015, 6.4.1)."""


def read_tone(samples: F64, rate: int, expected_hz: float) -> ToneReading:
    """Measure a channel that holds a steady tone.

    Parameters
    ----------
    samples : (n,) float64 array
    rate : int
    expected_hz : float
        The tone's frequency by the recorder's clock.
    """
    sine = fit_sine(samples, rate, expected_hz, free=False)
    rest = mean_square(sine.rest, rate, notch_hz=sine.frequency_hz)
    tone = 10 ** (sine.level_dbfs / 10) / 2
    if tone > rest * 10 ** (STRONG_DB / 10) or tone > 1e-6:
        sine = fit_sine(samples, rate, expected_hz)
        rest = mean_square(sine.rest, rate, notch_hz=sine.frequency_hz)
        tone = 10 ** (sine.level_dbfs / 10) / 2
    return ToneReading(
        sine.frequency_hz,
        sine.level_dbfs,
        float(power_decibels(rest / (tone + rest))),
        _harmonics_db(sine, rate, tone),
        float(rms_dbfs(rest)),
        float(rms_dbfs(mean_square(sine.rest, rate, "CCIR-RMS", notch_hz=sine.frequency_hz))),
    )


def _harmonics_db(sine: Sine, rate: int, tone: float) -> float:
    """Return the power of harmonics 2 to 10 below 20 kHz over that of tone and harmonics, in dB (THD_R)."""
    time = np.arange(len(sine.rest)) / rate
    power = 0.0
    for k in range(2, HARMONICS + 1):
        frequency = k * sine.frequency_hz
        if frequency > min(BAND_HZ[1], 0.5 * rate):
            break
        turned = 2 * np.mean(sine.rest * np.exp(-2j * np.pi * frequency * time))
        power += abs(turned) ** 2 / 2
    return float(power_decibels(power / (tone + power)))
