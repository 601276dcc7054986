"""Which timecode runs in a channel of sound, and how is it written into one?

Linear timecode is a square wave whose every bit begins with a change of sign; a one has another change half-way
(biphase mark). Reading goes in three steps: the channel, smoothed over a part of half a bit, gives the times of its
changes of sign, between samples too and with a band around zero that noise must leave; the times between them, short or
long against a speed that is followed, give bits; eighty bits that end in the sync word (or begin with it turned round,
when the tape runs backward) give a word. Words with digits that no clock shows are left out, so noise and holes cost the
words they touch and no others. Polarity does not matter: only changes count.

Conventions: a channel is (n, 1) floats; positions are samples from the first one fed. What is written has its edges at
the exact places between samples, 40 µs from 10 to 90 %.

Source: SMPTE ST 12-1, as commonly published (rise time 40 ± 10 µs, biphase mark; from memory).
"""

from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from takewell.errors import SettingError, SignalError
from takewell.shape.linear_timecode_loop import HALF, RING, SIGN, find_edges, find_words
from takewell.shape.timecode_word import WORD_BITS, TimecodeWords, timecode_word
from takewell.timecode import Timecode, TimecodeRate

F64 = NDArray[np.float64]
Samples = NDArray[np.float32] | NDArray[np.float64]

LOWEST_RATE, HIGHEST_RATE = 8_000, 192_000
WRITTEN_COUNTS = (24, 25, 30)

_USUAL_BITS_PER_S = 27 * WORD_BITS
"""Between 24 and 30 frames a second: where reading begins, before the speed is known."""

_STEP_S = 0.1
"""How often the smoothing follows the speed."""

_MEAN_HZ = 10.0
"""Below it everything is taken for an offset; the slowest part of the code lies at 960 Hz."""

_ENVELOPE_S = 0.005
"""In which the envelope falls to a third, so that a click does not deafen the reader for more than some bits."""

_HYSTERESIS = 0.25
"""Of the envelope. Half a bit in a channel cut off at 4 kHz still reaches more than half of it."""

_RISE_S = 40e-6
_RISE_SHARE = 2 / np.pi * np.arcsin(0.8)
"""The part of a sine-shaped edge that lies between 10 and 90 %."""

_SYNC = 0xBFFC


class LinearTimecodeReader:
    """Reads timecode out of a channel, block by block, at any speed from a tenth to some times the usual one.

    Parameters
    ----------
    rate : int
        Sampling rate in Hz, 8 to 192 kHz.

    Raises
    ------
    SettingError
        If the rate is out of range.

    Examples
    --------
    >>> start = Timecode.parse("10:00:00:00", TimecodeRate.parse("25"))
    >>> channel = LinearTimecode(start.rate, 48_000, start_samples=start.to_samples(48_000)).samples(0, 48_000)
    >>> words = LinearTimecodeReader(48_000).add(channel)
    >>> words.numbers[-1].tolist()
    [10, 0, 0, 23]
    """

    def __init__(self, rate: int) -> None:
        if not LOWEST_RATE <= rate <= HIGHEST_RATE:
            raise SettingError(f"Timecode at a sampling rate of {rate} Hz cannot be read; 8 to 192 kHz can.")
        self._usual_half = rate / _USUAL_BITS_PER_S / 2
        self._step = max(int(rate * _STEP_S), 64)
        self._widest = max(1, int(2 * self._usual_half))
        self._mean_share = 1 - np.exp(-2 * np.pi * _MEAN_HZ / rate)
        self._decay = float(np.exp(-1 / (_ENVELOPE_S * rate)))
        self._tail = np.zeros(self._widest)
        self._position = 0
        self._steps_without_speed = 0
        self._edges = np.zeros(5)
        self._edges[SIGN] = -1.0
        self._floats = np.array([self._usual_half, 0.0, -np.inf])
        self._integers = np.zeros(4, np.int64)
        self._ring = np.zeros(RING)
        self._bit_starts = np.zeros(WORD_BITS)
        self._register = np.zeros(2, np.uint64)

    def add(self, samples: Samples) -> TimecodeWords:
        """Return the words that end in these further samples, an (n, 1) float array.

        Raises
        ------
        SignalError
            If it is no single channel.
        """
        if samples.ndim != 2 or samples.shape[1] != 1:
            raise SignalError(f"samples have the shape {samples.shape}; timecode is one channel, (n, 1).")
        channel = samples[:, 0].astype(np.float64)
        if not np.isfinite(channel).all():
            channel = np.nan_to_num(channel, nan=0.0, posinf=0.0, neginf=0.0)
        with_tail = np.concatenate([self._tail, channel])
        parts = [
            self._add(with_tail[i : i + len(self._tail) + self._step])
            for i in range(0, len(channel), self._step)
        ]
        self._tail = with_tail[len(channel) :]
        found = TimecodeWords.joined(parts)
        return found[found.possible]

    def _add(self, samples: F64) -> TimecodeWords:
        """Read a step of samples, with as many old ones before it as the tail holds."""
        new = len(samples) - len(self._tail)
        times = np.empty(new + 1)
        count = find_edges(
            samples,
            len(self._tail),
            self._width(),
            float(self._position),
            self._mean_share,
            self._decay,
            _HYSTERESIS,
            self._edges,
            times,
        )
        most = count // WORD_BITS + 2
        words, spans = np.zeros(most, np.uint64), np.zeros((most, 2))
        flags = np.zeros(most, np.int64)
        found = find_words(
            times[:count],
            self._floats,
            self._integers,
            self._ring,
            self._bit_starts,
            self._register,
            words,
            spans,
            flags,
        )
        self._position += new
        return TimecodeWords(words[:found], spans[:found, 0], spans[:found, 1], flags[:found] == 1)

    def _width(self) -> int:
        """Samples to smooth over: half of half a bit, by the speed, or where it is not known by turns usual and fast."""
        half = self._floats[HALF]
        if half > 0:
            self._steps_without_speed = 0
        else:
            self._steps_without_speed += 1
            half = self._usual_half if self._steps_without_speed // 4 % 2 == 0 else self._usual_half / 4
        return int(min(max(1, round(half / 2)), self._widest))


