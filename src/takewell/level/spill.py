"""Which of the speech on a track belongs to another microphone?

Two microphones with a talker each: while the first one speaks, the first microphone stands well above the second,
and the other way round. The difference of their levels then has two clusters, whatever gains they were recorded at.
What lies in the lower cluster is spill, if it is also clearly weaker on this track than the rest: a boom that hears
both talkers alike loses to each one's lavalier in turn and still hears no spill.

For each other ISO, and for the loudest of them at each moment, the differences (mean power of 400 ms, where this
track is active) are split in two by k-means. The split counts if the clusters are `APART_DB` and three times their
spread apart (one normal cluster cut in two is 2.7 apart), hold `LEAST_S` each, and this track's level is `WEAKER_DB`
lower (medians) in the lower one.

Conventions: levels in decibels over the floor of their gain setting, one value each 100 ms.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from takewell.level.speech import Heard
from takewell.units import STEPS_PER_SECOND

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
Bools = NDArray[np.bool_]

APART_DB = 6.0
SPREADS_APART = 3.0
LEAST_S = 1.0
WEAKER_DB = 5.0


def without_spill(heard: Heard, others: Sequence[Heard]) -> Heard:
    """Return what is heard with the own speech that is left once the spill from the take's other ISOs is taken out."""
    mine = heard.slowly
    speaks = _share_per_step(heard) >= 0.5
    spilt = np.zeros(len(mine), np.bool_)
    loudest = np.full(len(mine), -np.inf, np.float32)
    for other in others:
        theirs = _fitted(other.slowly, len(mine))
        spilt |= _spilt(mine, theirs, speaks)
        loudest = np.maximum(loudest, theirs)
    if len(others) > 1:
        spilt |= _spilt(mine, loudest, speaks)
    return replace(heard, own=heard.active & ~spilt[_step_of_fine(heard)])


def _spilt(mine: F32, theirs: F32, speaks: Bools) -> Bools:
    """Return the steps in which what this microphone hears belongs to the other one."""
    usable = speaks & np.isfinite(mine) & np.isfinite(theirs)
    difference = mine[usable].astype(np.float64) - theirs[usable]
    border = _border(difference, mine[usable].astype(np.float64))
    spilt = np.zeros(len(mine), np.bool_)
    if border is not None:
        both = np.isfinite(mine) & np.isfinite(theirs)
        spilt[both] = mine[both] - theirs[both] < border
    return spilt


def _step_of_fine(heard: Heard) -> NDArray[np.int64]:
    """Return the 100 ms step that each fine step lies in."""
    return np.searchsorted(heard.trace.edges, heard.trace.fine_edges[:-1], side="right") - 1


def _share_per_step(heard: Heard) -> F64:
    """Return how much of each 100 ms step is speech."""
    steps = len(heard.slowly)
    of_fine = _step_of_fine(heard)
    counts = np.bincount(of_fine, minlength=steps)
    return np.bincount(of_fine, weights=heard.active, minlength=steps) / np.maximum(counts, 1)


def _fitted(levels: F32, length: int) -> F32:
    """Return levels of another length: a shorter track is silent at its end."""
    fitted = np.full(length, -np.inf, np.float32)
    fitted[: len(levels)] = levels[:length]
    return fitted


def _border(difference: F64, level: F64) -> float | None:
    """Return the difference below which this microphone hears spill, None where it hears none."""
    least = round(LEAST_S * STEPS_PER_SECOND)
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
