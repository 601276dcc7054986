"""How loud is a resistor?

Thermal (Johnson-Nyquist) noise of a resistance R at temperature T in a bandwidth B: V² = 4 k T R B.
Source: H. Nyquist, Physical Review 32 (1928), 110; k is exact in the SI of 2019 (1.380649e-23 J/K).
0 dBu is sqrt(0.6) V, 0 dBV is 1 V. A-weighted figures use the noise bandwidth of the A curve of
IEC 61672-1:2013 between 20 Hz and 20 kHz.
"""

import math
from functools import lru_cache
from typing import Literal

BOLTZMANN_J_PER_K = 1.380649e-23
ZERO_CELSIUS_K = 273.15
BAND_HZ = (20.0, 20_000.0)
"""The band that unweighted noise figures of the trade are stated in."""

DBU_ABOVE_DBV = -10 * math.log10(0.6)
"""What a level reads in dBu above what it reads in dBV: 2.2185 dB."""

# IEC 61672-1:2013, annex E: the four poles of the A curve, in Hz.
_F1, _F2, _F3, _F4 = 20.598997, 107.65265, 737.86223, 12194.217


def a_weighting_power(frequency_hz: float) -> float:
    """Return the power gain of the A curve, 1 at 1 kHz."""
    return (_a_shape(frequency_hz) / _a_shape(1000.0)) ** 2


def _a_shape(f: float) -> float:
    return f**4 / ((f * f + _F1**2) * math.sqrt((f * f + _F2**2) * (f * f + _F3**2)) * (f * f + _F4**2))


@lru_cache(maxsize=64)
def a_weighted_bandwidth_hz(low_hz: float = BAND_HZ[0], high_hz: float = BAND_HZ[1]) -> float:
    """Return the bandwidth of white noise that passes the A curve between two frequencies, in Hz (12 467 for 20 Hz to 20 kHz)."""
    count = 4000  # Simpson's rule in log frequency; the curve is smooth, the error lies below 1e-9
    low, high = math.log(low_hz), math.log(high_hz)
    step = (high - low) / count
    total = 0.0
    for k in range(count + 1):
        f = math.exp(low + k * step)
        total += (1 if k in (0, count) else 4 if k % 2 else 2) * a_weighting_power(f) * f
    return total * step / 3


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
