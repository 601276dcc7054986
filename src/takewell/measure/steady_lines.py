"""Which frequencies sound all the time, standing out of the noise around them?

Speech and rustle come and go, a hum or a whine stays. So the spectrum is not averaged over time but its
median is taken, bin by bin: what fills a bin for less than half the time does not count. A line is a
local maximum that stands above the median of its neighbourhood by more than noise would in one of a hundred
recordings: for K independent segments of noise, whose power is exponentially distributed about its mean, the
median exceeds t times the mean with a probability below ``C(K, m) exp(-m t)``, m = (K + 1) / 2 segments being
above t at once.

Segments are Hann-windowed and half overlapped; neighbours share part of their noise, and only half of them are taken
for independent.
"""

from dataclasses import dataclass
from math import ceil, comb, log

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft
from scipy.ndimage import median_filter

from takewell.errors import SignalError
from takewell.measure.signal_check import checked, checked_rate
from takewell.units import power_decibels

F64 = NDArray[np.float64]

LEAST_SEGMENTS = 7
LEAST_SEGMENT_S = 0.25
FALSE_LINES = 0.01
"""Expected number of lines found in pure noise."""

NEIGHBOURHOOD_BINS = 61
"""Bins whose median is the noise around a line; a line fills five of them."""

FIRST_BIN = 3
"""The bins below hold what the window makes of DC."""

_HANN_BINS = 1.5
"""Equivalent noise bandwidth of the Hann window in bins."""


@dataclass(frozen=True)
class Line:
    """A steady tone: its frequency, its level (AES17: a full-scale sine reads 0) and its height over the
    noise in a bin of the analysis.
    """

    frequency_hz: float
    level_dbfs: float
    above_noise_db: float


@dataclass(frozen=True)
class MedianSpectrum:
    """The median over time of the power in each bin (a sine of peak A gives A²/2 at its bin), and the noise around.

    `noise` is the local median, in the same unit; `threshold` the ratio of the two that noise does not reach.
    """

    frequency_hz: F64
    power: F64
    noise: F64
    threshold: float

    @property
    def bin_hz(self) -> float:
        """Distance of neighbouring bins."""
        return float(self.frequency_hz[1] - self.frequency_hz[0])


def median_spectrum(
    samples: NDArray[np.floating], rate: int, segment_s: float, *, highest_hz: float | None = None
) -> MedianSpectrum:
    """Return the median spectrum of one channel.

    Parameters
    ----------
    samples : (n,) float array
        Linear. Not changed.
    rate : int
        Sampling rate in Hz.
    segment_s : float
        Length of a segment; it is shortened where needed so that at least seven fit.
    highest_hz : float, optional
        Leave out what lies above; half the rate where not given.

    Raises
    ------
    SignalError
        If the samples are no sound or shorter than one second.
    """
    checked_rate(rate, 1000, "look for steady tones")
    if samples.ndim != 1:
        raise SignalError(
            f"an array of shape {samples.shape} is not one channel; (n,) is accepted for steady tones"
        )
    signal = checked(samples[:, None], at_least=rate)[:, 0]
    longest = 2 * len(signal) / (LEAST_SEGMENTS + 1)
    size = 2 * int(min(segment_s * rate, longest) / 2)
    hop = size // 2
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(size) / size)
    count = (len(signal) - size) // hop + 1
    bins = size // 2 + 1
    if highest_hz is not None:
        bins = min(bins, max(NEIGHBOURHOOD_BINS, int(highest_hz * size / rate) + 1))
    powers = np.empty((count, bins))
    for k in range(count):
        spectrum = rfft(signal[k * hop : k * hop + size] * window)[:bins]
        powers[k] = 2 * (spectrum.real**2 + spectrum.imag**2) / window.sum() ** 2
    power = np.median(powers, axis=0)
    noise = median_filter(power, NEIGHBOURHOOD_BINS, mode="nearest")
    independent = ceil(count / 2)
    return MedianSpectrum(
        np.arange(len(power)) * rate / size, power, noise, _noise_reaches(independent, len(power))
    )


def steady_lines(samples: NDArray[np.floating], rate: int, *, segment_s: float = 1.0) -> tuple[Line, ...]:
    """Return the tones that sound all the time, in order of frequency.

    Parameters
    ----------
    samples : (n,) float array
        One channel, at least a second; ten or more serve better. Not changed.
    rate : int
        Sampling rate in Hz.
    segment_s : float
        Length of a segment; tones closer than four times its inverse are not told apart.

    Raises
    ------
    SignalError
        If the samples are no sound or shorter than one second.
    """
    spectrum = median_spectrum(samples, rate, segment_s)
    return lines_in(spectrum)


def lines_in(spectrum: MedianSpectrum) -> tuple[Line, ...]:
    """Return the lines of a median spectrum, in order of frequency."""
    power, noise = spectrum.power, spectrum.noise
    middle = slice(FIRST_BIN, len(power) - 2)
    stands_out = power[middle] > spectrum.threshold * np.maximum(noise[middle], power.max() * 1e-20)
    highest = np.array([power[FIRST_BIN + k : len(power) - 2 + k] for k in (-2, -1, 1, 2)]).max(axis=0)
    at = np.flatnonzero(stands_out & (power[middle] > highest)) + FIRST_BIN
    return tuple(_line(spectrum, int(k)) for k in at)


def _line(spectrum: MedianSpectrum, k: int) -> Line:
    power = spectrum.power
    below, top, above = np.sqrt(power[k - 1 : k + 2])
    # Between bins the Hann window's two largest amplitudes stand as (1 + d) to (2 - d), d the way to the higher.
    side = above if above >= below else below
    offset = float(np.clip((2 * side - top) / (side + top), 0, 0.5)) * (1 if above >= below else -1)
    carried = max(power[k - 2 : k + 3].sum() - 5 * spectrum.noise[k], 0.2 * top**2) / _HANN_BINS
    return Line(
        frequency_hz=float((k + offset) * spectrum.bin_hz),
        level_dbfs=float(power_decibels(2 * carried)),
        above_noise_db=float(power_decibels(top**2 / max(spectrum.noise[k], power.max() * 1e-20))),
    )


def _noise_reaches(independent: int, bins: int) -> float:
    """Return the ratio to its own median that the median power of noise reaches in `FALSE_LINES` of spectra."""
    needed = (independent + 1) // 2
    times_mean = log(comb(independent, needed) * bins / FALSE_LINES) / needed
    return times_mean / log(2)
