"""What is played, when, on which channel: the test programme as a list of sections in seven parts.

A part is one sound file and one recording. It begins with the sync header (two rising chirps; the time between them tells
the part) and ends with two falling ones, so that recordings need no trimming and the clock can be told from both.
Times count in seconds from the first sample of the part's file. The programme follows from a few settings, which
stand in ``programme.toml`` beside the files; `measure` reads them there.

Frequencies and levels follow AES17-2015: 997 Hz, -60 dBFS (6.4.1), -20 dB for response and crosstalk (6.2.3,
6.5.2), 18 and 20 kHz (6.3.5), 41 and 7993 Hz four to one (6.3.6).
"""

import tomllib
from collections.abc import Callable
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from takewell.bench import waveforms
from takewell.errors import FileError, SettingError

F64 = NDArray[np.float64]
Kind = Literal[
    "sync",
    "tone",
    "ramp",
    "sweep",
    "multitone",
    "two_tone",
    "modulation",
    "burst",
    "silence",
    "pause",
    "beep",
]
PartName = Literal["levels", "clock", "noise", "crosstalk", "gains", "start", "cut"]
PARTS: tuple[PartName, ...] = ("levels", "clock", "noise", "crosstalk", "gains", "start", "cut")

FORMAT = 1
"""Of programme.toml; a programme of another number is refused."""

TONE_HZ = 997.0
BURST_HZ = 3989.0
SYNC_DBFS = -20.0
RESPONSE_DBFS = -20.0
CHIRP_GAP_S = 1.0
GAP_PER_PART_S = 0.1
SYNC_S = 3.0
"""Length of a sync section: two chirps, the longest time between them, and quiet."""

GUARD_S = 0.15
"""What the analysis leaves out at each end of a section."""

STEP_LEVELS_DBFS = (*range(-120, -9, 10), -6, -3, -1, 0)
SPECTRUM_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
CROSSTALK_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
SWEEP_HZ = (10.0, 22000.0)
MULTITONE_HZ = tuple(float(round(1000 * 10 ** (n / 10))) + 0.5 for n in range(-16, 13, 2))
RAMP_FROM_DBFS = -60.0
RAMP_DB_PER_S = 4.0
BURST_S = (1.0, 2.5)
BURST_SECTION_S = 6.5
MARK_BEFORE_SYNC_S = 5.0
CUT_MARK_S = 30.0


@dataclass(frozen=True)
class ProgrammeSettings:
    """What the programme is made for; the names are the keys of ``programme.toml``."""

    rate: int = 48_000
    channels: int = 2
    top_dbfs: float = 12.0
    """Highest level, past full scale: the file is float, the player's volume is turned down by as much."""
    gain_settings_db: tuple[float, ...] = (0.0, 20.0, 40.0)
    """Settings of the recorder's gain that the gain and noise parts go through."""
    reference_gain_db: float = 0.0
    """Setting during all other parts."""
    float_recorder: bool = False
    """Whether gain steps keep one level (a float file holds them all) instead of following the gain down."""
    pause_s: float = 15.0
    """Time to turn a knob or change a plug."""
    step_s: float = 2.5
    """Length of one tone."""
    noise_s: float = 10.0
    """Length of one terminated silence."""
    clock_s: float = 62.0

    def __post_init__(self) -> None:
        """Refuse what cannot be written."""
        if self.rate not in (44_100, 48_000, 88_200, 96_000, 176_400, 192_000):
            raise SettingError(f"a programme at {self.rate} Hz is not written; 44.1 to 192 kHz are.")
        if not 1 <= self.channels <= 32:
            raise SettingError(f"a programme of {self.channels} channels is not written; 1 to 32 are.")
        if not 0 <= self.top_dbfs <= 60:
            raise SettingError(f"a highest level of {self.top_dbfs} dBFS is not taken; 0 to 60 is.")
        if not self.gain_settings_db or len(set(self.gain_settings_db)) < len(self.gain_settings_db):
            raise SettingError("gain settings are missing or stand twice; name each once, such as 0,20,40.")
        if min(self.step_s, self.noise_s) < 1 or self.pause_s < 0.5 or self.clock_s < 5:
            raise SettingError(
                "a tone or silence under 1 s, a pause under 0.5 s or a clock tone under 5 s tells nothing."
            )


