"""How much later does one microphone hear a source than another, over several stretches in which it sounds?

The generalised cross-correlation with phase transform (Knapp and Carter, IEEE Trans. Acoustics, Speech and Signal
Processing 24(4), 1976; see `correlation`), its spectrum averaged over stretches before it is turned back: what the
source brings adds up, what noise and reverberation bring differs from stretch to stretch and goes down by the root
of their number. The delay to a part of a sample is that of the parabola through the peak and its neighbours.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from takewell.errors import SignalError
from takewell.measure.correlation import SILENT_SHARE, Delay

F64 = NDArray[np.float64]


def averaged_delay(
    first: NDArray[np.floating],
    second: NDArray[np.floating],
    rate: int,
    *,
    longest_s: float,
    band_hz: tuple[float, float],
) -> Delay | None:
    """Return how much later `second` hears the same source than `first`.

    Parameters
    ----------
    first, second : (stretches, n) float array
        The same times on both, with the source sounding in each stretch. Finite. Not changed.
    rate : int
        Sampling rate in Hz.
    longest_s : float
        Look no further than this either way.
    band_hz : (low, high)
        Frequencies of the source.

    Returns
    -------
    Delay or None
        None where either is silent in the band.

    Raises
    ------
    SignalError
        If the shapes differ or a stretch is shorter than twice the longest delay.
    """
    if first.ndim != 2 or first.shape != second.shape:
        raise SignalError(f"stretches of shapes {first.shape} and {second.shape} cannot be lined up.")
    n = first.shape[1]
    reach = round(longest_s * rate)
    if n < 2 * reach + 2:
        raise SignalError(f"stretches of {n} samples are too short for delays of {reach} samples.")
    size = next_fast_len(n + reach + 1, real=True)
    frequency = np.arange(size // 2 + 1) * rate / size
    band = (frequency >= band_hz[0]) & (frequency <= band_hz[1])
    mean = np.zeros(len(frequency), np.complex128)
    used = 0
    for a, b in zip(first, second, strict=True):
        cross = np.conj(rfft(a, size)) * rfft(b, size)
        power = np.abs(cross)
        strong = band & (power > SILENT_SHARE * power.max(initial=0.0))
        if strong.any():
            mean[strong] += cross[strong] / power[strong]
            used += 1
    if not used:
        return None
    curve = irfft(mean, size) * size / (2 * np.count_nonzero(band) * used)
    near: F64 = np.concatenate([curve[-reach:], curve[: reach + 1]])
    top = int(np.argmax(np.abs(near)))
    value = float(near[top])
    apart = np.abs(np.arange(len(near)) - top) > rate / 1000
    rival = float(np.abs(near[apart]).max(initial=0.0))
    return Delay(
        (top - reach + _vertex(np.abs(near), top)) / rate,
        1 if value > 0 else -1,
        min(abs(value), 1.0),
        min(rival / abs(value), 1.0) if value else 1.0,
    )


def _vertex(curve: F64, top: int) -> float:
    """Return where the parabola through a peak and its neighbours is highest, from -0.5 to 0.5."""
    if not 0 < top < len(curve) - 1:
        return 0.0
    left, middle, right = curve[top - 1 : top + 2].tolist()
    bend = left - 2 * middle + right
    return 0.0 if bend >= 0 else float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5))
