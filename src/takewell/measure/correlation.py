"""Do two channels hold the same sound, how much later is one, and is it upside down?

Correlation: ``r = sum(x y) / sqrt(sum(x^2) sum(y^2))``, no mean taken away (sound has none that matters; DC is measured apart).

Delay: generalised cross-correlation with phase transform (Knapp and Carter, IEEE Trans. Acoustics, Speech and
Signal Processing 24(4), 1976): ``R(tau) = F^-1 {G / |G|}`` with G the cross spectrum, padded to twice the length so that
nothing wraps. Every frequency counts alike, so a room's colouring does not blur the peak. The sign of R at its
largest absolute value is the polarity. R is a sum of cosines, known between the samples too, and is searched there for the delay
to a fraction of a sample.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft
from scipy.optimize import minimize_scalar

from takewell.errors import SignalError
from takewell.measure.signal_check import checked, checked_rate

F64 = NDArray[np.float64]

SILENT_SHARE = 1e-12
"""A frequency weaker than this share of the strongest (in power) holds nothing but rounding and is left out."""


@dataclass(frozen=True)
class Delay:
    """How the second channel lies to the first: later by `delay_s` (negative: earlier), `polarity` +1 or -1.

    `height` is the peak of the correlation, 1 for a pure delay of the same sound and near
    ``3 / sqrt(n)`` or less when the channels have nothing in common. `runner_up` is the next
    highest peak at least a millisecond away, over the highest: near 1 the choice is open (an echo, a periodic sound).
    """

    delay_s: float
    polarity: int
    height: float
    runner_up: float


def correlation(samples: NDArray[np.floating]) -> F64:
    """Return the correlation of every channel with every other.

    Parameters
    ----------
    samples : (n, channels) float array
        Not changed.

    Returns
    -------
    (channels, channels) float64 array
        -1 to 1; NaN where a channel is digital silence, which goes with nothing.

    Raises
    ------
    SignalError
        If the samples are no sound.
    """
    signal = checked(samples)
    peak = np.abs(signal).max(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        unit = signal / peak
        unit /= np.sqrt(np.sum(unit**2, axis=0))
    return np.asarray(np.clip(unit.T @ unit, -1, 1), np.float64)


def delay(
    first: NDArray[np.floating],
    second: NDArray[np.floating],
    rate: int,
    *,
    longest_s: float | None = None,
    band_hz: tuple[float, float] | None = None,
) -> Delay | None:
    """Return how much later `second` is than `first`, to a fraction of a sample.

    Parameters
    ----------
    first, second : (n,) float array
        Two channels over the same time, at least 16 samples. Not changed.
    rate : int
        Sampling rate in Hz.
    longest_s : float, optional
        Look no further than this either way; the whole length where not given.
    band_hz : (low, high), optional
        Use these frequencies only, for example those of speech.

    Returns
    -------
    Delay or None
        None if a channel is silent in the band: there is nothing to line up.

    Raises
    ------
    SignalError
        If the channels are no sound, too short, or not of one length.
    """
    checked_rate(rate, 1, "line up")
    if first.ndim != 1 or first.shape != second.shape:
        raise SignalError(
            f"channels of shapes {first.shape} and {second.shape} cannot be lined up; "
            "two (n,) arrays of one length are accepted"
        )
    pair = checked(np.stack([first, second], axis=1), at_least=16)
    peak = np.abs(pair).max(axis=0)
    if not peak.all():
        return None
    size = next_fast_len(2 * len(pair), real=True)
    spectra = rfft(pair / peak, size, axis=0)
    cross = np.conj(spectra[:, 0]) * spectra[:, 1]
    power = np.abs(cross)
    frequency = np.arange(len(cross)) * rate / size
    used = power > SILENT_SHARE * power.max(initial=0.0)
    if band_hz is not None:
        used &= (frequency >= band_hz[0]) & (frequency <= band_hz[1])
    if not used.any():
        return None
    phase = np.where(used, cross / np.where(used, power, 1.0), 0.0)
    count = 2 * used.sum() - used[0] - (used[-1] if size % 2 == 0 else 0)
    curve = irfft(phase, size) * size / count
    reach = len(pair) - 1 if longest_s is None else min(len(pair) - 1, int(longest_s * rate))
    near = np.concatenate([curve[-reach:], curve[: reach + 1]]) if reach else curve[:1]
    top = int(np.argmax(np.abs(near)))
    lag, value = _between_samples(phase, size, top - reach, count)
    apart = np.abs(np.arange(len(near)) - top) > rate / 1000
    rival = float(np.abs(near[apart]).max(initial=0.0))
    return Delay(lag / rate, 1 if value > 0 else -1, min(abs(value), 1.0), min(rival / abs(value), 1.0))


def _between_samples(phase: NDArray[np.complex128], size: int, lag: int, count: int) -> tuple[float, float]:
    """Return the lag in samples, near a whole one, where the curve is furthest from zero, and its value there."""
    turn = 2j * np.pi * np.arange(len(phase)) / size
    share = np.full(len(phase), 2.0 / count)
    share[0] /= 2
    if size % 2 == 0:
        share[-1] /= 2

    def value(at: float) -> float:
        return float(np.sum((phase * np.exp(turn * at)).real * share))

    found = minimize_scalar(
        lambda at: -abs(value(at)), bounds=(lag - 1, lag + 1), method="bounded", options={"xatol": 1e-4}
    )
    return float(found.x), value(float(found.x))
