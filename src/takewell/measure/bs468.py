"""How annoying is a noise: ITU-R BS.468 weighting, read by a quasi-peak or an RMS detector.

Source: ITU-R BS.468-4 (1986): the weighting network (Annex 1, whose transfer function is the ratio below), its
response table, and the tables of how a quasi-peak detector reads tone bursts. AES17-2015, 5.2.7 takes the same
curve 5.63 dB lower (0 dB at 2 kHz) with an RMS detector and calls it CCIR-RMS.

The network's response is ``H(s) = s / (1 + d1 s + ... + d6 s^6)`` up to a factor, with s = j f in Hz. Below
150 kHz its digital twin has one zero at 0 Hz and three to five zeros and six poles fitted to the curve; from there on the poles
are carried over as ``exp(p / rate)`` and only the zeros are fitted: the poles then lie so close together, seen from the
unit circle, that fitting them is badly conditioned.

The recommendation gives the detector by what it reads, not by its parts. Ours rectifies both half-waves, charges a
store quickly, lets it run down slowly, and smooths what the store holds, like the inertia of a needle. The three time
constants were fitted to the burst tables; every reading then lies within a fifth of the tolerance printed there.
"""

from functools import lru_cache

import numpy as np
import soxr
from numba import njit
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.signal import sosfilt

from takewell.measure.section_fit import fit_power, response, sections
from takewell.measure.signal_check import checked, checked_rate
from takewell.units import decibels, rms_dbfs

F64 = NDArray[np.float64]

DENOMINATOR = (
    1.0, 5.559488023498642e-4, 1.363894795463638e-7, 2.118150887518656e-11,
    2.043828333606125e-15, 1.306612257412824e-19, 4.737338981378384e-24,
)  # fmt: skip
"""d0 to d6 of the weighting network, s = j f in Hz."""

TOLERANCE_HZ = (
    31.5, 63, 100, 200, 400, 800, 1000, 5000, 6300, 7100, 8000, 9000, 10000, 12500, 14000, 16000, 20000, 31500,
)  # fmt: skip
TOLERANCE_DB = (2, 1.4, 1, 0.85, 0.7, 0.55, 0.5, 0.5, 0.2, 0.2, 0.4, 0.6, 0.8, 1.2, 1.4, 1.6, 2, 2.8)
"""What the response table of BS.468-4 allows; at 6.3 kHz it prints 0, which no filter satisfies."""

TIGHTEST_DB = 0.2

LOWEST_RATE = 32_000
"""Hz; below it too much of the weighted band is missing for the number to bear the name."""

CCIR_RMS_OFFSET_DB = -5.63
"""AES17-2015, 5.2.7."""

CHARGE_S = 1.46e-3
RUN_DOWN_S = 0.292
NEEDLE_S = 0.141
"""Time constants of the quasi-peak detector, fitted to the burst tables of BS.468-4."""

DETECTOR_RATE = 192_000
"""Hz, at least: the detector looks at the wave between the samples too, or a tone near a quarter of the rate
would read differently with its phase."""

_REFERENCE_HZ = 1000.0
_MATCHED_FROM_RATE = 150_000


def bs468_db(frequency_hz: NDArray[np.float64]) -> F64:
    """Return the weighting curve in dB, 0 dB at 1 kHz, from the transfer function of the network."""
    return np.asarray(
        10 * np.log10(_power(np.asarray(frequency_hz)) / _power(np.array([_REFERENCE_HZ]))), np.float64
    )


def bs468_sos(rate: int) -> F64:
    """Return the weighting filter as second-order sections, 0 dB at 1 kHz.

    Parameters
    ----------
    rate : int
        Sampling rate in Hz, 32 000 or more.

    Returns
    -------
    (4, 6) or (3, 6) float64 array
        Rows ``b0 b1 b2 1 a1 a2``.

    Raises
    ------
    SignalError
        If the rate is below 32 kHz.
    """
    checked_rate(rate, LOWEST_RATE, "weight by BS.468")
    return _designed(rate).copy()


def ccir_rms_dbfs(samples: NDArray[np.floating], rate: int) -> F64:
    """Return the CCIR-RMS level of each channel in dBFS.

    Parameters
    ----------
    samples : (n, channels) float array
        Linear, 1.0 = full scale. Not changed.
    rate : int
        Sampling rate in Hz, 32 000 or more.

    Returns
    -------
    (channels,) float64 array
        A full-scale sine at 2 kHz reads 0 dBFS; ``-inf`` for digital silence.

    Raises
    ------
    SignalError
        If the samples are no sound, or the rate is too low.

    Notes
    -----
    AES17-2015, 5.2.7 and 3.12. The filter starts empty, so the first millisecond reads low.
    """
    weighted = sosfilt(bs468_sos(rate), checked(samples), axis=0)
    return rms_dbfs(np.mean(weighted**2, axis=0)) + CCIR_RMS_OFFSET_DB