class LinearTimecode:
    """Timecode as sound: any stretch of it, sample by sample from its place alone.

    Parameters
    ----------
    timecode_rate : TimecodeRate
        Counting 24, 25 or 30 frames.
    rate : int
        Sampling rate in Hz, 8 to 192 kHz.
    start_samples : int or Fraction
        Samples since midnight of the first sample, such as a bext TimeReference.
    user_bits : int
        Eight hexadecimal digits, the same in every word.
    peak_dbfs : float
        Height of the square wave.

    Raises
    ------
    SettingError
        If the rate has no linear timecode, or a number is out of range.
    """

    def __init__(
        self,
        timecode_rate: TimecodeRate,
        rate: int,
        *,
        start_samples: int | Fraction = 0,
        user_bits: int = 0,
        peak_dbfs: float = -18.0,
    ) -> None:
        if timecode_rate.count not in WRITTEN_COUNTS:
            raise SettingError(
                f"{timecode_rate} frames a second have no linear timecode of their own; it counts 24, 25 or 30."
            )
        if not LOWEST_RATE <= rate <= HIGHEST_RATE:
            raise SettingError(
                f"Timecode at a sampling rate of {rate} Hz cannot be written; 8 to 192 kHz can."
            )
        if not 0 <= user_bits < 1 << 32:
            raise SettingError(f"User bits {user_bits:X} do not fit; eight hexadecimal digits do.")
        if not peak_dbfs <= 0:
            raise SettingError(f"Timecode of {peak_dbfs} dBFS does not fit; 0 is the most.")
        self._timecode_rate, self._user_bits = timecode_rate, user_bits
        self._start = Fraction(start_samples)
        self._half_bit = timecode_rate.samples_per_frame(rate) / (2 * WORD_BITS)
        self._edge = min(max(_RISE_S / _RISE_SHARE * rate, 2.0), float(self._half_bit))
        self._height = 10 ** (peak_dbfs / 20)

    def samples(self, start: int, count: int) -> F64:
        """Return samples `start` to ``start + count``, an (n, 1) array."""
        out = np.empty((count, 1))
        piece = 1 << 16
        for first in range(0, count, piece):
            last = min(count, first + piece)
            out[first:last, 0] = self._piece(start + first, last - first)
        return out

    def _piece(self, start: int, count: int) -> F64:
        place = (self._start + start) / self._half_bit
        base = place // 1
        halves = float(place - base) + np.arange(count) / float(self._half_bit)
        nearest = np.rint(halves).astype(
            np.int64
        )  # the boundary between two halves of bits that lies nearest
        levels = self._levels(int(base) - 1, int(nearest[-1]) + 2 if count else 0)
        before, after = levels[nearest], levels[nearest + 1]
        turn = np.clip((halves - nearest) * float(self._half_bit) * 2 / self._edge, -1.0, 1.0)
        wave = 0.5 * ((after + before) + (after - before) * np.sin(np.pi / 2 * turn))
        return np.asarray(self._height * wave)

    def _levels(self, first: int, count: int) -> F64:
        """Return the sign of `count` halves of bits from number `first` after midnight."""
        per_word = 2 * WORD_BITS
        low, high = first // per_word, (first + count) // per_word + 1
        levels = np.concatenate([self._word(frame) for frame in range(low, high)])
        return levels[first - low * per_word :][:count]

    def _word(self, frame: int) -> F64:
        word = timecode_word(Timecode.from_frames(frame, self._timecode_rate), self._user_bits) | _SYNC << 64
        bits = np.frombuffer(word.to_bytes(10, "little"), np.uint8)
        ones = np.unpackbits(bits, bitorder="little")
        turns = np.ones((WORD_BITS, 2))
        turns[ones == 1, 1] = -1.0
        turns[:, 0] = -1.0
        # An even number of changes in every word: each begins as the one before did, upward.
        return np.asarray(-np.cumprod(turns.reshape(-1)))
