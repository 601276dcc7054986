"""A data sheet as a file, as a kit profile, side by side with another, and a place in dB SPL."""

import json
import math
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
import soundfile

from takewell.bench import (
    Curve,
    DataSheet,
    Figure,
    compare,
    comparison_drawings,
    measure_location,
    read_sheet,
    sheet_document,
    spl_at_full_scale,
    write_profiles,
    write_sheet,
)
from takewell.errors import FileError, SettingError
from takewell.kit import Clock, Recorder, RecorderInput, find_profile, read_profile
from takewell.plan.stages import Source, recorder_stages

RATE = 48_000


def figure(
    key: str, value: float | None, unit: str = "dB", channel: int | None = 1, at: str = "", **more: object
) -> Figure:
    return Figure(key, value, unit, "method", "clause", 0.1, channel, at, **more)  # type: ignore[arg-type]


SHEET = DataSheet(
    "Box A",
    (
        figure("dynamic_range", 118.2, "dB CCIR-RMS", better="higher"),
        figure("dynamic_range", 117.4, "dB CCIR-RMS", channel=2, better="higher"),
        figure("thd_n", -101.5, better="lower", limited_by_generator=True),
        figure("crosstalk", -97.0, better="lower"),
        figure("maximum_input", 6.3, "dBu"),
        figure("full_scale_input", 6.05, "dBu"),
        figure("clipping", 0.0, "dBFS peak", note="Hard clipping: flat tops."),
        figure("ein", -127.4, "dBu", at="gain +60 dB, 150 ohm"),
        figure("ein_a", -129.5, "dBu A", at="gain +60 dB, 150 ohm"),
        figure("ein", -110.0, "dBu", at="gain +0 dB, 150 ohm"),
        figure("noise_a", -115.0, "dBFS A", at="gain +0 dB, 150 ohm"),
        figure("noise_a", -72.0, "dBFS A", at="gain +60 dB, 150 ohm"),
        figure("gain_error", 0.0, at="gain +0 dB"),
        figure("gain_error", -0.3, at="gain +60 dB"),
        figure("clock_error", 3.25, "ppm", channel=None),
        figure("pre_record", 9.8, "s", channel=None),
        figure("power", 4.1, "W", channel=None),
    ),
    (
        Curve("frequency_response", (20.0, 1000.0, 20_000.0), (-0.5, 0.0, -0.2), "Hz", "dB re 997 Hz", "m", "c", 1),
        Curve("gain_error", (0.0, 60.0), (0.0, -0.3), "dB set", "dB", "m", "c", 1),
        Curve("thd_n_by_level", (-60.0, -1.0), (-50.0, math.nan), "dBFS", "dB", "m", "c", 1),
    ),
    ("One note.",),
    ("a.wav",),
)  # fmt: skip


def test_a_data_sheet_comes_back_as_it_was_written(tmp_path: Path) -> None:
    sheet = replace(SHEET, curves=SHEET.curves[:2])
    write_sheet(sheet, tmp_path / "a.json")
    assert read_sheet(tmp_path / "a.json") == sheet
    assert json.loads((tmp_path / "a.json").read_text()) == sheet_document(sheet)


def test_what_does_not_exist_is_null_in_the_file(tmp_path: Path) -> None:
    write_sheet(SHEET, tmp_path / "a.json")
    assert json.loads((tmp_path / "a.json").read_text())["curves"][2]["y"] == [-50.0, None]
    assert math.isnan(read_sheet(tmp_path / "a.json").curves[2].y[1])


@pytest.mark.parametrize("text", ["{}", "[]", "no json", '{"format": "takewell data sheet 9"}'])
def test_what_is_no_data_sheet_is_refused_with_its_name(tmp_path: Path, text: str) -> None:
    (tmp_path / "x.json").write_text(text)
    with pytest.raises(FileError, match=r"x\.json"):
        read_sheet(tmp_path / "x.json")


def test_measured_values_replace_the_data_sheets_and_remember_it(tmp_path: Path) -> None:
    base = find_profile("analogue-limiter-input", RecorderInput)
    files, said = write_profiles(SHEET, tmp_path, "box", date="2026-02-03", sheet_file="box.json", base=base)
    assert not said
    found = read_profile(files[0])
    assert isinstance(found, RecorderInput)
    assert found.ein_dbu == -127.4  # the best setting's, in the data sheet's own weighting (none)
    assert found.ein_dbu_a == -129.5
    assert found.measured["ein_dbu"].data_sheet == base.ein_dbu
    assert "measured 2026-02-03, box.json" in found.provenance("ein_dbu")
    assert found.measured["thd_n_db"].limited_by_generator
    assert found.full_scale_dbu == pytest.approx(6.05)
    assert found.max_input == ((0.0, 6.3),)
    assert found.converter_range_db_a == 115.0
    assert found.frequency_response == ((20.0, -0.5), (1000.0, 0.0), (20_000.0, -0.2))
    assert found.gain_max_db == base.gain_max_db
    clock, recorder = (read_profile(path) for path in files[1:])
    assert isinstance(clock, Clock)
    assert clock.error_ppm == 3.25
    assert isinstance(recorder, Recorder)
    assert (recorder.power_w, recorder.pre_record_s) == (4.1, 9.8)


def test_enough_measurements_make_a_profile_of_their_own(tmp_path: Path) -> None:
    files, said = write_profiles(SHEET, tmp_path, "box", date="2026-02-03", sheet_file="box.json")
    assert not said
    found = read_profile(files[0])
    assert isinstance(found, RecorderInput)
    assert (found.gain_min_db, found.gain_max_db, found.encoding) == (0.0, 60.0, "int24")


