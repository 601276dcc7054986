"""Which damage does a track get, where exactly, and what should be said about it?

Conventions: each class is one kind of fault on one microphone's channel. `at_input` works on the analogue sound
in units of full scale at the 0 dB setting, `setting_db` is the gain after the converter, `in_float` and
`in_safety` work on what goes into the files; each gets a stretch of the take and returns its (n,) float32 samples
new or untouched. `planted` states the truth. A moment is a time in seconds or (line, share): the share of
the take's sentence with that number, where 1 to 2 run through the pause after it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from takewell.demo.dialogue import Utterance
from takewell.demo.noise import white
from takewell.demo.truth import Number
from takewell.units import SINE_CREST_DB, amplitude

Moment = float | tuple[int, float]
Samples = NDArray[np.float32]

_BOTH_COPIES: tuple[Literal["iso"], Literal["safety"]] = ("iso", "safety")
_CLIPPED_ALSO = ("high_level", "over_full_scale", "limited", "soft_saturation")


@dataclass(frozen=True)
class TakeClock:
    """Turns moments of a take into samples."""

    rate: int
    length_samples: int
    lines: tuple[Utterance, ...]

    def at(self, moment: Moment) -> int:
        """Return the sample of a moment."""
        if not isinstance(moment, tuple):
            return round(moment * self.rate)
        line, share = moment
        said = self.lines[line]
        if share <= 1:
            return said.start_samples + round(share * len(said.clip.samples))
        following = self.lines[line + 1].start_samples if line + 1 < len(self.lines) else self.length_samples
        return said.end_samples + round((share - 1) * (following - said.end_samples))


@dataclass(frozen=True)
class Mark:
    """One thing to be found: on the ISO, on its safety copy, on the mix, or about a file as a whole."""

    target: Literal["iso", "safety", "mix", "file"]
    kind: str
    start_samples: int
    end_samples: int
    what: str
    verdicts: tuple[str, ...]
    accept: tuple[str, ...] = ()
    also: tuple[str, ...] = ()
    numbers: tuple[tuple[str, Number], ...] = ()
    must: bool = True
    to_the_rails: bool = False
    """The first and last sample that reach full scale inside the span are the true times."""


@dataclass(frozen=True)
class Stretch:
    """Part of a channel: its (n,) samples from sample `start` of the take on."""

    samples: Samples
    start: int
    clock: TakeClock
    rng: np.random.Generator
    """Of the channel; draws what noise a fault brings."""

    def silenced(self, spans: Sequence[tuple[int, int]]) -> Samples:
        """Return the samples with zeros in the spans (in samples of the take)."""
        out = self.samples
        for first, last in spans:
            if last > self.start and first < self.start + len(out):
                out = out.copy() if out is self.samples else out
                out[max(first - self.start, 0) : last - self.start] = 0
        return out


class Fault(Protocol):
    """What every fault can do."""

    @property
    def microphone(self) -> str:
        """Name of the channel it lies on; empty for the whole take."""
        ...

    def at_input(self, stretch: Stretch) -> Samples:
        """Return the analogue sound with the fault."""
        ...

    def setting_db(self, stretch: Stretch) -> Samples:
        """Return the gain setting in dB, one number a sample."""
        ...

    def in_float(self, stretch: Stretch) -> Samples:
        """Return what the float file gets."""
        ...

    def in_safety(self, stretch: Stretch) -> Samples:
        """Return what the 24-bit file gets."""
        ...

    def marks(self, clock: TakeClock) -> Sequence[Mark]:
        """Return what should be found."""
        ...


@dataclass(frozen=True)
class _Harmless:
    """Changes nothing: what a fault does not override."""

    microphone: str

    def at_input(self, stretch: Stretch) -> Samples:
        return stretch.samples

    def setting_db(self, stretch: Stretch) -> Samples:
        return np.zeros_like(stretch.samples)

    def in_float(self, stretch: Stretch) -> Samples:
        return stretch.samples

    def in_safety(self, stretch: Stretch) -> Samples:
        return stretch.samples


@dataclass(frozen=True)
class Shouted(_Harmless):
    """Somebody shouts from one line to another: the float ISO goes over full scale whole, 24-bit copies clip."""

    first_line: int
    last_line: int
    in_mix: bool = False
    """Whether this microphone takes the rough mix over full scale too."""

    def marks(self, clock: TakeClock) -> Sequence[Mark]:
        span = clock.at((self.first_line, 0.0)), clock.at((self.last_line, 1.0))
        whole = Mark(
            "iso",
            "over_full_scale",
            *span,
            "a shout over full scale, whole in the float file",
            ("level",),
            ("over_full_scale", "high_level"),
            to_the_rails=True,
        )
        targets: tuple[Literal["safety", "mix"], ...] = ("safety", "mix") if self.in_mix else ("safety",)
        return whole, *(
            Mark(
                target,
                "clipped",
                *span,
                "the same shout cut off at full scale in 24 bits",
                ("mend", "lost"),
                also=_CLIPPED_ALSO,
                to_the_rails=True,
            )
            for target in targets
        )


@dataclass(frozen=True)
class GainMoved(_Harmless):
    """The gain setting is moved at moments during the take; each setting holds until the next."""

    moves: tuple[tuple[Moment, float], ...]

    def _steps(self, clock: TakeClock) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
        at = np.array([0, *(clock.at(moment) for moment, _ in self.moves)], np.int64)
        return at, np.array([0.0, *(gain_db for _, gain_db in self.moves)], np.float32)

    def setting_db(self, stretch: Stretch) -> Samples:
        at, gains_db = self._steps(stretch.clock)
        here = np.arange(stretch.start, stretch.start + len(stretch.samples))
        return gains_db[np.searchsorted(at, here, side="right") - 1]

    def marks(self, clock: TakeClock) -> Sequence[Mark]:
        at, gains_db = self._steps(clock)
        found: list[Mark] = []
        for start, stop, gain_db in zip(at, [*at[1:], clock.length_samples], gains_db, strict=True):
            span = int(start), int(stop)
            numbers = (("gain_db", float(gain_db)),)
            if gain_db < 0:
                what = f"recorded at the {gain_db:+.0f} dB setting"
                found += [_low(target, *span, what, numbers) for target in _BOTH_COPIES]
            elif gain_db > 0:
                what = f"recorded at the {gain_db:+.0f} dB setting"
                found.append(
                    Mark(
                        "iso",
                        "high_level",
                        *span,
                        f"{what}, whole in the float file",
                        ("level",),
                        ("high_level", "over_full_scale"),
                        numbers=numbers,
                    )
                )
                found.append(
                    Mark(
                        "safety",
                        "clipped",
                        *span,
                        f"{what}, cut off at full scale in the 24-bit copy",
                        ("mend", "lost"),
                        also=(*_CLIPPED_ALSO, "noisy"),
                        numbers=numbers,
                        to_the_rails=True,
                    )
                )
        return found


@dataclass(frozen=True)
class TooLow(_Harmless):
    """The gain is set far too low for the whole take."""

    gain_db: float

    def setting_db(self, stretch: Stretch) -> Samples:
        return np.full_like(stretch.samples, self.gain_db)

    def marks(self, clock: TakeClock) -> Sequence[Mark]:
        what = f"input gain {-self.gain_db:.0f} dB too low all through the take"
        numbers = (("gain_db", self.gain_db),)
        return tuple(_low(target, 0, clock.length_samples, what, numbers) for target in _BOTH_COPIES)


@dataclass(frozen=True)
class Hum(_Harmless):
    """Mains hum: a fundamental and harmonics."""

    frequency_hz: float
    level_dbfs: float
    """AES17 level of the fundamental."""
    harmonics: tuple[tuple[int, float], ...] = (
        (2, -12.0), (3, -3.0), (4, -20.0), (5, -7.0), (7, -11.0), (9, -14.0), (11, -18.0),
    )  # fmt: skip
    """(order, level in dB against the fundamental)."""

    def at_input(self, stretch: Stretch) -> Samples:
        samples = stretch.samples
        turns = np.arange(stretch.start, stretch.start + len(samples)) * (
            self.frequency_hz / stretch.clock.rate
        )
        total = np.sin(2 * np.pi * turns)
        for order, level_db in self.harmonics:
            total += amplitude(level_db) * np.sin(2 * np.pi * order * turns + order)
        return np.asarray(samples + (amplitude(self.level_dbfs) * total).astype(np.float32))

    def marks(self, clock: TakeClock) -> Sequence[Mark]:
        return tuple(
            Mark(
                target,
                "hum",
                0,
                clock.length_samples,
                f"mains hum of {self.frequency_hz} Hz with harmonics",
                ("mend",),
                also=("whine", "noisy", "floor_off_plan"),
                numbers=(("frequency_hz", self.frequency_hz), ("level_dbfs", self.level_dbfs)),
            )
            for target in _BOTH_COPIES
        )


@dataclass(frozen=True)
class Hiss(_Harmless):
    """The hiss of a weak radio link: poor speech-to-floor all through."""

    level_dbfs: float

    def at_input(self, stretch: Stretch) -> Samples:
        hiss = white(len(stretch.samples), stretch.rng)
        return stretch.samples + hiss * np.float32(amplitude(self.level_dbfs - SINE_CREST_DB))

    def marks(self, clock: TakeClock) -> Sequence[Mark]:
        return tuple(
            Mark(
                target,
                "noisy",
                0,
                clock.length_samples,
                "hiss of a weak radio link close under the speech",
                ("mend", "lost"),
                also=("floor_off_plan", "rf_burst"),
                numbers=(("floor_dbfs", self.level_dbfs),),
            )
            for target in _BOTH_COPIES
        )


@dataclass(frozen=True)
class Dropouts(_Harmless):
    """The radio link fails for an instant in mid-word; the converter's own noise goes on."""

    moments: tuple[Moment, ...]
    duration_s: float

    def at_input(self, stretch: Stretch) -> Samples:
        length = round(self.duration_s * stretch.clock.rate)
        return stretch.silenced([(at, at + length) for at in map(stretch.clock.at, self.moments)])

    def marks(self, clock: TakeClock) -> Sequence[Mark]:
        length = round(self.duration_s * clock.rate)
        return tuple(
            Mark(
                target,
                "dropout",
                clock.at(moment),
                clock.at(moment) + length,
                f"radio dropout of {1000 * self.duration_s:.0f} ms in mid-word",
                ("mend", "lost"),
                ("dropout", "digital_silence", "gap"),
                also=("rf_burst",),
            )
            for target in _BOTH_COPIES
            for moment in self.moments
        )


