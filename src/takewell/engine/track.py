"""How do a track's sums and histories become the numbers of the measurement contract?"""

import numpy as np
from numpy.typing import NDArray

from takewell.engine.passage import (
    ALL_THRESHOLDS,
    FINE_PER_STEP,
    Floors,
    LoudnessFigures,
    TrackHistory,
    floors,
    offset,
    passages,
)
from takewell.engine.quality import WORD_LENGTHS, Worth, quality
from takewell.engine.results import Clip, TrackMeasurement
from takewell.measure import loudness
from takewell.measure import step_loop as loop
from takewell.measure.clips import judged_clips
from takewell.measure.passages import gain_moves
from takewell.measure.speech_level import HIGHEST_THRESHOLD, MARGIN_DB, speech_level
from takewell.measure.trace import Trace
from takewell.units import FINE_STEPS_PER_SECOND, STEPS_PER_SECOND, decibels, finite_or_none, rms_dbfs

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

TONE_PART = 0.6
"""A floor whose 10 ms powers spread by less than this part of what white noise of the full band must is mostly tone."""


def loudness_figures(k_sums: F64, lengths: I64, loudest: F64) -> LoudnessFigures:
    """Return the loudness figures from the sums of whole 100 ms steps and the largest window powers."""
    lengths = lengths[: len(k_sums)]
    blocks = loudness.window_powers(k_sums, lengths, loudness.BLOCK_STEPS)
    passed = loudness.gated(blocks)
    return LoudnessFigures(
        loudness.lufs(float(passed.mean())) if len(passed) else None,
        loudness.loudness_range(loudness.window_powers(k_sums, lengths, loudness.SHORT_TERM_STEPS)),
        loudness.lufs(float(loudest[0])),
        loudness.lufs(float(loudest[1])),
        len(blocks),
        len(passed),
    )


def track_measurement(
    channel: int, name: str | None, encoding: str, history: TrackHistory
) -> TrackMeasurement:
    """Return every number of a track; `channel` counts from 1."""
    trace, totals = history.trace, history.totals
    length, rate = trace.length_samples, trace.rate
    finite = length - int(totals[loop.NONFINITE])
    mean = float(totals[loop.TOTAL]) / finite if finite else None
    places = gain_moves(trace, history.bend)
    moved = bool(places)
    quiet = floors(trace, 0, len(trace.rms))
    power = float(totals[loop.POWER])
    speech = None if moved else speech_level(power, length, history.active, loop.LOWEST_EXPONENT)
    level = None if speech is None else speech.level_dbfs
    floor_dbfs = None if moved else quiet.plain_dbfs
    heard = history.loudness
    track = TrackMeasurement(
        channel=channel,
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
        tonal_floor=_tonal(trace, quiet),
        first_nonfinite_s=_first(trace.nonfinite),
        at_rail=int(totals[loop.OVER]),
        moved=moved,
        clip_gap_s=history.clip_gap_s,
        speech_reason=_no_speech(history, length),
    )
    return _with_quality(track, worth)


def _with_quality(track: TrackMeasurement, worth: Worth) -> TrackMeasurement:
    return TrackMeasurement(**{**vars(track), "quality": quality(track, worth)})


def _first(counts: NDArray[np.int32]) -> float | None:
    """Return when the first 100 ms step with a count begins, in seconds."""
    at = np.flatnonzero(counts)
    return float(at[0]) / STEPS_PER_SECOND if len(at) else None


def _tonal(trace: Trace, floor: Floors) -> bool:
    """Return whether the quiet steps are steadier than noise can be: a tone makes up most of them."""
    if floor.plain is None:
        return False
    whole = len(trace.fine_rms) // FINE_PER_STEP
    power = floor.power[:whole]
    quiet = np.flatnonzero((power > 0) & (power <= floor.plain.limit))
    if not len(quiet):
        return False
    fine = (
        trace.fine_rms[: whole * FINE_PER_STEP].reshape(whole, FINE_PER_STEP)[quiet].astype(np.float64) ** 2
    )
    at = offset(trace, 0, len(trace.mean))
    fine += at**2 - 2 * at * trace.mean[quiet, None].astype(np.float64)
    # Neighbours are compared, so that a floor that wanders slowly does not count as noise.
    spread = np.sqrt(np.mean(np.diff(fine, axis=1) ** 2) / 2) / fine.mean()
    return bool(spread < TONE_PART * np.sqrt(2 * FINE_STEPS_PER_SECOND / trace.rate))


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
