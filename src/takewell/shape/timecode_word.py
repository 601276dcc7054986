"""What do the eighty bits of a word of linear timecode say?

Conventions: a word's 64 data bits are one integer, bit 0 (the first to run) lowest; the sixteen sync bits that follow are
always the same. User bits are one integer of eight hexadecimal digits, the group beside the frames lowest.

Source: SMPTE ST 12-1, the codeword of linear timecode, as commonly published (the table is from memory, the text of the
standard was not at hand): frames in bits 0-3 and 8-9, seconds in 16-19 and 24-26, minutes in 32-35 and 40-42, hours in
48-51 and 56-57, drop-frame flag 10, colour-frame flag 11, user bits in the eight groups of four from bit 4 on; the bit
that makes the number of noughts in a word even (so that every word begins the same way round) is 27, at 25 frames 59.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from takewell.timecode import Timecode

F64 = NDArray[np.float64]
U64 = NDArray[np.uint64]
I64 = NDArray[np.int64]

SYNC_ONES = 13
"""Ones in the sync word 0011 1111 1111 1101."""

WORD_BITS = 80
_DROP_BIT = 10
_EVEN_BIT = {24: 27, 25: 59, 30: 27}
_DIGITS = ((0, 4), (8, 2), (16, 4), (24, 3), (32, 4), (40, 3), (48, 4), (56, 2))
"""First bit and number of bits of: frames, tens of frames, seconds, tens, minutes, tens, hours, tens."""
_USER_GROUPS = (4, 12, 20, 28, 36, 44, 52, 60)


@dataclass(frozen=True)
class TimecodeWords:
    """The whole words found in a channel, one row each, in the order in which they ran past.

    Parameters
    ----------
    words : (n,) uint64 array
        Data bits.
    start_samples, end_samples : (n,) float64 array
        Where each word begins and ends, in samples from the first one of the channel, between samples too. Of a word
        that ran backward the end is where its frame begins.
    backward : (n,) bool array
    """

    words: U64
    start_samples: F64
    end_samples: F64
    backward: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.words)

    @property
    def numbers(self) -> I64:
        """Hours, minutes, seconds and frames as written, an (n, 4) array."""
        ones_and_tens = [_bits(self.words, first, count) for first, count in _DIGITS]
        columns = [
            ones + 10 * tens for ones, tens in zip(ones_and_tens[::2], ones_and_tens[1::2], strict=True)
        ]
        return np.stack(columns[::-1], axis=1)

    @property
    def dropping(self) -> NDArray[np.bool_]:
        """Whether the drop-frame flag is set."""
        return np.asarray(_bits(self.words, _DROP_BIT, 1) == 1)

    @property
    def user_bits(self) -> I64:
        """Eight hexadecimal digits as one integer."""
        return sum(
            (_bits(self.words, first, 4) << (4 * place) for place, first in enumerate(_USER_GROUPS)),
            start=np.zeros(len(self), np.int64),
        )

    @property
    def even(self) -> NDArray[np.bool_]:
        """Whether the noughts of the whole word are even in number, as they are where the writer kept the standard."""
        return np.asarray((np.bitwise_count(self.words).astype(np.int64) + SYNC_ONES) % 2 == 0)

    @property
    def possible(self) -> NDArray[np.bool_]:
        """Whether all digits are ones that a clock shows."""
        hours, minutes, seconds, frames = self.numbers.T
        ones = [_bits(self.words, first, count) for first, count in _DIGITS[::2]]
        digits = np.all([digit <= 9 for digit in ones], axis=0)
        return np.asarray(digits & (hours < 24) & (minutes < 60) & (seconds < 60) & (frames < 30))

    def __getitem__(self, rows: slice | NDArray[np.bool_] | I64) -> "TimecodeWords":
        """Return some of the words."""
        return TimecodeWords(
            self.words[rows], self.start_samples[rows], self.end_samples[rows], self.backward[rows]
        )

    @classmethod
    def joined(cls, parts: "list[TimecodeWords]") -> "TimecodeWords":
        """Return the words of successive parts as one."""
        if not parts:
            return cls(np.zeros(0, np.uint64), np.zeros(0), np.zeros(0), np.zeros(0, np.bool_))
        return cls(
            *(
                np.concatenate([getattr(part, name) for part in parts])
                for name in ("words", "start_samples", "end_samples", "backward")
            )
        )


def timecode_word(timecode: Timecode, user_bits: int = 0) -> int:
    """Return the 64 data bits of a frame of timecode.

    Parameters
    ----------
    timecode : Timecode
        At 24, 25 or 30 counted frames; other counts have no linear timecode of their own.
    user_bits : int
        Eight hexadecimal digits.
    """
    written = str(timecode).replace(";", ":").split(":")
    word = int(timecode.rate.drop) << _DROP_BIT
    for (first, _), digit in zip(_DIGITS, "".join(part[::-1] for part in written[::-1]), strict=True):
        word |= int(digit) << first
    for place, first in enumerate(_USER_GROUPS):
        word |= (user_bits >> (4 * place) & 0xF) << first
    odd = (word.bit_count() + SYNC_ONES) % 2  # 80 is even: as many noughts as ones, modulo two
    return word | odd << _EVEN_BIT[timecode.rate.count]


def _bits(words: U64, first: int, count: int) -> I64:
    return (words >> np.uint64(first) & np.uint64((1 << count) - 1)).astype(np.int64)
