"""How do samples that come in blocks of any size reach loops that take whole 100 ms steps?

What a stepper hands to its sink does not depend on how the blocks were cut. It can begin in the middle of a
signal: fed from `WARM_STEPS` earlier on and told to `begin` where it shall count from, it gives what a
stepper that saw everything gives there (the slowest filter, two poles at 20.6 Hz, has then forgotten its start by
over 4000 dB, the envelope of P.56 by 1100 dB).
"""

from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from takewell.measure import step_loop as loop
from takewell.units import FINE_STEPS_PER_SECOND, STEPS_PER_SECOND

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
Samples = NDArray[np.float32 | np.float64]

WARM_STEPS = 4 * STEPS_PER_SECOND

BATCH_STEPS = 64
FINE_PER_STEP = FINE_STEPS_PER_SECOND // STEPS_PER_SECOND

_NO_SINGLES, _NO_DOUBLES = np.zeros(0, np.float32), np.zeros(0)


class Sink(Protocol):
    """What takes the rows of the loops, in order."""

    def take_steps(self, rows: F64) -> None:
        """Take (n, COLUMNS, channels) rows of 100 ms steps."""

    def take_fine(self, rows: F64) -> None:
        """Take (n, FINE_COLUMNS, channels) rows of 10 ms steps."""

    def take_events(self, events: I64, clips: F64) -> None:
        """Take threshold events and clips."""


def step_edge(step: int, rate: int) -> int:
    """Return where a 100 ms step begins, without end of the signal."""
    return (2 * step * rate + STEPS_PER_SECOND) // (2 * STEPS_PER_SECOND)


