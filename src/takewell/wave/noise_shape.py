"""Where does the noise of rounding go, if it shall lie where ears hear least?

Rounding with error feedback: what an earlier sample was rounded away by is given to the later ones,

    v[n] = x[n] + sum_k c[k] e[n-k],    y[n] = round(v[n] + dither),    e[n] = y[n] - v[n]

so the output is x plus the error through 1 + sum c[k] z^-k. With triangular dither the error e is white, of LSB/2 RMS, and
does not depend on the signal (the survey named in `quantise`), so the noise has
exactly that shape. The taps are those of linear prediction (the normal equations): of all filters of their length they
leave the least noise as weighted by the ear's threshold in quiet, and are minimum phase. Noise that is pushed down in
one place comes up in another: the mean over frequency of the shape's logarithm is zero (Gerzon and Craven, "Optimal noise
shaping and dither of digital signals", 87th AES Convention, 1989), so the noise unweighted is more than white noise.

The threshold is Terhardt's formula ("Calculating virtual pitch", Hearing Research 1 (1979), 155-182; from memory), with f in
kHz: ``3.64 f^-0.8 - 6.5 exp(-0.6 (f - 3.3)^2) + 10^-3 f^4`` dB; what lies `DEEPEST_DB` or more over its lowest point counts
as lying there, which keeps the noise at the ends of the band bounded.

Conventions: frequencies in Hz; taps c[1], c[2], ... in order.
"""

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]

ORDER = 9
DEEPEST_DB = 40.0
_POINTS = 1 << 14


def threshold_db(frequency_hz: F64) -> F64:
    """Return the ear's threshold in quiet in dB SPL, no more than `DEEPEST_DB` over its lowest point."""
    f = np.maximum(np.asarray(frequency_hz, np.float64), 20.0) / 1000
    level = 3.64 * f**-0.8 - 6.5 * np.exp(-0.6 * (f - 3.3) ** 2) + 1e-3 * f**4
    lowest = -4.98  # of the formula, near 3.3 kHz
    return np.asarray(np.minimum(level, lowest + DEEPEST_DB))


def feedback_taps(rate: int) -> F64:
    """Return the taps for a sampling rate.

    Parameters
    ----------
    rate : int
        In Hz.

    Returns
    -------
    (ORDER,) float64 array
    """
    hertz = np.arange(_POINTS // 2 + 1) * rate / _POINTS
    correlation = np.fft.irfft(10 ** (-threshold_db(hertz) / 10))[: ORDER + 1]
    lags = np.arange(ORDER)
    return np.asarray(np.linalg.solve(correlation[np.abs(lags[:, None] - lags)], -correlation[1:]))
