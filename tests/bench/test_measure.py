"""The data sheet of simulated recorders against what they were built with.

Tolerances are those the bench promises: dynamic range and EIN 0.2 dB, THD+N 0.3 dB, response 0.05 dB, crosstalk 0.5 dB, gain
steps 0.02 dB, clock 0.05 ppm, handover step 0.1 dB, delay 0.05 samples.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr
from numba import njit
from numpy.typing import NDArray
from scipy.optimize import brentq

from simulated_recorder import RATE, Played, SimulatedRecorder, write_recording
from takewell.bench import Conditions, DataSheet, ProgrammeSettings, measure_recorder, parts, write_signals
from takewell.bench.figures import Figure, marked
from takewell.errors import FileError

F64 = NDArray[np.float64]

VOLTS, PAD_DB = 1.228, 20.0
INPUT_DBU = 20 * np.log10(VOLTS / 0.6**0.5) - PAD_DB

# White noise 0 to 24 kHz, re its whole power: 20 Hz to 20 kHz, and through the published curves (AES17-2015; IEC 61672-1; BS.468-4).
BAND_DB, A_DB, CCIR_DB = 10 * np.log10(19_980 / 24_000), -2.722, 0.876


def value(sheet: DataSheet, key: str, channel: int | None = None, at: str | None = None) -> float:
    found = sheet.figure(key, channel=channel, at=at)
    assert found is not None, key
    assert found.value is not None, key
    assert found.method
    assert found.clause
    return found.value


def power_sum(*levels_db: float) -> float:
    return float(10 * np.log10(sum(10 ** (level / 10) for level in levels_db)))


@pytest.fixture(scope="module")
def sheet(played: Played, recordings: tuple[Path, ...]) -> DataSheet:
    conditions = Conditions("box", volts_at_0_dbfs=VOLTS, pad_db=PAD_DB, current_ma=310.0, supply_v=12.0)
    return measure_recorder(recordings, played.settings, conditions)


@pytest.mark.parametrize("channel", [1, 2])
def test_dynamic_range(sheet: DataSheet, recorder: SimulatedRecorder, channel: int) -> None:
    in_file = power_sum(
        recorder.input_noise_dbfs + recorder.gain_db[channel - 1], recorder.converter_noise_dbfs
    )
    assert value(sheet, "dynamic_range", channel) == pytest.approx(0 - in_file - CCIR_DB, abs=0.2)


@pytest.mark.parametrize("setting", [0.0, 20.0, 40.0])
@pytest.mark.parametrize(("key", "weight_db"), [("ein", BAND_DB), ("ein_a", A_DB), ("ein_ccir_rms", CCIR_DB)])
def test_equivalent_input_noise(
    sheet: DataSheet, recorder: SimulatedRecorder, setting: float, key: str, weight_db: float
) -> None:
    gain = recorder.gain_db[0] + setting + recorder.gain_error_db.get(setting, 0.0)
    at_input = power_sum(recorder.input_noise_dbfs, recorder.converter_noise_dbfs - gain)
    found = value(sheet, key, 1, f"gain {setting:+g} dB, 150 ohm")
    assert found == pytest.approx(at_input + weight_db + INPUT_DBU, abs=0.2)


def test_distortion_and_noise_against_level(sheet: DataSheet, recorder: SimulatedRecorder) -> None:
    curve = next(c for c in sheet.curves if c.key == "thd_n_by_level" and c.channel == 1)
    noise = (
        power_sum(recorder.input_noise_dbfs + recorder.gain_db[0], recorder.converter_noise_dbfs) + BAND_DB
    )
    checked = 0
    for level, found in zip(curve.x, curve.y, strict=True):
        if level > -0.5:
            continue
        a = 10 ** (level / 20)
        harmonics = (recorder.quadratic * a**2 / 2) ** 2 + (recorder.cubic * a**3 / 4) ** 2
        rest = 10 ** (noise / 10) + harmonics
        checked += 1
        if level > -90:  # below, a tone of 1.3 s is no longer still against the noise
            assert found == pytest.approx(10 * np.log10(rest / (a**2 + rest)), abs=0.3), level
    assert checked > 10


def test_frequency_response(sheet: DataSheet, recorder: SimulatedRecorder) -> None:
    for curve in (c for c in sheet.curves if c.key == "frequency_response"):
        f = np.array(curve.x)
        assert f[0] < 20.1
        assert f[-1] > 19_900
        expected = -10 * np.log10(1 + (recorder.high_pass_hz / f) ** 2)
        expected += 10 * np.log10(1 + (recorder.high_pass_hz / 997) ** 2)
        assert np.abs(np.array(curve.y) - expected).max() < 0.05


def test_crosstalk(sheet: DataSheet, recorder: SimulatedRecorder) -> None:
    curves = [c for c in sheet.curves if c.key == "crosstalk"]
    assert {(c.channel, c.at) for c in curves} == {(1, "from channel 2"), (2, "from channel 1")}
    for curve in curves:
        assert np.abs(np.array(curve.y) - recorder.crosstalk_db).max() < 0.5


@pytest.mark.parametrize("channel", [1, 2])
def test_gain_steps(sheet: DataSheet, recorder: SimulatedRecorder, channel: int) -> None:
    for setting in (0.0, 20.0, 40.0):
        found = value(sheet, "gain_error", channel, f"gain {setting:+g} dB")
        assert found == pytest.approx(recorder.gain_error_db.get(setting, 0.0), abs=0.02)
    assert value(sheet, "gain", channel) == pytest.approx(recorder.gain_db[channel - 1], abs=0.02)


def test_clock(sheet: DataSheet, recorder: SimulatedRecorder) -> None:
    assert value(sheet, "clock_error") == pytest.approx(recorder.ppm, abs=0.05)


def test_delay_and_polarity(sheet: DataSheet, recorder: SimulatedRecorder) -> None:
    # The channel lies later by its own delay on the recorder's clock.
    expected = recorder.delay_samples[1] - recorder.delay_samples[0]
    assert value(sheet, "delay", 2) == pytest.approx(expected, abs=0.05)
    assert value(sheet, "polarity", 2) == -1


def test_maximum_input_level(sheet: DataSheet, recorder: SimulatedRecorder) -> None:
    # The level at which a sine clipped at 1 holds 1 % of everything else (AES17-2015, 6.2.1), by summing the wave itself.
    t = (np.arange(20_000) + 0.5) / 20_000

    def over(level_db: float) -> float:
        wave = np.clip(10 ** (level_db / 20) * np.sin(2 * np.pi * t), -1, 1)
        tone = (2 * np.mean(wave * np.sin(2 * np.pi * t))) ** 2 / 2
        return float(10 * np.log10((np.mean(wave**2) - tone) / np.mean(wave**2))) + 40

    crossing = brentq(over, 0.05, 3)
    for channel in (1, 2):
        found = value(sheet, "maximum_input", channel)
        assert found == pytest.approx(crossing - recorder.gain_db[channel - 1] + INPUT_DBU, abs=0.1)
        full_scale = value(sheet, "full_scale_input", channel)
        assert full_scale == pytest.approx(INPUT_DBU - recorder.gain_db[channel - 1], abs=0.02)
        assert (sheet.figure("clipping", channel=channel) or Figure("", 0, "", "", "")).note.startswith(
            "Hard"
        )


def test_pre_record_and_power_cut(sheet: DataSheet) -> None:
    assert value(sheet, "pre_record") == pytest.approx(4.7, abs=0.01)
    # The file ends 9.25 s before the end of the programme's part; the mark stands before that end.
    found = sheet.figure("lost_at_power_cut")
    assert found is not None
    assert found.value == pytest.approx(9.25 - 3.9, abs=0.05)


def test_what_the_person_read_is_kept_as_such(sheet: DataSheet) -> None:
    assert value(sheet, "power") == pytest.approx(3.72)


def test_nothing_is_called_a_handover_or_a_limiter_where_there_is_none(sheet: DataSheet) -> None:
    assert not [f.key for f in sheet.figures if f.key.startswith(("handover", "limiter"))]


def test_every_figure_says_how_it_was_found(sheet: DataSheet) -> None:
    assert len(sheet.figures) > 40
    for figure in sheet.figures:
        assert figure.method
        assert figure.clause


@dataclass(frozen=True)
class TwoConverters(SimulatedRecorder):
    """The finer converter up to a threshold, the coarser one above it and 50 ms longer."""

    bits: int | None = None
    coarse_noise_dbfs: float = -96.0
    mismatch_db: float = 0.15
    handover_dbfs: float = -20.0

    def converted(self, signal: F64, random: np.random.Generator) -> F64:
        fine = signal + random.normal(size=signal.shape) * 10 ** (self.converter_noise_dbfs / 20) / 2**0.5
        coarse = signal * 10 ** (self.mismatch_db / 20)
        coarse += random.normal(size=signal.shape) * 10 ** (self.coarse_noise_dbfs / 20) / 2**0.5
        loud = np.abs(signal) > 10 ** (self.handover_dbfs / 20)
        hold = round(0.05 * RATE)
        counted = np.cumsum(np.concatenate([np.zeros((hold, signal.shape[1]), int), loud]), axis=0)
        recent = counted[hold:] - np.concatenate([np.zeros((1, signal.shape[1]), int), counted])[: len(loud)]
        return np.where(recent > 0, coarse, fine)


def test_the_handover_of_two_converters(played: Played, tmp_path: Path) -> None:
    device = TwoConverters(quadratic=0, cubic=0, gain_db=(-2.0,), delay_samples=(0.0,), polarity=(1,))
    file = write_recording(tmp_path / "a.wav", device.record(played.samples("levels")[:, :1]), "FLOAT")
    found = measure_recorder((file,), played.settings, Conditions("two converters"))
    noise_in = device.input_noise_dbfs + device.gain_db[0]
    step = power_sum(noise_in + device.mismatch_db, device.coarse_noise_dbfs)
    step -= power_sum(noise_in, device.converter_noise_dbfs)
    assert value(found, "handover_noise_step", 1) == pytest.approx(step, abs=0.1)
    assert value(found, "handover_gain_step", 1) == pytest.approx(device.mismatch_db, abs=0.01)
    assert value(found, "handover_level", 1) == pytest.approx(device.handover_dbfs, abs=0.3)
    assert value(found, "handover_level_falling", 1) == pytest.approx(device.handover_dbfs, abs=0.6)
    assert found.figure("limiter_threshold") is None
    assert any("Not recorded" in note and "clock" in note for note in found.notes)


def test_a_float_recorder_keeps_noise_and_distortion_at_every_gain(tmp_path: Path) -> None:
    settings = ProgrammeSettings(
        channels=1, gain_settings_db=(-60.0, 0.0, 60.0), float_recorder=True,
        step_s=1.3, noise_s=1.0, pause_s=1.0, clock_s=5.0, top_dbfs=0.0,
    )  # fmt: skip
    written = write_signals(tmp_path / "signals", settings)
    player = soundfile.read(written.files[4], dtype="float64", always_2d=True)[0]
    device = SimulatedRecorder(gain_db=(-2.0,), delay_samples=(0.0,), polarity=(1,), bits=None)
    samples = device.record(player)
    # The gain is set behind the converter: everything in the file moves with it, in time by the cue sheet.
    position = (np.arange(len(samples)) / RATE / (1 + device.ppm * 1e-6)) - device.pre_s
    for section in parts(settings)[4].sections:
        if section.gain_setting_db is not None:
            now = (position >= section.start_s - 0.25) & (position < section.end_s + 0.25)
            samples[now] *= 10 ** (section.gain_setting_db / 20)
    file = write_recording(tmp_path / "a.wav", samples, "FLOAT")
    found = measure_recorder((file,), settings, Conditions())
    for setting in (-60.0, 0.0, 60.0):
        at = f"gain {setting:+g} dB"
        assert value(found, "gain_error", 1, at) == pytest.approx(0, abs=0.02)
        assert value(found, "gain_step_thd_n", 1, at) == pytest.approx(
            value(found, "gain_step_thd_n", 1, "gain +0 dB"), abs=0.3
        )
        assert value(found, "gain_step_noise", 1, at) == pytest.approx(
            value(found, "gain_step_noise", 1, "gain +0 dB"), abs=0.3
        )


@njit
def limited(signal: F64, threshold_db: float, ratio: float, attack: float, release: float, hold: int) -> F64:
    """Return a limiter's output: reduction in dB follows its target by one-pole steps; peaks of the last millisecond."""
    out = np.empty_like(signal)
    reduction = 0.0
    for n in range(len(signal)):
        peak = 1e-9
        for k in range(max(0, n - hold), n + 1):
            peak = max(peak, abs(signal[k]))
        target = max(0.0, (20 * np.log10(peak) - threshold_db) * (1 - 1 / ratio))
        reduction += (target - reduction) * (attack if target > reduction else release)
        out[n] = signal[n] * 10 ** (-reduction / 20)
    return out


