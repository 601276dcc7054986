"""Whose voice is it that a microphone hears: its own talker's, or another's from afar?

Gain sharing gives a microphone with spill the share of its level: with a neighbour's voice 6 dB down it stays open at
-7 dB and adds its room and its comb. What it hears of others can be told, because it is always about as much. The model:

    power at i  =  own power of i  +  sum over j of  spill[i, j] x own power of j.

It is learnt from the take:

- A source is *close* if it hears others from afar: in a quarter of the time in which it is not the loudest (means of 400 ms, while somebody
  speaks) it lies `CLOSE_DB` or more below the loudest. A lavalier in a panel does, a boom over all of them does not.
- The *leader* of a step is the loudest source, close ones with as much more: a talker with a microphone of their own belongs to it, and
  the boom gets those without.
- ``spill[i, j]`` is the median of i's level over j's while j leads within 20 dB of its loudest second, and `MARGIN_DB` more.

Then, step by step, the leader is taken at its level, its spill is taken off all others, the strongest of what is left comes next,
and so on. `LEFT` of what was taken off still counts (-20 dB), so no microphone is ever gated. A source that counts for less (a weight, a
handicap for noise) explains that much less of the others.

Conventions: (steps, sources) arrays of power, as heard over the noise.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from takewell.units import FINE_STEPS_PER_SECOND

F64 = NDArray[np.float64]

SLOW_STEPS = 40
CLOSE_DB = 6.0
MARGIN_DB = 3.0
LEFT = 0.01
NEAR_LOUDEST = 0.01
LEAST_STEPS = FINE_STEPS_PER_SECOND // 2
SPAN_DB = 80
"""Ratios are counted in decibels from minus to plus this."""


@dataclass(frozen=True)
class Spill:
    """What each source hears of the others."""

    ratio: F64
    """(sources, sources): power at the row's source per own power of the column's; 0 where nothing is known."""
    close: NDArray[np.bool_]
    """(sources,): whether a source lives by one talker."""

    def own(self, heard: F64, factors: F64) -> F64:
        """Return each source's own power in each step, and a little of the rest.

        Parameters
        ----------
        heard : (steps, sources) float64 array
        factors : (sources,) float64 array
            By how much each source counts for more or less.
        """
        order = factors * np.where(self.close, 10 ** (CLOSE_DB / 10), 1.0)
        explains = self.ratio * np.minimum(1.0, factors[None, :] / factors[:, None])
        out = np.empty_like(heard)
        _peel(heard, order, explains, out)
        return out


def learn(stretches: Callable[[], Iterator[F64]], loudest: F64) -> Spill:
    """Return what a take's own levels teach.

    Parameters
    ----------
    stretches : callable
        Gives what is heard, stretch by stretch, each time it is called.
    loudest : (sources,) float64 array
        What each source's loudest second lies above.
    """
    sources = len(loudest)
    apart = np.zeros((sources, 2 * SPAN_DB + 1))
    for heard in stretches():
        slow = uniform_filter1d(heard, SLOW_STEPS, axis=0, mode="nearest")[SLOW_STEPS // 2 :: SLOW_STEPS]
        speaks = (slow > NEAR_LOUDEST * loudest).any(axis=1)
        loudest_now = slow.max(axis=1)
        for k in range(sources):
            behind = speaks & (slow[:, k] < loudest_now)
            apart[k] += _counted(slow[behind, k], loudest_now[behind])
    close = np.array([_percentile(row, 25) <= -CLOSE_DB for row in apart])
    bonus = np.where(close, 10 ** (CLOSE_DB / 10), 1.0)
    counts = np.zeros((sources, sources, 2 * SPAN_DB + 1))
    for heard in stretches():
        leader = np.argmax(heard * bonus, axis=1)
        for j in range(sources):
            leads = heard[(leader == j) & (heard[:, j] > NEAR_LOUDEST * loudest[j])]
            for i in range(sources):
                if i != j and len(leads):
                    counts[i, j] += _counted(leads[:, i], leads[:, j])
    ratio = np.zeros((sources, sources))
    for i in range(sources):
        for j in range(sources):
            if counts[i, j].sum() >= LEAST_STEPS:
                ratio[i, j] = 10 ** ((_percentile(counts[i, j], 50) + MARGIN_DB) / 10)
    return Spill(ratio, close)


def _counted(above: F64, below: F64) -> F64:
    with np.errstate(divide="ignore", invalid="ignore"):
        decibels = 10 * np.log10(above / below)
    whole = np.clip(np.nan_to_num(np.round(decibels), nan=0.0), -SPAN_DB, SPAN_DB).astype(np.int64)
    return np.bincount(whole + SPAN_DB, minlength=2 * SPAN_DB + 1).astype(np.float64)


def _percentile(counts: F64, percent: float) -> float:
    whole = counts.sum()
    if whole == 0:
        return 0.0
    return float(np.searchsorted(np.cumsum(counts), whole * percent / 100) - SPAN_DB)


@njit(nogil=True, cache=True)
def _peel(heard: F64, order: F64, explains: F64, out: F64) -> None:
    sources = heard.shape[1]
    left = np.empty(sources)
    taken = np.empty(sources, np.bool_)
    for step in range(heard.shape[0]):
        left[:] = heard[step]
        taken[:] = False
        for _ in range(sources):
            best, lead = -1.0, -1
            for k in range(sources):
                if not taken[k] and left[k] * order[k] > best:
                    best, lead = left[k] * order[k], k
            taken[lead] = True
            for i in range(sources):
                if not taken[i]:
                    left[i] = max(left[i] - explains[i, lead] * left[lead], 0.0)
        for k in range(sources):
            out[step, k] = left[k] + LEFT * heard[step, k]
