"""The noises: their spectra and their levels."""

import numpy as np
import pytest
import scipy.signal

from takewell.demo import low_cut, room_noise_filter, white

RATE = 48_000


def test_room_noise_filter_keeps_the_mean_square() -> None:
    assert np.sum(np.square(room_noise_filter(RATE), dtype=np.float64)) == pytest.approx(1, abs=1e-6)


def test_room_noise_falls_by_four_and_a_half_decibels_an_octave() -> None:
    freqs, response = scipy.signal.freqz(room_noise_filter(RATE), worN=65_536, fs=RATE)
    at = [np.argmin(np.abs(freqs - hz)) for hz in (500, 1000, 2000, 4000, 8000)]
    steps = np.diff(20 * np.log10(np.abs(response[at])))
    assert steps == pytest.approx([-4.5] * 4, abs=0.1)


@pytest.mark.parametrize(("freq_hz", "gain_db"), [(80, -3.01), (40, -12.30), (800, 0.0)])
def test_low_cut_is_a_second_order_butterworth(freq_hz: int, gain_db: float) -> None:
    # |H|^2 = x^4 / (1 + x^4) with x = f / 80 Hz: 40 Hz gives 1/17, -12.30 dB.
    response = low_cut(RATE, 24_001)
    assert 20 * np.log10(np.abs(response[freq_hz])) == pytest.approx(gain_db, abs=0.005)


def test_white_noise_has_variance_one() -> None:
    noise = white(1_000_000, np.random.default_rng(1))
    # Standard error sqrt(2 / n) = 0.0014; three of them.
    assert np.var(noise, dtype=np.float64) == pytest.approx(1, abs=0.0045)
