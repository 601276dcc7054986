"""Which timecode does a sample carry, and at which sample does a timecode begin?

Conventions: everything is exact. A rate is three things: what a second is *counted* as (30), how many
frames really pass in a second (30000/1001), and whether numbers are dropped. Frames are integers since
midnight; sample positions that fall between samples are `Fraction`. A stamped position (bext TimeReference)
is the integer nearest to the frame's start, and a sample belongs to the frame whose nearest start it has
reached, so stamp and timecode give each other back.

Source: SMPTE ST 12-1 counting, as commonly published: drop-frame 29.97 leaves out the numbers ;00 and ;01
(59.94: ;00 to ;03) at each minute that ten does not divide.
"""

import math
import re
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Self

from takewell.errors import SettingError

COUNTS = (24, 25, 30, 48, 50, 60)
"""Frames that timecode may count in a second."""

PULLED_DOWN_COUNTS = (24, 30, 48, 60)
"""Counts that also run at 1000/1001 of their speed."""

DROP_COUNTS = (30, 60)
"""Counts whose numbers may be dropped."""

PULL_DOWN = Fraction(1000, 1001)

_ACCEPTED = "23.976, 24, 25, 29.97 DF, 29.97 NDF, 30, 47.952, 48, 50, 59.94 DF, 59.94 NDF and 60 are known"
_RATE = re.compile(
    r"\s*(?P<whole>\d{1,9})(?:\s*[.,]\s*(?P<decimals>\d{1,9})|\s*/\s*(?P<over>\d{1,9}))?"
    r"\s*(?:fps|p)?[\s_-]*(?P<flag>[a-z]*(?:[\s_-]+[a-z]+){0,2})\s*",
    re.IGNORECASE,
)
_FLAGS = {
    **dict.fromkeys(("d", "df", "drop", "dropframe"), True),
    **dict.fromkeys(("n", "nd", "ndf", "nondrop", "nondropframe"), False),
}
_DECIMAL_PARTS = {10**places for places in range(2, 10)}
_CODE = re.compile(r"\s*(\d{1,2})[:.;](\d{1,2})[:.;](\d{1,2})([:.,;])(\d{1,2})\s*")


