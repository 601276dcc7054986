"""Which timecode do the words read from a channel give the whole of it, and where does it jump or fail?

Words that count on at the usual speed make a run; a run goes on across holes where the numbers behind them fit. The longest
run speaks for the channel: a straight line through its words tells, better than any one word, where between samples a frame
begins, what the first sample's timecode is, even before the first word, and how the device's clock lies on the timecode's.
Everything else is said: jumps between runs, stretches without words, words that ran backward or at another speed.

Conventions: positions are samples from the first of the channel, fractions allowed; a word stands where its frame begins. The
clock's error is in ppm, positive where the recording device's clock runs fast (more samples a frame than it should have).

Source: SMPTE ST 12-1; how long a run must be is common practice, no source.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from takewell.shape import LinearTimecodeReader, TimecodeWords
from takewell.timecode import PULL_DOWN, Timecode, TimecodeRate
from takewell.wave.decode import Samples

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
Progress = Callable[[int], None]

LEAST_WORDS = 4
"""Words that must count on for a run to be believed: chance gives one now and then, never four in line."""

_COUNTS = (24, 25, 30)
_CLOCK_SHARE = 3e-4
"""Of a hole's length: what two bad clocks may part in it without a jump (300 ppm)."""

_USUAL_SPEED = 0.02
"""Words within this share of the usual length belong to a run."""


@dataclass(frozen=True)
class TimecodeRun:
    """Words that count on."""

    start_samples: float
    end_samples: float
    first: Timecode
    words: int


