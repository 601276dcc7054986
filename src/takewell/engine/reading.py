"""How do sums, maxima and histories become the numbers of the measurement contract?

The meter hands over rows as the loops leave them (:mod:`takewell.measure.step_loop`); what whole files need is
drawn up here once they have all come.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from takewell.engine.columns import Columns
from takewell.engine.results import Clip, Passage, Programme, TrackMeasurement
from takewell.measure import loudness
from takewell.measure import step_loop as loop
from takewell.measure.clips import judged_clips
from takewell.measure.noise_floor import noise_floor
from takewell.measure.speech_level import speech_level
from takewell.measure.trace import Trace
from takewell.units import decibels, finite_or_none, rms_dbfs, step_edges

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

_STEP_COLUMNS: dict[str, type] = {
    "peak": np.float32, "true_peak_bound": np.float32, "mean": np.float32, "rms": np.float32, "k_rms": np.float32,
    "a_rms": np.float32, "nonfinite": np.int32, "over": np.int32, "zeros": np.int32, "flat_run": np.int32,
}  # fmt: skip
_FINE_COLUMNS: dict[str, type] = {"fine_rms": np.float32, "fine_k_rms": np.float32}


class Reading:
    """Collects what a meter's loops leave."""

    def __init__(self, rate: int, channels: int, weights: F64 | None) -> None:
        self._rate, self._channels = rate, channels
        self._weights = weights
        self._steps = Columns(_STEP_COLUMNS, channels)
        self._fine = Columns(_FINE_COLUMNS, channels)
        self._k_power = Columns({"k": np.float64}, channels + 1)
        self._totals = np.zeros((loop.COLUMNS, channels))
        self._peak = np.zeros(channels)
        self._tail = np.zeros((0, channels + 1))
        self._tail_lengths = np.zeros(0, np.int64)
        self._loudest = np.zeros((2, channels + 1))
        self._active = np.zeros((channels, loop.EXPONENTS), np.int64)
        self._level = np.full(channels, loop.LOWEST_EXPONENT)
        self._since = np.zeros(channels, np.int64)
        self._clips: list[F64] = []
        self._length: int | None = None

    def take_steps(self, rows: F64) -> None:
        """Take (n, COLUMNS, channels) rows of 100 ms steps, in order."""
        if not len(rows):
            return
        lengths = np.diff(self._edges(self._steps.length, len(rows), loop.STEPS_PER_SECOND))[:, None]
        for row in rows:
            self._totals += row
        self._peak = np.maximum(self._peak, rows[:, loop.PEAK].max(axis=0))
        finite = np.maximum(lengths - rows[:, loop.NONFINITE], 1)
        up = np.float32(np.inf)
        self._steps.append(
            {
                "peak": rows[:, loop.PEAK],
                "true_peak_bound": np.nextafter(rows[:, loop.BOUND].astype(np.float32), up),
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
        self._k_power.append({"k": self._with_programme(rows[:, loop.K_POWER])})

    def take_fine(self, rows: F64) -> None:
        """Take (n, 2, channels) rows of 10 ms steps: sums of squares and of K-weighted squares."""
        if not len(rows):
            return
        lengths = np.diff(self._edges(self._fine.length, len(rows), loop.FINE_STEPS_PER_SECOND))
        root = np.sqrt(rows / lengths[:, None, None])
        self._fine.append({"fine_rms": root[:, 0], "fine_k_rms": root[:, 1]})
        power = np.vstack([self._tail, self._with_programme(rows[:, 1])])
        spans = np.append(self._tail_lengths, lengths)
        for k, steps in enumerate((loudness.MOMENTARY_FINE_STEPS, loudness.SHORT_TERM_FINE_STEPS)):
            first = max(len(self._tail) - steps + 1, 0)
            means = loudness.window_powers(power[first:], spans[first:], steps)
            if len(means):
                self._loudest[k] = np.maximum(self._loudest[k], means.max(axis=0))
        keep = loudness.SHORT_TERM_FINE_STEPS - 1
        self._tail, self._tail_lengths = power[-keep:], spans[-keep:]

    def take_events(self, events: I64, clips: F64) -> None:
        """Take threshold events (position, channel, exponent) and clips as the loops leave them."""
        for position, channel, exponent in events:
            self._count(channel, position)
            self._level[channel] = exponent
        if len(clips):
            self._clips.append(clips.copy())

    def _count(self, channel: int, position: int) -> None:
        self._active[channel, self._level[channel] - loop.LOWEST_EXPONENT] += position - self._since[channel]
        self._since[channel] = position

    def _with_programme(self, power: F64) -> F64:
        """Return channels' powers with the programme's as one more column."""
        weights = np.zeros(self._channels) if self._weights is None else self._weights
        return np.column_stack([power, power @ weights])

    def _edges(self, first: int, count: int, per_second: int) -> I64:
        k = np.arange(first, first + count + 1, dtype=np.int64)
        edges = (2 * k * self._rate + per_second) // (2 * per_second)
        return edges if self._length is None else np.minimum(edges, self._length)

    def close(self, length_samples: int) -> None:
        """Say where the signal ends, before the last rows are taken."""
        self._length = length_samples

    def result(
        self, names: Sequence[str | None], encoding: str, highest: F64
    ) -> tuple[tuple[TrackMeasurement, ...], Programme | None, tuple[Trace, ...]]:
        """Return the tracks, the programme and the traces; `highest` is the wave's maximum in each channel."""
        assert self._length is not None
        for channel in range(self._channels):
            self._count(channel, self._length)
        traces = tuple(self._trace(channel) for channel in range(self._channels))
        tracks = tuple(
            self._track(channel, names[channel], encoding, float(highest[channel]), traces[channel])
            for channel in range(self._channels)
        )
        programme = None
        if self._weights is not None:
            programme = Programme(
                *self._loudness(self._channels), finite_or_none(float(decibels(highest.max(initial=0.0))))
            )
        return tracks, programme, traces

    def _trace(self, channel: int) -> Trace:
        assert self._length is not None
        return Trace(
            rate=self._rate,
            edges=step_edges(self._length, self._rate),
            fine_edges=step_edges(self._length, self._rate, loop.FINE_STEPS_PER_SECOND),
            **{name: self._steps.column(name, channel) for name in _STEP_COLUMNS},
            **{name: self._fine.column(name, channel) for name in _FINE_COLUMNS},
        )

    def _loudness(self, column: int) -> tuple[float | None, float | None, float | None, float | None]:
        """Return integrated loudness, range, momentary and short-term maximum of a channel or the programme."""
        edges = step_edges(self._length or 0, self._rate)
        power, lengths = self._k_power.column("k", column), np.diff(edges)
        if len(edges) > 1 and edges[-1] < self._edges(len(lengths), 0, loop.STEPS_PER_SECOND)[0]:
            power, lengths = power[:-1], lengths[:-1]
        momentary, short_term = (float(p) for p in self._loudest[:, column])
        return (
            loudness.integrated(loudness.window_powers(power, lengths, loudness.BLOCK_STEPS)),
            loudness.loudness_range(loudness.window_powers(power, lengths, loudness.SHORT_TERM_STEPS)),
            loudness.lufs(momentary),
            loudness.lufs(short_term),
        )

    def _track(
        self, channel: int, name: str | None, encoding: str, highest: float, trace: Trace
    ) -> TrackMeasurement:
        assert self._length is not None
        total = self._totals[:, channel]
        finite = self._length - int(total[loop.NONFINITE])
        integrated, loudness_range, momentary, short_term = self._loudness(channel)
        speech = speech_level(
            float(total[loop.POWER]), self._length, self._active[channel], loop.LOWEST_EXPONENT
        )
        heard = trace.rms > 0
        floor = noise_floor(trace.rms[heard].astype(np.float64) ** 2)
        floor_a = noise_floor(trace.a_rms[heard].astype(np.float64) ** 2)
        floor_dbfs = None if floor is None else finite_or_none(float(rms_dbfs(floor.mean_square)))
        floor_dbfs_a = None if floor_a is None else finite_or_none(float(rms_dbfs(floor_a.mean_square)))
        level = None if speech is None else speech.level_dbfs
        snr = None if level is None or floor_dbfs is None else level - floor_dbfs
        passages = (
            (Passage(0.0, self._length / self._rate, integrated, level, floor_dbfs, floor_dbfs_a, snr),)
            if self._length
            else ()
        )
        rows = [part[part[:, 0] == channel, 1:] for part in self._clips]
        return TrackMeasurement(
            channel=channel + 1,
            name=name,
            sample_peak_dbfs=finite_or_none(float(decibels(self._peak[channel]))),
            true_peak_dbtp=finite_or_none(float(decibels(highest))),
            rms_dbfs=finite_or_none(float(rms_dbfs(total[loop.POWER] / finite))) if finite else None,
            dc_offset_fs=float(total[loop.TOTAL] / finite) if finite else None,
            integrated_lufs=integrated,
            loudness_range_lu=loudness_range,
            momentary_max_lufs=momentary,
            short_term_max_lufs=short_term,
            speech_level_dbfs=level,
            speech_activity=None if speech is None else speech.activity,
            noise_floor_dbfs=floor_dbfs,
            noise_floor_dbfs_a=floor_dbfs_a,
            snr_db=snr,
            samples_over_full_scale=int(total[loop.OVER]) if encoding.startswith("float") else 0,
            nonfinite_samples=int(total[loop.NONFINITE]),
            passages=passages,
            clips=tuple(
                Clip(c.start_samples / self._rate, c.end_samples / self._rate, c.level_dbfs, c.shape)
                for c in judged_clips(np.concatenate(rows) if rows else np.zeros((0, loop.CLIP_FIELDS)), 1e-3)
            ),
            quality={},
        )
