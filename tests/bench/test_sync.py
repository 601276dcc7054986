"""Parts are found where they lie, whatever was done to the recording."""

from pathlib import Path

import numpy as np
import pytest
import soxr

from simulated_recorder import RATE, Played, write_recording
from takewell.bench.sync import find_parts
from takewell.wave import open_audio


def found_in(path: Path, played: Played) -> tuple:
    with open_audio(path) as audio:
        return find_parts(audio, played.programme)


@pytest.mark.parametrize(
    ("ppm", "gain", "noise"), [(0.0, 1.0, 0.0), (-180.0, -0.001, 1e-5), (95.0, 0.3, 0.01), (20.0, 40.0, 0.0)]
)
def test_a_part_is_placed_to_a_fifth_of_a_sample(
    played: Played, tmp_path: Path, ppm: float, gain: float, noise: float
) -> None:
    # Gain 40 clips the header hard; -0.001 turns it upside down, 60 dB low; 0.01 is noise 17 dB under the header.
    player = played.samples("crosstalk")[:, :1]
    lead = 3.0
    samples = soxr.resample(
        np.concatenate([np.zeros((round(lead * RATE), 1)), player]), RATE, RATE * (1 + ppm * 1e-6), "VHQ"
    )
    samples = np.clip(gain * samples + np.random.default_rng(1).normal(size=samples.shape) * noise, -1, 1)
    (placed,) = found_in(write_recording(tmp_path / "a.wav", samples, "FLOAT"), played)
    assert placed.part.name == "crosstalk"
    assert placed.whole
    assert placed.start_samples == pytest.approx(lead * RATE * (1 + ppm * 1e-6), abs=0.2)
    between_s = placed.part.tail.start_s - placed.part.head.start_s
    assert abs(placed.stretch - 1 - ppm * 1e-6) < 0.2 / (between_s * RATE)


def test_parts_recorded_in_one_go_are_told_apart(played: Played, tmp_path: Path) -> None:
    order = ("crosstalk", "start", "gains")
    samples = np.concatenate([played.samples(name)[:, :1] for name in order])
    found = found_in(write_recording(tmp_path / "a.wav", samples), played)
    assert [placed.part.name for placed in found] == list(order)
    lengths = np.cumsum([0, *(len(played.samples(name)) for name in order)])
    assert [p.start_samples for p in found] == pytest.approx(lengths[:-1], abs=0.2)


def test_a_recording_cut_before_its_end_is_still_found(played: Played, tmp_path: Path) -> None:
    samples = played.samples("crosstalk")[: 20 * RATE]
    (placed,) = found_in(write_recording(tmp_path / "a.wav", samples), played)
    assert placed.part.name == "crosstalk"
    assert not placed.whole


def test_programme_material_is_no_header(played: Played, tmp_path: Path) -> None:
    part = next(p for p in played.programme if p.name == "levels")
    begin = round(part.named("step")[0].start_s * RATE)
    end = round(part.tail.start_s * RATE)
    samples = played.samples("levels")[begin:end, :1]
    assert found_in(write_recording(tmp_path / "a.wav", samples, "FLOAT"), played) == ()