@dataclass(frozen=True)
class Muted(_Harmless):
    """The ISO's mute is pressed for a while: exact zeros in the float file, the safety copy is whole."""

    start: Moment
    end: Moment

    def in_float(self, stretch: Stretch) -> Samples:
        return stretch.silenced([(stretch.clock.at(self.start), stretch.clock.at(self.end))])

    def marks(self, clock: TakeClock) -> Sequence[Mark]:
        return (
            Mark(
                "iso",
                "digital_silence",
                clock.at(self.start),
                clock.at(self.end),
                "track muted: exact zeros",
                ("mend", "lost"),
                ("digital_silence", "dropout"),
            ),
        )


@dataclass(frozen=True)
class Dead(_Harmless):
    """Nothing is plugged in: only the converter's noise."""

    def at_input(self, stretch: Stretch) -> Samples:
        return np.zeros_like(stretch.samples)

    def marks(self, clock: TakeClock) -> Sequence[Mark]:
        return tuple(
            Mark(
                target,
                "dead_track",
                0,
                clock.length_samples,
                "cable off: only the converter's noise",
                ("lost",),
                also=("floor_off_plan", "low_level"),
            )
            for target in _BOTH_COPIES
        )


@dataclass(frozen=True)
class Offset(_Harmless):
    """The converter adds a steady voltage."""

    offset_fs: float

    def in_float(self, stretch: Stretch) -> Samples:
        return stretch.samples + np.float32(self.offset_fs)

    def in_safety(self, stretch: Stretch) -> Samples:
        return stretch.samples + np.float32(self.offset_fs)

    def marks(self, clock: TakeClock) -> Sequence[Mark]:
        return tuple(
            Mark(
                target,
                "dc_offset",
                0,
                clock.length_samples,
                f"direct current of {self.offset_fs} of full scale",
                ("good", "level", "mend"),
                numbers=(("dc_offset_fs", self.offset_fs),),
            )
            for target in _BOTH_COPIES
        )


