"""Windows against the published definition of GCC-PHAT, and against delays known between the samples."""

import numpy as np
import pytest

from sync.conftest import RATE, Heard, with_floor
from takewell.shape.placed import placed
from takewell.sync.windows import Comparison


def lag_of_nothing(_time_s: float) -> float:
    return 0.0


# Knapp and Carter, IEEE Trans. ASSP 24(4), 1976, table I and equation (13): R(tau) = F^-1 {G / |G|}.
@pytest.mark.outside
def test_without_floors_a_window_is_the_published_phase_transform() -> None:
    rng = np.random.default_rng(1)
    n = 1 << 14
    first, second = rng.standard_normal((2, n))
    second = 0.5 * second + np.roll(first, 37)
    taper = np.hanning(n + 1)[:n]
    cross = np.conj(np.fft.rfft(first * taper)) * np.fft.rfft(second * taper)
    hertz = np.fft.rfftfreq(n, 1 / RATE)
    whitened = np.where((hertz >= 100) & (hertz <= 14_000), cross / np.abs(cross), 0)
    defined = np.fft.irfft(whitened, n)
    curve = Comparison(Heard(first), Heard(second)).curves([n / 2 / RATE], lag_of_nothing, n / RATE)[0]
    ours = curve.height_at(np.arange(-500, 501) / RATE)
    theirs = np.concatenate([defined[-500:], defined[:501]])
    assert np.argmax(ours) == 537
    assert ours / np.abs(ours).max() == pytest.approx(theirs / np.abs(theirs).max(), abs=2e-5)


@pytest.mark.parametrize("delay", [0.0, 0.25, 13.5, -7.83, 400.4])
def test_a_delay_between_samples_is_found_to_a_twentieth_of_a_sample(scene: np.ndarray, delay: float) -> None:
    part = scene[: 3 * RATE]
    later = placed(part, -delay, 1.0, len(part))
    curves = Comparison(Heard(part), Heard(with_floor(later, 2, 1e-4))).curves([1.5], lag_of_nothing)
    lag_s, height = curves[0].peaks()[0]
    assert lag_s * RATE == pytest.approx(delay, abs=0.05)
    assert height > 20


def test_sound_heard_upside_down_has_a_negative_peak(scene: np.ndarray) -> None:
    part = scene[: 3 * RATE]
    curve = Comparison(Heard(part), Heard(-part)).curves([1.5], lag_of_nothing)[0]
    assert curve.peaks()[0][1] < -20


def test_chance_alone_spreads_a_curve_by_one() -> None:
    rng = np.random.default_rng(3)
    two = Comparison(Heard(rng.standard_normal(4 * RATE)), Heard(rng.standard_normal(4 * RATE)))
    heights = np.concatenate([c.heights for c in two.curves([1.0, 2.0, 3.0], lag_of_nothing)])
    assert heights.std() == pytest.approx(1.0, abs=0.06)


def test_another_rate_is_compared_at_the_same_places(scene: np.ndarray) -> None:
    import soxr

    part = scene[: 4 * RATE]
    other = soxr.resample(part, RATE, 44_100, quality="VHQ")
    curve = Comparison(Heard(part), Heard(other, 44_100)).curves([2.0], lag_of_nothing)[0]
    assert curve.peaks()[0][0] * RATE == pytest.approx(0.0, abs=0.05)


def test_silence_gives_no_curve() -> None:
    silent = Comparison(Heard(np.zeros(2 * RATE)), Heard(np.ones(2 * RATE)))
    assert silent.curves([1.0], lag_of_nothing) == []


def test_what_lies_before_the_start_is_silence_and_no_error(scene: np.ndarray) -> None:
    two = Comparison(Heard(scene[:RATE]), Heard(scene[:RATE]))
    assert len(two.curves([0.0, 0.9], lag_of_nothing)) == 2


def test_a_window_across_lost_samples_is_compared_as_its_middle_lies(scene: np.ndarray) -> None:
    two = Comparison(Heard(scene[: 6 * RATE]), Heard(scene[: 6 * RATE]))
    curves = two.curves([3.0], lambda time_s: 0.0 if time_s <= 3.0 else -5.0)
    assert curves[0].peaks()[0][0] == pytest.approx(0.0, abs=1e-6)
