"""The programme as written, its settings as read again, its cue sheet."""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import hilbert

from simulated_recorder import RATE, Played
from takewell.bench import ProgrammeSettings, parts, read_settings, write_signals
from takewell.bench.cue_sheet import CAUTIONS
from takewell.bench.programme import settings_text
from takewell.errors import DestinationError, FileError, SettingError


def test_files_are_float_broadcast_wave_with_levels_past_full_scale(played: Played) -> None:
    for name, path in played.files.items():
        info = soundfile.info(path)
        assert (info.subtype, info.samplerate, info.channels) == ("FLOAT", RATE, 2)
        data = path.read_bytes()[:200]
        assert b"bext" in data
        part = next(p for p in played.programme if p.name == name)
        assert info.frames == round(part.length_s * RATE)
    # top_dbfs is 6: a sine of peak 10^(6/20).
    assert np.abs(played.samples("levels")).max() == pytest.approx(10 ** (6 / 20), rel=1e-6)


def test_every_step_has_its_level_and_frequency(played: Played) -> None:
    samples = played.samples("levels")[:, 0]
    part = next(p for p in played.programme if p.name == "levels")
    steps = part.named("step")
    assert [s.level_dbfs for s in steps][:3] == [-120, -110, -100]
    assert max(s.level_dbfs for s in steps) == played.settings.top_dbfs
    for step in steps:
        inside = samples[round((step.start_s + 0.1) * RATE) : round((step.start_s + 0.1) * RATE) + RATE]
        # One second holds 997 whole periods: bin 997 of its spectrum is all of the tone.
        spectrum = np.abs(np.fft.rfft(inside)) / (RATE / 2)
        assert int(np.argmax(spectrum)) == 997
        assert 20 * np.log10(spectrum[997]) == pytest.approx(step.level_dbfs, abs=0.01)


def test_the_sweep_rises_by_equal_ratios_in_equal_times(played: Played) -> None:
    samples = played.samples("levels")[:, 0]
    part = next(p for p in played.programme if p.name == "levels")
    sweep = part.named("sweep")[0]
    first = round(sweep.start_s * RATE)
    phase = np.unwrap(np.angle(hilbert(samples[first : first + round(sweep.length_s * RATE)])))
    frequency = np.diff(phase) * RATE / (2 * np.pi)
    at = [
        float(np.median(frequency[round(k * len(frequency)) + np.arange(-200, 200)])) for k in (0.3, 0.5, 0.7)
    ]
    assert at[1] / at[0] == pytest.approx(at[2] / at[1], rel=0.01)
    assert at[1] == pytest.approx((10 * 22_000) ** 0.5, rel=0.01)


def test_the_silence_is_silent_and_crosstalk_has_one_channel_at_a_time(played: Played) -> None:
    noise = played.samples("noise")
    part = next(p for p in played.programme if p.name == "noise")
    for section in part.named("noise"):
        assert not noise[round(section.start_s * RATE) : round(section.end_s * RATE)].any()
    samples = played.samples("crosstalk")
    part = next(p for p in played.programme if p.name == "crosstalk")
    for section in part.named("crosstalk"):
        power = np.mean(samples[round(section.start_s * RATE) : round(section.end_s * RATE)] ** 2, axis=0)
        assert power[section.channel] > 0
        assert power[1 - section.channel] == 0


def test_sections_do_not_overlap_and_every_part_is_told_by_its_header(played: Played) -> None:
    for part in played.programme:
        for one, other in zip(part.sections, part.sections[1:], strict=False):
            assert one.end_s <= other.start_s + 1e-9, (part.name, one.name, other.name)
    gaps = [part.head.gap_s for part in played.programme]
    assert len({round(gap, 3) for gap in gaps}) == len(gaps)


def test_settings_come_back_as_they_were_written(played: Played) -> None:
    assert read_settings(played.folder / "programme.toml") == played.settings
    assert parts(read_settings(played.folder / "programme.toml")) == played.programme


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("rate = 48000", "no test programme of this version"),
        ("format = 1\nrate = 'fast'", "rate = 'fast' is not a value"),
        ("format = 1\nvolume = 3", "volume is no setting"),
        ("format = 1\nrate = ", "cannot be read as a test programme"),
    ],
)
def test_a_wrong_settings_file_is_refused_with_its_name(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "programme.toml"
    path.write_text(text)
    with pytest.raises(FileError, match=rf"programme\.toml.*{said}"):
        read_settings(path)


@pytest.mark.parametrize(
    "wrong",
    [{"rate": 47_999}, {"channels": 0}, {"top_dbfs": -3.0}, {"gain_settings_db": ()}, {"step_s": 0.1}],
)
def test_a_programme_that_cannot_be_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(SettingError):
        ProgrammeSettings(**wrong)  # type: ignore[arg-type]


def test_a_programme_is_never_written_over(played: Played) -> None:
    with pytest.raises(DestinationError, match="is there already"):
        write_signals(played.folder, played.settings)


def test_the_cue_sheet_warns_first_and_names_every_file_and_setting(played: Played) -> None:
    sheet = (played.folder / "cue-sheet.txt").read_text()
    flat = " ".join(sheet.split())
    for caution in CAUTIONS:
        assert caution in flat
    for word in ("headphones", "phantom", "licensed", "terminator", "Player's volts", "loop"):
        assert word.lower() in flat.lower()
    for path in played.files.values():
        assert path.name in sheet
    for gain in played.settings.gain_settings_db:
        assert f"Set the gain to {gain:+g} dB." in sheet
    assert all(len(line) <= 130 for line in sheet.splitlines())


def test_settings_text_is_toml_that_says_what_it_is() -> None:
    assert settings_text(ProgrammeSettings()).startswith("#")
