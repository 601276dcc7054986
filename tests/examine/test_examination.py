"""The whole way on real files: a roll on disk, the engine's traces, the logbook, loose files."""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from takewell.examine import examine, finding_json
from takewell.roll import Logbook, loose, read_roll

RATE = 48_000
F64 = NDArray[np.float64]


@pytest.fixture
def voice(rng: np.random.Generator) -> F64:
    """Return eight seconds of bursts over a floor, 40 dB apart, in a speech-like rhythm."""
    t = np.arange(8 * RATE) / RATE
    buzz = sum(np.cos(2 * np.pi * 110 * h * t + h * h) / h for h in range(1, 25))
    envelope = np.clip(np.sin(2 * np.pi * 3 * t), 0, 1) * (np.sin(2 * np.pi * 0.25 * t) > -0.3)
    sound = buzz * envelope
    return np.asarray(0.1 * sound / np.abs(sound).max() + 3e-4 * rng.standard_normal(len(t)))


def write(path: Path, tracks: list[F64], subtype: str) -> None:
    soundfile.write(path, np.stack(tracks, axis=1), RATE, subtype=subtype)


def test_a_roll_of_a_float_file_and_its_copy_is_examined_and_kept(tmp_path: Path, voice: F64) -> None:
    loud = voice.copy()
    loud[3 * RATE : 5 * RATE] *= 18
    hole = voice.copy()
    hole[100_000:100_240] = 0
    write(tmp_path / "T01.wav", [loud, hole, np.zeros(len(voice))], "FLOAT")
    write(tmp_path / "T02.wav", [loud], "PCM_24")
    calls: list[tuple[str, int, int]] = []
    roll = read_roll(tmp_path)
    examination = examine(roll, lambda *call: calls.append(call))
    found = {(f.take, f.track, f.kind) for f in examination.findings}
    assert ("T01", 1, "over_full_scale") in found
    assert ("T01", 2, "dropout") in found
    assert ("T01", 3, "dead_track") in found
    assert ("T02", 1, "clipped") in found
    assert {(v.take, v.track): v.verdict for v in examination.verdicts} == {
        ("T01", 1): "level", ("T01", 2): "mend", ("T01", 3): "good", ("T02", 1): "mend",
    }  # fmt: skip
    with Logbook(tmp_path) as logbook:
        assert logbook.examination() == examination
    assert calls[0][0] == "T01"
    assert calls[-1][1:] == (4 * len(voice), 4 * len(voice))


def test_an_empty_track_that_works_in_another_take_is_lost(tmp_path: Path, voice: F64) -> None:
    write(tmp_path / "T01.wav", [voice, voice[::-1]], "PCM_24")
    write(tmp_path / "T02.wav", [voice, np.zeros(len(voice))], "PCM_24")
    verdicts = {(v.take, v.track): v for v in examine(read_roll(tmp_path)).verdicts}
    assert verdicts["T02", 2].verdict == "lost"
    assert verdicts["T02", 2].reason == (
        "Digital silence from end to end; this track carries sound in other takes."
    )


def test_loose_files_are_examined_and_nothing_is_written_beside_them(tmp_path: Path, voice: F64) -> None:
    write(tmp_path / "a.flac", [voice], "PCM_16")
    (tmp_path / "b.wav").write_text("this is no sound")
    examination = examine(loose([tmp_path / "a.flac", tmp_path / "b.wav"]))
    assert [v.verdict for v in examination.verdicts] == ["good"]
    assert len(examination.unreadable) == 1
    assert "b.wav" in examination.unreadable[0]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.flac", "b.wav"]


def test_a_hole_in_a_long_file_is_placed_to_the_sample(tmp_path: Path, voice: F64) -> None:
    sound = np.tile(voice, 15)
    sound[RATE * 60 : RATE * 60 + 96] = 0
    write(tmp_path / "long.wav", [sound], "FLOAT")
    (found,) = [f for f in examine(loose([tmp_path / "long.wav"])).findings if f.kind == "dropout"]
    assert finding_json(found)["start_s"] == pytest.approx(60.0, abs=1 / RATE)
    assert finding_json(found)["end_s"] == pytest.approx(60 + 96 / RATE, abs=1 / RATE)
