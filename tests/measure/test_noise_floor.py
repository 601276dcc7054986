"""The floor of stationary noise is its RMS; speech, silence, offsets and words do not move it."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from takewell.demo.speech import voices
from takewell.engine import Meter
from takewell.measure.noise_floor import noise_floor

RATE = 48_000
DATA = Path(__file__).parents[1] / "data" / "measure"


def track(samples, encoding="float32", rate=RATE):
    meter = Meter(rate, 1, encoding=encoding)
    meter.add(np.asarray(samples, np.float32 if encoding != "float64" else np.float64)[:, None])
    return meter.finish().tracks[0]


def dbfs(samples):
    return 10 * math.log10(2 * np.mean(samples**2))


def noise(seconds, kind, level_dbfs, seed=0):
    white = np.random.default_rng(seed).standard_normal(round((seconds + 1) * RATE))
    colour = {
        "white": None,
        "rumble": butter(1, 80, fs=RATE, output="sos"),
        "hiss": butter(2, 2_000, "high", fs=RATE, output="sos"),
        "band": butter(2, [300, 600], "band", fs=RATE, output="sos"),
    }[kind]
    made = (white if colour is None else sosfilt(colour, white))[RATE:]
    return made * 10 ** ((level_dbfs - dbfs(made)) / 20)


@pytest.fixture(scope="module")
def voice():
    parts = [part.samples for part in list(voices(RATE).values())[1]]
    pause = np.zeros(round(0.7 * RATE))
    spoken = np.concatenate([piece for part in parts for piece in (part[: 3 * RATE], pause)])[: 30 * RATE]
    return spoken * 10 ** ((-23 - dbfs(spoken)) / 20)


@pytest.mark.parametrize("kind", ["white", "rumble", "hiss", "band"])
@pytest.mark.parametrize("seconds", [1.0, 5.0, 30.0])
@pytest.mark.parametrize("level", [-120.0, -70.0, -20.0, 10.0])
def test_stationary_noise_reads_its_own_rms(kind, seconds, level):
    samples = noise(seconds, kind, level)
    assert track(samples).noise_floor_dbfs == pytest.approx(level, abs=0.3)


@pytest.mark.parametrize("kind", ["white", "rumble", "hiss"])
def test_a_word_of_speech_does_not_move_it(voice, kind):
    samples = noise(10, kind, -65)
    samples[RATE : 2 * RATE] += voice[RATE : 2 * RATE]
    assert track(samples).noise_floor_dbfs == pytest.approx(-65, abs=0.3)


@pytest.mark.parametrize("level", [-90.0, -75.0, -60.0, -45.0])
def test_under_speech_with_pauses_the_pauses_are_read(voice, level):
    samples = noise(30, "white", level)
    samples[: len(voice)] += voice
    assert track(samples).noise_floor_dbfs == pytest.approx(level, abs=0.5)


@pytest.mark.parametrize("silent", [(0, 100_000), (123_456, 130_000), (200_000, 480_000)])
def test_digital_silence_is_left_out(silent):
    samples = noise(10, "white", -60)
    samples[slice(*silent)] = 0.0
    assert track(samples).noise_floor_dbfs == pytest.approx(-60, abs=0.3)


def test_an_offset_is_no_floor():
    assert track(noise(10, "white", -80) + 0.01).noise_floor_dbfs == pytest.approx(-80, abs=0.3)


def test_a_fan_that_starts_leaves_the_quieter_floor():
    samples = noise(20, "white", -70)
    samples[12 * RATE :] += noise(8, "rumble", -50)
    assert track(samples).noise_floor_dbfs == pytest.approx(-70, abs=0.3)


def test_a_weighted_white_noise_reads_what_the_curve_takes_away():
    # IEC 61672-1, Annex E: A-weighted white noise from 0 to 24 kHz lies 2.722 dB lower (computed from the curve).
    reading = track(noise(20, "white", -40))
    assert reading.noise_floor_dbfs_a - reading.noise_floor_dbfs == pytest.approx(-2.722, abs=0.05)


_LINES = (DATA / "quantisation_ideal_values.csv").read_text().splitlines()
WORDS = {int(row["bits"]): row for row in csv.DictReader(line for line in _LINES if line[0] != "#")}


@pytest.mark.parametrize(("bits", "encoding"), [(16, "int16"), (24, "int24")])
def test_the_noise_of_a_dithered_word(bits, encoding):
    # Ideal quantisation: triangular dither leaves q^2/4 in all, 4.77 dB over the 6.02 N + 1.76 dB of none.
    step, rng = 2.0 ** (1 - bits), np.random.default_rng(bits)
    dither = rng.uniform(-0.5, 0.5, (2, 10 * RATE)).sum(axis=0)
    reading = track(np.rint(dither) * step, encoding)
    assert reading.noise_floor_dbfs == pytest.approx(float(WORDS[bits]["TPDF_total_noise_dBFS"]), abs=0.05)
    assert reading.noise_floor_dbfs_a == pytest.approx(float(WORDS[bits]["TPDF_A-weighted_dBFS"]), abs=0.1)
    assert f"{bits}-bit word" in reading.limits["noise_floor_dbfs"]


def test_the_noise_of_a_word_under_a_sine():
    # 6.02 N + 1.76 dB under a full-scale sine, undithered (Bennett's noise); an incommensurate tone spreads it evenly.
    step = 2.0**-15
    tone = 0.999 * np.sin(2 * np.pi * 997.3 * np.arange(5 * RATE) / RATE)
    left = np.rint(tone / step) * step - tone
    assert track(left, "float64").rms_dbfs == pytest.approx(
        -float(WORDS[16]["SNR_fullscale_sine_undithered_dB"]), abs=0.05
    )


def test_hum_is_named_and_noise_is_not():
    hum = 0.001 * np.sin(2 * np.pi * 50 * np.arange(10 * RATE) / RATE)
    assert "tone" in track(hum + noise(10, "white", -75)).limits["noise_floor_dbfs"]
    for kind in ("white", "hiss", "band"):
        assert "noise_floor_dbfs" not in track(noise(10, kind, -70)).limits


def test_too_little_quiet_is_said(voice):
    samples = noise(3, "white", -70)
    samples[: round(2.5 * RATE)] += np.tile(voice[RATE : 2 * RATE], 3)[: round(2.5 * RATE)]
    assert "Too little quiet" in track(samples).limits["noise_floor_dbfs"]


def test_no_steps_have_no_floor():
    assert noise_floor(np.zeros(0)) is None
    assert noise_floor(np.zeros(50)) is None
    one = noise_floor(np.array([0.0, 0.25]))
    assert one is not None
    assert (one.mean_square, one.steps) == (0.25, 1)


def test_speech_without_a_pause_is_no_floor(voice):
    level = np.sqrt(np.mean(voice[: len(voice) // 4800 * 4800].reshape(-1, 4800) ** 2, axis=1))
    spoken = voice[: len(level) * 4800].reshape(-1, 4800)[level > 0.3 * np.median(level)].ravel()
    hissed = spoken + noise(len(spoken) / RATE, "white", -90)
    assert "No pause" in track(hissed).limits["noise_floor_dbfs"]
    for kind in ("white", "hiss", "band"):  # the same voice with its pauses, over floors near and far
        for level_dbfs in (-70, -45):
            limits = track(voice + noise(len(voice) / RATE, kind, level_dbfs)).limits
            assert "No pause" not in limits.get("noise_floor_dbfs", "")
