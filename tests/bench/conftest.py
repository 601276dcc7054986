"""The test programme as written, and a simulated recorder's files of it."""

from dataclasses import replace
from pathlib import Path

import pytest

from simulated_recorder import RATE, Played, SimulatedRecorder, write_recording
from takewell.bench import ProgrammeSettings, parts, write_signals

ONE_CHANNEL = ("clock", "noise", "cut")
"""Parts recorded from one channel only, to save time."""


@pytest.fixture(scope="session")
def played(tmp_path_factory: pytest.TempPathFactory) -> Played:
    """A short programme: tones of 1.3 s, the clock tone of 62 s."""
    folder = tmp_path_factory.mktemp("programme")
    settings = ProgrammeSettings(
        gain_settings_db=(0.0, 20.0, 40.0), top_dbfs=6.0, step_s=1.3, noise_s=6.0, pause_s=1.0, clock_s=61.0
    )
    written = write_signals(folder, settings)
    programme = parts(settings)
    files = {part.name: path for part, path in zip(programme, written.files, strict=True)}
    return Played(folder, settings, programme, files)


@pytest.fixture(scope="session")
def recorder() -> SimulatedRecorder:
    """An ordinary 24-bit recorder with one converter, its faults all known."""
    return SimulatedRecorder(gain_error_db={20.0: 0.113, 40.0: -0.271})


@pytest.fixture(scope="session")
def recordings(
    played: Played, recorder: SimulatedRecorder, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, ...]:
    """The recorder's files of every part, in more than one format, cut short or long."""
    folder = tmp_path_factory.mktemp("card")
    found = []
    for seed, name in enumerate(("levels", "clock", "noise", "crosstalk", "gains", "cut")):
        device = recorder if name != "cut" else replace(recorder, cut_samples=round(9.25 * RATE))
        gain = played.gain_over_time_db(name, recorder) if name in ("noise", "gains") else None
        suffix = "flac" if name == "crosstalk" else "wav"
        player = played.samples(name)
        samples = device.record(player[:, :1] if name in ONE_CHANNEL else player, gain, seed=seed)
        found.append(write_recording(folder / f"T{seed:03d}.{suffix}", samples))
    # Record was pressed at the mark, and the pre-record kept 4.7 s before it.
    start = next(p for p in played.programme if p.name == "start")
    mark_s = start.named("mark")[0].start_s
    samples = replace(recorder, pre_s=0.0).record(played.samples("start")[:, :1], seed=9)
    found.append(write_recording(folder / "T009.wav", samples[round((mark_s - 4.7) * RATE) :]))
    return tuple(found)
