"""How do the four capsules of a tetrahedral microphone become B-format?

The capsules look along the diagonals of a cube (FLU front left up, FRD front right down, BLD back left down, BRU back
right up). With ideal cardioids in one point, sums and differences are B-format (M. A. Gerzon, "The design of precisely
coincident microphone arrays for stereo and surround sound", 50th AES Convention, 1975):

    W' = FLU + FRD + BLD + BRU      Y' = FLU - FRD + BLD - BRU
    X' = FLU + FRD - BLD - BRU      Z' = FLU - FRD - BLD + BRU

A wave from u then gives W' = 4 c and (X', Y', Z') = 4 (1 - c) / sqrt(3) u for capsules of pattern ``c + (1 - c) cos``; scaled, that is
ambix (`b_format`). Real capsules stand a radius r from the middle. Averaged over all directions their sums then fall
off with frequency (a = 2 pi f r / sound speed, j0 and j1 spherical Bessel functions),

    b0 = c j0(a) + i (1 - c) j1(a)                          for W,
    b1 = 3 [ i c j1(a) + (1 - c) (j0(a) - 2 j1(a) / a) ]    for X, Y, Z,

from the integrals of ``(c + (1 - c) x) exp(i a x)`` times 1 and 3 x over the sphere. The correction filters are c / b0 and
(1 - c) / b1, as linear FIR filters, raising nothing by more than `MOST_DB`. They are right for sound from everywhere
together; for one direction four capsules hold near 1 / (2 r) wavelengths (some 11 kHz for 15 mm), above that the pattern
frays whatever one does.

Conventions: samples (n, 4) in the order of `CAPSULES` in, ambix (W Y Z X, SN3D) out, `LATENCY` samples later.
"""

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.special import spherical_jn

F64 = NDArray[np.float64]

CAPSULES = ("FLU", "FRD", "BLD", "BRU")

SUMS = np.array(
    [[1.0, 1.0, 1.0, 1.0], [1.0, -1.0, 1.0, -1.0], [1.0, -1.0, -1.0, 1.0], [1.0, 1.0, -1.0, -1.0]]
).T
"""Capsules to W', Y', Z', X'; rows in, columns out."""

LATENCY = 48
"""Half the filters' length, in samples."""

MOST_DB = 12.0
SOUND_M_PER_S = 343.0
_GRID = 4096
_KAISER_BETA = 6.0


def sums(pattern: float = 0.5) -> F64:
    """Return the (4, 4) matrix from capsules in one point to ambix; `pattern` is c, 0.5 for cardioids."""
    scale = np.array([1 / (4 * pattern), *([math.sqrt(3) / (4 * (1 - pattern))] * 3)])
    return np.asarray(SUMS * scale)


def fall_off(frequency_hz: F64, radius_m: float, pattern: float = 0.5) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:  # fmt: skip
    """Return what is left of W and of X, Y, Z at some frequencies without correction, 1 at the lowest."""
    a = 2 * np.pi * np.maximum(frequency_hz, 1e-3) * radius_m / SOUND_M_PER_S
    j0, j1 = spherical_jn(0, a), spherical_jn(1, a)
    b0 = pattern * j0 + 1j * (1 - pattern) * j1
    b1 = 3 * (1j * pattern * j1 + (1 - pattern) * (j0 - 2 * j1 / a))
    return b0 / pattern, b1 / (1 - pattern)


def correction(radius_m: float, rate: int, pattern: float = 0.5) -> tuple[F64, F64]:
    """Return the correction filters of W and of X, Y, Z, ``2 LATENCY + 1`` taps each, their middle at `LATENCY`."""
    frequency = np.arange(_GRID // 2 + 1) * rate / _GRID
    window = np.kaiser(2 * LATENCY + 1, _KAISER_BETA)
    found = []
    for left in fall_off(frequency, radius_m, pattern):
        size = np.abs(left)
        wanted = np.minimum(1 / size, 10 ** (MOST_DB / 20)) * np.conj(left) / size
        wanted[-1] = abs(wanted[-1])  # at half the rate a filter of real taps has no phase
        taps = np.roll(np.fft.irfft(wanted, _GRID), LATENCY)[: 2 * LATENCY + 1] * window
        found.append(taps / taps.sum())  # windowing may not move the lowest frequencies
    return found[0], found[1]


class AFormat:
    """Turns a stream of four capsules into ambix.

    Parameters
    ----------
    rate : int
    radius_m : float
        From the middle to a capsule, as the maker's data sheet gives it; 0 for no correction.
    pattern : float
        0.5 for cardioids.
    """

    def __init__(self, rate: int, radius_m: float, pattern: float = 0.5) -> None:
        self._matrix = sums(pattern)
        pressure, velocity = correction(radius_m, rate, pattern) if radius_m > 0 else (_pass(), _pass())
        self._taps = np.stack([pressure, velocity, velocity, velocity])
        self._before = np.zeros((2 * LATENCY, 4))

    def apply(self, capsules: F64) -> F64:
        """Return the next block as ambix; sample k of the stream comes out as sample ``k + LATENCY``."""
        joined = np.concatenate([self._before, capsules @ self._matrix])
        self._before = joined[len(joined) - 2 * LATENCY :].copy()
        out = np.empty((len(capsules), 4))
        _convolve(joined, self._taps, out)
        return out


def _pass() -> F64:
    taps = np.zeros(2 * LATENCY + 1)
    taps[LATENCY] = 1.0
    return taps


@njit(nogil=True, cache=True, fastmath={"reassoc", "contract", "nsz"})
def _convolve(joined: F64, taps: F64, out: F64) -> None:
    count = taps.shape[1]
    row = np.empty(joined.shape[0])
    for channel in range(4):
        for i in range(joined.shape[0]):
            row[i] = joined[i, channel]
        turned = taps[channel, ::-1].copy()
        for i in range(out.shape[0]):
            total = 0.0
            for tap in range(count):
                total += turned[tap] * row[i + tap]
            out[i, channel] = total