@dataclass(frozen=True)
class Limited(SimulatedRecorder):
    """A limiter ahead of the converter: -8 dBFS, 4 to 1, 5 ms, 200 ms."""

    def converted(self, signal: F64, random: np.random.Generator) -> F64:
        shares = [-np.expm1(-1 / (seconds * RATE)) for seconds in (0.005, 0.2)]
        out = limited(signal[:, 0], -8.0, 4.0, *shares, round(0.001 * RATE))[:, None]
        return super().converted(out, random)


def test_a_limiter(played: Played, tmp_path: Path) -> None:
    device = Limited(gain_db=(-2.0,), delay_samples=(0.0,), polarity=(1,))
    file = write_recording(tmp_path / "a.wav", device.record(played.samples("levels")[:, :1]))
    found = measure_recorder((file,), played.settings, Conditions())
    assert value(found, "limiter_threshold", 1) == pytest.approx(-8.0, abs=0.3)
    assert value(found, "limiter_ratio", 1) == pytest.approx(4.0, rel=0.05)
    # The envelope is read a millisecond wide; the detector holds its peak for one.
    assert value(found, "limiter_attack", 1) == pytest.approx(5.0, abs=1.0)
    assert value(found, "limiter_release", 1) == pytest.approx(201.0, abs=3.0)
    assert value(found, "limiter_reduction", 1) == pytest.approx((6 - 2 + 8) * 0.75, abs=0.2)
    assert found.figure("handover_level") is None


