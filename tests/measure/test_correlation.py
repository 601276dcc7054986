"""Correlation, delay and polarity: closed forms and laws; Knapp and Carter 1976 for the transform."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter

from accuracy.signals import white_noise
from takewell.errors import SignalError
from takewell.measure.correlation import correlation, delay

RATE = 48_000


def delayed(signal, samples):
    """Return the signal later by any fraction of a sample: a turn of phase, exact for the periodic signal."""
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(len(signal)) * samples)
    turn[-1] = turn[-1].real
    return np.fft.irfft(np.fft.rfft(signal) * turn, len(signal))


# White noise, one second at 48 kHz, the second channel 137 samples later: the peak lies at 137 and is about as high
# as the share of the sound both channels hold.
def test_noise_137_samples_late_is_found():
    noise = white_noise(0.1, 1.1, RATE, seed=1)
    found = delay(noise[137 : 137 + RATE], noise[:RATE], RATE)
    assert found.delay_s * RATE == pytest.approx(137, abs=0.01)
    assert found.height == pytest.approx(0.995, abs=0.01)
    assert found.polarity == 1
    assert found.runner_up < 0.05


@settings(max_examples=25, deadline=None)
@given(samples=st.floats(-400, 400), upside_down=st.booleans())
def test_a_fraction_of_a_sample_and_the_polarity_are_found(samples, upside_down):
    noise = white_noise(0.1, 1, RATE, seed=2)
    late = delayed(noise, samples) * (-1 if upside_down else 1)
    found = delay(noise, late, RATE, longest_s=0.01)
    assert found.delay_s * RATE == pytest.approx(samples, abs=0.02)
    assert found.polarity == (-1 if upside_down else 1)


def test_exchanging_the_channels_turns_the_sign():
    noise = white_noise(0.1, 1, RATE, seed=3)
    there = delay(noise, delayed(noise, 12.3), RATE)
    back = delay(delayed(noise, 12.3), noise, RATE)
    assert there.delay_s == pytest.approx(-back.delay_s, abs=1e-7)


# The phase transform makes the colour of the sound irrelevant: a 12 dB/octave low-pass on both channels.
def test_colour_does_not_blur_the_peak():
    noise = white_noise(0.1, 1, RATE, seed=4)
    dull = lfilter([1], [1, -1.8, 0.81], noise)
    found = delay(dull, np.roll(dull, 33), RATE, longest_s=0.01)
    assert found.delay_s * RATE == pytest.approx(33, abs=0.05)


def test_a_band_may_be_chosen():
    shared, random = white_noise(0.1, 1, RATE, seed=5), np.random.default_rng(6)
    low = np.fft.irfft(np.where(np.fft.rfftfreq(RATE, 1 / RATE) < 2000, np.fft.rfft(shared), 0), RATE)
    first, second = low, delayed(low, 40)
    hiss = [0.1 * np.diff(random.standard_normal(RATE + 1), prepend=0)[:RATE] for _ in range(2)]
    found = delay(first + hiss[0], second + hiss[1], RATE, longest_s=0.01, band_hz=(100, 2000))
    assert found.delay_s * RATE == pytest.approx(40, abs=0.5)


def test_strangers_have_no_peak():
    found = delay(white_noise(0.1, 1, RATE, seed=7), white_noise(0.1, 1, RATE, seed=8), RATE)
    assert found.height < 0.05
    assert found.runner_up > 0.8


@pytest.mark.parametrize("gain_db", [-390, 0, 690])
def test_level_does_not_matter(gain_db):
    noise = white_noise(0.1, 0.2, RATE, seed=9)
    found = delay(noise, 10 ** (gain_db / 20) * np.roll(noise, 5), RATE)
    assert found.delay_s * RATE == pytest.approx(5, abs=0.01)


def test_silence_has_no_delay():
    assert delay(np.zeros(100), np.ones(100), RATE) is None


def test_channels_of_two_lengths_are_refused():
    with pytest.raises(SignalError, match=r"\(100,\) and \(99,\)"):
        delay(np.zeros(100), np.zeros(99), RATE)


def test_a_nan_is_refused_and_placed():
    second = np.zeros(100)
    second[7] = np.nan
    with pytest.raises(SignalError, match=r"channel 2 .* sample 7"):
        delay(np.zeros(100), second, RATE)


# Closed form: a sum of independent noises of powers a² and b² correlates with the first by a / sqrt(a² + b²).
def test_correlation_of_a_mixture():
    one, other = (white_noise(1, 10, RATE, seed=seed) for seed in (10, 11))
    found = correlation(np.stack([one, -one, 0.6 * one + 0.8 * other, np.zeros(len(one))], axis=1))
    assert found[0, 1] == pytest.approx(-1)
    assert found[0, 2] == pytest.approx(0.6, abs=0.01)
    assert np.isnan(found[0, 3])


def test_correlation_is_numpys_for_sound_without_dc():
    noise = np.random.default_rng(12).standard_normal((1000, 4))
    noise -= noise.mean(axis=0)
    assert correlation(noise * [1e-300, 1, 1e30, 1e200]) == pytest.approx(np.corrcoef(noise.T))
