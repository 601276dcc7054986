"""Invented recordings whose every level is known, and meters that are not ours."""

import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pyebur128
import pytest
from numpy.typing import NDArray

from takewell.demo import voices
from takewell.engine import Meter
from takewell.level.evidence import TrackEvidence
from takewell.level.gather import to_the_sample
from takewell.level.speech import Setting
from takewell.roll import Roll, read_roll
from takewell.roll.values import Role
from takewell.wave import Bext, BroadcastWriter, Ixml, IxmlTrack

F64 = NDArray[np.float64]
RATE = 48_000


def amplitude(db: float) -> float:
    return float(10 ** (db / 20))


class Spoken:
    """Sentences in a row: the sound, and where each sentence lies (seconds)."""

    def __init__(self, samples: F64, lines: list[tuple[float, float]]) -> None:
        self.samples, self.lines = samples, lines

    def __mul__(self, factor: float) -> "Spoken":
        return Spoken(self.samples * factor, self.lines)

    def __add__(self, other: "Spoken") -> "Spoken":
        at = len(self.samples) / RATE
        moved = [(a + at, b + at) for a, b in other.lines]
        return Spoken(np.concatenate([self.samples, other.samples]), self.lines + moved)

    @property
    def seconds(self) -> float:
        return len(self.samples) / RATE


def speak(voice: str, seconds: float, *, seed: int = 0, effort: str = "normal") -> Spoken:
    """Sentences of one of the demo's voices, with pauses of 0.35 to 1 s, all alike and together at -23 LUFS.

    Levels are set by libebur128, so that truth does not rest on our own meter.
    """
    rng = np.random.default_rng(seed)
    clips = [clip.samples.astype(np.float64) for clip in voices(RATE)[voice] if clip.effort == effort]
    order = rng.permutation(len(clips))
    row, lines, at, turn = [], [], 0, 0
    while at < seconds * RATE:
        clip = clips[order[turn % len(clips)]]
        clip = clip * amplitude(-23.0 - integrated_lufs(clip))
        pause = np.zeros(int(rng.uniform(0.35, 1.0) * RATE))
        lines.append((at / RATE, (at + len(clip)) / RATE))
        row += [clip, pause]
        at += len(clip) + len(pause)
        turn += 1
    samples = np.concatenate(row)
    return Spoken(samples * amplitude(-23.0 - integrated_lufs(samples)), lines)


def room(length: int, dbfs: float, seed: int = 0) -> F64:
    """White noise of an AES17 level in dBFS."""
    return np.random.default_rng(seed).standard_normal(length) * amplitude(dbfs - 3.0103)


def integrated_lufs(samples: F64) -> float:
    """Integrated loudness of one channel by libebur128."""
    state = pyebur128.R128State(1, RATE, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(samples, np.float64), len(samples))
    return float(pyebur128.get_loudness_global(state))


def true_peak_dbtp(samples: F64) -> float:
    """True peak by libebur128 (which returns it linear)."""
    state = pyebur128.R128State(1, RATE, pyebur128.MeasurementMode.MODE_TRUE_PEAK)
    ended = np.concatenate([samples, np.zeros(64)]).astype(np.float64)
    state.add_frames(ended, len(ended))
    return float(20 * np.log10(max(pyebur128.get_true_peak(state, 0), 1e-30)))


class Memory:
    """Reads tracks from an array, as `TrackReader` does from files."""

    def __init__(self, samples: NDArray[np.floating]) -> None:
        self.samples = samples

    def read(self, track_numbers: Sequence[int], start_samples: int, count: int) -> NDArray[np.floating]:
        return self.samples[start_samples : start_samples + count, [n - 1 for n in track_numbers]]


def evidence(
    samples: F64,
    *,
    floor_dbfs_a: float | None = None,
    moved_at_s: Sequence[float] = (),
    floors: Sequence[float | None] | None = None,
    roles: Sequence[Role] | None = None,
) -> list[TrackEvidence]:
    """What levelling knows of the columns of an array, measured by the engine; settings as the measurement has them."""
    array = np.asarray(samples, np.float32)
    array = array[:, None] if array.ndim == 1 else array
    meter = Meter(RATE, array.shape[1], encoding="float32")
    meter.add(array)
    traces = meter.finish().traces
    edges = [0.0, *(round(at, 2) for at in moved_at_s), len(array) / RATE]
    known = floors if floors is not None else [floor_dbfs_a] * (len(edges) - 1)
    settings = tuple(Setting(a, b, f) for a, b, f in zip(edges[:-1], edges[1:], known, strict=True))
    found = []
    for channel, trace in enumerate(traces):
        one = TrackEvidence(
            take="1-1",
            members=(channel + 1,),
            name=f"Track {channel + 1}",
            role=roles[channel] if roles else "iso",
            trace=trace,
            settings=settings,
            reader=Memory(array),
        )
        found.append(replace(one, settings=to_the_sample(one)))
    return found


@pytest.fixture
def write_roll(tmp_path: Path) -> Callable[..., Roll]:
    """Return a function that writes one take as a roll; `pieces` cuts it into continuation files (samples)."""

    def write(
        samples: NDArray[np.floating],
        names: Sequence[str],
        *,
        encoding: str = "float32",
        pieces: Sequence[int] = (),
        functions: Sequence[str] | None = None,
    ) -> Roll:
        folder = tmp_path / "roll"
        (folder / "takewell").mkdir(parents=True)
        stamp = 36_000 * RATE
        at = 0
        for number, length in enumerate([*pieces, len(samples) - sum(pieces)]):
            name = "1-T01.wav" if not number else f"1-T01_{number + 1}.wav"
            tracks = tuple(
                IxmlTrack(i + 1, i + 1, one, (functions or [""] * len(names))[i])
                for i, one in enumerate(names)
            )
            ixml = Ixml(
                project="Test", scene="1", take="1", tape="R01", note="as recorded", family_uid="F1",
                timecode_rate="25/1", timecode_flag="NDF", tracks=tracks,
            )  # fmt: skip
            bext = Bext(
                description="scene 1 take 1", originator="Recorder", time_reference=stamp + at,
                loudness_value_lufs=-40.0, coding_history="A=PCM,F=48000,W=32,M=mono,T=recorder\r\n",
            )  # fmt: skip
            with BroadcastWriter(
                folder / name,
                rate=RATE,
                channels=len(names),
                encoding=encoding,  # type: ignore[arg-type]
                bext=bext,
                ixml=ixml,
            ) as writer:
                writer.write(np.ascontiguousarray(samples[at : at + length], np.float32))
            at += length
        return read_roll(folder)

    return write


@pytest.fixture(scope="session")
def sim() -> ModuleType:
    """The helpers of this file, for the tests beside it."""
    return sys.modules[__name__]
