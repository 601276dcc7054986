"""How do a track's sums and histories become the numbers of the measurement contract?"""

from collections.abc import Callable
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from takewell.engine.quality import WORD_LENGTHS, Worth, quality
from takewell.engine.results import Clip, Passage, TrackMeasurement
from takewell.measure import loudness
from takewell.measure import step_loop as loop
from takewell.measure.clips import judged_clips
from takewell.measure.noise_floor import NoiseFloor, noise_floor
from takewell.measure.passages import gain_moves
from takewell.measure.speech_level import HIGHEST_THRESHOLD, MARGIN_DB, SpeechLevel, speech_level
from takewell.measure.trace import Trace
from takewell.units import FINE_STEPS_PER_SECOND, STEPS_PER_SECOND, decibels, finite_or_none, rms_dbfs

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

FINE_PER_STEP = FINE_STEPS_PER_SECOND // STEPS_PER_SECOND

ALL_THRESHOLDS = range(loop.LOWEST_EXPONENT, loop.LOWEST_EXPONENT + loop.EXPONENTS)
"""P.56's thresholds, gone on with by factors of two in both directions."""

AFTER_LOUDER_S = 0.5
"""After a louder passage the envelope of P.56 (two poles of 0.03 s, hangover 0.2 s) needs this long to be the new one's."""

