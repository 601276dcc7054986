"""What do the stretches of a track between moves of the gain measure, each as a track of its own?

Gates and thresholds go along with the gain: loudness is gated as after a gain that brings the passage to its target
(:func:`takewell.measure.loudness.levelled`), and P.56's thresholds go on by factors of two in both directions.
"""

from collections.abc import Iterator
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from takewell.engine.history import FINE_PER_STEP, PIECE_STEPS, TrackHistory
from takewell.engine.results import Passage
from takewell.measure import loudness
from takewell.measure import step_loop as loop
from takewell.measure.noise_floor import NoiseFloor, noise_floor
from takewell.measure.ranked import IN_MEMORY, Pieces, ranked
from takewell.measure.speech_level import speech_level
from takewell.measure.trace import Trace
from takewell.units import FINE_STEPS_PER_SECOND, finite_or_none, rms_dbfs

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

ALL_THRESHOLDS = range(loop.LOWEST_EXPONENT, loop.LOWEST_EXPONENT + loop.EXPONENTS)
"""Exponents of two of every threshold that is counted."""

AFTER_LOUDER_S = 0.5
"""After a louder passage the envelope of P.56 (two poles of 0.03 s, hangover 0.2 s) needs this long to be the new one's."""


class Floors(NamedTuple):
    """Noise floors of some 100 ms steps, and the offset they are taken about."""

    plain: NoiseFloor | None
    a_weighted: NoiseFloor | None
    offset: float

    @property
    def plain_dbfs(self) -> float | None:
        """AES17 level of the unweighted floor."""
        return _dbfs(self.plain)

    @property
    def a_weighted_dbfs(self) -> float | None:
        """AES17 level of the A-weighted floor."""
        return _dbfs(self.a_weighted)


def floors(history: TrackHistory, first: int, last: int) -> Floors:
    """Return the floors of the 100 ms steps `first` to `last`; those with digital silence in them do not count."""
    if last <= first:
        return Floors(None, None, 0.0)
    steps, channel = history.histories.steps, history.channel

    def means() -> Iterator[F64]:
        for start in range(first, last, PIECE_STEPS):
            yield steps.read("mean", channel, start, min(PIECE_STEPS, last - start)).astype(np.float64)

    # The median of the steps' means, which speech does not move.
    (offset,) = ranked(means, [(last - first) // 2])

    def powers(k: int) -> Pieces:
        return lambda: (floor_powers(piece, offset)[k] for piece in history.pieces(first, last))

    if last - first > IN_MEMORY:
        return Floors(noise_floor(powers(0)), noise_floor(powers(1)), offset)
    both = [floor_powers(piece, offset) for piece in history.pieces(first, last)]
    plain, a_weighted = (np.concatenate([pair[k] for pair in both]) for k in range(2))
    return Floors(noise_floor(plain), noise_floor(a_weighted), offset)


def floor_powers(trace: Trace, offset: float) -> tuple[F64, F64]:
    """Return the mean squares of 100 ms steps about the offset, and A-weighted; 0 where digital silence is in them."""
    rms, mean = trace.rms.astype(np.float64), trace.mean.astype(np.float64)
    power = np.maximum(rms**2 - 2 * offset * mean + offset**2, 0.0)
    whole = len(trace.fine_rms) // FINE_PER_STEP
    heard = trace.fine_rms[: whole * FINE_PER_STEP].reshape(whole, FINE_PER_STEP).min(axis=1) > 0
    if whole < len(power):
        heard = np.append(heard, trace.fine_rms[whole * FINE_PER_STEP :].min(initial=np.inf) > 0)
    return power * heard, trace.a_rms.astype(np.float64) ** 2 * heard


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
    h, found = history.histories, list[Passage]()
    if not h.length_samples:
        return ()
    for first, last in pairwise([0, *places, history.fine_count]):
        start = -(-first // FINE_PER_STEP)
        end = history.step_count if last == history.fine_count else last // FINE_PER_STEP
        quiet = floors(history, start, end) if places else whole
        level = _speech(history, first, last)
        if found and level is not None and (found[-1].speech_level_dbfs or -np.inf) > level:
            settled = first + round(AFTER_LOUDER_S * FINE_STEPS_PER_SECOND)
            level = _speech(history, settled, last) if settled < last else None
        floor = quiet.plain_dbfs
        found.append(
            Passage(
                start_s=h.edge(first, FINE_STEPS_PER_SECOND) / h.rate,
                end_s=h.edge(last, FINE_STEPS_PER_SECOND) / h.rate,
                integrated_lufs=loudness.levelled(
                    h.windows(history.channel, start, end, loudness.BLOCK_STEPS)
                ),
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
    h = history.histories
    start, end = h.edge(first, FINE_STEPS_PER_SECOND), h.edge(last, FINE_STEPS_PER_SECOND)
    if first == 0 and last == history.fine_count:
        total, active = float(history.totals[loop.POWER]), history.active
    else:
        total = 0.0
        for at in range(first, last, PIECE_STEPS):
            count = min(PIECE_STEPS, last - at)
            lengths = np.diff(h.edges(at, at + count, FINE_STEPS_PER_SECOND))
            total += float(
                (h.fine.read("fine_rms", history.channel, at, count).astype(np.float64) ** 2 * lengths).sum()
            )
        active = _active_between(history, start, end)
    speech = speech_level(total, end - start, active, loop.LOWEST_EXPONENT, ALL_THRESHOLDS)
    return None if speech is None else speech.level_dbfs


def _active_between(history: TrackHistory, start: int, end: int) -> I64:
    """Return the samples from `start` to `end` by exponent."""
    events = history.events
    active = np.zeros(loop.EXPONENTS, np.int64)
    level, since = loop.LOWEST_EXPONENT, 0
    for first in range(0, events.length + 1, PIECE_STEPS):
        count = min(PIECE_STEPS, events.length - first)
        at = events.read("at", 0, first, count)
        to = events.read("to", 0, first, count).astype(np.int64)
        until = np.append(at, np.iinfo(np.int64).max) if first + count == events.length else at
        levels = np.concatenate([[level], to])[: len(until)]
        spans = np.minimum(until, end) - np.maximum(np.concatenate([[since], at])[: len(until)], start)
        np.add.at(active, levels - loop.LOWEST_EXPONENT, np.maximum(spans, 0))
        if count:
            level, since = int(to[-1]), int(at[-1])
    return active
