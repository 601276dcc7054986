"""How high are the peaks of a stretch, read no more often than needed?

The trace knows a bound for each 100 ms; samples are read only where the bound leaves the question open. The
reading is the limiter's own (`takewell.shape.highest_reading`), so what is allowed here is what it will do there.

Conventions: dBTP as recorded; steps are the trace's.
"""

import numpy as np
from numpy.typing import NDArray

from takewell.level.evidence import TrackEvidence
from takewell.level.ride import Gains
from takewell.level.speech import steps_within
from takewell.shape import highest_reading
from takewell.units import decibels

F64 = NDArray[np.float64]

_MARGIN = 16
"""Samples read to each side of a step, so that the wave at its edges is whole."""


class StepPeaks:
    """The true peaks of one track's steps: bounds at first, readings where somebody had to know."""

    def __init__(self, track: TrackEvidence) -> None:
        self._track = track
        self._peaks = decibels(track.trace.true_peak_bound)
        self._known = ~np.isfinite(self._peaks)

    def highest(self, start_s: float, end_s: float, gains: Gains | None = None) -> float:
        """Return the highest true peak between two moments in dBTP, after `gains`; ``-inf`` for silence."""
        trace = self._track.trace
        steps = steps_within(trace.edges, trace.rate, start_s, end_s)
        gain_db = np.zeros(max(steps.stop - steps.start, 0))
        highest = self._of_cut_steps(start_s, end_s, steps)
        if gains is not None:
            highest += float(gains(np.array([start_s, end_s])).max())
            at_edges = gains(trace.edges[steps.start : steps.stop + 1] / trace.rate)
            gain_db = np.maximum(at_edges[:-1], at_edges[1:])
        while len(gain_db):
            peaks = self._peaks[steps] + gain_db
            at = int(np.argmax(peaks))
            if self._known[steps.start + at] or peaks[at] <= highest:
                return max(float(peaks[at]), highest)
            self._read(steps.start + at)
        return highest

    def above(self, start_s: float, end_s: float, limit_dbtp: float) -> list[tuple[float, float, float]]:
        """Return (start_s, end_s, peak) of the steps between two moments whose true peak exceeds a limit."""
        trace = self._track.trace
        steps = steps_within(trace.edges, trace.rate, start_s, end_s)
        found = []
        for step in np.flatnonzero(self._peaks[steps] > limit_dbtp) + steps.start:
            if not self._known[step]:
                self._read(int(step))
            if self._peaks[step] > limit_dbtp:
                edges = trace.edges[step : step + 2] / trace.rate
                found.append((float(edges[0]), float(edges[1]), float(self._peaks[step])))
        return found

    def _of_cut_steps(self, start_s: float, end_s: float, steps: slice) -> float:
        """Return the highest true peak of what lies between the moments but in no whole step."""
        edges, rate = self._track.trace.edges, self._track.trace.rate
        start, stop = round(start_s * rate), round(end_s * rate)
        low, high = int(edges[steps.start]), int(edges[steps.stop])
        if low >= high:
            return self._reading(start, stop)
        return max(self._reading(start, low), self._reading(high, stop))

    def _read(self, step: int) -> None:
        edges = self._track.trace.edges
        self._peaks[step] = self._reading(int(edges[step]) - _MARGIN, int(edges[step + 1]) + _MARGIN)
        self._known[step] = True

    def _reading(self, start: int, stop: int) -> float:
        channels = self._track.samples(start, stop).T
        return float(decibels(max(highest_reading(np.ascontiguousarray(channel)) for channel in channels)))