@dataclass(frozen=True)
class TimecodeJump:
    """Between two runs the numbers leave out or repeat frames."""

    start_samples: float
    """Where the earlier run ends."""
    end_samples: float
    """Where the later one begins."""
    expected: Timecode
    found: Timecode

    @property
    def frames(self) -> int:
        """Frames left out (positive) or counted again, the shorter way round the day."""
        day = self.found.rate.frames_per_day
        return (self.found.frames - self.expected.frames + day // 2) % day - day // 2


@dataclass(frozen=True)
class TrackTimecode:
    """What a channel of linear timecode says of the file it lies in."""

    rate: TimecodeRate
    sample_rate: int
    start_samples: Fraction
    """Samples since midnight at the first sample, at the rates as stated."""
    uncertainty_samples: float
    """Half of the interval that holds it in 95 of 100 cases, by how the words scatter around their line."""
    clock_ppm: float
    clock_uncertainty_ppm: float
    user_bits: str
    """Of most words: eight hexadecimal digits, the group beside the hours first."""
    runs: tuple[TimecodeRun, ...]
    jumps: tuple[TimecodeJump, ...]
    holes: tuple[tuple[float, float], ...]
    """Stretches without a word that could be read, in samples."""
    other_words: int
    """Words that ran backward or at another speed, or did not count on."""

    @property
    def start(self) -> Timecode:
        """The timecode frame that the first sample lies in."""
        return Timecode.from_samples(self.time_reference, self.sample_rate, self.rate)

    @property
    def time_reference(self) -> int:
        """Samples since midnight at the first sample, to the nearest: bext's TimeReference."""
        day = self.rate.frames_per_day * self.rate.samples_per_frame(self.sample_rate)
        return round(self.start_samples % day)

    @property
    def notes(self) -> tuple[str, ...]:
        """Plain sentences about what is odd."""
        told = [
            f"At {_clock(jump.end_samples, self.sample_rate)} the timecode on the track jumps from {jump.expected} to "
            f"{jump.found} ({jump.frames:+d} frames)."
            for jump in self.jumps
        ]
        missing = sum(end - start for start, end in self.holes)
        if missing > self.sample_rate:
            longest = max(self.holes, key=lambda hole: hole[1] - hole[0])
            told.append(
                f"The timecode on the track cannot be read for {missing / self.sample_rate:.1f} s in all, the longest "
                f"stretch from {_clock(longest[0], self.sample_rate)} on."
            )
        if self.other_words > LEAST_WORDS:
            told.append(
                f"{self.other_words} words of timecode on the track run backward or at another speed; they were left out."
            )
        return tuple(told)


def track_timecode(
    blocks: Iterable[Samples], sample_rate: int, *, progress: Progress | None = None
) -> TrackTimecode | None:
    """Return what the timecode in a channel says, fed in blocks of (n, 1); None if there is none."""
    reader = LinearTimecodeReader(sample_rate)
    parts, length = [], 0
    for block in blocks:
        parts.append(reader.add(block))
        length += len(block)
        if progress is not None:
            progress(len(block))
    words = TimecodeWords.joined(parts)
    rate = _rate(words, sample_rate)
    return None if rate is None else _judged(words, rate, sample_rate, length)


def _rate(words: TimecodeWords, sample_rate: int) -> TimecodeRate | None:
    """Return how the words count, by the last frame before a new second and by how long they are."""
    forward = words[~words.backward]
    if len(forward) < LEAST_WORDS:
        return None
    numbers = forward.numbers
    turns = (np.diff(numbers[:, 2]) != 0) & (numbers[1:, 3] <= 2)
    last = numbers[:-1, 3][turns]
    length = float(np.median(forward.end_samples - forward.start_samples))
    per_second = sample_rate / length
    counts, often = np.unique(last + 1, return_counts=True)
    told = [int(count) for count in counts[np.argsort(-often)] if count in _COUNTS]
    count = told[0] if told else min(_COUNTS, key=lambda each: abs(per_second / each - 1))
    real = Fraction(count)
    if count != 25 and abs(per_second - float(count * PULL_DOWN)) < abs(per_second - count):
        real *= PULL_DOWN
    drop = count == 30 and 2 * int(forward.dropping.sum()) > len(forward)
    return TimecodeRate(count, real, drop)


def _judged(words: TimecodeWords, rate: TimecodeRate, sample_rate: int, length: int) -> TrackTimecode | None:
    frame = float(rate.samples_per_frame(sample_rate))
    lengths = words.end_samples - words.start_samples
    usual = ~words.backward & (np.abs(lengths / frame - 1) < _USUAL_SPEED)
    usual &= words.numbers[:, 3] < rate.count
    kept = words[usual]
    frames = _frames(kept, rate)
    spans = _runs(kept.start_samples, frames, rate, frame)
    if not spans:
        return None
    rows = np.concatenate([np.arange(*span) for part in spans for span in part])
    longest = max(spans, key=lambda part: sum(stop - start for start, stop in part))
    inside = np.concatenate([np.arange(*span) for span in longest])
    line = _line(kept.start_samples[inside], _unwrapped(frames[inside], rate), frame)
    runs = tuple(
        TimecodeRun(
            start_samples=float(kept.start_samples[part[0][0]]),
            end_samples=float(kept.end_samples[part[-1][1] - 1]),
            first=Timecode.from_frames(int(frames[part[0][0]]), rate),
            words=sum(stop - start for start, stop in part),
        )
        for part in spans
    )
    jumps = []
    for earlier, later in pairwise(spans):
        before, after = earlier[-1][1] - 1, later[0][0]
        passed = round((kept.start_samples[after] - kept.start_samples[before]) / frame)
        jumps.append(
            TimecodeJump(
                start_samples=float(kept.end_samples[before]),
                end_samples=float(kept.start_samples[after]),
                expected=Timecode.from_frames(int(frames[before]) + passed, rate),
                found=Timecode.from_frames(int(frames[after]), rate),
            )
        )
    bits, often = np.unique(kept.user_bits[rows], return_counts=True)
    return TrackTimecode(
        rate=rate,
        sample_rate=sample_rate,
        start_samples=Fraction(line.frame_at_zero) * rate.samples_per_frame(sample_rate),
        uncertainty_samples=line.uncertainty_samples,
        clock_ppm=line.clock_ppm,
        clock_uncertainty_ppm=line.clock_uncertainty_ppm,
        user_bits=f"{int(bits[np.argmax(often)]):08X}",
        runs=runs,
        jumps=tuple(jumps),
        holes=_holes(kept[rows], length, frame),
        other_words=len(words) - len(rows),
    )


def _frames(words: TimecodeWords, rate: TimecodeRate) -> I64:
    """Return the frames since midnight that the words number."""
    hours, minutes, seconds, frames = words.numbers.T
    all_minutes = 60 * hours + minutes
    counted = (60 * all_minutes + seconds) * rate.count + frames
    return np.asarray(counted - rate.dropped * (all_minutes - all_minutes // 10))


def _runs(places: F64, frames: I64, rate: TimecodeRate, frame: float) -> list[list[tuple[int, int]]]:
    """Return the runs, each as spans of rows (first, past the last) with words that do not fit left out between."""
    if len(places) < LEAST_WORDS:
        return []
    day = rate.frames_per_day
    step = np.diff(places) / frame
    off = (np.diff(frames) - step + day / 2) % day - day / 2
    breaks = np.flatnonzero(np.abs(off) > 0.5 + _CLOCK_SHARE * step) + 1
    edges = [0, *breaks.tolist(), len(places)]
    spans = [(start, stop) for start, stop in pairwise(edges) if stop - start >= LEAST_WORDS]
    runs: list[list[tuple[int, int]]] = []
    for span in spans:
        if runs:
            before, after = runs[-1][-1][1] - 1, span[0]
            passed = (places[after] - places[before]) / frame
            miss = (frames[after] - frames[before] - passed + day / 2) % day - day / 2
            if abs(miss) <= 0.5 + _CLOCK_SHARE * passed:
                runs[-1].append(span)
                continue
        runs.append([span])
    return runs


def _unwrapped(frames: I64, rate: TimecodeRate) -> F64:
    """Return frames that count on past midnight."""
    turns = np.concatenate([[0], np.cumsum(np.diff(frames) < 0)])
    return np.asarray(frames + turns * rate.frames_per_day, np.float64)


@dataclass(frozen=True)
class _Line:
    frame_at_zero: float
    uncertainty_samples: float
    clock_ppm: float
    clock_uncertainty_ppm: float


def _line(places: F64, frames: F64, frame: float) -> _Line:
    """Return the line through a run's words, those that stand off it left out."""
    middle = frames.mean()
    x = frames - middle
    good = np.ones(len(x), np.bool_)
    for _ in range(3):
        slope, level = np.polyfit(x[good], places[good], 1) if good.sum() > 2 else (frame, places.mean())
        off = places - (level + slope * x)
        spread = (
            1.4826 * float(np.median(np.abs(off[good]))) + 1e-3
        )  # of a normal scatter, by its middle half
        good = np.abs(off) < 5 * spread
    scatter = float(off[good].std()) + 1e-3
    weight = max(float((x[good] ** 2).sum()), 1e-9)
    at_zero = -level / slope
    error = scatter * np.sqrt(1 / good.sum() + at_zero**2 / weight)
    return _Line(
        frame_at_zero=float(at_zero + middle),
        uncertainty_samples=float(1.96 * error),
        clock_ppm=float((slope / frame - 1) * 1e6),
        clock_uncertainty_ppm=float(1.96 * scatter / np.sqrt(weight) / frame * 1e6),
    )


def _holes(words: TimecodeWords, length: int, frame: float) -> tuple[tuple[float, float], ...]:
    """Return the stretches of more than two frames without a word."""
    ends = np.concatenate([[0.0], words.end_samples])
    starts = np.concatenate([words.start_samples, [float(length)]])
    return tuple(
        (float(end), float(start)) for end, start in zip(ends, starts, strict=True) if start - end > 2 * frame
    )


def _clock(samples: float, sample_rate: int) -> str:
    minutes, seconds = divmod(samples / sample_rate, 60)
    hours, minutes = divmod(int(minutes), 60)
    return f"{hours}:{minutes:02d}:{seconds:06.3f}"