@dataclass(frozen=True)
class Section:
    """One stretch of a part: what sounds from `start_s` for `length_s`."""

    name: str
    kind: Kind
    start_s: float
    length_s: float
    level_dbfs: float = 0.0
    frequency_hz: float = TONE_HZ
    to_level_dbfs: float = 0.0
    channel: int | None = None
    """The one channel that sounds, from 0; None: all."""
    gain_setting_db: float | None = None
    """Where the recorder's gain stands."""
    falling: bool = False
    gap_s: float = 0.0
    todo: str = ""
    """What the person does now."""

    @property
    def end_s(self) -> float:
        """Where the section ends."""
        return self.start_s + self.length_s

    def wave(self, t: F64) -> F64:
        """Return the signal of the sounding channels at times since the section's start."""
        length = self.length_s
        if self.kind == "sync":
            second = t - waveforms.CHIRP_S - self.gap_s
            both = waveforms.chirp(t, falling=self.falling) + waveforms.chirp(second, falling=self.falling)
            return np.asarray(10 ** (self.level_dbfs / 20) * both)
        if self.kind in ("tone", "beep"):
            return waveforms.tone(t, length, self.frequency_hz, self.level_dbfs)
        if self.kind == "ramp":
            return waveforms.ramped_tone(t, length, self.frequency_hz, self.level_dbfs, self.to_level_dbfs)
        if self.kind == "sweep":
            return waveforms.log_sweep(t, length, *SWEEP_HZ, self.level_dbfs)
        if self.kind == "burst":
            return waveforms.burst_tone(
                t, length, self.frequency_hz, self.level_dbfs, self.to_level_dbfs, BURST_S
            )
        if self.kind in ("multitone", "two_tone", "modulation"):
            return waveforms.several_tones(t, length, self.tones())
        return np.zeros(len(t))

    def tones(self) -> tuple[tuple[float, float], ...]:
        """Return (frequency Hz, level dBFS) of the tones that sound together."""
        if self.kind == "two_tone":
            return ((18_000.0, self.level_dbfs - 6.02), (20_000.0, self.level_dbfs - 6.02))
        if self.kind == "modulation":
            return ((41.0, self.level_dbfs - 1.94), (7993.0, self.level_dbfs - 13.98))
        if self.kind == "multitone":
            return tuple((f, self.level_dbfs) for f in MULTITONE_HZ)
        return ((self.frequency_hz, self.level_dbfs),)


@dataclass(frozen=True)
class Part:
    """One file of the programme."""

    number: int
    name: PartName
    sections: tuple[Section, ...]

    @property
    def length_s(self) -> float:
        """Length of the file."""
        return self.sections[-1].end_s

    @property
    def head(self) -> Section:
        """The sync header."""
        return next(s for s in self.sections if s.kind == "sync" and not s.falling)

    @property
    def tail(self) -> Section:
        """The closing sync."""
        return next(s for s in self.sections if s.kind == "sync" and s.falling)

    def named(self, name: str) -> tuple[Section, ...]:
        """Return the sections of a name, in order."""
        return tuple(section for section in self.sections if section.name == name)


class _Line:
    """Sections one after the other, with a breath of silence between."""

    def __init__(self, number: int) -> None:
        self.number = number
        self.sections: list[Section] = []
        self.now_s = 0.5

    def add(self, name: str, kind: Kind, length_s: float, **more: object) -> None:
        self.sections.append(Section(name, kind, round(self.now_s, 6), length_s, **more))  # type: ignore[arg-type]
        self.now_s += length_s + (0.0 if kind == "pause" else 0.3)

    def sync(self, *, falling: bool = False) -> None:
        gap = CHIRP_GAP_S + GAP_PER_PART_S * self.number
        self.add("sync", "sync", SYNC_S, level_dbfs=SYNC_DBFS, gap_s=gap, falling=falling)


def parts(settings: ProgrammeSettings) -> tuple[Part, ...]:
    """Return the programme: seven parts, in the order they are best recorded."""
    built = []
    for number, (name, fill) in enumerate(_FILL.items()):
        line = _Line(number)
        if name != "start":
            line.sync()
        fill(line, settings)
        line.sync(falling=True)
        built.append(Part(number, name, tuple(line.sections)))
    return tuple(built)


def _levels(line: _Line, settings: ProgrammeSettings) -> None:
    over = [level for level in (3.0, 6.0, 9.0) if level < settings.top_dbfs]
    for level in (*STEP_LEVELS_DBFS, *over, *([settings.top_dbfs] if settings.top_dbfs else [])):
        line.add("step", "tone", settings.step_s, level_dbfs=float(level))
    line.add("dynamic_range", "tone", 2 * settings.step_s, level_dbfs=-60.0)
    for level in (-1.0, -20.0):
        for frequency in SPECTRUM_HZ:
            line.add("spectrum", "tone", settings.step_s, level_dbfs=level, frequency_hz=frequency)
    line.add("sweep", "sweep", 5 * settings.step_s, level_dbfs=RESPONSE_DBFS)
    line.add("multitone", "multitone", 2 * settings.step_s, level_dbfs=-32.0)
    line.add("two_tone", "two_tone", settings.step_s, level_dbfs=-1.0)
    line.add("modulation", "modulation", settings.step_s, level_dbfs=-1.0)
    run_s = (settings.top_dbfs - RAMP_FROM_DBFS) / RAMP_DB_PER_S
    line.add("ramp_up", "ramp", run_s, level_dbfs=RAMP_FROM_DBFS, to_level_dbfs=settings.top_dbfs)
    line.add("ramp_down", "ramp", run_s, level_dbfs=settings.top_dbfs, to_level_dbfs=RAMP_FROM_DBFS)
    line.add(
        "burst", "burst", BURST_SECTION_S,
        level_dbfs=-30.0, to_level_dbfs=settings.top_dbfs, frequency_hz=BURST_HZ,
    )  # fmt: skip


