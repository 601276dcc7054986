"""The class 1 limits of fractional-octave filters: IEC 61260-1:2014, Table 1, through a public transcription."""

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]

PASS_BAND = [(0, 0.4), (1 / 8, 0.5), (1 / 4, 0.7), (3 / 8, 1.4), (1 / 2, 5.3)]
"""Largest attenuation at octave-band frequencies G^x; the least is -0.4 throughout."""

STOP_BAND = [(1 / 2, 1.2), (1, 16.6), (2, 40.5), (3, 60.0), (4, 70.0)]
"""Least attenuation at octave-band frequencies G^x."""

G = 10 ** (3 / 10)


def class_1_limits(ratio: F64, per_octave: int) -> tuple[F64, F64]:
    """Return the least and the largest attenuation in dB at frequencies over the middle one.

    Formula 9 carries the octave's breakpoints over to the fraction, formula 10 mirrors them, and between them limits are
    straight lines in the logarithm of frequency (formula 11).
    """
    above = np.log10(np.maximum(ratio, 1 / ratio))
    shrink = (G ** (1 / (2 * per_octave)) - 1) / (G**0.5 - 1)

    def carried(table: list[tuple[float, float]]) -> tuple[F64, F64]:
        exponent, limit = np.array(table).T
        return np.log10(1 + shrink * (G**exponent - 1)), limit

    inside = above <= carried(PASS_BAND)[0][-1]
    least = np.where(inside, -0.4, np.interp(above, *carried(STOP_BAND)))
    most = np.where(inside, np.interp(above, *carried(PASS_BAND)), np.inf)
    return least, most
