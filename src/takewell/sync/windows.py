"""How much later does a clip hear something than a recording, in short windows here and there, to a fraction of a sample?

Generalised cross-correlation with phase transform (Knapp and Carter, IEEE Trans. Acoustics, Speech and Signal Processing
24(4), 1976): ``R(tau) = F^-1 {W G / |G|}``, G the cross spectrum. The weight W is that paper's maximum-likelihood one,
``g / (1 - g)`` with g the squared coherence: here what stands out of the floor on both sides, frequency by frequency, so that
pauses and whatever a codec cut away do not count. With W = 1 it is the plain phase transform.

Of each window the phases of many short overlapping blocks are added before the way back, each block of the clip taken where
the clocks as known so far put it, so that a clock 200 ppm fast blurs nothing.

Conventions: times are seconds of each file's own clock; a lag is ``t_clip - t_recording``. Everything is compared at 48 kHz;
other rates are resampled window by window. Curves are scaled so that chance alone spreads them by 1.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import soxr
from numpy.typing import NDArray
from scipy.fft import irfft, rfft
from scipy.ndimage import uniform_filter1d

from takewell.sync.sound import F32, Sound

F64 = NDArray[np.float64]
C64 = NDArray[np.complex64]

RATE = 48_000
WINDOW_S = 2.0
REACH_S = 0.06
"""Lags a curve covers either side of the expected one."""

PEAKS = 6
"""Peaks looked at in each curve: the direct sound need not be the highest."""

_BLOCK = 1 << 14
_HOP = _BLOCK // 2
_LOW_HZ, _HIGH_HZ = 100.0, 14_000.0
_USED = slice(math.ceil(_LOW_HZ * _BLOCK / RATE), math.floor(_HIGH_HZ * _BLOCK / RATE) + 1)
"""The frequencies that are compared."""

_FINER = 4
"""Points of a curve for each sample; between them a parabola is near enough."""

_REACH = round(REACH_S * RATE) * _FINER
_EDGE_S = 0.02
"""Read beyond both ends where a rate is changed: the filter's own edges fall there."""

_FLOOR_QUANTILE = 0.2
_OVER_FLOOR = 2.0
_SMOOTH_BINS, _SMOOTH_FLOOR_BINS = 5, 33
_MOST_COHERENT = 0.98
_APART_S = 0.0005

_STEADY_S = 0.005
"""No clock runs away by more within a window: 0.25 %."""

_NEAR_SPREAD = 1.27
"""How much wider than over all lags a curve spreads at the small lags looked at: two blocks under a Hann window have most in
common there. Found on noise; for cross spectra without phase transform it would be sqrt((35 / 128) / (3 / 8)^2) = 1.39."""

Lag = Callable[[float], float]
"""Gives the expected lag in seconds at a time of the recording."""


@dataclass(frozen=True)
class Curve:
    """The correlation of one window over lags around the expected one."""

    recording_s: float
    """Middle of the window on the recording's clock."""
    lag_s: float
    """Expected lag there: the middle of the curve."""
    heights: F32
    """(points,) signed: negative where the clip hears it upside down. In spreads of chance."""

    def height_at(self, lag_s: NDArray[np.float64]) -> F64:
        """Return the heights at lags in seconds, zero outside the curve."""
        points = (lag_s - self.lag_s) * RATE * _FINER + _REACH
        return np.interp(points, np.arange(len(self.heights)), self.heights, left=0.0, right=0.0)

    def peaks(self, around_s: float | None = None, within_s: float = REACH_S) -> list[tuple[float, float]]:
        """Return (lag in seconds, signed height) of the highest peaks near a lag, the highest first."""
        middle = _REACH if around_s is None else (around_s - self.lag_s) * RATE * _FINER + _REACH
        reach = within_s * RATE * _FINER
        first = int(max(middle - reach, 1))
        last = int(min(middle + reach + 1, len(self.heights) - 1))
        if last <= first:
            return []
        size = np.abs(self.heights)
        part = size[first:last]
        tops = first + np.flatnonzero(
            (part >= size[first - 1 : last - 1]) & (part > size[first + 1 : last + 1])
        )
        found: list[tuple[float, float]] = []
        apart = _APART_S * RATE * _FINER
        places: list[int] = []
        for top in tops[np.argsort(size[tops])[::-1]]:
            if len(found) == PEAKS:
                break
            if any(abs(top - p) < apart for p in places):
                continue
            places.append(int(top))
            below, at, above = size[top - 1 : top + 2].astype(np.float64)
            bend = below - 2 * at + above
            shift = 0.5 * (below - above) / bend if bend < 0 else 0.0
            lag = self.lag_s + (top + shift - _REACH) / (RATE * _FINER)
            found.append((float(lag), float(np.sign(self.heights[top]) * at)))
        return found


