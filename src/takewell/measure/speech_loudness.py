"""How loud are the passages in which someone speaks, on the scale of BS.1770?

Gating, in this order: (1) speech activity: ITU-T P.56's method on 10 ms steps: the envelope, two cascaded one-poles of
30 ms on the steps' RMS, held for 0.2 s, counts as active above the threshold that lies 15.9 dB under the level over
the active time; (2) BS.1770-5 blocks of 400 ms, 100 ms apart, of which at least half is active; (3) the
two gates of BS.1770-5, as they are after a steady gain that brings the speech to -23 LUFS, so a track recorded low loses nothing.

(1) tells sound from pause, not speech from other sounds of its level: on a dialogue track that is speech. Reads
the trace only.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d
from scipy.signal import lfilter

from takewell.measure.loudness import BLOCK_STEPS, MOMENTARY_FINE_STEPS, levelled, window_powers
from takewell.measure.speech_level import MARGIN_DB
from takewell.measure.trace import Trace
from takewell.units import FINE_STEPS_PER_SECOND, STEPS_PER_SECOND

ENVELOPE_S = 0.03
HANGOVER_S = 0.2
"""ITU-T P.56."""

HALF = 0.5
GRID_DB = 0.1
"""Distance of the thresholds that are tried; the level over the active time hardly changes within it."""


@dataclass(frozen=True)
class SpeechLoudness:
    """Loudness of the speech passages, and the share of the 400 ms blocks that were taken for speech."""

    loudness_lufs: float
    share: float


def speech_loudness(trace: Trace) -> SpeechLoudness | None:
    """Return the loudness of a track's speech passages.

    Parameters
    ----------
    trace : Trace
        The track's levels.

    Returns
    -------
    SpeechLoudness or None
        None for silence, or less than 400 ms.

    Notes
    -----
    The track alone, as mono.
    """
    active = active_steps(trace.fine_rms.astype(np.float64))
    lengths = np.diff(trace.edges)
    power = window_powers(trace.k_rms.astype(np.float64) ** 2 * lengths, lengths, BLOCK_STEPS)
    fine_per_step = FINE_STEPS_PER_SECOND // STEPS_PER_SECOND
    counts = np.convolve(active, np.ones(MOMENTARY_FINE_STEPS), "valid")[::fine_per_step]
    blocks = min(len(power), len(counts))
    speech = counts[:blocks] >= HALF * MOMENTARY_FINE_STEPS
    loudness = levelled(power[:blocks][speech])
    return None if loudness is None else SpeechLoudness(loudness, float(speech.mean()))


def active_steps(fine_rms: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return which 10 ms steps count as speech; none in silence.

    Parameters
    ----------
    fine_rms : (m,) float64 array
        RMS of each step, linear.

    Notes
    -----
    ITU-T P.56, method B, on steps: with A(c) the level over the steps active at the threshold c, the threshold is the
    lowest one that A(c) does not exceed by more than 15.9 dB.
    """
    if not fine_rms.any():
        return np.zeros(len(fine_rms), bool)
    keep = np.exp(-1 / (ENVELOPE_S * FINE_STEPS_PER_SECOND))
    envelope = lfilter([1 - keep], [1, -keep], lfilter([1 - keep], [1, -keep], fine_rms))
    held_for = round(HANGOVER_S * FINE_STEPS_PER_SECOND) + 1
    held = maximum_filter1d(envelope, held_for, origin=held_for // 2, mode="constant")
    ranked = np.sort(held)
    total = float(np.sum(fine_rms**2))
    lowest_db = 10 * np.log10(total / len(ranked)) - MARGIN_DB
    highest_db = 20 * np.log10(ranked[-1])
    threshold_db = np.arange(lowest_db, highest_db, GRID_DB)
    count = len(ranked) - np.searchsorted(ranked, 10 ** (threshold_db / 20))
    under = np.flatnonzero(10 * np.log10(total / count) - threshold_db <= MARGIN_DB)
    if not len(under):
        return np.zeros(len(fine_rms), bool)
    return np.asarray(held >= 10 ** (threshold_db[under[0]] / 20))