TONE_PART = 0.6
"""A floor whose 10 ms powers spread by less than this part of what white noise of the full band must is mostly tone."""


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
    bounds = [0, *places, len(trace.fine_rms)]
    passages = tuple(_passage(history, a, b) for a, b in pairwise(bounds)) if length else ()
    passages = tuple(_after(passages, k, history, bounds) for k in range(len(passages)))
    power, power_a = _floor_power(trace, 0, len(trace.rms))
    floor, floor_a = (None, None) if moved else (noise_floor(power), noise_floor(power_a))
    speech = (
        None
        if moved
        else speech_level(float(totals[loop.POWER]), length, history.active, loop.LOWEST_EXPONENT)
    )
    level = None if speech is None else speech.level_dbfs
    floor_dbfs = _floor_dbfs(floor)
    heard = history.loudness
    track = TrackMeasurement(
        channel=channel,
        name=name,
        sample_peak_dbfs=finite_or_none(float(decibels(history.peak))),
        true_peak_dbtp=finite_or_none(float(decibels(history.highest))),
        rms_dbfs=finite_or_none(float(rms_dbfs(totals[loop.POWER] / finite))) if finite else None,
        dc_offset_fs=mean,
        integrated_lufs=heard.integrated_lufs,
        loudness_range_lu=heard.loudness_range_lu,
        momentary_max_lufs=heard.momentary_max_lufs,
        short_term_max_lufs=heard.short_term_max_lufs,
        speech_level_dbfs=level,
        speech_activity=None if speech is None else speech.activity,
        noise_floor_dbfs=floor_dbfs,
        noise_floor_dbfs_a=_floor_dbfs(floor_a),
        snr_db=None if level is None or floor_dbfs is None else level - floor_dbfs,
        samples_over_full_scale=0 if encoding in WORD_LENGTHS else int(totals[loop.OVER]),
        nonfinite_samples=int(totals[loop.NONFINITE]),
        passages=passages,
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
        quiet_s=floor.steps / STEPS_PER_SECOND if floor else 0.0,
        tonal_floor=_tonal(trace, power, floor),
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


def _floor_dbfs(floor: NoiseFloor | None) -> float | None:
    return None if floor is None else finite_or_none(float(rms_dbfs(floor.mean_square)))


def _offset(trace: Trace, first: int, last: int) -> float:
    """Return the offset of some 100 ms steps: the median of their means, which speech does not move."""
    return float(np.median(trace.mean[first:last])) if last > first else 0.0


def _floor_power(trace: Trace, first: int, last: int) -> tuple[F64, F64]:
    """Return the mean squares of 100 ms steps about the offset, and A-weighted; 0 where digital silence is in them."""
    rms, mean = (part[first:last].astype(np.float64) for part in (trace.rms, trace.mean))
    offset = _offset(trace, first, last)
    power = np.maximum(rms**2 - 2 * offset * mean + offset**2, 0.0)
    fine = trace.fine_rms[first * FINE_PER_STEP : last * FINE_PER_STEP]
    whole = len(fine) // FINE_PER_STEP
    heard = fine[: whole * FINE_PER_STEP].reshape(whole, FINE_PER_STEP).min(axis=1) > 0
    if whole < len(power):
        heard = np.append(heard, fine[whole * FINE_PER_STEP :].min(initial=np.inf) > 0)
    return power * heard, trace.a_rms[first:last].astype(np.float64) ** 2 * heard


def _tonal(trace: Trace, power: F64, floor: NoiseFloor | None) -> bool:
    """Return whether the quiet steps are steadier than noise can be: a tone makes up most of them."""
    if floor is None:
        return False
    whole = len(trace.fine_rms) // FINE_PER_STEP
    quiet = np.flatnonzero((power[:whole] > 0) & (power[:whole] <= floor.limit))
    if not len(quiet):
        return False
    fine = (
        trace.fine_rms[: whole * FINE_PER_STEP].reshape(whole, FINE_PER_STEP)[quiet].astype(np.float64) ** 2
    )
    offset = _offset(trace, 0, len(trace.mean))
    fine += offset**2 - 2 * offset * trace.mean[quiet, None].astype(np.float64)
    # Neighbours are compared, so that a floor that wanders slowly does not count as noise.
    spread = np.sqrt(np.mean(np.diff(fine, axis=1) ** 2) / 2) / fine.mean()
    return bool(spread < TONE_PART * np.sqrt(2 * FINE_STEPS_PER_SECOND / trace.rate))


def _passage(history: TrackHistory, first: int, last: int) -> Passage:
    """Return the figures of the fine steps `first` to `last`, its speech level as for a track of its own."""
    trace = history.trace
    start, end = -(-first // FINE_PER_STEP), last // FINE_PER_STEP
    whole = last == len(trace.fine_rms)
    steps = len(trace.rms) if whole else end
    lengths = np.diff(trace.edges)
    sums = history.k_sums[start : min(end if not whole else len(history.k_sums), len(history.k_sums))]
    blocks = loudness.window_powers(sums, lengths[start : start + len(sums)], loudness.BLOCK_STEPS)
    power, power_a = _floor_power(trace, start, steps)
    floor_dbfs = _floor_dbfs(noise_floor(power))
    level = _passage_speech(history, first, last)
    return Passage(
        start_s=float(trace.fine_edges[first] / trace.rate),
        end_s=float(trace.fine_edges[last] / trace.rate),
        integrated_lufs=loudness.levelled(blocks),
        speech_level_dbfs=level,
        noise_floor_dbfs=floor_dbfs,
        noise_floor_dbfs_a=_floor_dbfs(noise_floor(power_a)),
        snr_db=None if level is None or floor_dbfs is None else level - floor_dbfs,
    )


def _after(passages: tuple[Passage, ...], k: int, history: TrackHistory, bounds: list[int]) -> Passage:
    """Return passage k, measured without its beginning where that still holds the envelope of a louder one."""
    here = passages[k]
    before = passages[k - 1] if k else None
    if before is None or not (before.speech_level_dbfs or -np.inf) > (here.speech_level_dbfs or np.inf):
        return here
    first = bounds[k] + round(AFTER_LOUDER_S * FINE_STEPS_PER_SECOND)
    level = _passage_speech(history, first, bounds[k + 1]) if first < bounds[k + 1] else None
    floor = here.noise_floor_dbfs
    snr = None if level is None or floor is None else level - floor
    return Passage(**{**vars(here), "speech_level_dbfs": level, "snr_db": snr})


def _passage_speech(history: TrackHistory, first: int, last: int) -> float | None:
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


def _no_speech(history: TrackHistory, length: int) -> str:
    """Return why P.56 to the letter gives no level, where it gives none."""
    if length == 0:
        return "no samples"
    speech: SpeechLevel | None = speech_level(
        float(history.totals[loop.POWER]), length, history.active, loop.LOWEST_EXPONENT, ALL_THRESHOLDS
    )
    if speech is None:
        return "digital silence"
    highest = HIGHEST_THRESHOLD * 20 * np.log10(2) + MARGIN_DB
    side = "above what the highest" if speech.level_dbfs > highest else "below what the lowest"
    return (
        f"the level lies {side} threshold of ITU-T P.56 can tell; see passages, whose thresholds go further"
    )