class Comparison:
    """Two sounds beside each other; knows the floor of each once `learn_floors` has heard some windows."""

    def __init__(self, recording: Sound, clip: Sound) -> None:
        self._recording, self._clip = recording, clip
        self._floors: tuple[F32, F32] | None = None

    def learn_floors(self, middles_s: Sequence[float], lag: Lag, length_s: float = WINDOW_S) -> None:
        """Learn from windows what both sounds hold at their quietest, frequency by frequency."""
        heard = [self._spectra(t, lag, length_s) for t in middles_s]
        sides: tuple[list[F32], list[F32]] = ([], [])
        for window in heard:
            if window is not None:
                for side, spectra in zip(sides, window[:2], strict=True):
                    side.append(_power(spectra))
        if sides[0]:
            low = [np.quantile(np.concatenate(side), _FLOOR_QUANTILE, axis=0) for side in sides]
            smooth = [uniform_filter1d(one, _SMOOTH_FLOOR_BINS) * _OVER_FLOOR for one in low]
            self._floors = (smooth[0].astype(np.float32), smooth[1].astype(np.float32))

    def curves(self, middles_s: Sequence[float], lag: Lag, length_s: float = WINDOW_S) -> list[Curve]:
        """Return the curve of each window in order; windows that are silent on one side are left out.

        Parameters
        ----------
        middles_s : sequence of float
            Middles of the windows in seconds of the recording.
        lag : function
            Expected lag in seconds at a time of the recording.
        length_s : float
            Length of a window.
        """
        found = []
        for middle_s in middles_s:
            window = self._spectra(middle_s, lag, length_s)
            if window is not None:
                heights = _curve(*window, self._floors)
                if heights is not None:
                    found.append(Curve(middle_s, lag(middle_s), heights))
        return found

    def _spectra(self, middle_s: float, lag: Lag, length_s: float) -> tuple[C64, C64, F64] | None:
        """Return the blocks' spectra on both sides, and how much too late (s) each block of the clip was taken."""
        count = max(1, round((length_s * RATE - _BLOCK) / _HOP) + 1)
        span_s = (_BLOCK + (count - 1) * _HOP) / RATE
        first_s = middle_s - span_s / 2
        begins_s = first_s + np.arange(count) * _HOP / RATE
        half_s = _BLOCK / 2 / RATE
        lags = np.array([lag(t + half_s) for t in begins_s])
        if np.ptp(lags) > _STEADY_S:
            # Samples are lost inside the window: it is compared as its middle lies.
            lags[:] = lag(middle_s)
        wanted_s = begins_s + lags
        own, own_late = _blocks(self._recording, begins_s)
        other, other_late = _blocks(self._clip, wanted_s)
        if not own.any() or not other.any():
            return None
        taper = np.hanning(_BLOCK + 1)[:_BLOCK].astype(np.float32)
        return (
            rfft(own * taper, axis=1)[:, _USED],
            rfft(other * taper, axis=1)[:, _USED],
            other_late - own_late,
        )


def _blocks(sound: Sound, begins_s: F64) -> tuple[F32, F64]:
    """Return (blocks at 48 kHz that begin at about these times, how much too late each was taken in seconds)."""
    edge = 0 if sound.rate == RATE else round(_EDGE_S * sound.rate)
    start = int(np.floor(begins_s[0] * sound.rate)) - edge
    span_s = begins_s[-1] - begins_s[0] + _BLOCK / RATE
    samples = sound.read(start, int(np.ceil(span_s * sound.rate)) + 2 * edge + 4)
    if sound.rate != RATE:
        samples = soxr.resample(samples, sound.rate, RATE, quality="HQ")
    at = np.round((begins_s - start / sound.rate) * RATE).astype(np.int64)
    blocks = np.lib.stride_tricks.sliding_window_view(samples, _BLOCK)[at]
    return blocks, start / sound.rate + at / RATE - begins_s


def _power(spectra: C64) -> F32:
    return np.asarray(spectra.real**2 + spectra.imag**2, np.float32)


def _curve(own: C64, other: C64, late_s: F64, floors: tuple[F32, F32] | None) -> F32 | None:
    cross = np.conj(own) * other
    size = np.abs(cross)
    weight = (size > 0).astype(np.float32)
    if floors is not None:
        coherent = _MOST_COHERENT * _standing_out(own, floors[0]) * _standing_out(other, floors[1])
        weight *= coherent / (1 - coherent)
    squares = float(np.sum(weight**2, dtype=np.float64))
    if squares == 0:
        return None
    # A block taken too late hears everything too early: turned back by as much.
    hertz = np.arange(_USED.start, _USED.stop) * (RATE / _BLOCK)
    turn = np.exp((-2j * np.pi * np.outer(late_s, hertz)).astype(np.complex64))
    phases = np.zeros(_BLOCK // 2 + 1, np.complex64)
    phases[_USED] = np.sum(cross * (weight / np.maximum(size, np.finfo(np.float32).tiny)) * turn, axis=0)
    points = _BLOCK * _FINER
    whole = irfft(phases, points)
    near = np.concatenate([whole[-_REACH:], whole[: _REACH + 1]])
    # Phases of random direction with these weights add up to a spread of sqrt(2 sum w^2) / points over all lags.
    return np.asarray(near * (points / (_NEAR_SPREAD * np.sqrt(2 * squares))), np.float32)


def _standing_out(spectra: C64, floor: F32) -> F32:
    """Return the share of the power that is not floor, 0 to 1."""
    smooth = np.maximum(uniform_filter1d(_power(spectra), _SMOOTH_BINS, axis=1), np.finfo(np.float32).tiny)
    return np.asarray(np.maximum(smooth - floor, 0) / smooth, np.float32)
