"""How fast does the recorder's clock run against the player's?

Method: the phase of a long tone in stretches of 0.1 s against time: its slope is the frequency, by weighted least squares. A
tone of 60 s at 60 dB over the noise is so known to better than a thousandth of a ppm; what remains is the player's
own clock, which has to be stated.
"""

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]

STRETCH_S = 0.1


def clock_error_ppm(samples: F64, rate: int, frequency_hz: float, stretch: float) -> tuple[float, float]:
    """Return (error in ppm, its 95 % uncertainty).

    Parameters
    ----------
    samples : (n,) float64 array
        The tone.
    rate : int
        What the file states.
    frequency_hz : float
        What was played.
    stretch : float
        First guess of recorder's clock over player's, within 100 ppm.

    Notes
    -----
    Positive: the recorder runs fast (more samples a second than it states, so the tone reads low).
    """
    size = round(STRETCH_S * rate)
    count = len(samples) // size
    expected = frequency_hz / stretch
    step = 2 * np.pi * expected / rate
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(size) / size)
    wave = window * np.exp(-1j * step * np.arange(size))
    heights = samples[: count * size].reshape(count, size) @ wave
    phase = np.unwrap(np.angle(heights * np.exp(-1j * step * size * np.arange(count))))
    time = np.arange(count) * size / rate
    slope, zero = np.polyfit(time, phase, 1)
    left = phase - slope * time - zero
    spread = np.sqrt(np.sum(left**2) / max(count - 2, 1) / np.sum((time - time.mean()) ** 2))
    measured = expected + slope / (2 * np.pi)
    error = (frequency_hz / measured - 1) * 1e6
    uncertainty = 1.96 * spread / (2 * np.pi * frequency_hz) * 1e6
    return float(error), float(uncertainty)