@dataclass(frozen=True)
class NotNumbers(_Harmless):
    """A few samples of the float file are not numbers; the safety copy is whole."""

    moments: tuple[Moment, ...]
    count: int

    def in_float(self, stretch: Stretch) -> Samples:
        out = stretch.samples.copy()
        for at in map(stretch.clock.at, self.moments):
            first, last = max(at - stretch.start, 0), at + self.count - stretch.start
            if first < len(out) and last > 0:
                out[first:last] = np.nan
        return out

    def marks(self, clock: TakeClock) -> Sequence[Mark]:
        return tuple(
            Mark(
                "iso",
                "nonfinite",
                clock.at(moment),
                clock.at(moment) + self.count,
                f"{self.count} samples that are not numbers",
                ("mend", "lost"),
                also=("dropout", "clock_clicks"),
                numbers=(("samples", self.count),),
            )
            for moment in self.moments
        )


@dataclass(frozen=True)
class NeverFinalised(_Harmless):
    """The recorder lost its power: the headers still say that there is nothing in the files."""

    microphone: str = ""

    def marks(self, clock: TakeClock) -> Sequence[Mark]:
        return (
            Mark(
                "file",
                "recovered_file",
                0,
                clock.length_samples,
                "never finalised: the header was not brought up to date when the power failed",
                ("good", "level", "mend"),
                ("recovered_file", "damaged_file"),
                also=("gap", "timecode_jump"),
            ),
        )


def _low(
    target: Literal["iso", "safety"], start: int, end: int, what: str, numbers: tuple[tuple[str, Number], ...]
) -> Mark:
    """Return the mark of a low passage; a safety copy is a second copy, whose level alone is no finding."""
    return Mark(
        target,
        "low_level",
        start,
        end,
        what,
        ("level",) if target == "iso" else ("level", "good"),
        also=("noisy", "floor_off_plan"),
        numbers=numbers,
        must=target == "iso",
    )
