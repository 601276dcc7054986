"""Power density and third octaves: closed forms, scipy.signal.welch, and IEC 61260-1:2014 class 1."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import welch

from accuracy.octave_limits import class_1_limits
from accuracy.signals import sine, white_noise
from takewell.errors import SignalError
from takewell.measure.spectrum import (
    BAND_EDGE,
    SpectrumMeter,
    band_response,
    power_density,
    third_octaves,
)

RATE = 48_000


# Parseval: the density summed over frequency is the mean square.
@pytest.mark.parametrize("segment_samples", [4800, 4801, 1000])
def test_the_sum_over_frequency_is_the_mean_square(segment_samples):
    noise = white_noise(0.1, segment_samples / RATE, RATE, seed=1)[:, None]
    density = power_density(noise, RATE)
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(len(noise)) / len(noise))
    weighted = np.sum((noise[:, 0] * window) ** 2) / np.sum(window**2)
    assert density.density.sum() * density.bin_hz == pytest.approx(weighted, rel=1e-12)


@pytest.mark.parametrize("length", [96_000, 500_001])
def test_the_density_is_scipys(length):
    noise = np.random.default_rng(2).standard_normal((length, 3))
    ours = power_density(noise, RATE, segment_s=0.5)
    at, theirs = welch(noise, RATE, "hann", 24_000, detrend=False, axis=0)
    assert ours.frequency_hz == pytest.approx(at)
    assert ours.density == pytest.approx(theirs, rel=1e-9)


# A full-scale sine holds half a unit of power: density A²/2 / (1.5 bins) at its bin, 0 dBFS (AES17-2015, 3.12).
def test_a_full_scale_tone_reads_0_dbfs():
    density = power_density(sine(1000, 0, 10, RATE)[:, None], RATE, segment_s=0.1)
    assert density.density[100, 0] == pytest.approx(0.5 / (1.5 * 10), rel=1e-9)
    assert density.level_dbfs(900, 1100)[0] == pytest.approx(0, abs=1e-6)


@settings(max_examples=25, deadline=None)
@given(cuts=st.lists(st.integers(0, 30_000), max_size=6), seed=st.integers(0, 5))
def test_blocks_of_any_size_give_the_same(cuts, seed):
    noise = np.random.default_rng(seed).standard_normal((30_000, 2))
    meter = SpectrumMeter(RATE, 2, segment_s=0.1)
    for block in np.split(noise, sorted(cuts)):
        meter.add(block)
    assert np.array_equal(meter.result().density, power_density(noise, RATE, segment_s=0.1).density)


@pytest.mark.parametrize("level_db", [-400, 0, 700])
def test_any_level_is_measured(level_db):
    density = power_density(sine(1000, level_db, 4, RATE)[:, None], RATE)
    assert density.level_dbfs(900, 1100)[0] == pytest.approx(level_db, abs=1e-6)


# IEC 61260-1:2014, Table 1 with formulas 9 to 11: every third octave, checked from a thousandth to a thousand times
# its middle.
@pytest.mark.parametrize("middle_hz", [20.0, 1000.0, 20_000.0])
def test_the_bands_are_class_1(middle_hz):
    ratio = np.geomspace(1e-3, 1e3, 20_001)
    attenuation = -10 * np.log10(band_response(ratio * middle_hz, middle_hz))
    least, most = class_1_limits(ratio, 3)
    assert np.all((least <= attenuation) & (attenuation <= most))


# IEC 61260-1:2014, 5.12: the effective bandwidth is within 0.4 dB (class 1) of the nominal one, ln(edge / edge).
def test_the_effective_bandwidth_is_the_nominal_one():
    ratio = np.geomspace(1e-2, 1e2, 200_001)
    effective = np.trapezoid(band_response(ratio, 1.0), np.log(ratio))
    assert 10 * np.log10(effective / (2 * np.log(BAND_EDGE))) == pytest.approx(0, abs=0.04)


# White noise of density d holds d times the bandwidth: each third octave 1 dB more than the one below.
def test_white_noise_rises_by_one_decibel_a_band():
    flat = power_density(white_noise(0.1, 4, RATE, seed=3)[:, None], RATE)
    even = type(flat)(flat.frequency_hz, np.full_like(flat.density, 1e-6), flat.segments)
    bands = third_octaves(even)
    width = bands.middle_hz * (BAND_EDGE - 1 / BAND_EDGE)
    expected = 10 * np.log10(2e-6 * width)
    assert bands.level_dbfs[:-1, 0] == pytest.approx(expected[:-1], abs=0.06)


@pytest.mark.parametrize("band", [-15, 0, 13])
def test_a_tone_reads_its_level_in_its_band_alone(band):
    tone = sine(1000 * 10 ** (band / 10), -20, 30, RATE)
    bands = third_octaves(power_density(tone[:, None], RATE))
    own = band + 17
    assert bands.level_dbfs[own, 0] == pytest.approx(-20, abs=0.05)
    assert np.delete(bands.level_dbfs[:, 0], own).max() < -20 - 16.6


@pytest.mark.parametrize(
    ("rate", "count"), [(8_000, 23), (16_000, 26), (44_100, 30), (48_000, 31), (192_000, 31)]
)
def test_bands_end_below_half_the_rate(rate, count):
    bands = third_octaves(power_density(white_noise(0.1, 2, rate, seed=4)[:, None], rate))
    assert len(bands.middle_hz) == count
    assert bands.middle_hz[-1] * BAND_EDGE <= rate / 2


def test_a_short_sound_gives_only_the_bands_it_resolves():
    bands = third_octaves(power_density(white_noise(0.1, 0.1, RATE, seed=5)[:, None], RATE))
    assert bands.middle_hz[0] > 150


def test_a_nan_is_refused_and_placed():
    samples = np.zeros((100, 2))
    samples[41, 0] = np.inf
    with pytest.raises(SignalError, match=r"channel 1 .* sample 41"):
        power_density(samples, RATE)


@pytest.mark.parametrize("samples", [np.zeros((0, 1)), np.zeros((1, 1)), np.zeros(5), np.zeros((5, 2), int)])
def test_what_is_no_sound_is_refused(samples):
    with pytest.raises(SignalError):
        power_density(samples, RATE)
