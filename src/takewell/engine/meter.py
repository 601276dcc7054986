"""What does a signal measure that comes in blocks of any size?

One object, fed from a file or from the bytes that pass by on their way to a copy; it keeps sums and traces, never the sound.
"""

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from takewell.engine.quality import WORD_LENGTHS
from takewell.engine.reading import Reading
from takewell.engine.results import Programme, TrackMeasurement
from takewell.errors import SettingError, SignalError
from takewell.measure import loudness
from takewell.measure import step_loop as loop
from takewell.measure.trace import Trace
from takewell.units import FINE_STEPS_PER_SECOND, STEPS_PER_SECOND

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
Samples = NDArray[np.float32 | np.float64]

HIGHEST_RATE = 768_000
LOWEST_RATE = 4_000
BATCH_STEPS = 64
FINE_PER_STEP = FINE_STEPS_PER_SECOND // STEPS_PER_SECOND

LONGEST_USED_WORD = 24
"""Converters fill no more bits than this, also in 32-bit integer files: their rail lies 2^-23 under full scale."""

LIKE_STEPS = 3
"""Dither spreads a steady value over this many steps of the word length."""


class MeterResult(NamedTuple):
    """What `Meter.finish` gives: one entry per channel; the programme is None for a poly file of ISOs."""

    tracks: tuple[TrackMeasurement, ...]
    programme: Programme | None
    traces: tuple[Trace, ...]


