"""What is kept of the rows that a meter's loops leave, and what is drawn up from them at the end?

Sums, maxima and hours of histories in bounded memory; see :mod:`takewell.measure.step_loop` for the rows.
"""

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from takewell.engine.columns import MEMORY_BYTES, Columns, Spool, settle
from takewell.engine.history import FINE_COLUMNS, STEP_COLUMNS, Histories, TrackHistory
from takewell.engine.results import Programme, TrackMeasurement
from takewell.engine.track import loudness_figures, track_measurement
from takewell.measure import loudness
from takewell.measure import step_loop as loop
from takewell.measure.clips import MOST, joined_clips
from takewell.measure.trace import Trace
from takewell.units import FINE_STEPS_PER_SECOND, STEPS_PER_SECOND, decibels, finite_or_none

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

EDGE_CHUNK = 1 << 20


class Reading:
    """Collects rows; then gives the tracks, the programme and the traces."""

    def __init__(self, rate: int, channels: int, weights: F64 | None) -> None:
        self._rate, self._channels, self._weights = rate, channels, weights
        self._spool = Spool()
        quarter = MEMORY_BYTES // 4
        self._steps = Columns(STEP_COLUMNS, channels, self._spool, quarter)
        self._fine = Columns(FINE_COLUMNS, channels, self._spool, 2 * quarter)
        # The programme stands behind the channels.
        self._k_sums = Columns({"k": np.float64}, channels + 1, self._spool, quarter)
        self._totals = np.zeros((loop.COLUMNS, channels))
        self._peak = np.zeros(channels)
        self._highest = np.zeros(channels)
        self._active = np.zeros((channels, loop.EXPONENTS), np.int64)
        self._tail = np.zeros((0, channels + 1))
        self._tail_lengths = np.zeros(0, np.int64)
        self._loudest = np.zeros((2, channels + 1))
        self._events = [
            Columns({"at": np.int64, "to": np.int16}, 1, self._spool, quarter // channels)
            for _ in range(channels)
        ]
        self._clips = [np.zeros((0, loop.CLIP_FIELDS))] * channels
        self._clip_gap_s = [loop.CLIP_GAP_S] * channels
        self._length: int | None = None

    def close(self, length_samples: int) -> None:
        """Say where the signal ends, before the last rows are taken."""
        self._length = length_samples

    def take_steps(self, rows: F64) -> None:
        """Take (n, COLUMNS, channels) rows of 100 ms steps, in order."""
        if not len(rows):
            return
        lengths = np.diff(self._edges(self._steps.length, len(rows), STEPS_PER_SECOND))[:, None]
        self._totals += rows.sum(axis=0)
        self._peak = np.maximum(self._peak, rows[:, loop.PEAK].max(axis=0))
        finite = np.maximum(lengths - rows[:, loop.NONFINITE], 1)
        self._steps.append(
            {
                "peak": rows[:, loop.PEAK],
                "true_peak_bound": np.nextafter(rows[:, loop.BOUND].astype(np.float32), np.float32(np.inf)),
                "mean": rows[:, loop.TOTAL] / finite,
                "rms": np.sqrt(rows[:, loop.POWER] / finite),
                "k_rms": np.sqrt(rows[:, loop.K_POWER] / lengths),
                "a_rms": np.sqrt(rows[:, loop.A_POWER] / lengths),
                "nonfinite": rows[:, loop.NONFINITE],
                "over": rows[:, loop.OVER],
                "zeros": rows[:, loop.ZEROS],
                "flat_run": rows[:, loop.FLAT],
            }
        )
        self._k_sums.append({"k": self._with_programme(rows[:, loop.K_POWER])})

    def take_fine(self, rows: F64) -> None:
        """Take (n, FINE_COLUMNS, channels) rows of 10 ms steps, in order."""
        if not len(rows):
            return
        lengths = np.diff(self._edges(self._fine.length, len(rows), FINE_STEPS_PER_SECOND))
        root = np.sqrt(rows[:, :2] / lengths[:, None, None])
        self._fine.append({"fine_rms": root[:, 0], "fine_k_rms": root[:, 1], "fine_bend": rows[:, 2]})
        # Momentary and short-term loudness need whole windows only; a last fine step that is cut short ends none.
        whole = len(rows)
        if (
            self._length is not None
            and self._regular(self._fine.length, FINE_STEPS_PER_SECOND) > self._length
        ):
            whole -= 1
        power = np.vstack([self._tail, self._with_programme(rows[:whole, 1])])
        spans = np.append(self._tail_lengths, lengths[:whole])
        for k, steps in enumerate((loudness.MOMENTARY_FINE_STEPS, loudness.SHORT_TERM_FINE_STEPS)):
            first = max(len(self._tail) - steps + 1, 0)
            means = loudness.window_powers(power[first:], spans[first:], steps)
            if len(means):
                self._loudest[k] = np.maximum(self._loudest[k], means.max(axis=0))
        keep = loudness.SHORT_TERM_FINE_STEPS - 1
        self._tail, self._tail_lengths = power[-keep:], spans[-keep:]

    def take_events(self, events: I64, clips: F64) -> None:
        """Take threshold events (position, channel, exponent) and clips as the loops leave them."""
        if len(events):
            for channel in range(self._channels):
                own = events[events[:, 1] == channel]
                if len(own):
                    self._events[channel].append({"at": own[:, :1], "to": own[:, 2:]})
        for channel in np.unique(clips[:, 0]).astype(int) if len(clips) else ():
            rows = np.concatenate([self._clips[channel], clips[clips[:, 0] == channel, 1:]])
            while len(rows) > MOST:
                self._clip_gap_s[channel] *= 2
                rows = joined_clips(rows, self._clip_gap_s[channel] * self._rate)
            self._clips[channel] = rows

    def take_state(self, state: loop.State, end: int) -> None:
        """Take what the loops' state holds of a stretch of the signal that ends at sample `end`."""
        self._highest = np.maximum(self._highest, state.floats[:, loop.BEST])
        self._active += state.integers[:, loop.COUNTERS + loop.EXPONENTS :]
        for channel, counters in enumerate(state.integers):
            self._active[channel, counters[loop.ACTIVE] - loop.LOWEST_EXPONENT] += end - counters[loop.SINCE]

    def result(
        self, names: Sequence[str | None], encoding: str
    ) -> tuple[tuple[TrackMeasurement, ...], Programme | None, tuple[Trace, ...]]:
        """Return the tracks, the programme and the traces.

        Parameters
        ----------
        names : sequence of str or None
            Of the channels.
        encoding : str
            Of the file.
        """
        assert self._length is not None
        for columns in (self._steps, self._fine, self._k_sums, *self._events):
            columns.freeze()
        histories = Histories(self._rate, self._length, self._steps, self._fine, self._k_sums)
        tracks = tuple(
            track_measurement(
                self._history(histories, channel), names[channel], encoding, self._loudest[:, channel]
            )
            for channel in range(self._channels)
        )
        programme = None
        if self._weights is not None:
            figures = loudness_figures(histories, self._channels, self._loudest[:, self._channels])
            programme = Programme(*figures[:4], finite_or_none(float(decibels(self._highest.max()))))
        edges, fine_edges = (
            self._all_edges(per_second) for per_second in (STEPS_PER_SECOND, FINE_STEPS_PER_SECOND)
        )
        traces = tuple(
            Trace(
                rate=self._rate,
                edges=edges,
                fine_edges=fine_edges,
                **{name: self._steps.column(name, channel) for name in STEP_COLUMNS},
                **{name: self._fine.column(name, channel) for name in FINE_COLUMNS},
            )
            for channel in range(self._channels)
        )
        return tracks, programme, traces

    def _history(self, histories: Histories, channel: int) -> TrackHistory:
        return TrackHistory(
            histories=histories,
            channel=channel,
            totals=self._totals[:, channel],
            peak=float(self._peak[channel]),
            highest=float(self._highest[channel]),
            active=self._active[channel],
            events=self._events[channel],
            clips=self._clips[channel],
            clip_gap_s=self._clip_gap_s[channel],
        )

    def _with_programme(self, power: F64) -> F64:
        """Return channels' powers with the programme's as one more column."""
        weights = np.zeros(self._channels) if self._weights is None else self._weights
        return np.column_stack([power, power @ weights])

    def _regular(self, k: int | I64, per_second: int) -> int | I64:
        return (2 * k * self._rate + per_second) // (2 * per_second)

    def _edges(self, first: int, count: int, per_second: int) -> I64:
        edges = np.asarray(self._regular(np.arange(first, first + count + 1, dtype=np.int64), per_second))
        return edges if self._length is None else np.minimum(edges, self._length)

    def _all_edges(self, per_second: int) -> I64:
        steps = self._steps.length if per_second == STEPS_PER_SECOND else self._fine.length

        def chunks() -> Iterator[I64]:
            yield np.zeros(1, np.int64)
            for first in range(0, steps, EDGE_CHUNK):
                yield self._edges(first, min(EDGE_CHUNK, steps - first), per_second)[1:]

        return settle(chunks, np.dtype(np.int64), self._spool if self._fine.spilled else None)
