"""The true peak against dense resampling and the printed interpolator, and the bounds that skip most of the work."""

import json
import math
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import ellip, firwin, resample_poly, sosfilt

from takewell.engine import Meter
from takewell.measure.true_peak import GRID, REACH, highest_gain, interpolator, sag_factors

DATA = Path(__file__).parents[1] / "data" / "measure"
WEIGHTS = interpolator()


def true_peak(samples, rate=48_000, encoding="float64"):
    meter = Meter(rate, 1, encoding=encoding)
    meter.add(np.asarray(samples)[:, None])
    return meter.finish().tracks[0].true_peak_dbtp


def dense_peak(samples, factor=32):
    """The largest magnitude after resampling 32-fold with a filter of 400 samples on each side."""
    taps = firwin(2 * factor * 400 + 1, 1 / factor, window=("kaiser", 9.0))
    dense = resample_poly(samples, factor, 1, window=taps)
    return 20 * math.log10(max(np.abs(dense).max(), np.abs(samples).max()))


def every_point(samples):
    """All points of the 32-fold grid by the interpolator itself, silence around the samples."""
    padded = np.concatenate([np.zeros(2 * REACH), samples, np.zeros(2 * REACH)])
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * REACH)
    return np.abs(windows @ WEIGHTS[:GRID].T)


def test_the_interpolator_passes_samples_constants_and_ramps():
    offsets = np.arange(1 - REACH, REACH + 1)
    assert WEIGHTS.shape == (GRID + 1, 2 * REACH)
    assert WEIGHTS[0] == pytest.approx((offsets == 0).astype(float), abs=1e-15)
    assert WEIGHTS[GRID] == pytest.approx((offsets == 1).astype(float), abs=1e-15)
    assert WEIGHTS.sum(axis=1) == pytest.approx(1, abs=1e-14)
    assert WEIGHTS @ offsets == pytest.approx(np.arange(GRID + 1) / GRID, abs=1e-12)


def test_the_interpolator_is_flat_up_to_its_edge_and_stops_behind_it():
    offsets, tau = np.arange(1 - REACH, REACH + 1), np.arange(GRID + 1)[:, None] / GRID
    for of_rate in np.linspace(0.005, 0.45, 60):
        response = (WEIGHTS * np.exp(2j * np.pi * of_rate * (offsets - tau))).sum(axis=1)
        assert np.abs(20 * np.log10(np.abs(response))).max() < 0.014
    prototype = WEIGHTS[:GRID].T[::-1].ravel()
    images = np.abs(np.fft.rfft(prototype, 1 << 16))
    frequency = np.fft.rfftfreq(1 << 16) * GRID
    assert 20 * np.log10(images[frequency > 0.55].max() / images[0]) < -56


# The issue of a peak meter is what lies between the samples: tones whose crests the samples miss.
@pytest.mark.parametrize("of_rate", [0.01, 0.05, 0.125, 1 / 6, 0.25, 0.3, 0.35, 0.4, 0.42, 0.44, 0.45])
@pytest.mark.parametrize("phase", [0.0, 0.4, 0.9, 1.4])
def test_a_faded_tone_reads_like_dense_resampling(of_rate, phase):
    n = np.arange(9_600)
    tone = np.hanning(len(n)) * np.sin(2 * np.pi * of_rate * n + phase)
    reading = true_peak(tone)
    assert reading == pytest.approx(dense_peak(tone), abs=0.05)
    assert reading >= 20 * math.log10(np.abs(tone).max())


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("rate", [44_100, 96_000, 192_000, 384_000])
def test_noise_below_the_edge_reads_like_dense_resampling(seed, rate):
    band = ellip(12, 0.1, 100, 0.84, output="sos")
    noise = sosfilt(band, np.random.default_rng(seed).standard_normal(24_000))
    reading = true_peak(noise, rate)
    assert reading == pytest.approx(dense_peak(noise), abs=0.05)
    assert reading >= 20 * math.log10(np.abs(noise).max())


@pytest.mark.parametrize("of_rate", [Fraction(1, 4), Fraction(1, 6), Fraction(1, 8), Fraction(1, 12)])
def test_the_printed_interpolator_reads_the_same_within_its_ripple(of_rate):
    # ITU-R BS.1770-5, Annex 2: 4 phases of 12 taps; their pass band ripples by up to 0.24 dB (computed from the taps).
    phases = np.array(json.loads((DATA / "bs1770_true_peak_fir_48tap.json").read_text())["phases"])
    n = np.arange(9_600)
    for phase in (0.0, np.pi / 4, np.pi / 3):
        tone = np.hanning(len(n)) * np.sin(2 * np.pi * float(of_rate) * n + phase)
        printed = max(np.abs(np.convolve(tone, taps)).max() for taps in phases)
        # Besides the ripple, four points a sample miss a crest by up to 20 log10 cos(pi f / 4).
        missed = -20 * math.log10(math.cos(math.pi * float(of_rate) / 4))
        assert -0.24 - missed - 0.02 <= 20 * math.log10(printed) - true_peak(tone) <= 0.24 + 0.02


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10_000), length=st.integers(1, 400), smooth=st.integers(1, 30))
def test_skipping_loses_nothing_but_the_stated_slack(seed, length, smooth):
    rng = np.random.default_rng(seed)
    samples = np.convolve(rng.standard_normal(length), np.hanning(smooth + 2), "same") * 10 ** rng.uniform(
        -6, 6
    )
    highest = 20 * math.log10(every_point(samples).max())
    assert highest - 20 * math.log10(1 + 2e-4) - 1e-9 <= true_peak(samples, 8_000) <= highest + 1e-9


@settings(max_examples=60, deadline=None)
@given(samples=st.lists(st.floats(-1, 1), min_size=2 * REACH, max_size=2 * REACH))
def test_no_wave_rises_above_the_bounds(samples):
    samples = np.array(samples)
    wave = np.abs(WEIGHTS @ samples)
    curve = np.abs(np.diff(samples, 2)).max()
    assert wave.max() <= highest_gain(WEIGHTS) * np.abs(samples).max() + 1e-12
    for k, factor in enumerate(sag_factors(WEIGHTS)):
        width = 2**k
        for start in range(0, GRID, width):
            ends = max(wave[start], wave[start + width])
            assert wave[start : start + width + 1].max() <= ends + factor * curve + 1e-12


def test_the_rise_factors_are_reached():
    # The worst samples have second differences of alternating sign: a bound nothing reaches would only be slow.
    factor = sag_factors(WEIGHTS)[-1]
    reached = 0.0
    for row in WEIGHTS[1:GRID]:
        rest = row.copy()
        share = WEIGHTS[:GRID].tolist().index(row.tolist()) / GRID
        rest[REACH - 1] -= 1 - share
        rest[REACH] -= share
        weights = np.cumsum(np.cumsum(rest))[:-2]
        reached = max(reached, np.abs(weights).sum())
    assert reached == pytest.approx(factor, rel=1e-9)


def test_a_peak_at_the_very_start_or_end_is_seen():
    samples = np.zeros(5_000)
    samples[[0, 1]] = 0.8
    for signal in (samples, samples[::-1].copy()):
        assert true_peak(signal) == pytest.approx(20 * math.log10(every_point(signal).max()), abs=0.002)


def test_integer_and_float_encodings_read_the_same_wave():
    tone = np.hanning(4_800) * np.sin(np.pi / 2 * np.arange(4_800) + np.pi / 4)
    assert true_peak(tone.astype(np.float32), encoding="int24") == pytest.approx(true_peak(tone), abs=1e-5)
