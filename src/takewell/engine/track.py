"""How do a track's sums and histories become the numbers of the measurement contract?"""

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from takewell.engine.history import FINE_PER_STEP, PIECE_STEPS, Histories, TrackHistory
from takewell.engine.passage import ALL_THRESHOLDS, Floors, floor_powers, floors, passages
from takewell.engine.quality import WORD_LENGTHS, Worth, limits, quality
from takewell.engine.results import Clip, TrackMeasurement
from takewell.measure import loudness
from takewell.measure import step_loop as loop
from takewell.measure.clips import judged_clips
from takewell.measure.ranked import count_of, ranked
from takewell.measure.speech_level import HIGHEST_THRESHOLD, MARGIN_DB, speech_level
from takewell.units import FINE_STEPS_PER_SECOND, STEPS_PER_SECOND, decibels, finite_or_none, rms_dbfs

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

TONE_PART = 0.6
"""A floor whose 10 ms powers spread by less than this part of what white noise of the full band must is mostly tone."""

RESTLESS_DB, LOWEST_SHARE = 10.0, 0.01
"""Quiet steps this far above what the lowest hundredth of the 10 ms steps reach are no noise but speech that never pauses:
steady noise dips by some 3 dB from one 10 ms to the next, speech between two syllables by much more."""


class LoudnessFigures(NamedTuple):
    """Integrated loudness, range, largest momentary and short-term loudness; and the blocks counted and gated."""

    integrated_lufs: float | None
    loudness_range_lu: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None
    blocks: int
    blocks_passed: int


def loudness_figures(histories: Histories, column: int, loudest: F64) -> LoudnessFigures:
    """Return the loudness figures of a channel, or of the programme behind the channels.

    `loudest` holds the largest powers of a momentary and of a short-term window.
    """
    steps = histories.k_sums.length
    blocks = loudness.gated(histories.windows(column, 0, steps, loudness.BLOCK_STEPS))
    return LoudnessFigures(
        loudness.lufs(blocks.power),
        loudness.loudness_range(histories.windows(column, 0, steps, loudness.SHORT_TERM_STEPS)),
        loudness.lufs(float(loudest[0])),
        loudness.lufs(float(loudest[1])),
        blocks.blocks,
        blocks.passed,
    )


def track_measurement(
    history: TrackHistory, name: str | None, encoding: str, loudest: F64
) -> TrackMeasurement:
    """Return every number of a track; for `loudest` see `loudness_figures`."""
    totals = history.totals
    length, rate = history.histories.length_samples, history.histories.rate
    finite = length - int(totals[loop.NONFINITE])
    mean = float(totals[loop.TOTAL]) / finite if finite else None
    places = history.gain_moves()
    moved = bool(places)
    quiet = floors(history, 0, history.step_count)
    power = float(totals[loop.POWER])
    speech = None if moved else speech_level(power, length, history.active, loop.LOWEST_EXPONENT)
    level = None if speech is None else speech.level_dbfs
    floor_dbfs = None if moved else quiet.plain_dbfs
    heard = loudness_figures(history.histories, history.channel, loudest)
    track = TrackMeasurement(
        channel=history.channel + 1,
        name=name,
        sample_peak_dbfs=finite_or_none(float(decibels(history.peak))),
        true_peak_dbtp=finite_or_none(float(decibels(history.highest))),
        rms_dbfs=finite_or_none(float(rms_dbfs(power / finite))) if finite else None,
        dc_offset_fs=mean,
        integrated_lufs=heard.integrated_lufs,
        loudness_range_lu=heard.loudness_range_lu,
        momentary_max_lufs=heard.momentary_max_lufs,
        short_term_max_lufs=heard.short_term_max_lufs,
        speech_level_dbfs=level,
        speech_activity=None if speech is None else speech.activity,
        noise_floor_dbfs=floor_dbfs,
        noise_floor_dbfs_a=None if moved else quiet.a_weighted_dbfs,
        snr_db=None if level is None or floor_dbfs is None else level - floor_dbfs,
        samples_over_full_scale=0 if encoding in WORD_LENGTHS else int(totals[loop.OVER]),
        nonfinite_samples=int(totals[loop.NONFINITE]),
        passages=passages(history, places, quiet),
        clips=tuple(
            Clip(c.start_samples / rate, c.end_samples / rate, c.level_dbfs, c.shape)
            for c in judged_clips(history.clips)
        ),
    )
    worth = Worth(
        length_s=length / rate,
        encoding=encoding,
        blocks=heard.blocks,
        blocks_passed=heard.blocks_passed,
        quiet_s=quiet.plain.steps / STEPS_PER_SECOND if quiet.plain else 0.0,
        tonal_floor=_tonal(history, quiet),
        restless_floor=_restless(history, quiet),
        first_nonfinite_s=_first_nonfinite(history),
        at_rail=int(totals[loop.OVER]),
        moved=moved,
        clip_gap_s=history.clip_gap_s,
        speech_reason=_no_speech(history, length),
    )
    return replace(track, quality=quality(track, worth), limits=limits(track, worth))


