"""How much of the mix does each open microphone get?

Gain sharing, as published for automatic microphone mixing: each microphone's gain in decibels is its level less
the level of all of them together,

    g_i = L_i - 10 log10( sum over j of 10^(L_j / 10) ),

so the power gains always add up to one, as if a single microphone were open (10 log10 N for N that are equally
loud): no thresholds, no gates, and the noise of the room stays where it was. A weight in decibels is added to L_i.

Where the levels come from: the K-weighted mean squares (ITU-R BS.1770-5) of 10 ms steps, after the track's moves.
K-weighting keeps rumble below 40 Hz from opening a microphone. In order:

1. the median of three steps (a single step that straddles a moved gain says nothing);
2. the mean over `WINDOW_STEPS` steps around (50 ms: the ear's own time for loudness of speech is longer, and an
   open microphone 20 ms early costs nothing);
3. falling no faster than the release, so a syllable's end does not hand the mix to the noise;
4. the law above;
5. where nobody speaks (all microphones together less than `OPEN_DB` over the sum of their floors; a floor is what
   a tenth of its steps lie below) the shares of the last step with speech stand: the last open microphone stays open;
6. the mean over `WINDOW_STEPS` steps again, so that no gain jumps. A mean of shares that add up to one adds up to one.

Conventions: (steps, tracks) arrays of power; shares are power gains.
"""

from collections.abc import Callable, Iterator

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from takewell.measure.loudness import window_powers
from takewell.units import FINE_STEPS_PER_SECOND

F64 = NDArray[np.float64]

WINDOW_STEPS = 5
REACH = WINDOW_STEPS // 2
OPEN_DB = 6.0
FLOOR_PERCENTILE = 10
STRETCH = 6000
"""Steps worked on at once: a minute."""


def law(power: F64) -> F64:
    """Return the power gains of gain sharing: each power over the sum of its row; equal parts where all are zero.

    Parameters
    ----------
    power : (steps, tracks) float array
        Weighted already; not negative.

    Returns
    -------
    (steps, tracks) float64 array
        Rows add up to one.

    Examples
    --------
    Two equally loud microphones get 3 dB less each.

    >>> (10 * np.log10(law(np.array([[1.0, 1.0]])))).round(2).tolist()
    [[-3.01, -3.01]]
    """
    total = power.sum(axis=1, keepdims=True)
    shares = np.full(power.shape, 1.0 / power.shape[1])
    np.divide(power, total, out=shares, where=total > 0)
    return shares


class Sharing:
    """Each track's share at every 10 ms step, as the module says, worked out a stretch at a time.

    Memory does not grow with length: nothing but the last few steps is carried from one stretch to the next.

    Parameters
    ----------
    power_of : callable
        Given a first and a stop step, the K-weighted mean squares of the tracks after their moves,
        (stop - first, tracks) float64.
    steps : int
        How many there are.
    weights_db : (tracks,) float array
    floor_power : float
        Sum of the tracks' floors (`floor_power`).
    release_db_per_s : float
    hold : bool
    """

    def __init__(
        self,
        power_of: Callable[[int, int], F64],
        steps: int,
        weights_db: F64,
        *,
        floor_power: float,
        release_db_per_s: float,
        hold: bool,
    ) -> None:
        self._power_of = power_of
        self._steps = steps
        self._factors = 10 ** (np.asarray(weights_db, np.float64) / 10)
        self._keep = 10 ** (-release_db_per_s / FINE_STEPS_PER_SECOND / 10)
        self._open = floor_power * 10 ** (OPEN_DB / 10) if hold else -1.0

    def stretches(self) -> Iterator[tuple[int, F64, F64]]:
        """Yield the first step of each stretch, its shares, and the powers they were taken from.

        Shares are (n, tracks) power gains whose rows add up to one.
        """
        released = np.zeros(len(self._factors))
        held = self._first_share()
        for first in range(0, self._steps, STRETCH):
            stop = min(first + STRETCH, self._steps)
            low, high = max(first - REACH, 0), min(stop + REACH, self._steps)
            levels, power = self._levels(low, high)
            standing = _released(levels, self._keep, released)
            shares = law(standing * self._factors)
            spoken = levels.sum(axis=1) > self._open
            last = np.maximum.accumulate(np.where(spoken, np.arange(len(shares)), -1))
            shares = np.where((last >= 0)[:, None], shares[last], held)
            carried = stop - REACH - 1 - low  # the step before the first one the next stretch will need
            if carried >= 0:
                released, held = standing[carried], shares[carried]
            padding = (REACH - (first - low), REACH - (high - stop))
            padded = np.pad(shares, (padding, (0, 0)), mode="edge")
            means = window_powers(padded, np.ones(len(padded), np.int64), WINDOW_STEPS)
            yield first, means, power[first - low : first - low + stop - first]

    def _levels(self, low: int, high: int) -> tuple[F64, F64]:
        """Return the smoothed levels and the powers of some steps."""
        wide_low, wide_high = max(low - REACH - 1, 0), min(high + REACH + 1, self._steps)
        power = self._power_of(wide_low, wide_high)
        calm = median_filter(power, size=(3, 1), mode="nearest")
        levels = _mean_around(calm)
        inside = slice(low - wide_low, high - wide_low)
        return levels[inside], power[inside]

    def _first_share(self) -> F64:
        """Return the share of the first step with speech; of all steps, where there is none."""
        released = np.zeros(len(self._factors))
        total = np.zeros(len(self._factors))
        for first in range(0, self._steps, STRETCH):
            levels, _ = self._levels(first, min(first + STRETCH, self._steps))
            standing = _released(levels, self._keep, released)
            shares = law(standing * self._factors)
            spoken = np.flatnonzero(levels.sum(axis=1) > self._open)
            if len(spoken):
                return np.asarray(shares[spoken[0]])
            released, total = standing[-1], total + shares.sum(axis=0)
        return np.asarray(total / max(self._steps, 1))


def floor_power(power: NDArray[np.float64]) -> float:
    """Return a track's floor: what a tenth of its smoothed steps lie below.

    Parameters
    ----------
    power : (steps,) float64 array
    """
    if not len(power):
        return 0.0
    return float(np.percentile(_mean_around(median_filter(power, 3, mode="nearest")), FLOOR_PERCENTILE))


def _mean_around(values: F64) -> F64:
    """Return the mean over `WINDOW_STEPS` steps around each, the ends repeated; only sums of what is positive."""
    padded = np.pad(values, [(REACH, REACH)] + [(0, 0)] * (values.ndim - 1), mode="edge")
    return window_powers(padded, np.ones(len(padded), np.int64), WINDOW_STEPS)


@njit(nogil=True, cache=True)
def _released(level: F64, keep: float, before: F64) -> F64:
    """Return levels that fall by no more than the factor `keep` from one step to the next, `before` the first one."""
    out = level.copy()
    for step in range(len(out)):
        for track in range(out.shape[1]):
            last = before[track] if step == 0 else out[step - 1, track]
            out[step, track] = max(out[step, track], last * keep)
    return out
