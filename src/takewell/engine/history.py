"""What did the pass leave of one channel, and how is it read without holding hours of it in memory?

Histories may lie in a temporary file (:mod:`takewell.engine.columns`). What is drawn up from them goes through
pieces of two hours, so memory does not grow with the recording.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from takewell.engine.columns import Columns
from takewell.measure import loudness
from takewell.measure.passages import gain_moves
from takewell.measure.ranked import IN_MEMORY, Pieces
from takewell.measure.trace import Trace
from takewell.units import FINE_STEPS_PER_SECOND, STEPS_PER_SECOND

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

FINE_PER_STEP = FINE_STEPS_PER_SECOND // STEPS_PER_SECOND

PIECE_STEPS = 2 * 3600 * STEPS_PER_SECOND
OVERLAP_STEPS = 90 * STEPS_PER_SECOND
"""What a piece needs to see of its neighbours to find moves of the gain as the whole would show them."""

STEP_COLUMNS = {
    "peak": np.float32, "true_peak_bound": np.float32, "mean": np.float32, "rms": np.float32, "k_rms": np.float32,
    "a_rms": np.float32, "nonfinite": np.int32, "over": np.int32, "zeros": np.int32, "flat_run": np.int32,
}  # fmt: skip
FINE_COLUMNS = {"fine_rms": np.float32, "fine_k_rms": np.float32, "fine_bend": np.float32}


class Histories(NamedTuple):
    """The columns of all channels; in `k_sums` ("k") the programme stands behind the channels."""

    rate: int
    length_samples: int
    steps: Columns
    fine: Columns
    k_sums: Columns

    def edge(self, step: int, per_second: int) -> int:
        """Return where a step begins."""
        return min((2 * step * self.rate + per_second) // (2 * per_second), self.length_samples)

    def edges(self, first: int, last: int, per_second: int) -> I64:
        """Return the edges of the steps `first` to `last`, ends included."""
        k = np.arange(first, last + 1, dtype=np.int64)
        return np.minimum((2 * k * self.rate + per_second) // (2 * per_second), self.length_samples)

    def windows(self, column: int, first: int, last: int, steps: int) -> Pieces:
        """Return the powers of windows of `steps` whole 100 ms steps inside the steps `first` to `last`."""
        # A last step that the signal's end cuts short is in no window.
        if last and (2 * last * self.rate + STEPS_PER_SECOND) // (2 * STEPS_PER_SECOND) > self.length_samples:
            last -= 1

        def pieces() -> Iterator[F64]:
            for start in range(first, last - steps + 1, PIECE_STEPS):
                end = min(start + PIECE_STEPS + steps - 1, last)
                sums = self.k_sums.read("k", column, start, end - start)
                yield loudness.window_powers(sums, np.diff(self.edges(start, end, STEPS_PER_SECOND)), steps)

        if last - first <= IN_MEMORY:
            held = list(pieces())
            return lambda: held
        return pieces


@dataclass(frozen=True)
class TrackHistory:
    """One channel's histories, sums and maxima."""

    histories: Histories
    channel: int
    """From 0."""
    totals: F64
    """Sum over all steps of each column of `step_loop`."""
    peak: float
    highest: float
    """The wave's maximum."""
    active: I64
    """Samples by the exponent of the P.56 threshold reached; see `speech_level`."""
    events: Columns
    """Positions ("at") from which on that exponent is another ("to")."""
    clips: F64
    clip_gap_s: float

    @property
    def step_count(self) -> int:
        """Number of 100 ms steps."""
        return self.histories.steps.length

    @property
    def fine_count(self) -> int:
        """Number of 10 ms steps."""
        return self.histories.fine.length

    def piece(self, first: int, last: int) -> Trace:
        """Return the trace of the 100 ms steps `first` to `last`."""
        h = self.histories
        fine_first, fine_last = first * FINE_PER_STEP, min(last * FINE_PER_STEP, self.fine_count)
        start = h.edge(first, STEPS_PER_SECOND)
        return Trace(
            rate=h.rate,
            edges=h.edges(first, last, STEPS_PER_SECOND) - start,
            fine_edges=h.edges(fine_first, fine_last, FINE_STEPS_PER_SECOND) - start,
            **{name: h.steps.read(name, self.channel, first, last - first) for name in STEP_COLUMNS},
            **{
                name: h.fine.read(name, self.channel, fine_first, fine_last - fine_first)
                for name in FINE_COLUMNS
            },
        )

    def pieces(self, first: int, last: int) -> Iterator[Trace]:
        """Yield the trace of the 100 ms steps `first` to `last`, piece by piece."""
        for start in range(first, last, PIECE_STEPS):
            yield self.piece(start, min(start + PIECE_STEPS, last))

    def gain_moves(self) -> list[int]:
        """Return the 10 ms steps at which another gain setting begins."""
        found = []
        for start in range(0, self.step_count, PIECE_STEPS):
            end = min(start + PIECE_STEPS, self.step_count)
            first, last = max(start - OVERLAP_STEPS, 0), min(end + OVERLAP_STEPS, self.step_count)
            trace = self.piece(first, last)
            for place in gain_moves(trace, trace.fine_bend):
                fine = first * FINE_PER_STEP + place
                if start * FINE_PER_STEP <= fine < end * FINE_PER_STEP:
                    found.append(fine)
        return found