def _clock(line: _Line, settings: ProgrammeSettings) -> None:
    line.add("clock", "tone", settings.clock_s, level_dbfs=-12.0)


def _noise(line: _Line, settings: ProgrammeSettings) -> None:
    for number, gain in enumerate(settings.gain_settings_db):
        plug = "Unplug the player and put the terminator into every input. " if not number else ""
        line.add("turn", "pause", settings.pause_s, todo=f"{plug}Set the gain to {gain:+g} dB.")
        line.add("noise", "silence", settings.noise_s, gain_setting_db=gain, todo="Touch nothing.")
    line.add(
        "turn", "pause", settings.pause_s,
        todo=f"Gain back to {settings.reference_gain_db:+g} dB; terminators out, player in again.",
    )  # fmt: skip


def _crosstalk(line: _Line, settings: ProgrammeSettings) -> None:
    for channel in range(settings.channels):
        for frequency in CROSSTALK_HZ:
            line.add(
                "crosstalk", "tone", min(settings.step_s, 1.5),
                level_dbfs=RESPONSE_DBFS, frequency_hz=frequency, channel=channel,
            )  # fmt: skip


def _gains(line: _Line, settings: ProgrammeSettings) -> None:
    for gain in settings.gain_settings_db:
        line.add("turn", "pause", settings.pause_s, todo=f"Set the gain to {gain:+g} dB.")
        more = 0.0 if settings.float_recorder else max(0.0, gain - settings.reference_gain_db)
        for name, level in (("gain", RESPONSE_DBFS), ("gain_quiet", -60.0)):
            line.add(name, "tone", settings.step_s, level_dbfs=level - more, gain_setting_db=gain)
    line.add("turn", "pause", settings.pause_s, todo=f"Gain back to {settings.reference_gain_db:+g} dB.")


def _start(line: _Line, _settings: ProgrammeSettings) -> None:
    line.now_s = 6.0
    for _ in range(4):
        line.add("beep", "beep", 0.2, level_dbfs=-20.0)
        line.now_s += 0.5
    mark_s = line.now_s
    line.add(
        "mark", "beep", 0.6, level_dbfs=-20.0, frequency_hz=2 * TONE_HZ,
        todo="Press record at the beginning of the long high beep, after four short ones.",
    )  # fmt: skip
    line.now_s = mark_s + MARK_BEFORE_SYNC_S
    line.sync()


def _cut(line: _Line, _settings: ProgrammeSettings) -> None:
    begin_s = line.now_s
    for second in range(int(CUT_MARK_S)):
        line.now_s = begin_s + second
        line.add("beep", "beep", 0.1, level_dbfs=-20.0)
    line.now_s = begin_s + CUT_MARK_S
    line.add(
        "mark", "beep", 0.6, level_dbfs=-20.0, frequency_hz=2 * TONE_HZ,
        todo="Cut the recorder's power at the beginning of the long high beep (an empty card, no other take on it).",
    )  # fmt: skip


_FILL: dict[PartName, Callable[[_Line, ProgrammeSettings], None]] = {
    "levels": _levels, "clock": _clock, "noise": _noise, "crosstalk": _crosstalk,
    "gains": _gains, "start": _start, "cut": _cut,
}  # fmt: skip


def settings_text(settings: ProgrammeSettings) -> str:
    """Return ``programme.toml``."""
    lines = [
        "# What the test programme beside this file was made for; `takewell bench measure` reads it.",
        f"format = {FORMAT}",
    ]
    for item in fields(settings):
        value = getattr(settings, item.name)
        shown = (
            list(value)
            if isinstance(value, tuple)
            else str(value).lower()
            if isinstance(value, bool)
            else value
        )
        lines.append(f"{item.name} = {shown}")
    return "\n".join(lines) + "\n"


def read_settings(path: Path) -> ProgrammeSettings:
    """Return the settings in a ``programme.toml``.

    Raises
    ------
    FileError
        If the file cannot be read or is no programme of ours.
    SettingError
        If a value in it is not accepted.
    """
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise FileError(f"{path} cannot be read as a test programme: {error}.") from error
    if found.pop("format", None) != FORMAT:
        raise FileError(
            f"{path} is no test programme of this version; write one with takewell bench signals."
        )
    known = {item.name: item for item in fields(ProgrammeSettings)}
    for name, value in found.items():
        default = getattr(ProgrammeSettings(), name, None) if name in known else None
        if default is None:
            raise FileError(f"{path}: {name} is no setting of a programme; known are {', '.join(known)}.")
        if isinstance(default, tuple):
            right = isinstance(value, list) and all(isinstance(v, int | float) for v in value)
        elif isinstance(default, bool):
            right = isinstance(value, bool)
        elif isinstance(default, int):
            right = isinstance(value, int) and not isinstance(value, bool)
        else:
            right = isinstance(value, int | float) and not isinstance(value, bool)
        if not right:
            raise FileError(f"{path}: {name} = {value!r} is not a value it can have.")
        if isinstance(value, list):
            found[name] = tuple(float(v) for v in value)
    return ProgrammeSettings(**found)