class Stepper:
    """Feeds the loops.

    Parameters
    ----------
    constants : Constants
        Of the loops.
    rate, channels : int
        Of the signal.
    sink : Sink
        Takes what comes out.
    first_step : int
        The 100 ms step at which the samples begin.
    """

    def __init__(
        self, constants: loop.Constants, rate: int, channels: int, sink: Sink, first_step: int = 0
    ) -> None:
        self.state = loop.fresh_state(rate, channels)
        self.state.integers[:, loop.SINCE] = step_edge(first_step, rate)
        self._k, self._rate, self._channels, self._sink = constants, rate, channels, sink
        self._next = self._counted_from = first_step
        self._pending: Samples = np.zeros((0, channels), np.float32)
        self._held = 0
        self._steps = np.zeros((BATCH_STEPS + 1, loop.COLUMNS, channels))
        self._fine = np.zeros((BATCH_STEPS * FINE_PER_STEP, loop.FINE_COLUMNS, channels))
        self._step_count = self._fine_count = 0
        self._carried = False
        self._events = np.zeros((channels * (loop.EVENTS_PER_STEP + 1024), 3), np.int64)
        self._clips = np.zeros((256 * channels, loop.CLIP_FIELDS + 1))
        self._counts = np.zeros(2, np.int64)

    @property
    def position(self) -> int:
        """Where the samples taken so far end."""
        return step_edge(self._next, self._rate) + self._held

    def feed(self, block: Samples) -> None:
        """Take (n, channels) C-contiguous samples."""
        taken = 0
        if self._held:
            taken = min(self._missing(), len(block))
            self._hold(block[:taken])
            if not self._missing():
                self._measure(self._pending[: self._held], 1, None)
                self._held = 0
        rest = block[taken:]
        whole = self._whole_steps(len(rest)) if not self._held else 0
        if whole:
            used = step_edge(self._next + whole, self._rate) - step_edge(self._next, self._rate)
            self._measure(rest[:used], whole, None)
            rest = rest[used:]
        if len(rest):
            self._hold(rest)

    def begin(self) -> None:
        """Count from here on; what came before only warmed up. Needs whole steps so far."""
        assert not self._held, "a stepper begins at a step's edge"
        self._step_count = self._fine_count = 0
        self._counts[:] = 0
        self._counted_from = self._next
        # The row of the step before stays: only what its bound gains from here on counts.
        self._carried = True
        self._steps[0] = 0.0
        state = self.state
        state.floats[:, loop.BEST] = 0.0
        state.runs[:, loop.CLIP_END] = 0.0
        state.integers[:, loop.COUNTERS + loop.EXPONENTS :] = 0
        state.integers[:, loop.SINCE] = step_edge(self._next, self._rate)

    def pause(self) -> None:
        """Hand on everything that came in whole steps, also the last one."""
        assert not self._held, "a stepper pauses at a step's edge"
        self._flush()
        self._release()

    def finish(self) -> None:
        """Hand on everything: the signal ends here."""
        end = self.position
        if len(self._clips) - self._counts[1] < 4 * self._channels:
            self._flush()
        rest = self._pending[: self._held]
        self._held = 0
        if end > step_edge(self._counted_from, self._rate):
            self._measure(rest, int(len(rest) > 0), end)
        self._flush()
        self._release()

    def _release(self) -> None:
        if self._carried:
            self._sink.take_steps(self._steps[:1])
            self._carried = False

    def _missing(self) -> int:
        """Return how many samples the step in hand still needs."""
        return step_edge(self._next + 1, self._rate) - step_edge(self._next, self._rate) - self._held

    def _whole_steps(self, samples: int) -> int:
        """Return how many whole steps begin with the next sample."""
        end = step_edge(self._next, self._rate) + samples
        count = samples * STEPS_PER_SECOND // self._rate + 1
        while count and step_edge(self._next + count, self._rate) > end:
            count -= 1
        return count

    def _hold(self, block: Samples) -> None:
        """Keep samples until their step is whole."""
        if not self._held:
            if not len(self._pending) or self._pending.dtype != block.dtype:
                self._pending = np.zeros((self._rate // STEPS_PER_SECOND + 1, self._channels), block.dtype)
        elif self._pending.dtype != block.dtype:
            self._pending = self._pending.astype(np.float64)
        self._pending[self._held : self._held + len(block)] = block
        self._held += len(block)

    def _measure(self, samples: Samples, steps: int, end: int | None) -> None:
        """Measure whole steps; `end` is where the signal ends, inside the last one or, with no step, before it."""
        flat: Any = samples.reshape(-1)
        while True:
            count = min(steps, BATCH_STEPS - self._step_count)
            edges = self._fine_edges(self._next, self._next + count, end)
            fine_steps = np.append(np.arange(count) * FINE_PER_STEP, len(edges) - 1)
            start = int(edges[0])
            part = flat[: int(edges[-1] - start) * self._channels]
            single = part.dtype == np.float32
            got = loop.measure_steps(
                part if single else _NO_SINGLES, _NO_DOUBLES if single else part, self._channels, edges - start,
                fine_steps, start, self._k, self.state, self._steps, self._step_count + 1,
                self._fine[self._fine_count :], self._events, self._clips, self._counts, end is not None,
            )  # fmt: skip
            flat = flat[int(edges[fine_steps[got]] - start) * self._channels :]
            steps -= got
            self._next += got
            self._step_count += got
            self._fine_count += int(fine_steps[got])
            if got < count or self._step_count == BATCH_STEPS:
                self._flush()
            if not steps:
                break

    def _fine_edges(self, first: int, last: int, end: int | None) -> I64:
        k = np.arange(first * FINE_PER_STEP, last * FINE_PER_STEP + 1, dtype=np.int64)
        edges = (2 * k * self._rate + FINE_STEPS_PER_SECOND) // (2 * FINE_STEPS_PER_SECOND)
        return edges if end is None else np.append(edges[edges < end], end)

    def _flush(self) -> None:
        """Hand on what was measured so far; the last step stays as row 0, since its bound may still rise."""
        if self._step_count:
            self._sink.take_steps(self._steps[0 if self._carried else 1 : self._step_count])
            self._steps[0] = self._steps[self._step_count]
            self._carried = True
        self._sink.take_fine(self._fine[: self._fine_count])
        self._sink.take_events(self._events[: self._counts[0]], self._clips[: self._counts[1]])
        self._step_count = self._fine_count = 0
        self._counts[:] = 0
