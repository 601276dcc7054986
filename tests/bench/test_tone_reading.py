"""Readings of tones against closed forms and published figures."""

import numpy as np
import pytest

from takewell.bench.clock import clock_error_ppm
from takewell.bench.limits import clipping_shape
from takewell.bench.tone_reading import fit_sine, mean_square, noise_dbfs, notch_power, read_tone
from takewell.units import rms_dbfs

RATE = 48_000


def tone(frequency_hz: float, level_dbfs: float, seconds: float = 2.0, phase: float = 0.3) -> np.ndarray:
    n = np.arange(round(seconds * RATE))
    return 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * frequency_hz / RATE * n + phase)


@pytest.mark.parametrize("ppm", [-150, 0, 0.37, 150])
@pytest.mark.parametrize("frequency_hz", [41.0, 997.0, 15_991.0])
def test_the_fit_finds_frequency_level_and_phase_of_a_pure_tone(frequency_hz: float, ppm: float) -> None:
    true_hz = frequency_hz * (1 + ppm * 1e-6)
    sine = fit_sine(tone(true_hz, -7.0) + 0.01, RATE, frequency_hz)
    assert sine.frequency_hz == pytest.approx(true_hz, rel=1e-9)
    assert sine.level_dbfs == pytest.approx(-7.0, abs=1e-6)
    assert sine.offset == pytest.approx(0.01, abs=1e-8)
    assert (sine.phase_rad - 0.3 + np.pi) % (2 * np.pi) - np.pi == pytest.approx(0, abs=1e-6)
    assert np.abs(sine.rest).max() < 1e-6


def test_harmonics_of_known_height_read_their_total() -> None:
    # Harmonics 1, 0.1, 0.05, 0.02: THD_R = sqrt(0.0129) / sqrt(1.0129) = 0.1128526.
    signal = sum(
        a * np.sin(2 * np.pi * 997 * k / RATE * np.arange(2 * RATE))
        for k, a in enumerate((1, 0.1, 0.05, 0.02), start=1)
    )
    assert read_tone(0.5 * np.asarray(signal), RATE, 997.0).thd_db == pytest.approx(
        20 * np.log10(0.1128526), abs=0.001
    )


def test_a_clipped_sine_reads_its_closed_form() -> None:
    # Fourier series of a sine clipped at c: with a = asin(c), odd k > 1:
    # b_k = 2/pi [sin((k-1)a)/(k-1) - sin((k+1)a)/(k+1)] + 4c cos(ka)/(k pi). Sampled so densely that aliases are nothing.
    c, rate, f = 0.7, 192_000, 997.0
    clipped = np.clip(np.sin(2 * np.pi * f / rate * np.arange(rate)), -c, c)
    a = np.arcsin(c)
    first = 2 / np.pi * (a - np.sin(2 * a) / 2) + 4 * c * np.cos(a) / np.pi
    rest = [
        2 / np.pi * (np.sin((k - 1) * a) / (k - 1) - np.sin((k + 1) * a) / (k + 1)) + 4 * c * np.cos(k * a) / (k * np.pi)
        for k in (3, 5, 7, 9)
    ]  # fmt: skip
    thd_r = np.sqrt(np.sum(np.square(rest)) / (first**2 + np.sum(np.square(rest))))
    reading = read_tone(clipped, rate, f)
    assert reading.thd_db == pytest.approx(20 * np.log10(thd_r), abs=0.01)
    assert reading.level_dbfs == pytest.approx(20 * np.log10(first), abs=0.001)


# Ideal converters with triangular dither: total power q^2/4, weighted by the curves of BS.468-4 and IEC 61672-1 over
# 0 to 24 kHz; the figures follow from the published curves and AES17-2015, 3.12.
@pytest.mark.parametrize(
    ("bits", "plain", "a", "ccir"), [(16, -94.12, -96.04, -92.44), (20, -118.20, -120.12, -116.53)]
)
def test_an_ideal_quantiser_reads_its_noise(bits: int, plain: float, a: float, ccir: float) -> None:
    random = np.random.default_rng(3)
    n = 20 * RATE
    step = 2.0 ** (1 - bits)
    dither = random.random(n) - random.random(n)
    noise = np.round(tone(997, -6, 20) / step + dither) * step - tone(997, -6, 20)
    # 20 s: a spread of 10/ln 10 / sqrt(B T), 0.01 dB (one sigma).
    assert noise_dbfs(noise, RATE, "plain") == pytest.approx(plain, abs=0.04)
    assert noise_dbfs(noise, RATE, "A") == pytest.approx(a, abs=0.04)
    assert noise_dbfs(noise, RATE, "CCIR-RMS") == pytest.approx(ccir, abs=0.04)


def test_an_undithered_quantiser_has_its_textbook_ratio() -> None:
    # 6.0206 N + 1.7609 dB (IEEE 1241, full-scale sine); the band to 20 kHz holds 20/24 of it, the notch takes 0.12 dB of that.
    level, bits = -0.001, 16
    step = 2.0 ** (1 - bits)
    reading = read_tone(np.round(tone(997.0, level, 4.0) / step) * step, RATE, 997.0)
    expected = -98.09 + 10 * np.log10(20 / 24)
    assert reading.thd_n_db == pytest.approx(expected, abs=0.3)


def test_a_tone_at_1_khz_reads_what_aes17_says_through_ccir_rms() -> None:
    # AES17-2015, 5.2.7: a -20 dBFS 1 kHz tone reads -25.63 dBFS CCIR-RMS.
    assert float(rms_dbfs(mean_square(tone(1000, -20), RATE, "CCIR-RMS"))) == pytest.approx(-25.63, abs=0.01)


def test_the_notch_keeps_the_q_that_aes17_asks_for() -> None:
    # AES17-2015, 5.2.8: Q from 1.2 to 3; Q is the centre over the width at -3 dB.
    f = np.linspace(500, 2000, 150_001)
    below = f[notch_power(f, 997.0) < 0.5]
    assert 1.2 <= 997.0 / (below[-1] - below[0]) <= 3


@pytest.mark.parametrize("ppm", [-83.2, 0.0, 0.21, 41.7])
def test_the_clock_is_read_from_a_noisy_minute(ppm: float) -> None:
    random = np.random.default_rng(5)
    signal = tone(997.0 / (1 + ppm * 1e-6), -20.0, 60.0) + random.normal(size=60 * RATE) * 1e-4
    error, uncertainty = clock_error_ppm(signal, RATE, 997.0, 1 + (ppm + 2.0) * 1e-6)
    assert abs(error - ppm) < 0.05
    assert abs(error - ppm) < 2 * uncertainty < 0.01


@pytest.mark.parametrize(("gain", "shape"), [(0.5, "none"), (1.06, "hard"), (2.0, "hard")])
def test_flat_tops_are_seen(gain: float, shape: str) -> None:
    assert clipping_shape(np.clip(gain * tone(997, 0), -1, 1)) == shape


def test_a_bent_wave_is_soft() -> None:
    assert clipping_shape(np.tanh(1.5 * tone(997, 0))) == "soft"
