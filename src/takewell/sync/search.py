"""Where in a whole day of recordings may a stretch of a clip belong?

The sketches of all recordings lie one after another on a strip, and a stretch of a clip's sketch is laid beside every row
of it: normalised correlation of all bands together, by FFT in blocks of the strip, for many stretches at once. The best
places, each some way from the others, are candidates; what they are worth the sound itself decides (`windows`).

Growth: a place on the strip costs one multiplication for each band, so 60 s of a clip against 16 hours of recordings take some
ten milliseconds; the blocks keep memory the same whatever the length of the day.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, rfft

from takewell.sync.sketch import BANDS, ROWS_PER_SECOND, Sketch

STRETCH_ROWS = 60 * ROWS_PER_SECOND
"""Longest stretch looked for at once: at a speed wrong by 0.1 % it smears over 60 ms, three rows."""

LEAST_ROWS = ROWS_PER_SECOND // 2

_BLOCK_ROWS = 1 << 15
_AT_ONCE = 24
"""Stretches looked for in one run over the strip."""

_APART_ROWS = 10
_LEAST_ENERGY = 0.1
"""Of the stretch's own energy per row: quieter places on the strip count as if they had this much."""


@dataclass(frozen=True)
class Stretch:
    """Rows `start` to `stop` of a clip's sketch."""

    clip: int
    start: int
    stop: int


@dataclass(frozen=True)
class Place:
    """A place where a stretch may belong: row 0 of the recording lies at row `offset_rows` of the clip."""

    stretch: Stretch
    recording: int
    offset_rows: int
    likeness: float
    """Normalised correlation, -1 to 1."""
    standing_out: float
    """By how many of its own spreads it exceeds the mean of all places."""


class Strip:
    """The sketches of all recordings, with enough silence between for a stretch to lie across no two."""

    def __init__(self, sketches: Sequence[Sketch]) -> None:
        gap = np.zeros((STRETCH_ROWS, BANDS), np.int8)
        parts: list[NDArray[np.int8]] = [gap]
        at, self.starts, self.stops = STRETCH_ROWS, [], []
        for one in sketches:
            self.starts.append(at)
            at += len(one.moves)
            self.stops.append(at)
            at += STRETCH_ROWS
            parts += [one.moves, gap]
        self.rows = np.concatenate(parts)
        energy = np.einsum("rb,rb->r", self.rows, self.rows, dtype=np.float32)
        self._energy = np.concatenate([[0.0], np.cumsum(energy, dtype=np.float64)])

    def places(
        self, sketches: Sequence[Sketch], stretches: Sequence[Stretch], most: int = 12
    ) -> list[list[Place]]:
        """Return for each stretch the places it fits best, the best first.

        Parameters
        ----------
        sketches : sequence of Sketch
            The clips', which the stretches count into.
        stretches : sequence of Stretch
        most : int
            Places wanted for each.
        """
        order = sorted(range(len(stretches)), key=lambda k: stretches[k].stop - stretches[k].start)
        by_stretch: dict[int, list[Place]] = {}
        for first in range(0, len(order), _AT_ONCE):
            batch = order[first : first + _AT_ONCE]
            for k, places in zip(
                batch, self._batch(sketches, [stretches[k] for k in batch], most), strict=True
            ):
                by_stretch[k] = places
        return [by_stretch[k] for k in range(len(stretches))]

    def _batch(
        self, sketches: Sequence[Sketch], stretches: Sequence[Stretch], most: int
    ) -> list[list[Place]]:
        longest = max(s.stop - s.start for s in stretches)
        size = _BLOCK_ROWS
        hop = size - longest + 1
        wanted = np.empty((len(stretches), BANDS, size // 2 + 1), np.complex64)
        lengths = np.array([s.stop - s.start for s in stretches])
        own = np.empty(len(stretches))
        for k, s in enumerate(stretches):
            rows = sketches[s.clip].moves[s.start : s.stop].astype(np.float32)
            own[k] = float(np.sum(rows * rows, dtype=np.float64))
            wanted[k] = np.conj(rfft(rows.T, size, axis=1))
        best: list[list[tuple[float, int]]] = [[] for _ in stretches]
        sums, squares, count = np.zeros(len(stretches)), np.zeros(len(stretches)), 0
        total = len(self.rows)
        for at in range(0, total, hop):
            block = self.rows[at : at + size].astype(np.float32)
            spectrum = rfft(block.T, size, axis=1).astype(np.complex64)
            lags = min(hop, total - at)
            for k in range(len(stretches)):
                if own[k] == 0:
                    continue
                curve = irfft(np.einsum("bf,bf->f", wanted[k], spectrum), size)[:lags]
                ends = np.minimum(np.arange(at, at + lags) + lengths[k], total)
                local = self._energy[ends] - self._energy[at : at + lags]
                local = np.maximum(local, _LEAST_ENERGY * own[k])
                alike = curve / np.sqrt(own[k] * local)
                sums[k] += alike.sum()
                squares[k] += float(alike @ alike)
                best[k] += _peaks(alike, at, most)
            count += lags
        mean = sums / max(count, 1)
        spread = np.sqrt(np.maximum(squares / max(count, 1) - mean**2, 1e-12))
        return [
            self._named(stretch, best[k], most, float(mean[k]), float(spread[k]))
            for k, stretch in enumerate(stretches)
        ]

    def _named(
        self, stretch: Stretch, peaks: list[tuple[float, int]], most: int, mean: float, spread: float
    ) -> list[Place]:
        """Return the best places with the recording each lies in."""
        places: list[Place] = []
        for alike, at in sorted(peaks, reverse=True):
            if len(places) == most:
                break
            # The stretch covers rows at..end of the strip: it belongs to the recording it shares most with.
            end = at + stretch.stop - stretch.start
            first = int(np.searchsorted(self.stops, at, side="right"))
            shared = [
                (min(self.stops[r], end) - max(self.starts[r], at), r)
                for r in range(first, min(first + 2, len(self.starts)))
            ]
            length, recording = max(shared, default=(0, 0))
            if length < LEAST_ROWS:
                continue
            offset = stretch.start - (at - self.starts[recording])
            if any(p.recording == recording and abs(p.offset_rows - offset) < _APART_ROWS for p in places):
                continue
            places.append(Place(stretch, recording, offset, alike, (alike - mean) / spread))
        return places


def _peaks(alike: NDArray[np.float64], at: int, most: int) -> list[tuple[float, int]]:
    """Return (height, row of the strip) of the highest places at least `_APART_ROWS` apart."""
    # The highest of every ten rows; then the best of those. Neighbours of one peak are sorted out later.
    groups = -(-len(alike) // _APART_ROWS)
    padded = np.full(groups * _APART_ROWS, -np.inf)
    padded[: len(alike)] = alike
    by_ten = padded.reshape(groups, _APART_ROWS)
    tops = by_ten.argmax(axis=1)
    heights = by_ten[np.arange(groups), tops]
    wanted = min(2 * most, groups)
    chosen = np.argpartition(heights, groups - wanted)[groups - wanted :]
    return [(float(heights[g]), int(at + g * _APART_ROWS + tops[g])) for g in chosen]
