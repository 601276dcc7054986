"""How is one long file measured by several workers at once, with the same result as by one?

The file is cut at edges of 100 ms steps into segments of a minute. A worker begins each a few seconds early, so its
filters know what the one worker's would (see :mod:`takewell.engine.stepper`); what the loops leave of the segments is
then put together in order. Only three things reach over a seam: the bound of the step before it, a clip that goes on,
and the windows of loudness, which the reading forms itself.
"""

from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from takewell.engine.meter import Meter, MeterResult
from takewell.engine.reading import Reading
from takewell.engine.stepper import WARM_STEPS, Samples, Stepper, step_edge
from takewell.measure import step_loop as loop
from takewell.units import STEPS_PER_SECOND

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

SEGMENT_STEPS = 60 * STEPS_PER_SECOND
BLOCK_VALUES = 1 << 20

Read = Callable[[int, int], Samples]
"""Gives samples from a position on, as many as asked for."""


class _Recorder:
    """Keeps the rows of a segment."""

    def __init__(self) -> None:
        self.steps: list[F64] = []
        self.fine: list[F64] = []
        self.events: list[I64] = []
        self.clips: list[F64] = []

    def take_steps(self, rows: F64) -> None:
        self.steps.append(rows.copy())

    def take_fine(self, rows: F64) -> None:
        self.fine.append(rows.copy())

    def take_events(self, events: I64, clips: F64) -> None:
        self.events.append(events.copy())
        self.clips.append(clips.copy())


class _Segment(NamedTuple):
    """What a worker brings: rows in order, and the state at the segment's end."""

    seam: bool
    """Whether the first row of `steps` only holds what the bound of the step before gains."""
    end: int
    steps: F64
    fine: F64
    events: I64
    clips: F64
    state: loop.State


def measure_split(read: Read, length_samples: int, meter: Meter, workers: int) -> MeterResult:
    """Return what the meter would give for the whole signal.

    Parameters
    ----------
    read : function of (position, count)
        Must serve several threads at once.
    length_samples : int
        Of the signal.
    meter : Meter
        A fresh one.
    workers : int
        Threads.
    """
    meter.length_samples = length_samples
    joint = _Joint(meter.reading, meter.channels, meter.constants.gap)
    with ThreadPoolExecutor(workers) as pool:
        waiting: deque[Future[_Segment]] = deque()
        for first, last in _segments(length_samples, meter.rate):
            waiting.append(pool.submit(_measured, read, length_samples, meter, first, last))
            if len(waiting) > workers + 1:
                joint.take(waiting.popleft().result())
        while waiting:
            # Only the last segment's rows may end early, so only then does the reading learn of the end.
            if len(waiting) == 1:
                meter.reading.close(length_samples)
            joint.take(waiting.popleft().result())
    joint.finish()
    return meter.finish()


def _segments(length_samples: int, rate: int) -> Iterator[tuple[int, int | None]]:
    """Yield the first step of each segment and the one it ends before; None is the end of the signal."""
    first = 0
    while step_edge(first + SEGMENT_STEPS + SEGMENT_STEPS // 2, rate) < length_samples:
        yield first, first + SEGMENT_STEPS
        first += SEGMENT_STEPS
    yield first, None


def _measured(read: Read, length_samples: int, meter: Meter, first: int, last: int | None) -> _Segment:
    recorder = _Recorder()
    warm = max(first - WARM_STEPS, 0)
    stepper = Stepper(meter.constants, meter.rate, meter.channels, recorder, warm)
    start = step_edge(first, meter.rate)
    end = length_samples if last is None else step_edge(last, meter.rate)
    block = max(BLOCK_VALUES // meter.channels, 1)

    def feed(begin: int, stop: int) -> None:
        for position in range(begin, stop, block):
            stepper.feed(read(position, min(block, stop - position)))

    feed(step_edge(warm, meter.rate), start)
    if first:
        for rows in (recorder.steps, recorder.fine, recorder.events, recorder.clips):
            rows.clear()
        stepper.begin()
    feed(start, end)
    if last is None:
        stepper.finish()
    else:
        stepper.pause()
    state = stepper.state
    return _Segment(
        bool(first),
        end,
        _joined(recorder.steps, (0, loop.COLUMNS, meter.channels)),
        _joined(recorder.fine, (0, loop.FINE_COLUMNS, meter.channels)),
        _joined(recorder.events, (0, 3)),
        _joined(recorder.clips, (0, 1 + loop.CLIP_FIELDS)),
        state,
    )


def _joined(parts: list[NDArray[Any]], empty: tuple[int, ...]) -> NDArray[Any]:
    return np.concatenate(parts) if parts else np.zeros(empty)


class _Joint:
    """Puts segments together in order."""

    def __init__(self, reading: Reading, channels: int, gap: int) -> None:
        self._reading, self._channels, self._gap = reading, channels, gap
        self._last: F64 | None = None
        self._open: dict[int, F64] = {}

    def take(self, segment: _Segment) -> None:
        """Take the next segment."""
        steps = segment.steps
        if segment.seam:
            assert self._last is not None
            self._last[0, loop.BOUND] = np.maximum(self._last[0, loop.BOUND], steps[0, loop.BOUND])
            steps = np.concatenate([self._last, steps[1:]])
        self._last = steps[-1:].copy()
        self._reading.take_steps(steps[:-1])
        self._reading.take_fine(segment.fine)
        self._reading.take_events(segment.events, self._clips(segment))
        self._reading.take_state(segment.state, segment.end)

    def finish(self) -> None:
        """Hand on what waited for a next segment."""
        if self._last is not None:
            self._reading.take_steps(self._last)

    def _clips(self, segment: _Segment) -> F64:
        """Return the clips that ended; one that the seam cuts in two is made one again."""
        ended: list[F64] = []
        for channel in range(self._channels):
            rows = list(segment.clips[segment.clips[:, 0] == channel])
            run = segment.state.runs[channel, loop.CLIP_START : loop.CLIP_START + loop.CLIP_FIELDS]
            still_open = bool(segment.state.runs[channel, loop.CLIP_END] > 0)
            if still_open:
                rows.append(np.append(float(channel), run))
            before = self._open.pop(channel, None)
            if before is not None:
                if rows and rows[0][1] - before[2] <= self._gap:
                    rows[0] = _one_clip(before, rows[0])
                else:
                    rows.insert(0, before)
                    # The clip before may still go on where this segment brought none.
                    still_open = still_open or (len(rows) == 1 and segment.end - before[2] <= self._gap)
            if still_open and rows:
                self._open[channel] = rows.pop()
            ended += rows
        return np.array(ended) if ended else np.zeros((0, 1 + loop.CLIP_FIELDS))


def _one_clip(first: F64, second: F64) -> F64:
    """Return two parts of a clip as one: extremes of the rails, sums of what was counted."""
    start, _, high, low, longest = range(1, 6)
    joined = second.copy()
    joined[start] = first[start]
    joined[high], joined[low] = max(first[high], second[high]), min(first[low], second[low])
    joined[longest] = max(first[longest], second[longest])
    joined[longest + 1 :] = first[longest + 1 :] + second[longest + 1 :]
    return joined
