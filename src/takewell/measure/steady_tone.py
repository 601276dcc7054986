"""What steady tone does a stretch of sound hold: frequency, level, and how pure?

Method: the highest bin of a Hann-windowed spectrum, refined by parabolic interpolation of its logarithm, then
a three-parameter least-squares sine fit at the frequency that leaves the least residual (as IEEE 1057 fits a
sine of known frequency; from memory). Level follows AES17: a full-scale sine reads 0 dBFS.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from takewell.errors import SignalError
from takewell.units import power_decibels


@dataclass(frozen=True)
class SteadyTone:
    """A tone and what is left when it is taken away."""

    frequency_hz: float
    level_dbfs: float
    residual_db: float
    """Power of everything else against the tone's, in dB."""


def _fit(samples: NDArray[np.float64], frequency_hz: float, rate: int) -> tuple[float, float]:
    """Return (tone power, residual power) of the least-squares sine at `frequency_hz`."""
    phase = 2 * np.pi * frequency_hz / rate * (np.arange(len(samples)) - len(samples) / 2)
    basis = np.stack([np.cos(phase), np.sin(phase), np.ones_like(phase)], axis=1)
    weights, *_ = np.linalg.lstsq(basis, samples, rcond=None)
    left = samples - basis @ weights
    return float((weights[0] ** 2 + weights[1] ** 2) / 2), float(np.mean(left**2))


def steady_tone(samples: NDArray[np.floating], rate: int) -> SteadyTone | None:
    """Return the strongest steady tone, or None in silence.

    Parameters
    ----------
    samples : (n,) float array
        One channel, at least 1/20 s, a few seconds at most.
    rate : int
        Sampling rate in Hz.

    Raises
    ------
    SignalError
        If the stretch is too short or holds NaN or infinity.
    """
    if samples.ndim != 1 or len(samples) * 20 < rate:
        raise SignalError("a tone needs one channel of at least 1/20 s")
    if not np.isfinite(samples).all():
        raise SignalError("a tone cannot be fitted through samples that are no numbers")
    signal = samples.astype(np.float64)
    signal -= signal.mean()
    spectrum = np.abs(np.fft.rfft(signal * np.hanning(len(signal))))
    if not spectrum.any():
        return None
    top = int(np.argmax(spectrum[1:-1])) + 1
    below, at, above = np.log(np.maximum(spectrum[top - 1 : top + 2], 1e-300))
    bend = below - 2 * at + above
    guess = (top + (0.5 * (below - above) / bend if bend < 0 else 0.0)) * rate / len(signal)
    width = 0.25 * rate / len(signal)
    # Half a second to load, and only a tone needs it.
    from scipy.optimize import minimize_scalar

    found = minimize_scalar(
        lambda f: _fit(signal, f, rate)[1],
        bounds=(guess - width, guess + width),
        method="bounded",
        options={"xatol": 1e-6},
    )
    tone, left = _fit(signal, float(found.x), rate)
    return SteadyTone(
        frequency_hz=float(found.x),
        level_dbfs=float(power_decibels(2 * tone)),
        residual_db=float(power_decibels(left / tone)) if tone > 0 else float("inf"),
    )