def _first_nonfinite(history: TrackHistory) -> float | None:
    """Return when the first 100 ms step with a sample that is not finite begins, in seconds."""
    if not history.totals[loop.NONFINITE]:
        return None
    for first in range(0, history.step_count, PIECE_STEPS):
        count = min(PIECE_STEPS, history.step_count - first)
        at = np.flatnonzero(history.histories.steps.read("nonfinite", history.channel, first, count))
        if len(at):
            return float(first + at[0]) / STEPS_PER_SECOND
    return None


def _tonal(history: TrackHistory, floor: Floors) -> bool:
    """Return whether the quiet steps are steadier than noise can be: a tone makes up most of them."""
    if floor.plain is None:
        return False
    square, neighbours, total, count = 0.0, 0, 0.0, 0
    for trace in history.pieces(0, history.step_count):
        whole = len(trace.fine_rms) // FINE_PER_STEP
        power = floor_powers(trace, floor.offset)[0][:whole]
        quiet = np.flatnonzero((power > 0) & (power <= floor.plain.limit))
        fine = (
            trace.fine_rms[: whole * FINE_PER_STEP].reshape(whole, FINE_PER_STEP)[quiet].astype(np.float64)
            ** 2
        )
        fine += floor.offset**2 - 2 * floor.offset * trace.mean[quiet, None].astype(np.float64)
        # Neighbours are compared, so that a floor that wanders slowly does not count as noise.
        apart = np.diff(fine, axis=1)
        square, neighbours = square + float((apart**2).sum()), neighbours + apart.size
        total, count = total + float(fine.sum()), count + fine.size
    if not neighbours or total <= 0:
        return False
    spread = math.sqrt(square / neighbours / 2) / (total / count)
    return spread < TONE_PART * math.sqrt(2 * FINE_STEPS_PER_SECOND / history.histories.rate)


def _restless(history: TrackHistory, floor: Floors) -> bool:
    """Return whether what passes for the floor dips far below itself, K-weighted, as speech without a pause does."""
    if floor.plain is None:
        return False
    limit, offset = floor.plain.limit, floor.offset

    def quiet() -> Iterator[F64]:
        for trace in history.pieces(0, history.step_count):
            power = floor_powers(trace, offset)[0]
            yield trace.k_rms[(power > 0) & (power <= limit)].astype(np.float64)

    def fine() -> Iterator[F64]:
        for trace in history.pieces(0, history.step_count):
            yield trace.fine_k_rms[trace.fine_k_rms > 0].astype(np.float64)

    steps, fine_steps = count_of(quiet), count_of(fine)
    if not steps or not fine_steps:
        return False
    (usual,), (lowest,) = ranked(quiet, [steps // 2]), ranked(fine, [int(LOWEST_SHARE * fine_steps)])
    return usual > lowest * 10 ** (RESTLESS_DB / 20)


def _no_speech(history: TrackHistory, length: int) -> str:
    """Return why P.56 to the letter gives no level, where it gives none."""
    if length == 0:
        return "no samples"
    speech = speech_level(
        float(history.totals[loop.POWER]), length, history.active, loop.LOWEST_EXPONENT, ALL_THRESHOLDS
    )
    if speech is None:
        return "digital silence"
    highest = HIGHEST_THRESHOLD * 20 * np.log10(2) + MARGIN_DB
    side = "above what the highest" if speech.level_dbfs > highest else "below what the lowest"
    return (
        f"the level lies {side} threshold of ITU-T P.56 can tell; see passages, whose thresholds go further"
    )
