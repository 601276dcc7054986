"""What do the stretches of a track between moves of the gain measure, each as a track of its own?

Gates and thresholds go along with the gain: loudness is gated as after a gain that brings the passage to its target
(:func:`takewell.measure.loudness.levelled`), and P.56's thresholds go on by factors of two in both directions.
"""

from collections.abc import Callable
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from takewell.engine.results import Passage
from takewell.measure import loudness
from takewell.measure import step_loop as loop
from takewell.measure.noise_floor import NoiseFloor, noise_floor
from takewell.measure.speech_level import speech_level
from takewell.measure.trace import Trace
from takewell.units import FINE_STEPS_PER_SECOND, STEPS_PER_SECOND, finite_or_none, rms_dbfs

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

FINE_PER_STEP = FINE_STEPS_PER_SECOND // STEPS_PER_SECOND

ALL_THRESHOLDS = range(loop.LOWEST_EXPONENT, loop.LOWEST_EXPONENT + loop.EXPONENTS)
"""Exponents of two of every threshold that is counted."""

AFTER_LOUDER_S = 0.5
"""After a louder passage the envelope of P.56 (two poles of 0.03 s, hangover 0.2 s) needs this long to be the new one's."""


class LoudnessFigures(NamedTuple):
    """Integrated loudness, range, largest momentary and short-term loudness; and the blocks counted and gated."""

    integrated_lufs: float | None
    loudness_range_lu: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None
    blocks: int
    blocks_passed: int


class TrackHistory(NamedTuple):
    """What the pass left of one channel."""

    trace: Trace
    bend: F32
    k_sums: F64
    """K-weighted sum of squares of each whole 100 ms step."""
    totals: F64
    """Sum over all steps of each column of `step_loop`."""
    peak: float
    highest: float
    active: I64
    """Samples by the exponent of the P.56 threshold reached; see `speech_level`."""
    events: Callable[[], tuple[I64, I64]]
    """Positions at which the exponent changes, and the exponents from there on."""
    clips: F64
    clip_gap_s: float
    loudness: LoudnessFigures


class Floors(NamedTuple):
    """Noise floors of some 100 ms steps, and the mean squares (about the offset) they are taken from."""

    plain: NoiseFloor | None
    a_weighted: NoiseFloor | None
    power: F64

    @property
    def plain_dbfs(self) -> float | None:
        """AES17 level of the unweighted floor."""
        return _dbfs(self.plain)

    @property
    def a_weighted_dbfs(self) -> float | None:
        """AES17 level of the A-weighted floor."""
        return _dbfs(self.a_weighted)


def floors(trace: Trace, first: int, last: int) -> Floors:
    """Return the floors of the 100 ms steps `first` to `last`; those with digital silence in them do not count."""
    rms, mean = (part[first:last].astype(np.float64) for part in (trace.rms, trace.mean))
    at = offset(trace, first, last)
    power = np.maximum(rms**2 - 2 * at * mean + at**2, 0.0)
    fine = trace.fine_rms[first * FINE_PER_STEP : last * FINE_PER_STEP]
    whole = len(fine) // FINE_PER_STEP
    heard = fine[: whole * FINE_PER_STEP].reshape(whole, FINE_PER_STEP).min(axis=1) > 0
    if whole < len(power):
        heard = np.append(heard, fine[whole * FINE_PER_STEP :].min(initial=np.inf) > 0)
    power *= heard
    a_power = trace.a_rms[first:last].astype(np.float64) ** 2 * heard
    return Floors(noise_floor(power), noise_floor(a_power), power)


def offset(trace: Trace, first: int, last: int) -> float:
    """Return the offset of some 100 ms steps: the median of their means, which speech does not move."""
    return float(np.median(trace.mean[first:last])) if last > first else 0.0


def passages(history: TrackHistory, places: list[int], whole: Floors) -> tuple[Passage, ...]:
    """Return the passages of a track.

    Parameters
    ----------
    history : TrackHistory
        Of the track.
    places : list of int
        Fine steps at which another gain setting begins.
    whole : Floors
        Of the whole track.
    """
    trace, found = history.trace, list[Passage]()
    if not trace.length_samples:
        return ()
    for first, last in pairwise([0, *places, len(trace.fine_rms)]):
        start, end = -(-first // FINE_PER_STEP), last // FINE_PER_STEP
        if last == len(trace.fine_rms):
            end = len(trace.rms)
        sums = history.k_sums[start:end]
        lengths = np.diff(trace.edges[start : start + len(sums) + 1])
        blocks = loudness.window_powers(sums, lengths, loudness.BLOCK_STEPS)
        quiet = floors(trace, start, end) if places else whole
        level = _speech(history, first, last)
        if found and level is not None and (found[-1].speech_level_dbfs or -np.inf) > level:
            settled = first + round(AFTER_LOUDER_S * FINE_STEPS_PER_SECOND)
            level = _speech(history, settled, last) if settled < last else None
        floor = quiet.plain_dbfs
        found.append(
            Passage(
                start_s=float(trace.fine_edges[first] / trace.rate),
                end_s=float(trace.fine_edges[last] / trace.rate),
                integrated_lufs=loudness.levelled(blocks),
                speech_level_dbfs=level,
                noise_floor_dbfs=floor,
                noise_floor_dbfs_a=quiet.a_weighted_dbfs,
                snr_db=None if level is None or floor is None else level - floor,
            )
        )
    return tuple(found)


def _dbfs(floor: NoiseFloor | None) -> float | None:
    return None if floor is None else finite_or_none(float(rms_dbfs(floor.mean_square)))


def _speech(history: TrackHistory, first: int, last: int) -> float | None:
    """Return the active speech level of some fine steps, from all thresholds."""
    trace = history.trace
    start, end = int(trace.fine_edges[first]), int(trace.fine_edges[last])
    if first == 0 and last == len(trace.fine_rms):
        total, active = float(history.totals[loop.POWER]), history.active
    else:
        lengths = np.diff(trace.fine_edges[first : last + 1])
        total = float((trace.fine_rms[first:last].astype(np.float64) ** 2 * lengths).sum())
        active = _active_between(*history.events(), start, end)
    speech = speech_level(total, end - start, active, loop.LOWEST_EXPONENT, ALL_THRESHOLDS)
    return None if speech is None else speech.level_dbfs


def _active_between(positions: I64, exponents: I64, start: int, end: int) -> I64:
    """Return the samples from `start` to `end` by exponent."""
    edges = np.concatenate([[0], positions, [np.iinfo(np.int64).max]])
    levels = np.concatenate([[loop.LOWEST_EXPONENT], exponents])
    spans = np.minimum(edges[1:], end) - np.maximum(edges[:-1], start)
    active = np.zeros(loop.EXPONENTS, np.int64)
    np.add.at(active, levels - loop.LOWEST_EXPONENT, np.maximum(spans, 0))
    return active
