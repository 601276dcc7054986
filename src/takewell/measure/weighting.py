"""How strongly does each frequency count: the A, C and Z curves as digital filters at any rate.

Source: IEC 61672-1:2013, Annex E: A has four zeros at 0 Hz and poles at f1 (twice), f2, f3 and f4 (twice); C has two
zeros at 0 Hz and poles at f1 and f4 (each twice); Z is flat. Both are 0 dB at 1 kHz.

The slow poles f1, f2, f3 are carried over as ``exp(-2 pi f / rate)``; the rest of the curve, with f4 and
what that step distorts, is one fitted section (see :mod:`takewell.measure.section_fit`). So A is three
sections and C two. From 10 Hz to 20 kHz, or to half the rate where that is lower, the filters keep within a
tenth of the class 1 limits at every rate from 8 to 384 kHz; what lies above half the rate was never recorded.
"""

from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from takewell.errors import SignalError
from takewell.measure.section_fit import fit_power, response, sections

F64 = NDArray[np.float64]
WeightingKind = Literal["A", "C", "Z"]

POLES_HZ = (20.598997, 107.65265, 737.86223, 12194.217)
"""f1 to f4 of IEC 61672-1:2013, Annex E."""

REFERENCE_HZ = 1000.0
LOWEST_RATE = 4000
"""Hz; a lower rate leaves no room for the reference at 1 kHz."""

SLACK_FROM_HZ = 4000.0
"""From here on an error counts less in the fit, in proportion to frequency: class 1 allows more there too."""

_SLOW_POLES_HZ = {
    "A": (POLES_HZ[0], POLES_HZ[0], POLES_HZ[1], POLES_HZ[2]),
    "C": (POLES_HZ[0], POLES_HZ[0]),
}


def weighting_db(kind: WeightingKind, frequency_hz: NDArray[np.float64]) -> F64:
    """Return the curve itself in dB, from the formula of IEC 61672-1:2013, Annex E.

    Parameters
    ----------
    kind : {"A", "C", "Z"}
        Which curve.
    frequency_hz : float array
        Frequencies, above zero.
    """
    return np.asarray(
        10 * np.log10(_power(kind, np.asarray(frequency_hz)) / _power(kind, np.array([REFERENCE_HZ])))
    )


def weighting_sos(kind: WeightingKind, rate: int) -> F64:
    """Return a weighting filter as second-order sections.

    Parameters
    ----------
    kind : {"A", "C", "Z"}
        Which curve.
    rate : int
        Sampling rate in Hz, 4000 or more.

    Returns
    -------
    (sections, 6) float64 array
        Rows ``b0 b1 b2 1 a1 a2``: three for A, two for C, one that does nothing for Z. 0 dB at 1 kHz.

    Raises
    ------
    SignalError
        If the rate is below 4 kHz.

    Notes
    -----
    IEC 61672-1:2013, Annex E, class 1 with a tenth of its tolerance, 10 Hz to 20 kHz.
    """
    if rate < LOWEST_RATE:
        raise SignalError(
            f"a sampling rate of {rate} Hz is too low to weight; {LOWEST_RATE} Hz or more is accepted"
        )
    if kind not in ("A", "C", "Z"):
        raise SignalError(f"there is no weighting {kind!r}; A, C and Z are known")
    return _designed(kind, rate).copy()


@lru_cache(maxsize=64)
def _designed(kind: WeightingKind, rate: int) -> F64:
    if kind == "Z":
        return np.array([[1.0, 0.0, 0.0, 1.0, 0.0, 0.0]])
    frequency = np.unique(np.concatenate([np.geomspace(5, rate / 2, 300), np.linspace(20, rate / 2, 600)]))
    omega = 2 * np.pi * np.minimum(frequency / rate, 0.5)
    slow = np.exp(-2 * np.pi * np.array(_SLOW_POLES_HZ[kind]) / rate).astype(np.complex128)
    slow_sections = sections(np.ones(len(slow), np.complex128), slow)
    rest = _power(kind, frequency) / np.abs(response(slow_sections, omega)) ** 2
    weight = np.minimum(1.0, SLACK_FROM_HZ / frequency)
    fast = fit_power(omega, rest, weight, zeros=(2, 1), poles=2)
    sos = np.vstack([slow_sections, sections(fast.zeros, fast.poles)])
    sos[0, :3] /= np.abs(response(sos, np.array([2 * np.pi * REFERENCE_HZ / rate]))[0])
    return sos


def _power(kind: WeightingKind, frequency: F64) -> F64:
    """Return the power response of Annex E up to a factor."""
    if kind == "Z":
        return np.ones_like(frequency)
    square = np.square(frequency, dtype=np.float64)
    power = 1 / (1 + square / POLES_HZ[3] ** 2) ** 2
    for pole in _SLOW_POLES_HZ[kind]:
        power = power * square / (square + pole**2)
    return power
