"""How loud is a resistor?

Thermal (Johnson-Nyquist) noise of a resistance R at temperature T in a bandwidth B: V² = 4 k T R B.
Source: H. Nyquist, Physical Review 32 (1928), 110; k is exact in the SI of 2019 (1.380649e-23 J/K).
0 dBu is sqrt(0.6) V, 0 dBV is 1 V. A-weighted figures use the noise bandwidth of the A curve of
IEC 61672-1:2013 between 20 Hz and 20 kHz.
"""

import math
from functools import lru_cache
from typing import Literal

import numpy as np

from takewell.measure.weighting import weighting_db

BOLTZMANN_J_PER_K = 1.380649e-23
ZERO_CELSIUS_K = 273.15
BAND_HZ = (20.0, 20_000.0)
"""The band that unweighted noise figures of the trade are stated in."""

DBU_ABOVE_DBV = -10 * math.log10(0.6)
"""What a level reads in dBu above what it reads in dBV: 2.2185 dB."""


@lru_cache(maxsize=64)
def a_weighted_bandwidth_hz(low_hz: float = BAND_HZ[0], high_hz: float = BAND_HZ[1]) -> float:
    """Return the bandwidth of white noise that passes the A curve between two frequencies, in Hz (12 467 for 20 Hz to 20 kHz)."""
    frequency_hz = np.geomspace(low_hz, high_hz, 20_001)
    power = 10 ** (weighting_db("A", frequency_hz) / 10)
    return float(np.trapezoid(power, frequency_hz))


def johnson_noise_v(resistance_ohm: float, celsius: float, bandwidth_hz: float) -> float:
    """Return the noise voltage of a resistance, in volts RMS.

    Examples
    --------
    >>> round(johnson_noise_v(150, 20, 20_000) * 1e9, 1)
    220.4
    """
    return math.sqrt(4 * BOLTZMANN_J_PER_K * (ZERO_CELSIUS_K + celsius) * resistance_ohm * bandwidth_hz)


def johnson_noise_dbu(
    resistance_ohm: float, celsius: float, *, weighting: Literal["A", "none"] = "none"
) -> float:
    """Return the noise level of a resistance between 20 Hz and 20 kHz, in dBu; ``-inf`` for no resistance."""
    bandwidth_hz = a_weighted_bandwidth_hz() if weighting == "A" else BAND_HZ[1] - BAND_HZ[0]
    volts = johnson_noise_v(resistance_ohm, celsius, bandwidth_hz)
    return 20 * math.log10(volts) + DBU_ABOVE_DBV if volts else -math.inf