class Meter:
    """Measures interleaved blocks of samples.

    Parameters
    ----------
    rate : int
        Sampling rate in Hz, 4000 to 768,000.
    channels : int
        Channels in every block.
    encoding : str
        How the samples were stored (``int24``, ``float32`` ...): where the rail lies and how fine a step is.
    channel_mask : int or None
        dwChannelMask of the file, for the programme's channel weights.
    names : sequence of str or None
        Track names, if known.

    Raises
    ------
    SignalError
        If the rate or the number of channels cannot be measured.
    """

    def __init__(
        self,
        rate: int,
        channels: int,
        *,
        encoding: str,
        channel_mask: int | None = None,
        names: Sequence[str | None] | None = None,
    ) -> None:
        if not LOWEST_RATE <= rate <= HIGHEST_RATE:
            raise SignalError(
                f"a sampling rate of {rate} Hz cannot be measured; {LOWEST_RATE} to {HIGHEST_RATE} Hz can"
            )
        if channels < 1:
            raise SignalError(f"a signal of {channels} channels cannot be measured; 1 is the least")
        if names is not None and len(names) != channels:
            raise SettingError(f"{len(names)} track names were given for {channels} channels")
        self.rate, self.channels, self.encoding = rate, channels, encoding
        self.names = tuple(names) if names is not None else (None,) * channels
        self.weights = loudness.channel_weights(channels, channel_mask)
        self.length_samples = 0
        bits = WORD_LENGTHS.get(encoding)
        over = 1.0 if bits is None else 1 - 1.5 * 2.0 ** (1 - min(bits, LONGEST_USED_WORD))
        step = 0.0 if bits is None else LIKE_STEPS * 2.0 ** (1 - min(bits, LONGEST_USED_WORD))
        self._k = loop.constants(rate, over, step)
        self._state = loop.fresh_state(rate, channels)
        self._pending: Samples = np.zeros((0, channels), np.float32)
        self._held = 0
        self._measured_steps = 0
        self._steps = np.zeros((BATCH_STEPS + 1, loop.COLUMNS, channels))
        self._fine = np.zeros((BATCH_STEPS * FINE_PER_STEP, loop.FINE_COLUMNS, channels))
        self._step_count = self._fine_count = 0
        self._events = np.zeros((channels * (loop.EVENTS_PER_STEP + 1024), 3), np.int64)
        self._clips = np.zeros((256 * channels, loop.CLIP_FIELDS + 1))
        self._counts = np.zeros(2, np.int64)
        self._reading = Reading(rate, channels, self.weights)
        self._carried = False
        self._finished = False

    def add(self, block: Samples) -> None:
        """Take the next samples.

        Parameters
        ----------
        block : (n, channels) float32 or float64 array
            1.0 = full scale. Not changed, not kept.

        Raises
        ------
        SignalError
            If the block is not such an array.
        """
        if block.ndim != 2 or block.shape[1] != self.channels or block.dtype not in (np.float32, np.float64):
            raise SignalError(
                f"a block of shape {block.shape} and type {block.dtype} cannot be measured; "
                f"(n, {self.channels}) of float32 or float64 can"
            )
        assert not self._finished, "a meter that has finished takes no more samples"
        block = np.ascontiguousarray(block)
        self.length_samples += len(block)
        taken = 0
        if self._held:
            taken = min(self._missing(), len(block))
            self._hold(block[:taken])
            if not self._missing():
                self._measure(self._pending[: self._held], 1)
                self._held = 0
        rest = block[taken:]
        whole = self._whole_steps(len(rest)) if not self._held else 0
        if whole:
            used = self._edge(self._measured_steps + whole) - self._edge(self._measured_steps)
            self._measure(rest[:used], whole)
            rest = rest[used:]
        if len(rest):
            self._hold(rest)

    def finish(self) -> MeterResult:
        """Return everything measured; the meter takes no more samples.

        Returns
        -------
        MeterResult
            Also for no samples at all: every number is None then, with the reason in `quality`.
        """
        assert not self._finished, "a meter finishes once"
        self._finished = True
        self._reading.close(self.length_samples)
        if self._held:
            self._measure(self._pending[: self._held], 1, self.length_samples)
        if self._measured_steps:
            loop.finish_steps(
                self.length_samples, self._k, self._state, self._steps, self._step_count + 1,
                self._clips, self._counts,
            )  # fmt: skip
            self._flush()
            self._reading.take_steps(self._steps[:1])
        return MeterResult(
            *self._reading.result(
                self.names, self.encoding, self._state.floats[:, loop.BEST], self._state.integers
            )
        )

    def _edge(self, step: int) -> int:
        """Return where a 100 ms step begins, without end of the signal."""
        return (2 * step * self.rate + STEPS_PER_SECOND) // (2 * STEPS_PER_SECOND)

    def _missing(self) -> int:
        """Return how many samples the step in hand still needs."""
        start = self._measured_steps
        return self._edge(start + 1) - self._edge(start) - self._held

    def _whole_steps(self, samples: int) -> int:
        """Return how many whole steps begin with the next sample."""
        end = self._edge(self._measured_steps) + samples
        count = samples * STEPS_PER_SECOND // self.rate + 1
        while count and self._edge(self._measured_steps + count) > end:
            count -= 1
        return count

    def _hold(self, block: Samples) -> None:
        """Keep samples until their step is whole."""
        if not self._held and (not len(self._pending) or self._pending.dtype != block.dtype):
            self._pending = np.zeros((self.rate // STEPS_PER_SECOND + 1, self.channels), block.dtype)
        elif self._pending.dtype != block.dtype:
            self._pending = self._pending.astype(np.float64)
        self._pending[self._held : self._held + len(block)] = block
        self._held += len(block)

    def _measure(self, samples: Samples, steps: int, end: int | None = None) -> None:
        """Measure whole steps; `end` is where the signal ends inside the last one."""
        done = 0
        flat = samples.reshape(-1)
        while done < steps:
            count = min(steps - done, BATCH_STEPS - self._step_count)
            first = self._measured_steps
            edges = self._fine_edges(first, first + count, end)
            fine_steps = np.append(np.arange(count) * FINE_PER_STEP, len(edges) - 1)
            start = int(edges[0])
            part: Any = flat[: int(edges[-1] - start) * self.channels]
            single = part.dtype == np.float32
            got = loop.measure_steps(
                part if single else _NO_SINGLES, _NO_DOUBLES if single else part, self.channels, edges - start,
                fine_steps, start, self._k, self._state, self._steps, self._step_count + 1,
                self._fine[self._fine_count :], self._events, self._clips, self._counts,
            )  # fmt: skip
            done += got
            self._measured_steps += got
            self._step_count += got
            self._fine_count += int(fine_steps[got])
            flat = flat[int(edges[fine_steps[got]] - start) * self.channels :]
            if got < count or self._step_count == BATCH_STEPS:
                self._flush()

    def _fine_edges(self, first: int, last: int, end: int | None) -> I64:
        k = np.arange(first * FINE_PER_STEP, last * FINE_PER_STEP + 1, dtype=np.int64)
        edges = (2 * k * self.rate + FINE_STEPS_PER_SECOND) // (2 * FINE_STEPS_PER_SECOND)
        return edges if end is None else np.append(edges[edges < end], end)

    def _flush(self) -> None:
        """Hand on what was measured so far; the last step stays as row 0, since its bound may still rise."""
        if self._step_count:
            self._reading.take_steps(self._steps[0 if self._carried else 1 : self._step_count])
            self._steps[0] = self._steps[self._step_count]
            self._carried = True
        self._reading.take_fine(self._fine[: self._fine_count])
        self._reading.take_events(self._events[: self._counts[0]], self._clips[: self._counts[1]])
        self._step_count = self._fine_count = 0
        self._counts[:] = 0


_NO_SINGLES, _NO_DOUBLES = np.zeros(0, np.float32), np.zeros(0)