def test_a_recorder_at_another_rate_is_read_by_its_own_clock(played: Played, tmp_path: Path) -> None:
    ppm = -4.37
    player = played.samples("clock")[:, :1]
    soundfile.write(
        tmp_path / "a.flac",
        0.3 * soxr.resample(player, RATE, 96_000 * (1 + ppm * 1e-6)),
        96_000,
        subtype="PCM_24",
    )
    found = measure_recorder((tmp_path / "a.flac",), played.settings, Conditions(player_ppm=0.5))
    assert value(found, "clock_error") == pytest.approx(ppm + 0.5, abs=0.05)


def test_the_player_is_said_to_limit_what_its_loop_back_shows_too(
    played: Played, recordings: tuple[Path, ...]
) -> None:
    crosstalk = next(path for path in recordings if path.suffix == ".flac")
    found = measure_recorder((crosstalk,), played.settings, Conditions(), loopback=(crosstalk,))
    figure = found.figure("crosstalk", channel=1)
    assert figure is not None
    assert figure.limited_by_generator
    assert "loop-back" in figure.note
    assert all(curve.limited_by_generator for curve in found.curves if curve.key == "crosstalk")


@pytest.mark.parametrize(("own", "is_limited"), [(-100.0, True), (-109.9, True), (-110.1, False)])
def test_a_player_ten_decibels_better_limits_nothing(own: float, is_limited: bool) -> None:
    # Powers add: a player 10 dB below adds 10 log10(1.1) = 0.41 dB.
    figure = Figure("thd_n", -100.0, "dB", "m", "c", better="lower")
    assert marked(figure, Figure("thd_n", own, "dB", "m", "c")).limited_by_generator is is_limited
    ranged = Figure("dynamic_range", 100.0, "dB", "m", "c", better="higher")
    assert marked(ranged, Figure("dynamic_range", -own, "dB", "m", "c")).limited_by_generator is is_limited


def test_a_file_without_the_programme_is_refused_in_one_sentence(played: Played, tmp_path: Path) -> None:
    noise = np.random.default_rng(1).normal(size=(5 * RATE, 1)) * 0.1
    file = write_recording(tmp_path / "x.wav", noise)
    with pytest.raises(FileError, match=r"x\.wav: no sync header"):
        measure_recorder((file,), played.settings, Conditions())
