"""Which levels of a track are drawn, as recorded and after its moves?

Conventions: one value a 100 ms step, in dBFS (RMS: AES17), ``-inf`` for silence.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from takewell.draw import Columns, columns
from takewell.measure.trace import Trace
from takewell.roll.values import Move
from takewell.shape import GainEnvelope
from takewell.units import decibels, rms_dbfs

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]

ROOM_FOR_FINE = 3
"""Pixels a 100 ms step must have before its 10 ms steps are drawn."""


@dataclass(frozen=True)
class Levels:
    """Floor, level and peak of each step of a track."""

    rate: int
    length_samples: int
    middles: NDArray[np.int64]
    """Sample in the middle of each step."""
    floor_dbfs: F32
    level_dbfs: F32
    peak_dbfs: F32
    trace: Trace
    """What was measured; its 10 ms steps are drawn where a stretch is short enough."""
    envelope: GainEnvelope | None = None
    """The moves that `floor_dbfs`, `level_dbfs` and `peak_dbfs` hold already."""

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.length_samples / self.rate

    def columns(self, count: int, start_s: float = 0.0, end_s: float | None = None) -> Columns:
        """Return at most `count` columns to draw, of a stretch of the track where one is given.

        A stretch of so few 100 ms steps that there is room for more shows the level in steps of 10 ms.
        """
        if end_s is None:
            floor, level, peak = (
                row.astype(np.float64) for row in (self.floor_dbfs, self.level_dbfs, self.peak_dbfs)
            )
            return columns(self.duration_s, floor, level, peak, count)
        first = max(int(np.searchsorted(self.middles, start_s * self.rate)) - 1, 0)
        last = min(int(np.searchsorted(self.middles, end_s * self.rate)) + 1, len(self.middles))
        edges, fine = self.trace.edges, self.trace.fine_edges
        if last - first < count // ROOM_FOR_FINE:
            begin, stop = (int(k) for k in np.searchsorted(fine, [edges[first], edges[last]]))
            middles = (fine[begin:stop] + fine[begin + 1 : stop + 1]) // 2
            of_step = np.clip(np.searchsorted(edges, middles, "right") - 1, 0, len(self.middles) - 1)
            level = rms_dbfs(self.trace.fine_rms[begin:stop].astype(np.float64) ** 2)
            if self.envelope is not None:
                level = level + decibels(self.envelope.factors_at(middles))
            floor, peak = (row[of_step].astype(np.float64) for row in (self.floor_dbfs, self.peak_dbfs))
        else:
            floor, level, peak = (
                row[first:last].astype(np.float64)
                for row in (self.floor_dbfs, self.level_dbfs, self.peak_dbfs)
            )
        drawn = columns((int(edges[last]) - int(edges[first])) / self.rate, floor, level, peak, count)
        return replace(
            drawn,
            start_s=start_s,
            duration_s=end_s - start_s,
            time_s=drawn.time_s + int(edges[first]) / self.rate,
        )


def levels(trace: Trace, moved_at_s: Sequence[float] = ()) -> Levels:
    """Return a track's levels as recorded.

    Parameters
    ----------
    trace : Trace
    moved_at_s : sequence of float
        Seconds at which the gain setting moved; the floor is not smeared across them.
    """
    from takewell.measure.running_floor import running_floor

    floor = running_floor(trace, moved_at_s)
    return Levels(
        rate=trace.rate,
        length_samples=trace.length_samples,
        middles=(trace.edges[:-1] + trace.edges[1:]) // 2,
        floor_dbfs=rms_dbfs(floor**2).astype(np.float32),
        level_dbfs=rms_dbfs(trace.rms.astype(np.float64) ** 2).astype(np.float32),
        peak_dbfs=decibels(trace.peak).astype(np.float32),
        trace=trace,
    )


def levels_after(before: Levels, moves: Sequence[Move]) -> Levels:
    """Return what the levels will be after one track's moves, before the limiter.

    Raises
    ------
    SettingError
        If the moves overlap.
    """
    if not moves or not len(before.middles):
        return before
    envelope = GainEnvelope.from_moves(moves, before.rate, before.length_samples)
    gain = decibels(envelope.factors_at(before.middles)).astype(np.float32)
    return Levels(
        rate=before.rate,
        length_samples=before.length_samples,
        middles=before.middles,
        floor_dbfs=before.floor_dbfs + gain,
        level_dbfs=before.level_dbfs + gain,
        peak_dbfs=before.peak_dbfs + gain,
        trace=before.trace,
        envelope=envelope,
    )