def quasi_peak_dbfs(samples: NDArray[np.floating], rate: int) -> F64:
    """Return the highest BS.468 quasi-peak reading of each channel in dBFS.

    Parameters
    ----------
    samples : (n, channels) float array
        Linear, 1.0 = full scale. Not changed. A noise needs about a second until the reading is steady.
    rate : int
        Sampling rate in Hz, 32 000 or more.

    Returns
    -------
    (channels,) float64 array
        A steady full-scale sine at 1 kHz reads 0 dBFS; ``-inf`` for digital silence.

    Raises
    ------
    SignalError
        If the samples are no sound, or the rate is too low.

    Notes
    -----
    ITU-R BS.468-4. A steady sine reads its RMS, as the recommendation calibrates it (0.775 V RMS at 1 kHz).
    """
    checked_rate(rate, LOWEST_RATE, "weight by BS.468")
    signal = checked(samples)
    factor = -(-DETECTOR_RATE // rate)
    dense_rate = factor * rate
    if factor > 1:
        signal = np.asarray(soxr.resample(signal, rate, dense_rate, quality="VHQ"))
    weighted = sosfilt(bs468_sos(dense_rate), signal, axis=0)
    share = [-np.expm1(-1 / (seconds * dense_rate)) for seconds in (CHARGE_S, RUN_DOWN_S, NEEDLE_S)]
    return decibels(_highest_reading(np.ascontiguousarray(weighted), *share) / _steady_sine_reading())


@njit(cache=True, nogil=True)
def _highest_reading(weighted: F64, charge: float, run_down: float, needle: float) -> F64:
    """Return the detector's highest reading per channel, as the store's level for a unit input."""
    length, channels = weighted.shape
    highest = np.zeros(channels)
    for channel in range(channels):
        store = 0.0
        reading = 0.0
        for k in range(length):
            store -= store * run_down
            height = abs(weighted[k, channel])
            if height > store:
                store += (height - store) * charge
            reading += (store - reading) * needle
            highest[channel] = max(highest[channel], reading)
    return highest


@lru_cache(maxsize=1)
def _steady_sine_reading() -> float:
    """Return what the store settles at for a sine of peak 1.

    What it gains while the wave stands above it equals what runs down: with the level v,
    ``(2/pi) (sqrt(1 - v^2) - v acos v) / charge = v / run_down``, the mean of a rectified sine above v.
    """

    def balance(level: float) -> float:
        gained = 2 / np.pi * (np.sqrt(1 - level**2) - level * np.arccos(level))
        return float(gained / CHARGE_S - level / RUN_DOWN_S)

    return float(brentq(balance, 0.0, 1.0, xtol=1e-12))


@lru_cache(maxsize=32)
def _designed(rate: int) -> F64:
    frequency = np.unique(np.concatenate([np.geomspace(10, rate / 2, 100), np.linspace(20, rate / 2, 200)]))
    omega = 2 * np.pi * np.minimum(frequency / rate, 0.5)
    rising = np.sin(omega / 2) ** 2  # the zero at 0 Hz, as power
    wanted = _power(frequency) / rising
    weight = np.interp(frequency, TOLERANCE_HZ, TIGHTEST_DB / np.array(TOLERANCE_DB))
    weight *= np.minimum(1.0, TOLERANCE_HZ[-1] / frequency) ** 2
    if rate < _MATCHED_FROM_RATE:
        fitted = fit_power(omega, wanted, weight, zeros=(5, 4, 3), poles=6)
        zeros, poles = fitted.zeros, fitted.poles
    else:
        poles = np.exp(2 * np.pi * np.roots(DENOMINATOR[::-1]) / rate).astype(np.complex128)
        held = np.prod(np.abs(1 - np.multiply.outer(poles, np.exp(-1j * omega))) ** 2, axis=0)
        zeros = fit_power(omega, wanted * held, weight, zeros=(3,), poles=0).zeros
    sos = sections(np.append(zeros, 1.0), poles)
    sos[0, :3] /= np.abs(response(sos, np.array([2 * np.pi * _REFERENCE_HZ / rate]))[0])
    return sos


def _power(frequency: F64) -> F64:
    """Return the power response of the network up to a factor."""
    imaginary = 1j * np.asarray(frequency, np.float64)
    return np.asarray(np.abs(frequency / np.polyval(DENOMINATOR[::-1], imaginary)) ** 2, np.float64)
