"""High-pass, hum notches and cross-fades by what they do to sound."""

import numpy as np
import pytest
from scipy.signal import sosfilt, sosfreqz

from takewell.shape.biquads import Biquads
from takewell.shape.cross_fade import cross_fade
from takewell.shape.high_pass import high_pass
from takewell.shape.hum_notch import WIDTH_HZ, HumNotch, notches

RATE = 48_000


def gain_db(sections: np.ndarray, hertz: float) -> float:
    _, response = sosfreqz(sections, [hertz], fs=RATE)
    return float(20 * np.log10(max(abs(response[0]), 1e-12)))


@pytest.mark.parametrize("corner", [40.0, 80.0, 150.0])
def test_the_high_pass_has_the_corner_and_slope_it_says(corner: float) -> None:
    rows = high_pass(corner, RATE)
    # Butterworth of order 4: |H|^2 = 1 / (1 + (corner / f)^8).
    for ratio in (0.25, 0.5, 1.0, 1.4, 2.0, 10.0):
        expected = -10 * np.log10(1 + ratio**-8)
        assert gain_db(rows, corner * ratio) == pytest.approx(expected, abs=0.02)


def test_sections_run_as_scipys_do_however_the_signal_is_cut() -> None:
    samples = np.random.default_rng(1).standard_normal((4000, 3))
    rows = [high_pass(80, RATE), np.zeros((0, 6)), notches(50.0, (1, 2, 3), RATE)]
    filters = Biquads(rows)
    cut = samples.copy()
    for part in np.split(cut, [1, 17, 1500, 3999]):
        filters.apply(part)
    for track in range(3):
        expected = sosfilt(rows[track], samples[:, track]) if len(rows[track]) else samples[:, track]
        assert cut[:, track] == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("order", [1, 2, 7])
def test_a_notch_takes_its_harmonic_and_little_beside_it(order: int) -> None:
    rows = notches(49.97, (order,), RATE)
    middle = order * 49.97
    assert gain_db(rows, middle) < -100
    for side in (-1, 1):
        assert gain_db(rows, middle + side * WIDTH_HZ / 2) == pytest.approx(-3.01, abs=0.1)
    assert gain_db(rows, middle + 15) > -0.05


def test_no_notch_above_what_the_rate_holds() -> None:
    assert notches(50.0, (1, 400, 500), 48_000).shape == (2, 6)


def test_the_comb_follows_a_mains_that_wanders() -> None:
    """A generator drifts from 49.5 to 50.5 Hz within 40 s; its seventh harmonic moves by 7 Hz."""
    seconds = 40
    t = np.arange(seconds * RATE) / RATE
    mains = 49.5 + t / seconds
    phase = 2 * np.pi * np.cumsum(mains) / RATE
    hum = sum(np.sin(k * phase) / k for k in (1, 2, 3, 7))
    left = {}
    for name, points in (
        ("following", [(0, 49.5), (len(t), 50.5)]),
        ("standing", [(0, 50.0), (len(t), 50.0)]),
    ):
        samples = np.stack([np.zeros(len(t)), hum], axis=1)
        comb = HumNotch(1, 2, points, (1, 2, 3, 7), RATE)
        for start in range(0, len(t), 16_384):
            comb.apply(samples[start : start + 16_384], start)
        late = samples[5 * RATE :, 1]
        left[name] = 20 * np.log10(np.sqrt(np.mean(late**2)) / np.sqrt(np.mean(hum**2)))
        assert not samples[:, 0].any()
    assert left["following"] < -25
    assert left["standing"] > left["following"] + 15


@pytest.mark.parametrize("shared", [0.0, 0.4, 0.9, 1.0])
def test_a_cross_fade_keeps_the_power_of_what_two_tracks_hold(shared: float) -> None:
    rng = np.random.default_rng(4)
    both = rng.standard_normal((3, 400_000))
    first = np.sqrt(shared) * both[0] + np.sqrt(1 - shared) * both[1]
    second = np.sqrt(shared) * both[0] + np.sqrt(1 - shared) * both[2]
    for part in (0.0, 0.2, 0.5, 0.9, 1.0):
        a, b = cross_fade(np.array([part]), shared)
        power = float(np.mean((a * first + b * second) ** 2))
        # The mean square of 400,000 normal samples strays by 0.22 % (one sigma).
        assert power == pytest.approx(1.0, abs=0.01)
