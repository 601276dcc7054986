"""Which of the speech on a track belongs to another microphone?

Two microphones with a talker each: while the first one speaks, the first microphone stands well above the second,
and the other way round. The difference of their levels then has two clusters, whatever gains they were recorded at.
What lies in the lower cluster is spill, if it is also clearly weaker on this track than the rest: a boom that hears
both talkers alike loses to each one's lavalier in turn and still hears no spill.

For each other ISO, and for the loudest of them at each moment, the differences (mean power of 400 ms, where this
track is active) are split in two by k-means. The split counts if the clusters are `APART_DB` and three times their
spread apart (one normal cluster cut in two is 2.7 apart), hold `LEAST_S` each, and this track's level is `WEAKER_DB`
lower (medians) in the lower one.

Conventions: levels in decibels over the floor of their gain setting, one value each 10 ms.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from takewell.level.speech import FINE_S, Heard, mean_around
from takewell.units import power_decibels

F64 = NDArray[np.float64]

APART_DB = 6.0
SPREADS_APART = 3.0
LEAST_S = 1.0
WEAKER_DB = 5.0
SMOOTH_STEPS = 40


def without_spill(heard: Heard, others: Sequence[Heard]) -> Heard:
    """Return what is heard with the own speech that is left once the spill from the take's other ISOs is taken out."""
    own = heard.active.copy()
    mine = _smooth(heard.over_floor)
    rows = [_fitted(_smooth(other.over_floor), len(mine)) for other in others]
    if len(rows) > 1:
        rows.append(np.maximum.reduce(rows))
    for theirs in rows:
        usable = heard.active & np.isfinite(mine) & np.isfinite(theirs)
        difference = mine[usable] - theirs[usable]
        border = _border(difference, mine[usable])
        if border is not None:
            own[usable] &= difference >= border
    return replace(heard, own=own)


def _fitted(levels: F64, length: int) -> F64:
    """Return levels of another length: a shorter track is silent at its end."""
    fitted = np.full(length, -np.inf)
    fitted[: len(levels)] = levels[:length]
    return fitted


def _smooth(over_floor: F64) -> F64:
    return (
        power_decibels(mean_around(10 ** (over_floor / 10), SMOOTH_STEPS)) if len(over_floor) else over_floor
    )


def _border(difference: F64, level: F64) -> float | None:
    """Return the difference below which this microphone hears spill, None where it hears none."""
    least = round(LEAST_S / FINE_S)
    if len(difference) < 2 * least:
        return None
    low, high = np.percentile(difference, [0.5, 99.5])
    for _ in range(50):
        border = (low + high) / 2
        below = difference < border
        if not below.any() or below.all():
            return None
        moved = difference[below].mean(), difference[~below].mean()
        if moved == (low, high):
            break
        low, high = moved
    spread = float(
        np.sqrt(
            (difference[below].var() * below.sum() + difference[~below].var() * (~below).sum()) / len(below)
        )
    )
    counts = below.sum(), (~below).sum()
    weaker = np.median(level[~below]) - np.median(level[below])
    if high - low < max(APART_DB, SPREADS_APART * spread) or min(counts) < least or weaker < WEAKER_DB:
        return None
    return float(border)
