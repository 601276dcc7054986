"""How does one get at a section of the programme in a recorder's file?

A recording holds one or more parts of the programme, cut where a person pressed the keys. Sections come back with their
samples' times by the player's clock, so that the reference can be computed at the very same moments.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from takewell.bench.programme import GUARD_S, Part, PartName, Section
from takewell.bench.sync import Placed, find_parts
from takewell.bench.tone_reading import fit_sine
from takewell.errors import FileError
from takewell.wave import AudioFile, open_audio

F64 = NDArray[np.float64]

LOUD_DBFS = -25.0
BLOCK_SAMPLES = 65_536


@dataclass(frozen=True)
class Recorded:
    """One part of the programme in one file."""

    audio: AudioFile
    placed: Placed

    @property
    def rate(self) -> int:
        """Sampling rate the file states, in Hz."""
        return self.audio.info.rate

    @property
    def channels(self) -> int:
        """Channels of the file."""
        return self.audio.info.channels

    @property
    def part(self) -> Part:
        """The part of the programme."""
        return self.placed.part

    def by_recorder(self, frequency_hz: float) -> float:
        """Return what a frequency of the player reads by the recorder's clock."""
        return frequency_hz / self.placed.stretch

    def section(self, section: Section, channel: int, guard_s: float = GUARD_S) -> tuple[F64, F64] | None:
        """Return (times since the section began, samples (n,)) of a channel; None where the file does not hold all of it.

        Parameters
        ----------
        section : Section
        channel : int
            From 0. One at a time, so that memory does not grow with their number.
        guard_s : float
            Left out at each end; negative takes that much more.
        """
        first = int(np.ceil(self.placed.at(section.start_s + guard_s, self.rate)))
        last = int(np.floor(self.placed.at(section.end_s - guard_s, self.rate)))
        if first < 0 or last > self.audio.info.length_samples or last - first < 16:
            return None
        samples = np.empty(last - first)
        filled = 0
        for block in self.audio.blocks(BLOCK_SAMPLES, first, last):
            samples[filled : filled + len(block)] = block[:, channel]
            filled += len(block)
        if not np.isfinite(samples).all():
            return None
        times = np.arange(first, last, dtype=np.float64)
        times -= self.placed.start_samples
        times /= self.placed.stretch * self.rate
        times -= section.start_s
        return times, samples

    def loudest(self, section: Section) -> int:
        """Return the channel with most power in the first second of a section."""
        start = max(0, round(self.placed.at(section.start_s + GUARD_S, self.rate)))
        power = np.mean(np.nan_to_num(self.audio.read(start, self.rate)).astype(np.float64) ** 2, axis=0)
        return int(np.argmax(power)) if np.isfinite(power).all() else 0

    def sections(self, name: str, channel: int) -> Iterator[tuple[Section, F64, F64]]:
        """Yield (section, times, samples) of a channel for every section of a name that the file holds whole."""
        for section in self.part.named(name):
            found = self.section(section, channel)
            if found is not None:
                yield section, *found


@dataclass(frozen=True)
class Session:
    """All parts found in a recorder's files."""

    recorded: tuple[Recorded, ...]
    notes: tuple[str, ...]

    def part(self, name: PartName) -> Recorded | None:
        """Return the last recording of a part (a repeated one counts as the better), or None."""
        found = [one for one in self.recorded if one.part.name == name]
        return found[-1] if found else None


@contextmanager
def open_session(files: tuple[Path, ...], programme: tuple[Part, ...]) -> Iterator[Session]:
    """Open recordings, find the programme in them, and yield the session.

    Raises
    ------
    FileError
        If a file cannot be read, or none of them holds any part.
    """
    audios: list[AudioFile] = []
    try:
        recorded: list[Recorded] = []
        notes: list[str] = []
        for path in files:
            audio = open_audio(path)
            audios.append(audio)
            found = find_parts(audio, programme)
            notes += [f"{path.name}: {sentence}" for sentence in audio.info.recoveries]
            if not found:
                notes.append(f"{path.name}: no part of the programme was found in it.")
            for placed in found:
                one = Recorded(audio, placed)
                if not placed.whole:
                    one = _timed_by_tone(one)
                    notes.append(
                        f"{path.name}: the part '{placed.part.name}' ends early; what it holds was measured."
                    )
                recorded.append(one)
        if not recorded:
            raise FileError(
                f"{', '.join(str(path) for path in files)}: no sync header of the test programme was found; check that "
                "programme.toml is the one the files were written with."
            )
        yield Session(tuple(recorded), tuple(notes))
    finally:
        for audio in audios:
            audio.close()


def _timed_by_tone(recorded: Recorded) -> Recorded:
    """Return the recording with the clock told by its last loud tone: the closing sync is missing."""
    best: Recorded = recorded
    for section in recorded.part.sections:
        if section.kind != "tone" or section.level_dbfs < LOUD_DBFS or section.channel is not None:
            continue
        found = recorded.section(section, recorded.loudest(section))
        if found is None:
            break
        sine = fit_sine(found[1], recorded.rate, section.frequency_hz)
        old, stretch = recorded.placed, section.frequency_hz / sine.frequency_hz
        head_s = old.part.head.start_s
        start = old.at(head_s, recorded.rate) - stretch * recorded.rate * head_s
        best = Recorded(recorded.audio, replace(old, start_samples=start, stretch=stretch))
    return best