@dataclass(frozen=True)
class TimecodeRate:
    """How timecode counts (`count` a second), how fast frames really pass (`real` a second), and if numbers drop.

    Raises
    ------
    SettingError
        If the three do not make a rate that exists.

    Examples
    --------
    >>> TimecodeRate(30, Fraction(30000, 1001), drop=True)
    TimecodeRate(count=30, real=Fraction(30000, 1001), drop=True)
    >>> str(TimecodeRate.parse("30000/1001", flag="DF"))
    '29.97 DF'
    """

    count: int
    real: Fraction
    drop: bool = False

    def __post_init__(self) -> None:
        known = self.count in COUNTS and (
            self.real == self.count
            or (self.count in PULLED_DOWN_COUNTS and self.real == self.count * PULL_DOWN)
        )
        if not known:
            raise SettingError(f"timecode of {self.count} frames at {self.real} a second: {_ACCEPTED}.")
        if self.drop and self.count not in DROP_COUNTS:
            raise SettingError(
                f"timecode rate {_decimal(self.real)} has no drop-frame counting; only 29.97, 30, 59.94 and 60 have."
            )

    @classmethod
    def parse(cls, text: str, flag: str = "") -> Self:
        """Return the rate that people and machines write in many ways.

        Parameters
        ----------
        text : str
            ``"25"``, ``"25/1"``, ``"30000/1001"``, ``"23.976"``, ``"23,98"``, ``"2997ND"``, ``"29.97DF"``,
            ``"29.97 fps drop"`` and the like. Without a word about dropping, nothing is dropped.
        flag : str
            iXML's TIMECODE_FLAG where it stands apart; a word in `text` goes before it.

        Raises
        ------
        SettingError
            If this is no rate timecode runs at.
        """
        match = _RATE.fullmatch(text)
        drop = None if match is None else _drop_word(match["flag"], flag)
        if match is None or drop is None:
            raise SettingError(f"timecode rate {text!r} {flag}".rstrip() + f" cannot be read; {_ACCEPTED}.")
        real = _real_rate(match["whole"], match["decimals"], match["over"])
        if real is None:
            raise SettingError(f"timecode rate {text!r} is not one that timecode runs at; {_ACCEPTED}.")
        return cls(-(-real.numerator // real.denominator), real, drop)

    def __str__(self) -> str:
        """Return the rate strictly written: ``25``, ``23.976``, ``29.97 DF``, ``29.97 NDF``."""
        text = _decimal(self.real)
        if self.drop:
            return f"{text} DF"
        return f"{text} NDF" if self.count in DROP_COUNTS and self.real != self.count else text

    @property
    def fraction(self) -> str:
        """The rate as iXML's TIMECODE_RATE writes it, such as ``30000/1001``."""
        return f"{self.real.numerator}/{self.real.denominator}"

    @property
    def flag(self) -> str:
        """iXML's TIMECODE_FLAG: ``DF`` or ``NDF``."""
        return "DF" if self.drop else "NDF"

    @property
    def dropped(self) -> int:
        """Frame numbers left out at the start of a minute that ten does not divide."""
        return self.count // 15 if self.drop else 0

    @property
    def frames_per_minute(self) -> int:
        """Frames in a minute at whose start numbers may be dropped."""
        return 60 * self.count - self.dropped

    @property
    def frames_per_ten_minutes(self) -> int:
        """Frames in ten minutes of timecode."""
        return 600 * self.count - 9 * self.dropped

    @property
    def frames_per_day(self) -> int:
        """Frames in 24 hours of timecode, after which it begins again."""
        return 144 * self.frames_per_ten_minutes

    def samples_per_frame(self, sample_rate: int) -> Fraction:
        """Return the exact length of a frame in samples at `sample_rate` (Hz)."""
        return Fraction(sample_rate) / self.real


@dataclass(frozen=True)
class Timecode:
    """One frame of timecode: `frames` since midnight at `rate`, less than a day.

    Raises
    ------
    SettingError
        If `frames` lies outside the day; `from_frames` rolls over instead.

    Examples
    --------
    >>> rate = TimecodeRate.parse("29.97DF")
    >>> str(Timecode.from_frames(1800, rate))
    '00:01:00;02'
    >>> Timecode.parse("10:00:00;00", rate).to_samples(48_000)
    Fraction(1727998272, 1)
    """

    frames: int
    rate: TimecodeRate

    def __post_init__(self) -> None:
        if not 0 <= self.frames < self.rate.frames_per_day:
            raise SettingError(
                f"frame {self.frames} lies outside the day; {self.rate} counts 0 to {self.rate.frames_per_day - 1}."
            )

    @classmethod
    def from_frames(cls, frames: int, rate: TimecodeRate) -> Self:
        """Return the timecode `frames` after midnight; past a day (or before it) it rolls over."""
        return cls(frames % rate.frames_per_day, rate)

    @classmethod
    def from_samples(cls, samples: int, sample_rate: int, rate: TimecodeRate) -> Self:
        """Return the frame that a sample lies in, counted from midnight; past a day it rolls over.

        Parameters
        ----------
        samples : int
            Samples since midnight, such as a bext TimeReference.
        sample_rate : int
            The rate the samples are stamped at, in Hz.
        rate : TimecodeRate
            How the timecode counts.
        """
        half_up = Fraction(2 * samples + 1, 2)
        return cls.from_frames(half_up // rate.samples_per_frame(sample_rate), rate)

    @classmethod
    def parse(cls, text: str, rate: TimecodeRate) -> Self:
        """Return the timecode written ``10:00:00:00``, or ``10:00:00;00`` where numbers drop.

        Raises
        ------
        SettingError
            If this is no timecode, a field is too large, the number is one that drop-frame leaves out,
            or it is written as drop-frame at a rate that drops nothing.
        """
        match = _CODE.fullmatch(text)
        if match is None:
            raise SettingError(f"timecode {text!r} cannot be read; write it as hours:minutes:seconds:frames.")
        hours, minutes, seconds, frame = (int(match[i]) for i in (1, 2, 3, 5))
        for value, limit, unit in ((hours, 24, "hours"), (minutes, 60, "minutes"), (seconds, 60, "seconds")):
            if value >= limit:
                raise SettingError(f"timecode {text.strip()} has {value} {unit}; at most {limit - 1} fit.")
        if frame >= rate.count:
            raise SettingError(
                f"timecode {text.strip()} has frame {frame}; at {rate} frames run from 0 to {rate.count - 1}."
            )
        if match[4] == ";" and not rate.drop:
            raise SettingError(
                f"timecode {text.strip()} is written as drop-frame, but {rate} drops no numbers; write ':'."
            )
        if seconds == 0 and frame < rate.dropped and minutes % 10:
            raise SettingError(
                f"timecode {text.strip()} does not exist at {rate}: the numbers 00 to {rate.dropped - 1:02d} are "
                f"left out at the start of this minute; the first is {rate.dropped:02d}."
            )
        tens, ones = divmod(60 * hours + minutes, 10)
        counted = rate.count * seconds + frame + 60 * rate.count * ones - rate.dropped * ones
        return cls(tens * rate.frames_per_ten_minutes + counted, rate)

    def __str__(self) -> str:
        """Return ``10:00:00:00``, with ``;`` before the frames where numbers drop."""
        tens, rest = divmod(self.frames, self.rate.frames_per_ten_minutes)
        # Only the first of ten minutes is whole: minute k > 0 begins at frame k * frames_per_minute + dropped,
        # and its first number is `dropped`, so its numbers are the frames less k * frames_per_minute.
        ones = max(rest - self.rate.dropped, 0) // self.rate.frames_per_minute
        seconds, frame = divmod(rest - ones * self.rate.frames_per_minute, self.rate.count)
        hours, minutes = divmod(10 * tens + ones, 60)
        return f"{hours:02d}:{minutes:02d}:{seconds:02d}{';' if self.rate.drop else ':'}{frame:02d}"

    def to_samples(self, sample_rate: int) -> Fraction:
        """Return the exact start of the frame, in samples since midnight at `sample_rate` (Hz)."""
        return self.frames * self.rate.samples_per_frame(sample_rate)

    def time_reference(self, sample_rate: int) -> int:
        """Return the start of the frame to the nearest sample, as bext's TimeReference stamps it; of two equally near the
        earlier, so that the sample before always lies in the frame before.
        """
        return math.ceil(self.to_samples(sample_rate) - Fraction(1, 2))

    @property
    def seconds(self) -> Fraction:
        """Exact real seconds since midnight."""
        return self.frames / self.rate.real


def _drop_word(*words: str) -> bool | None:
    """Return what the first word that says anything says of dropping; None for a word nobody knows."""
    for word in words:
        key = re.sub(r"[\s_-]", "", word).lower()
        if key:
            return _FLAGS.get(key)
    return False


@lru_cache(maxsize=256)
def _real_rate(whole: str, decimals: str | None, over: str | None) -> Fraction | None:
    """Return the exact rate a written number stands for, or None."""
    exact = [Fraction(count) for count in COUNTS] + [count * PULL_DOWN for count in PULLED_DOWN_COUNTS]
    if decimals is None and over is None and len(whole) in (4, 5):  # 2997, 23976: the point left out
        whole, decimals = whole[:2], whole[2:]
    decimals = (decimals or "").rstrip("0")
    parts = int(over) if over is not None else 10 ** len(decimals)
    if parts == 0:
        return None
    given = Fraction(int(whole + decimals), parts)
    if given in exact or parts not in _DECIMAL_PARTS:
        return given if given in exact else None
    # A decimal names the rate it is a rounding (or cutting) of: 23.976, 23.98, 23.97, 29.97, 2997/100.
    near = [rate for rate in exact if abs(rate - given) < Fraction(1, parts)]
    return near[0] if len(near) == 1 else None


def _decimal(real: Fraction) -> str:
    """Return the customary decimal: two places for 29.97 and 59.94, three for 23.976 and 47.952."""
    if real.denominator == 1:
        return str(real.numerator)
    return f"{float(real):.3f}".removesuffix("0")
