"""How does the ear of BS.1770 weight frequencies: the K filter at any sampling rate.

Source: ITU-R BS.1770-5, Annex 1, Tables 1 and 2, print the two sections for 48 kHz and ask at other rates for "the
same frequency response". The response of the printed filter is what is reproduced here: the poles of the high-pass are carried over
exactly (``p ** (48000 / rate)``), and the shelf is one section fitted to what remains, up to 24 kHz and level beyond.
From 32 kHz on that lies within 0.0001 dB of the printed filter, at 8 kHz within 0.02 dB. (The analogue parameters
in common use, carried over by the bilinear transform, miss it by 0.03 dB at 96 kHz and 0.04 dB at 192 kHz.)
"""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from takewell.measure.section_fit import fit_power, response, sections
from takewell.measure.signal_check import checked_rate

F64 = NDArray[np.float64]

TABLE_RATE = 48_000
SHELF = (1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585)
"""ITU-R BS.1770-5, Annex 1, Table 1: b0 b1 b2 a0 a1 a2 at 48 kHz."""
HIGH_PASS = (1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621)
"""Table 2."""

LOWEST_RATE = 4000
"""Hz; below, the shelf's corner has no room under half the rate."""

_REFERENCE_HZ = 1000.0
_AUDIBLE_HZ = 20_000.0


def k_weighting_sos(rate: int) -> F64:
    """Return the K filter as two second-order sections, shelf first.

    Parameters
    ----------
    rate : int
        Sampling rate in Hz, 4000 or more.

    Returns
    -------
    (2, 6) float64 array
        Rows ``b0 b1 b2 1 a1 a2``; the high-pass has the numerator 1, -2, 1 at every rate.

    Raises
    ------
    SignalError
        If the rate is below 4 kHz.

    Notes
    -----
    ITU-R BS.1770-5, Annex 1.
    """
    checked_rate(rate, LOWEST_RATE, "weight for loudness")
    return _designed(rate).copy()


@lru_cache(maxsize=32)
def _designed(rate: int) -> F64:
    printed = np.array([SHELF, HIGH_PASS])
    if rate == TABLE_RATE:
        return printed
    frequency = np.unique(np.concatenate([np.geomspace(5, rate / 2, 200), np.linspace(20, rate / 2, 200)]))
    omega = 2 * np.pi * np.minimum(frequency / rate, 0.5)
    wanted = np.abs(response(printed, 2 * np.pi * np.minimum(frequency / TABLE_RATE, 0.5))) ** 2
    slow = np.roots(HIGH_PASS[3:]) ** (TABLE_RATE / rate)
    high_pass = sections(np.ones(2, np.complex128), slow.astype(np.complex128))
    rest = wanted / np.abs(response(high_pass, omega)) ** 2
    weight = np.minimum(1.0, _AUDIBLE_HZ / frequency)
    shelf = sections(*fit_power(omega, rest, weight, zeros=(2,), poles=2))
    made = np.vstack([shelf, high_pass])
    at = 2 * np.pi * np.array([_REFERENCE_HZ])
    made[0, :3] *= np.abs(response(printed, at / TABLE_RATE) / response(made, at / rate))
    return made
