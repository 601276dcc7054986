"""How is the power of a recording spread over frequency: density and third octaves over any length.

Density: Welch's method (IEEE Trans. Audio and Electroacoustics 15(2), 1967): Hann-windowed segments, half overlapped,
``P = 2 |X|^2 / (rate sum w^2)`` averaged, without the 2 at 0 Hz and at half the rate, so that P summed over the bins times
their width is the mean square. Unit: FS^2/Hz with 1.0 = full scale; a full-scale sine holds 0.5 FS^2, and levels
in dBFS follow AES17 (it reads 0).

Third octaves: mid-band frequencies ``1000 10^(n/10)`` Hz (IEC 61260-1:2014, 5.2 and 5.4, base ten), from 20 Hz to 20 kHz.
Instead of running 31 filters, the density is weighted by their power responses and summed, which gives the
same long-term level for steady sound. The response is a sixth-order Butterworth band pass in the analogue domain,
``1 / (1 + ((W - 1/W) / (E - 1/E))^12)`` with W = f/f_mid, narrowed by ``sin(pi/12) / (pi/12)`` so that its effective
bandwidth is the nominal one: no bilinear squeeze near half the rate, and inside the class 1 limits of Table 1.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft

from takewell.measure.signal_check import checked, checked_rate
from takewell.units import rms_dbfs

F64 = NDArray[np.float64]

SEGMENT_S = 2.0
"""Length of a segment unless asked otherwise: the 20 Hz band is then nine bins wide."""

LOWEST_BAND, HIGHEST_BAND = -17, 13
"""Third octaves 20 Hz to 20 kHz, counted from 1 kHz."""

BAND_ORDER = 6
BAND_EDGE = 10 ** (1 / 20)
"""Upper edge of a third octave over its mid-band frequency; the lower one is its inverse."""

LEAST_BINS = 4
"""A band narrower than this many bins is not given."""


@dataclass(frozen=True)
class PowerDensity:
    """Power against frequency, (bins,) and (bins, channels); `segments` were averaged, about half of them independent."""

    frequency_hz: F64
    density: F64
    segments: int

    @property
    def bin_hz(self) -> float:
        """Distance of neighbouring bins."""
        return float(self.frequency_hz[1] - self.frequency_hz[0])

    def level_dbfs(self, low_hz: float, high_hz: float) -> F64:
        """Return the level of each channel in ``[low_hz, high_hz)``, whole bins, AES17 dBFS."""
        inside = (self.frequency_hz >= low_hz) & (self.frequency_hz < high_hz)
        return rms_dbfs(self.density[inside].sum(axis=0) * self.bin_hz)


@dataclass(frozen=True)
class ThirdOctaves:
    """Levels of third-octave bands: exact mid-band frequencies (bands,) and AES17 dBFS (bands, channels)."""

    middle_hz: F64
    level_dbfs: F64


class SpectrumMeter:
    """Averages the power density of a recording that arrives in blocks; the result does not depend on the cuts.

    Parameters
    ----------
    rate : int
        Sampling rate in Hz.
    channels : int
        Channels of every block.
    segment_s : float
        Length of a segment; the resolution is 1.5 bins of ``1 / segment_s``.
    """

    def __init__(self, rate: int, channels: int, *, segment_s: float = SEGMENT_S) -> None:
        checked_rate(rate, 1, "analyse")
        self._rate = rate
        self._size = max(2, 2 * round(segment_s * rate / 2))
        self._window = _hann(self._size)
        self._held = np.zeros((0, channels))
        self._sum = np.zeros((self._size // 2 + 1, channels))
        self._segments = 0

    def add(self, block: NDArray[np.floating]) -> None:
        """Take the next samples, (n, channels).

        Raises
        ------
        SignalError
            If the block is no sound or holds NaN or infinity.
        """
        if not len(block):
            return
        self._held = np.concatenate([self._held, checked(block)])
        hop = self._size // 2
        start = 0
        while start + self._size <= len(self._held):
            self._sum += _power(self._held[start : start + self._size], self._window)
            self._segments += 1
            start += hop
        self._held = self._held[start:]

    def result(self) -> PowerDensity:
        """Return the density so far.

        A recording shorter than a segment is one segment of its own length; otherwise up to half a segment at the end
        is left out, as Welch does.

        Raises
        ------
        SignalError
            If fewer than two samples have come.
        """
        if self._segments:
            total, window, count = self._sum / self._segments, self._window, self._segments
        else:
            short = checked(self._held, at_least=2)
            window = _hann(len(short))
            total, count = _power(short, window), 1
        density = 2 * total / (self._rate * np.sum(window**2))
        density[0] /= 2
        if len(window) % 2 == 0:
            density[-1] /= 2
        return PowerDensity(np.arange(len(density)) * self._rate / len(window), density, count)


def power_density(samples: NDArray[np.floating], rate: int, *, segment_s: float = SEGMENT_S) -> PowerDensity:
    """Return the one-sided power density of each channel in FS²/Hz.

    Parameters
    ----------
    samples : (n, channels) float array
        Linear, 1.0 = full scale. Not changed.
    rate : int
        Sampling rate in Hz.
    segment_s : float
        Length of a segment.

    Raises
    ------
    SignalError
        If the samples are no sound or fewer than two.
    """
    signal = checked(samples, at_least=2)
    meter = SpectrumMeter(rate, signal.shape[1], segment_s=segment_s)
    meter.add(signal)
    return meter.result()


def third_octaves(density: PowerDensity) -> ThirdOctaves:
    """Return the levels of the third octaves that a density resolves and that lie below half the rate."""
    bands = np.arange(LOWEST_BAND, HIGHEST_BAND + 1)
    middle = 1000 * 10 ** (bands / 10)
    wide = middle * (BAND_EDGE - 1 / BAND_EDGE) >= LEAST_BINS * density.bin_hz
    middle = middle[wide & (middle * BAND_EDGE <= density.frequency_hz[-1])]
    power = np.array([band_response(density.frequency_hz, mid) @ density.density for mid in middle])
    channels = density.density.shape[1]
    return ThirdOctaves(middle, rms_dbfs(power.reshape(len(middle), channels) * density.bin_hz))


def band_response(frequency_hz: F64, middle_hz: float) -> F64:
    """Return the power response of the third octave around `middle_hz`; 1 in the middle, 0 at 0 Hz."""
    ratio = np.maximum(frequency_hz, 1e-9 * middle_hz) / middle_hz
    narrowed = np.sinc(1 / (2 * BAND_ORDER))
    off = (ratio - 1 / ratio) / (narrowed * (BAND_EDGE - 1 / BAND_EDGE))
    return np.asarray(1 / (1 + off ** (2 * BAND_ORDER)), np.float64)


def _hann(size: int) -> F64:
    return np.asarray(0.5 - 0.5 * np.cos(2 * np.pi * np.arange(size) / size), np.float64)


def _power(segment: F64, window: F64) -> F64:
    spectrum = rfft(segment * window[:, None], axis=0)
    return np.asarray(spectrum.real**2 + spectrum.imag**2, np.float64)
