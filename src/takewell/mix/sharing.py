"""How much of the mix does each source get?

Gain sharing, as published for automatic microphone mixing: each microphone's gain in decibels is its level less
the level of all of them together,

    g_i = L_i - 10 log10( sum over j of 10^(L_j / 10) ),

so the power gains always add up to one, as if a single microphone were open (10 log10 N for N that are equally
loud): no thresholds, no gates, and the noise of the room stays where it was. A weight in decibels is added to L_i.

What stands for the level is what is heard over the noise (`levels`). In order:

1. it falls no faster than the release, so a syllable's end does not hand the mix to the noise; but as soon as another
   source is louder it falls by `HAND_OVER_DB_PER_S`: somebody else has begun to speak;
2. on request, only what each source hears of its own talker counts (`spill`);
3. the law above;
4. where nobody speaks (no source stands `OPEN_DB` over its floor) the shares of the last step with speech stand: the
   last open microphone stays open;
5. the mean over 50 ms, so that no gain jumps. A mean of shares that add up to one adds up to one.

Conventions: (steps, sources) arrays of power; shares are power gains.
"""

from collections.abc import Iterator

import numpy as np
from numba import njit
from numpy.typing import NDArray

from takewell.measure.loudness import window_powers
from takewell.mix.levels import REACH, STRETCH, WINDOW_STEPS, Levels
from takewell.mix.spill import Spill
from takewell.units import FINE_STEPS_PER_SECOND

F64 = NDArray[np.float64]

OPEN_DB = 6.0
HAND_OVER_DB_PER_S = 300.0


def law(power: F64) -> F64:
    """Return the power gains of gain sharing: each power over the sum of its row; equal parts where all are zero.

    Parameters
    ----------
    power : (steps, sources) float array
        Weighted already; not negative.

    Returns
    -------
    (steps, sources) float64 array
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
    """Each source's share at every 10 ms step, as the module says, worked out a stretch at a time.

    Memory does not grow with length: nothing but the last few steps is carried from one stretch to the next.

    Parameters
    ----------
    levels : Levels
    weights_db : (sources,) float array
    release_db_per_s : float
    hold : bool
    spill : Spill, optional
        What each source hears of the others, where only its own talker is to count.
    """

    def __init__(
        self,
        levels: Levels,
        weights_db: F64,
        *,
        release_db_per_s: float,
        hold: bool,
        spill: Spill | None = None,
    ) -> None:
        self._levels = levels
        self._factors = 10 ** (np.asarray(weights_db, np.float64) / 10)
        self._keep = _keep(release_db_per_s)
        self._hand_over = min(_keep(HAND_OVER_DB_PER_S), self._keep)
        self._open = levels.floors * 10 ** (OPEN_DB / 10) if hold else np.full(len(levels.floors), -1.0)
        self._spill = spill

    def stretches(self) -> Iterator[tuple[int, F64, F64]]:
        """Yield the first step of each stretch, its shares, and the powers they were taken from.

        Shares are (n, sources) power gains whose rows add up to one.
        """
        steps = self._levels.steps
        released = np.zeros(len(self._factors))
        held = self._first_share()
        for first in range(0, steps, STRETCH):
            stop = min(first + STRETCH, steps)
            low, high = max(first - REACH, 0), min(stop + REACH, steps)
            levels, power = self._levels.between(low, high)
            standing, shares = self._shares(levels, released)
            last = np.maximum.accumulate(np.where(self._spoken(levels), np.arange(len(shares)), -1))
            shares = np.where((last >= 0)[:, None], shares[last], held)
            carried = stop - REACH - 1 - low  # the step before the first one the next stretch will need
            if carried >= 0:
                released, held = standing[carried], shares[carried]
            padding = (REACH - (first - low), REACH - (high - stop))
            padded = np.pad(shares, (padding, (0, 0)), mode="edge")
            means = window_powers(padded, np.ones(len(padded), np.int64), WINDOW_STEPS)
            yield first, means, power[first - low : first - low + stop - first]

    def _shares(self, levels: F64, released: F64) -> tuple[F64, F64]:
        """Return what stands after the release, and its shares."""
        standing = _released(self._levels.heard(levels), self._keep, self._hand_over, released)
        own = standing if self._spill is None else self._spill.own(standing, self._factors)
        return standing, law(own * self._factors)

    def _spoken(self, levels: F64) -> NDArray[np.bool_]:
        return np.asarray((levels > self._open).any(axis=1))

    def _first_share(self) -> F64:
        """Return the share of the first step with speech; of all steps, where there is none."""
        steps = self._levels.steps
        released = np.zeros(len(self._factors))
        total = np.zeros(len(self._factors))
        for first in range(0, steps, STRETCH):
            levels, _ = self._levels.between(first, min(first + STRETCH, steps))
            standing, shares = self._shares(levels, released)
            spoken = np.flatnonzero(self._spoken(levels))
            if len(spoken):
                return np.asarray(shares[spoken[0]])
            released, total = standing[-1], total + shares.sum(axis=0)
        return np.asarray(total / max(steps, 1))


def _keep(db_per_s: float) -> float:
    return float(10 ** (-db_per_s / FINE_STEPS_PER_SECOND / 10))


@njit(nogil=True, cache=True)
def _released(heard: F64, keep: float, hand_over: float, before: F64) -> F64:
    """Return levels that fall by no more than a factor from one step to the next, `before` the first one.

    The factor is `keep`, or `hand_over` while another source is louder than what this one would keep.
    """
    out = heard.copy()
    last = before.copy()
    for step in range(len(out)):
        first, second, leader = 0.0, 0.0, -1
        for source in range(out.shape[1]):
            if heard[step, source] > first:
                first, second, leader = heard[step, source], first, source
            elif heard[step, source] > second:
                second = heard[step, source]
        for source in range(out.shape[1]):
            louder = second if source == leader else first
            factor = hand_over if louder > last[source] * keep else keep
            out[step, source] = max(heard[step, source], last[source] * factor)
            last[source] = out[step, source]
    return out
