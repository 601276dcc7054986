"""Files: the measurement contract, names, batches, what is odd, and what cannot be read."""

import json
import math
import subprocess
import sys

import numpy as np
import pytest
import soundfile

from takewell import engine
from takewell.engine import measure_file, measure_files, to_json
from takewell.errors import FileError, TakewellError

RATE = 48_000

TRACK_KEYS = {
    "channel", "name", "sample_peak_dbfs", "true_peak_dbtp", "rms_dbfs", "dc_offset_fs", "integrated_lufs",
    "loudness_range_lu", "momentary_max_lufs", "short_term_max_lufs", "speech_level_dbfs", "speech_activity",
    "noise_floor_dbfs", "noise_floor_dbfs_a", "snr_db", "samples_over_full_scale", "nonfinite_samples", "passages",
    "clips", "quality",
}  # fmt: skip
PROGRAMME_KEYS = {
    "integrated_lufs", "loudness_range_lu", "momentary_max_lufs", "short_term_max_lufs", "true_peak_dbtp",
}  # fmt: skip
PASSAGE_KEYS = {
    "start_s", "end_s", "integrated_lufs", "speech_level_dbfs", "noise_floor_dbfs", "noise_floor_dbfs_a", "snr_db",
}  # fmt: skip


@pytest.fixture
def tone(tmp_path):
    """A stereo file: 997 Hz at -20 dBFS left, silence right, 5 s."""
    samples = np.zeros((5 * RATE, 2))
    samples[:, 0] = 0.1 * np.sin(2 * np.pi * 997 * np.arange(len(samples)) / RATE)
    path = tmp_path / "Tone räum 1.wav"
    soundfile.write(path, samples, RATE, subtype="PCM_24")
    return path


def test_the_document_is_the_contract(tone):
    document = to_json(measure_file(tone))
    assert document.keys() == {"file", "format", "tracks", "programme", "notes"}
    assert document["file"] == str(tone)
    assert document["format"] == {
        "container": "WAVE", "encoding": "int24", "sample_rate_hz": RATE, "channels": 2, "length_samples": 5 * RATE,
        "duration_s": 5.0,
    }  # fmt: skip
    assert [track.keys() == TRACK_KEYS for track in document["tracks"]] == [True, True]
    assert document["programme"].keys() == PROGRAMME_KEYS
    assert document["tracks"][0]["passages"][0].keys() == PASSAGE_KEYS
    assert [track["channel"] for track in document["tracks"]] == [1, 2]
    assert set(document["tracks"][0]["quality"]) < TRACK_KEYS
    again = json.loads(json.dumps(document, allow_nan=False))
    assert again == document


def test_the_numbers_of_a_tone(tone):
    document = to_json(measure_file(tone))
    left, right = document["tracks"]
    # ITU-R BS.1770-5, Annex 1: 997 Hz at 0 dBFS in one front channel reads -3.01 LKFS.
    assert left["integrated_lufs"] == pytest.approx(-23.01, abs=0.01)
    assert document["programme"]["integrated_lufs"] == pytest.approx(-23.01, abs=0.01)
    assert left["rms_dbfs"] == pytest.approx(-20, abs=1e-4)
    assert left["sample_peak_dbfs"] == pytest.approx(-20, abs=1e-3)
    assert right["rms_dbfs"] is None
    assert "Channel 2 is digital silence throughout." in document["notes"]


INTEGERS, ALL = ("PCM_16", "PCM_24"), ("PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE")
CONTAINERS = {"WAV": ALL, "RF64": ALL, "AIFF": ALL, "FLAC": INTEGERS}


@pytest.mark.parametrize(
    ("container", "subtype"), [(c, s) for c, subtypes in CONTAINERS.items() for s in subtypes]
)
def test_one_recording_measures_the_same_in_every_container(tmp_path, container, subtype):
    samples = np.random.default_rng(1).standard_normal((3 * RATE, 2)) * 0.05
    path = tmp_path / f"take.{container.lower()}"
    soundfile.write(path, samples, RATE, subtype=subtype, format=container)
    measured = measure_file(path)
    for track, channel in zip(measured.tracks, samples.T, strict=True):
        assert track.rms_dbfs == pytest.approx(10 * math.log10(2 * np.mean(channel**2)), abs=0.001)
        assert track.integrated_lufs is not None


def test_workers_change_nothing(tmp_path):
    samples = (
        np.random.default_rng(2).standard_normal((200 * 8_000, 3))
        * np.linspace(0.001, 0.5, 200 * 8_000)[:, None]
    )
    path = tmp_path / "long.wav"
    soundfile.write(path, samples, 8_000, subtype="FLOAT")
    alone, together = to_json(measure_file(path)), to_json(measure_file(path, workers=3))
    assert json.loads(json.dumps(together), parse_float=lambda text: round(float(text), 7)) == json.loads(
        json.dumps(alone), parse_float=lambda text: round(float(text), 7)
    )


def test_names_given_win(tone):
    assert [track.name for track in measure_file(tone).tracks] == [None, None]
    assert [track.name for track in measure_file(tone, names=["Boom", None]).tracks] == ["Boom", None]


def test_a_batch_gives_every_file_its_line(tone, tmp_path):
    text = tmp_path / "notes.wav"
    text.write_text("scene 12, take 3")
    paths = [tone, tmp_path / "missing.wav", text, tone]
    for workers in (1, 2, 5):
        results = list(measure_files(paths, workers))
        assert [path for path, _ in results] == [str(path) for path in paths]
        assert [isinstance(result, TakewellError) for _, result in results] == [False, True, True, False]


@pytest.mark.parametrize("content", [b"", b"RIFF", b"scene 12"])
def test_what_is_no_sound_file_is_refused_in_a_sentence(tmp_path, content):
    path = tmp_path / "broken.wav"
    path.write_bytes(content)
    with pytest.raises(FileError, match=r"broken\.wav"):
        measure_file(path)


def test_samples_that_are_no_numbers_are_noted(tmp_path):
    samples = np.full((RATE, 1), 0.1, np.float32)
    samples[30_000] = np.nan
    path = tmp_path / "nan.wav"
    soundfile.write(path, samples, RATE, subtype="FLOAT")
    (note,) = measure_file(path).notes
    assert note.startswith("Channel 1 holds 1 samples that are no numbers.")
    assert "0.6 s" in note


def test_the_loops_say_once_that_they_are_compiled(tmp_path):
    program = "from takewell import engine; engine.ready(lambda text: print(text))"
    environment = {"NUMBA_CACHE_DIR": str(tmp_path), "PATH": "/usr/bin:/bin"}
    said = [
        subprocess.run(
            [sys.executable, "-c", program], env=environment, capture_output=True, text=True, check=True
        ).stdout
        for _ in range(2)
    ]
    assert said == ["Compiling the measuring loops; this happens once and takes some seconds.\n", ""]


def test_the_rooms_front_door_is_light():
    program = "import sys, takewell.engine; print(any(name in sys.modules for name in ('numba', 'scipy')))"
    out = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "False"


def test_everything_promised_is_there():
    for name in engine.__all__:
        assert getattr(engine, name) is not None
    with pytest.raises(AttributeError, match="nothing_of_the_kind"):
        engine.nothing_of_the_kind  # noqa: B018
