"""How high are the peaks of a stretch, read no more often than needed?

The trace knows a bound for each 100 ms; samples are read only where the bound leaves the question open. The
reading is the limiter's own (`takewell.shape.highest_reading`), so what is allowed here is what it will do there.

Conventions: dBTP as recorded; steps are the trace's.
"""

import numpy as np
from numpy.typing import NDArray

from takewell.level.evidence import TrackEvidence
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

    def highest(self, start_s: float, end_s: float) -> float:
        """Return the highest true peak between two moments in dBTP, ``-inf`` for silence."""
        steps = self._track.trace.steps(start_s, end_s)
        peaks, known = self._peaks[steps], self._known[steps]
        while len(peaks):
            at = int(np.argmax(peaks))
            if known[at]:
                return float(peaks[at])
            self._read(steps.start + at)
        return -np.inf

    def above(self, start_s: float, end_s: float, limit_dbtp: float) -> list[tuple[float, float, float]]:
        """Return (start_s, end_s, peak) of the steps between two moments whose true peak exceeds a limit."""
        trace = self._track.trace
        steps = trace.steps(start_s, end_s)
        found = []
        for step in np.flatnonzero(self._peaks[steps] > limit_dbtp) + steps.start:
            if not self._known[step]:
                self._read(int(step))
            if self._peaks[step] > limit_dbtp:
                edges = trace.edges[step : step + 2] / trace.rate
                found.append((float(edges[0]), float(edges[1]), float(self._peaks[step])))
        return found

    def _read(self, step: int) -> None:
        edges = self._track.trace.edges
        samples = self._track.samples(int(edges[step]) - _MARGIN, int(edges[step + 1]) + _MARGIN)
        self._peaks[step] = float(decibels(highest_reading(samples)))
        self._known[step] = True
