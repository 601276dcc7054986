"""Which tracks must move together, and what do they measure as one?

The two sides of a stereo mix, and tracks that a decoder will add (mid and side, a stereo pair), keep their balance
only under one gain. They are judged by the sum of their powers, as BS.1770-5 adds the channels of a programme, and
by the highest of their peaks; each gets the same moves.

Which those are, `roll.linked` says.

Conventions: as in `evidence`.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from takewell.level.evidence import TrackEvidence
from takewell.level.speech import Setting
from takewell.measure.trace import Trace

F32 = NDArray[np.float32]


def together(tracks: Sequence[TrackEvidence]) -> TrackEvidence:
    """Return linked tracks as one."""
    first = tracks[0]
    if len(tracks) == 1:
        return first
    return replace(
        first,
        members=tuple(number for track in tracks for number in track.members),
        name=" + ".join(track.name for track in tracks),
        trace=_sum([track.trace for track in tracks]),
        settings=tuple(
            Setting(s.start_s, s.end_s, _highest_floor(tracks, (s.start_s + s.end_s) / 2))
            for s in first.settings
        ),
    )


def _highest_floor(tracks: Sequence[TrackEvidence], at_s: float) -> float | None:
    floors = [
        s.floor_dbfs_a
        for track in tracks
        for s in track.settings
        if s.start_s <= at_s < s.end_s and s.floor_dbfs_a is not None
    ]
    return max(floors, default=None)


def _sum(traces: Sequence[Trace]) -> Trace:
    """Return one trace: powers added, peaks the highest."""

    def added(name: str) -> F32:
        power = sum(getattr(trace, name).astype(np.float64) ** 2 for trace in traces)
        return np.asarray(np.sqrt(power), dtype=np.float32)

    def highest(name: str) -> F32:
        return np.asarray(np.maximum.reduce([getattr(trace, name) for trace in traces]))

    return replace(
        traces[0],
        peak=highest("peak"),
        true_peak_bound=highest("true_peak_bound"),
        rms=added("rms"),
        k_rms=added("k_rms"),
        a_rms=added("a_rms"),
        fine_rms=added("fine_rms"),
        fine_k_rms=added("fine_k_rms"),
        fine_bend=highest("fine_bend"),
    )