def test_a_handover_goes_into_the_profile_so_that_the_plan_finds_both_noises(tmp_path: Path) -> None:
    # White noise of -96 and -118 dBFS over 0 to 24 kHz, A-weighted 2.72 dB less (IEC 61672-1), 0 dBFS the coarser's full scale.
    figures = (
        figure("handover_level", -20.0, "dBFS"),
        figure("handover_noise_above", -96.0, "dBFS"),
        figure("handover_noise_step", 22.0),
        figure("handover_gain_step", 0.15),
    )
    two = replace(SHEET, figures=(*SHEET.figures, *figures), encoding="float32")
    files, said = write_profiles(two, tmp_path, "box", date="2026-02-03", sheet_file="box.json")
    assert not said
    found = read_profile(files[0])
    assert isinstance(found, RecorderInput)
    converter = recorder_stages(found, 20.0, RATE, source=Source(150.0, noise_known=True))[1]
    assert converter.finer is not None
    assert converter.finer.handover_db == -20.0
    assert float(converter.noise_at(-10.0)) == pytest.approx(-98.72, abs=0.1)
    assert float(converter.noise_at(-30.0)) == pytest.approx(-120.72, abs=0.1)


def test_too_few_are_said_and_nothing_is_made_up(tmp_path: Path) -> None:
    poor = replace(SHEET, figures=SHEET.figures[:4])
    files, said = write_profiles(poor, tmp_path, "box", date="2026-02-03", sheet_file="box.json")
    assert not files
    assert "ein_dbu, max_input, full_scale_dbu, converter_range_db_a" in said[0]


def test_recorders_stand_side_by_side_with_their_worse_channel() -> None:
    other = replace(SHEET, name="Box B", figures=SHEET.figures[:1])
    rows = {(row.key, row.at): row for row in compare((SHEET, other))}
    ranged = rows["dynamic_range", ""]
    assert [f.value if f else None for f in ranged.figures] == [117.4, 118.2]
    assert rows["thd_n", ""].figures[1] is None
    assert {at for key, at in rows if key == "ein"} == {"gain +60 dB, 150 ohm", "gain +0 dB, 150 ohm"}
    with pytest.raises(SettingError, match="different names"):
        compare((SHEET, SHEET))


def test_drawings_name_every_recorder_and_are_valid_svg() -> None:
    drawings = comparison_drawings((SHEET, replace(SHEET, name="Box B & C")))
    assert {"frequency_response", "gain_error", "thd_n_by_level"} <= set(drawings)
    for drawing in drawings.values():
        root = ElementTree.fromstring(drawing)
        words = [element.text for element in root.iter() if element.text]
        assert "Box A" in words
        assert "Box B & C" in words
        assert root.attrib["role"] == "img"


def write(path: Path, samples: np.ndarray) -> Path:
    soundfile.write(path, samples, RATE, subtype="FLOAT")
    return path


def test_a_place_is_read_in_db_spl_from_a_calibrators_tone(tmp_path: Path) -> None:
    n = np.arange(4 * RATE)
    tone = write(tmp_path / "cal.wav", 0.05 * np.sin(2 * np.pi * 1000 / RATE * n))
    full_scale = spl_at_full_scale(tone, 94.0)
    assert full_scale == pytest.approx(94.0 - 20 * np.log10(0.05), abs=0.001)
    # White noise: A-weighted it reads 2.72 dB less (IEC 61672-1), and every second of it alike.
    random = np.random.default_rng(2)
    level_dbfs = -70.0
    noise = random.normal(size=(20 * RATE, 1)) * 10 ** (level_dbfs / 20) / 2**0.5
    found = measure_location(write(tmp_path / "room.wav", noise), full_scale)[0]
    assert found.leq_db == pytest.approx(level_dbfs + full_scale, abs=0.05)
    assert found.leq_db_a == pytest.approx(level_dbfs - 2.722 + full_scale, abs=0.1)
    assert found.l90_db_a == pytest.approx(found.l10_db_a, abs=0.3)
    # Third octaves of white noise rise 3.01 dB an octave, 1 dB a band.
    bands = dict(found.third_octaves)
    assert bands[10_000.0] - bands[1000.0] == pytest.approx(10.0, abs=0.3)


def test_levels_that_come_and_go_spread_their_percentiles(tmp_path: Path) -> None:
    n = np.arange(20 * RATE)
    tone = np.sin(2 * np.pi * 1000 / RATE * n) * np.where(n < 16 * RATE, 0.001, 0.1)
    found = measure_location(write(tmp_path / "a.wav", tone[:, None]), 120.0)[0]
    assert found.l90_db_a == pytest.approx(60.0, abs=0.1)
    assert found.l10_db_a == pytest.approx(100.0, abs=0.1)
    # 4 of 20 seconds at 100 dB: 10 log10(0.2) less.
    assert found.leq_db_a == pytest.approx(100 - 6.99, abs=0.05)
    assert found.peak_db == pytest.approx(100 + 3.01, abs=0.01)


def test_noise_is_no_calibrator(tmp_path: Path) -> None:
    noise = np.random.default_rng(1).normal(size=4 * RATE) * 0.01
    with pytest.raises(FileError, match="no clean calibrator's tone"):
        spl_at_full_scale(write(tmp_path / "n.wav", noise), 94.0)
