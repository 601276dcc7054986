"""When does somebody speak into this microphone?

From the 10 ms K-weighted levels of the traces, so no sample is read. A fine step is *active* where its level
(RMS over 50 ms around it) stands

- at least `ABOVE_FLOOR_DB` over the floor of its gain setting (a tenth of the 100 ms steps lie below the floor),
- at most `BELOW_LOUDEST_DB` under the loudest 100 ms within 2 s around it (the tail of a word, a breath and the
  room do not count; ITU-T P.56 uses a margin of 15.9 dB under the speech level, which lies some 8 dB under
  the loudest tenth of a second), and
- no more than `SPILL_DB` further under this track's own speech than another ISO of the take stands under its
  speech: what is that much clearer elsewhere is spill from elsewhere.

An *utterance* is a run of active steps whose gaps are shorter than `PAUSE_S`; closures inside words stay well
below that (they last up to some 0.15 s; common practice, no source), so a pause never lies inside a word.

Conventions: levels in decibels relative to 1.0 RMS, K-weighted; times in seconds from the start of the take.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from takewell.measure.loudness import window_powers
from takewell.measure.trace import Trace
from takewell.units import power_decibels

F64 = NDArray[np.float64]
Bools = NDArray[np.bool_]

ABOVE_FLOOR_DB = 8.0
BELOW_LOUDEST_DB = 24.0
SPILL_DB = 10.0
PAUSE_S = 0.25
SHORTEST_S = 0.12
"""Runs of activity shorter than this are clicks, not speech."""

LOUD_S = 2.0
"""Loud speech is what this much of it exceeds: long enough to be no slam, short enough for a few words."""

_SMOOTH_STEPS = 5
_LOUD_STEPS = 10
_NEAR_STEPS = 401
FINE_S = 0.01
RINGS_S = 0.1
"""After this the high-pass of K-weighting (38 Hz, Q 0.5) has forgotten a step of 100 dB."""


@dataclass(frozen=True)
class Setting:
    """A stretch of a track recorded at one setting of the gain, with its A-weighted floor as recorded."""

    start_s: float
    end_s: float
    floor_dbfs_a: float | None

    @property
    def clear(self) -> tuple[float, float]:
        """The part whose levels say nothing of the neighbouring settings: K-weighting rings on after a step down."""
        return self.start_s + (RINGS_S if self.start_s else 0.0), self.end_s


@dataclass(frozen=True)
class Utterance:
    """Speech from one pause to the next."""

    start_s: float
    end_s: float
    active_s: float
    level_db: float
    """K-weighted level of its active steps, as power mean."""


def speech_levels(trace: Trace, settings: Sequence[Setting]) -> tuple[F64, Bools, F64]:
    """Return for each fine step the level, whether it is active by itself, and how far it stands above its track's speech.

    Returns
    -------
    levels : (m,) float64 array
    active : (m,) bool array
    standing : (m,) float64 array
        Level minus the level of loud speech in that gain setting (what `LOUD_S` of it, or a twentieth, exceed);
        ``-inf`` where the setting holds no speech.
    """
    power = trace.fine_k_rms.astype(np.float64) ** 2
    levels = np.full(len(power), -np.inf)
    active = np.zeros(len(power), np.bool_)
    standing = np.full(len(power), -np.inf)
    for setting in settings:
        inside = steps_within(trace.fine_edges, trace.rate, *setting.clear)
        floor = _floor_db(trace, setting)
        if inside.stop <= inside.start or not np.isfinite(floor):
            continue
        part = power_decibels(_mean_around(power[inside], _SMOOTH_STEPS))
        levels[inside] = part
        loudest = maximum_filter1d(
            power_decibels(_mean_around(power[inside], _LOUD_STEPS)), _NEAR_STEPS, mode="nearest"
        )
        on = (part >= floor + ABOVE_FLOOR_DB) & (part >= loudest - BELOW_LOUDEST_DB)
        if on.any():
            active[inside] = on
            standing[inside] = part - _loud_speech(part[on])
    return levels, active, standing


def steps_within(edges: NDArray[np.int64], rate: int, start_s: float, end_s: float) -> slice:
    """Return the steps that lie wholly between two moments (to the nearest sample)."""
    first = int(np.searchsorted(edges, round(start_s * rate)))
    last = int(np.searchsorted(edges, round(end_s * rate), side="right")) - 1
    return slice(first, max(last, first))


def without_spill(active: Bools, standing: F64, others: Sequence[F64]) -> Bools:
    """Return the active steps that are not spill from another track, whose standings are `others`."""
    own = active.copy()
    for other in others:
        n = min(len(own), len(other))
        own[:n] &= ~(other[:n] > standing[:n] + SPILL_DB)
    return own


def utterances(trace: Trace, levels: F64, own: Bools, start_s: float, end_s: float) -> list[Utterance]:
    """Return the utterances between two moments, in order."""
    inside = steps_within(trace.fine_edges, trace.rate, start_s, end_s)
    steps = np.flatnonzero(own[inside]) + inside.start
    if not len(steps):
        return []
    pause = round(PAUSE_S / FINE_S)
    cuts = np.flatnonzero(np.diff(steps) > pause) + 1
    found = []
    for run in np.split(steps, cuts):
        active_s = float((trace.fine_edges[run + 1] - trace.fine_edges[run]).sum() / trace.rate)
        if active_s < SHORTEST_S:
            continue
        mean = float(np.mean(10 ** (levels[run] / 10)))
        found.append(
            Utterance(
                start_s=float(trace.fine_edges[run[0]] / trace.rate),
                end_s=float(trace.fine_edges[run[-1] + 1] / trace.rate),
                active_s=active_s,
                level_db=float(power_decibels(mean)),
            )
        )
    return found


def _mean_around(power: F64, steps: int) -> F64:
    """Return the mean over `steps` steps around each, the ends repeated; only sums of what is positive."""
    padded = np.pad(power, (steps // 2, (steps - 1) // 2), mode="edge")
    return window_powers(padded, np.ones(len(padded), np.int64), steps)


def _loud_speech(active_levels: F64) -> float:
    rank = max(min(round(LOUD_S / FINE_S), len(active_levels) // 20), 1)
    return float(np.partition(active_levels, -rank)[-rank])


def _floor_db(trace: Trace, setting: Setting) -> float:
    """Return the K-weighted level below which a tenth of the setting's steps lie; digital silence aside."""
    steps = trace.k_rms[steps_within(trace.edges, trace.rate, *setting.clear)].astype(np.float64)
    steps = steps[steps > 0]
    return float(power_decibels(np.percentile(steps, 10) ** 2)) if len(steps) else -np.inf
