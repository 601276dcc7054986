"""What does a recording sound like, in so few numbers that a whole day can be searched?

A sketch has 50 rows a second and 16 bands from 180 Hz to 3.5 kHz: the power of each band over 64 ms, in dB, less its mean over
the second around it. What is steady (hum, a fan, the colour of a room or microphone) falls out so, and what is left
is how speech moves. Values are whole numbers, 6 to a dB, no further than 20 dB from the mean: two hours take 6 MB.

Conventions: row k stands for the time (k + 1/2) * 20 ms of the file's own clock. The sound is read once, front to back, in
blocks, brought to about 8 kHz by a short filter first.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len, rfft
from scipy.ndimage import uniform_filter1d
from scipy.signal import firwin, upfirdn

from takewell.sync.sound import Sound

F32 = NDArray[np.float32]

ROWS_PER_SECOND = 50
BANDS = 16
LOW_HZ, HIGH_HZ = 180.0, 3500.0

_WINDOW_S = 0.064
_COARSE_HZ = 8000
_TAPS_PER_PHASE = 6
_AROUND_ROWS = 51
_UNITS_PER_DB = 6
_FURTHEST_DB = 20.0
_ROWS_AT_ONCE = 4096
_FLOOR = 1e-11
"""Band power (-110 dB) under which it is silence."""


@dataclass(frozen=True)
class Sketch:
    """Rows of band movements, and how loud each row is."""

    moves: NDArray[np.int8]
    """(rows, BANDS), in sixths of a dB."""
    level_db: NDArray[np.float16]
    """(rows,) mean of the bands in dB: where something is heard at all."""

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return len(self.moves) / ROWS_PER_SECOND

    @property
    def silent(self) -> bool:
        """Whether there is no sound at all in it."""
        return not self.moves.any()


def sketch(sound: Sound) -> Sketch:
    """Return the sketch of a sound, read once."""
    rows = _Rows(sound.rate, sound.length_samples)
    for block in sound.blocks():
        rows.add(block)
    return rows.finish()


class _Rows:
    """Is fed a sound in blocks and fills in rows as soon as their windows are whole."""

    def __init__(self, rate: int, length_samples: int) -> None:
        self._factor = max(1, rate // _COARSE_HZ)
        coarse_rate = rate / self._factor
        self._step = coarse_rate / ROWS_PER_SECOND
        window = round(_WINDOW_S * coarse_rate)
        self._taper = np.hanning(window + 2)[1:-1].astype(np.float32)
        self._size = next_fast_len(window, real=True)
        scale = 2 / (self._size * np.sum(self._taper**2))
        self._bands = _bands(self._size, coarse_rate) * np.float32(scale)
        count = length_samples * ROWS_PER_SECOND // rate
        self._power_db = np.full((count, BANDS), 10 * np.log10(_FLOOR), np.float16)
        self._done = 0
        # Row 0 is centred on half a step: its window begins before the sound does, in silence.
        self._origin = -round((window - self._step) / 2)
        self._waiting = np.zeros(-self._origin, np.float32)
        taps = _TAPS_PER_PHASE * self._factor + 1
        self._filter = firwin(taps, 0.9, fs=2 * self._factor).astype(np.float32)
        self._unfiltered = np.zeros(taps // 2, np.float32)

    def add(self, block: F32) -> None:
        """Take the next samples."""
        if self._factor == 1:
            self._take(block)
            return
        fed = np.concatenate([self._unfiltered, block])
        count = (len(fed) - len(self._filter)) // self._factor + 1
        if count > 0:
            thinned = upfirdn(self._filter, fed, 1, self._factor)
            self._take(thinned[_TAPS_PER_PHASE : _TAPS_PER_PHASE + count])
            fed = fed[count * self._factor :]
        self._unfiltered = fed

    def finish(self) -> Sketch:
        """Return the sketch; what the last windows lack is silence."""
        self.add(np.zeros((len(self._taper) + _TAPS_PER_PHASE) * self._factor, np.float32))
        level_db = self._power_db.mean(axis=1, dtype=np.float32)
        return Sketch(_moves(self._power_db), level_db.astype(np.float16))

    def _take(self, thinned: F32) -> None:
        self._waiting = np.concatenate([self._waiting, thinned])
        end = self._origin + len(self._waiting)
        window, rows = len(self._taper), len(self._power_db)
        first = self._first(0)
        while self._done < rows:
            stop = min(self._done + _ROWS_AT_ONCE, rows, int((end - window - first) / self._step) + 1)
            begins = self._first(np.arange(self._done, stop))
            begins = begins[begins + window <= end] - self._origin
            if not len(begins):
                break
            frames = np.lib.stride_tricks.sliding_window_view(self._waiting, window)[begins]
            spectrum = rfft(frames * self._taper, self._size, axis=1)
            power = (spectrum.real**2 + spectrum.imag**2) @ self._bands
            rows_db = 10 * np.log10(np.maximum(power, np.float32(_FLOOR)))
            self._power_db[self._done : self._done + len(begins)] = rows_db
            self._done += len(begins)
        keep = max(int(self._first(self._done)) - self._origin, 0)
        self._waiting = self._waiting[keep:]
        self._origin += min(keep, end - self._origin)

    def _first(self, row: "int | NDArray[np.int64]") -> "NDArray[np.int64]":
        """Return where the window of a row begins, in thinned samples."""
        centre = (np.asarray(row) + 0.5) * self._step
        return np.round(centre - len(self._taper) / 2).astype(np.int64)


def _bands(size: int, rate: float) -> F32:
    """Return (size // 2 + 1, BANDS): which bins make up which band."""
    hertz = np.arange(size // 2 + 1) * rate / size
    edges = np.geomspace(LOW_HZ, HIGH_HZ, BANDS + 1)
    inside = (hertz[:, None] >= edges[:-1]) & (hertz[:, None] < edges[1:])
    return inside.astype(np.float32)


def _moves(power_db: NDArray[np.float16]) -> NDArray[np.int8]:
    """Return the movements: levels less their running mean, held within 20 dB, in sixths of a dB."""
    moves = np.empty(power_db.shape, np.int8)
    margin = _AROUND_ROWS
    for start in range(0, len(power_db), _ROWS_AT_ONCE):
        first = max(start - margin, 0)
        stop = min(start + _ROWS_AT_ONCE, len(power_db))
        part = power_db[first : stop + margin].astype(np.float32)
        part -= uniform_filter1d(part, _AROUND_ROWS, axis=0, mode="nearest")
        held = np.clip(part[start - first : stop - first], -_FURTHEST_DB, _FURTHEST_DB)
        moves[start:stop] = np.round(held * _UNITS_PER_DB)
    return moves
