"""When does somebody speak into this microphone?

From the 10 ms K-weighted levels of the traces, so no sample is read. A fine step is *active* where its level
(mean power of 50 ms around it) stands

- at least `ABOVE_FLOOR_DB` over the floor of its gain setting (a tenth of the 100 ms steps lie below the floor),
- at most `BELOW_LOUDEST_DB` under the loudest 100 ms so far, which fades by `FADES_DB_PER_S` (the tail of a word in a
  room does not count, a softer voice that follows does; ITU-T P.56 uses a margin of 15.9 dB under the speech level,
  which lies some 8 dB under the loudest tenth of a second).

Which of that is spill from elsewhere, `spill` says.

An *utterance* is a run of active steps whose gaps are shorter than `PAUSE_S`; closures inside words stay well
below that (they last up to some 0.15 s; common practice, no source), so a pause never lies inside a word.

Conventions: levels in decibels over the floor, K-weighted; times in seconds from the start of the take.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from takewell.measure.loudness import window_powers
from takewell.measure.trace import Trace
from takewell.units import power_decibels

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
Bools = NDArray[np.bool_]

ABOVE_FLOOR_DB = 8.0
BELOW_LOUDEST_DB = 24.0
FADES_DB_PER_S = 40.0
PAUSE_S = 0.25
SHORTEST_S = 0.12
"""Runs of activity shorter than this are clicks, not speech."""

_SMOOTH_STEPS = 5
_LOUD_STEPS = 10
_SLOW_STEPS = 4
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
    """K-weighted level of its active steps, as power mean, over the floor of the gain setting."""


@dataclass(frozen=True)
class Heard:
    """What speaks into one microphone.

    `over_floor` is the K-weighted level of each fine step over the floor of its gain setting, comparable across
    settings (``-inf`` where nothing is there), and `slowly` the same of the 400 ms around each 100 ms step; `active`
    tells for each fine step whether anybody speaks, `own` whether it is somebody who belongs here. Days long are
    kept in single precision: it serves every decision.
    """

    trace: Trace
    over_floor: F32
    slowly: F32
    active: Bools
    own: Bools

    def quiet(
        self, low_s: float, high_s: float, which: Literal["longest", "first", "last"]
    ) -> tuple[float, float]:
        """Return a run of steps between two moments in which nobody speaks, not even from afar.

        Of several at least half as long as a pause, the one asked for; the whole stretch where there is none.
        """
        edges, rate = self.trace.fine_edges, self.trace.rate
        inside = steps_within(edges, rate, low_s, high_s)
        still = np.concatenate([[False], ~self.active[inside], [False]]).astype(np.int8)
        runs = np.flatnonzero(np.diff(still)).reshape(-1, 2) + inside.start
        runs = runs[(runs[:, 1] - runs[:, 0]) * FINE_S >= PAUSE_S / 2]
        if not len(runs):
            return low_s, high_s
        chosen = {"first": 0, "last": -1, "longest": int(np.argmax(runs[:, 1] - runs[:, 0]))}[which]
        start, stop = edges[runs[chosen]] / rate
        return max(float(start), low_s), min(float(stop), high_s)

    def without(self, stretches: Iterable[tuple[float, float]]) -> "Heard":
        """Return the same with no own speech in some stretches (start, end)."""
        own = self.own.copy()
        for low_s, high_s in stretches:
            start, stop = np.searchsorted(self.trace.fine_edges, np.array([low_s, high_s]) * self.trace.rate)
            own[max(int(start) - 1, 0) : int(stop)] = False
        return replace(self, own=own)


def listen(trace: Trace, settings: Sequence[Setting]) -> Heard:
    """Return what speaks into a microphone recorded at those gain settings; all of it taken for its own."""
    count = len(trace.fine_k_rms)
    active = np.zeros(count, np.bool_)
    over_floor = np.full(count, -np.inf, np.float32)
    slowly = np.full(len(trace.k_rms), -np.inf, np.float32)
    for setting in settings:
        inside = steps_within(trace.fine_edges, trace.rate, *setting.clear)
        floor = floor_db(trace, setting)
        if inside.stop <= inside.start or not np.isfinite(floor):
            continue
        power = trace.fine_k_rms[inside].astype(np.float64) ** 2
        part = power_decibels(mean_around(power, _SMOOTH_STEPS))
        over_floor[inside] = part - floor
        steps = steps_within(trace.edges, trace.rate, *setting.clear)
        slow = trace.k_rms[steps].astype(np.float64) ** 2
        slowly[steps] = power_decibels(mean_around(slow, _SLOW_STEPS)) - floor
        loudest = power_decibels(mean_around(power, _LOUD_STEPS))
        faded = FADES_DB_PER_S * FINE_S * np.arange(len(part))
        loudest = np.maximum.accumulate(loudest + faded) - faded
        active[inside] = (part >= floor + ABOVE_FLOOR_DB) & (part >= loudest - BELOW_LOUDEST_DB)
    return Heard(trace, over_floor, slowly, active, active)


def steps_within(edges: NDArray[np.int64], rate: int, start_s: float, end_s: float) -> slice:
    """Return the steps that lie wholly between two moments (to the nearest sample)."""
    first = int(np.searchsorted(edges, round(start_s * rate)))
    last = int(np.searchsorted(edges, round(end_s * rate), side="right")) - 1
    return slice(first, max(last, first))


def utterances(heard: Heard, start_s: float, end_s: float) -> list[Utterance]:
    """Return the utterances of own speech between two moments, in order."""
    trace = heard.trace
    inside = steps_within(trace.fine_edges, trace.rate, start_s, end_s)
    steps = np.flatnonzero(heard.own[inside]) + inside.start
    if not len(steps):
        return []
    pause = round(PAUSE_S / FINE_S)
    cuts = np.flatnonzero(np.diff(steps) > pause) + 1
    found = []
    for run in np.split(steps, cuts):
        active_s = float((trace.fine_edges[run + 1] - trace.fine_edges[run]).sum() / trace.rate)
        if active_s < SHORTEST_S:
            continue
        mean = float(np.mean(10 ** (heard.over_floor[run].astype(np.float64) / 10)))
        found.append(
            Utterance(
                start_s=float(trace.fine_edges[run[0]] / trace.rate),
                end_s=float(trace.fine_edges[run[-1] + 1] / trace.rate),
                active_s=active_s,
                level_db=float(power_decibels(mean)),
            )
        )
    return found


def mean_around(power: F64, steps: int) -> F64:
    """Return the mean over `steps` steps around each, the ends repeated; only sums of what is positive."""
    if not len(power):
        return power
    padded = np.pad(power, (steps // 2, (steps - 1) // 2), mode="edge")
    return window_powers(padded, np.ones(len(padded), np.int64), steps)


def floor_db(trace: Trace, setting: Setting) -> float:
    """Return the K-weighted level below which a tenth of the setting's steps lie; digital silence aside."""
    steps = trace.k_rms[steps_within(trace.edges, trace.rate, *setting.clear)].astype(np.float64)
    steps = steps[steps > 0]
    return float(power_decibels(np.percentile(steps, 10) ** 2)) if len(steps) else -np.inf
