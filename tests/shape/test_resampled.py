"""Streams at another speed: checked against sines, whose resampled form is known in closed form."""

from fractions import Fraction

import numpy as np
import pytest

from takewell.errors import SettingError
from takewell.shape import Resampler

RATE = 48_000


def resampled(samples: np.ndarray, ratio: Fraction | float, block: int) -> np.ndarray:
    stream = Resampler(ratio, samples.shape[1])
    pieces = [stream.add(samples[i : i + block]) for i in range(0, len(samples), block)]
    return np.concatenate([*pieces, stream.finish()])


# The closed form of a resampled sine is the same sine on the other clock. 1e-5 at 997 Hz (0.13 rad a sample) is a
# ten-thousandth of a sample; the filter's passband ripple and images are below it.
@pytest.mark.parametrize(
    "ratio", [1 / (1 + 50e-6), 1 / (1 - 200e-6), Fraction(1001, 1000), Fraction(147, 160)]
)
def test_a_sine_comes_out_on_the_other_clock(ratio: Fraction | float) -> None:
    step = 2 * np.pi * 997 / RATE
    count = 20 * RATE
    out = resampled(np.sin(step * np.arange(count))[:, None], ratio, 65_536)[:, 0]
    assert len(out) == round(count * Fraction(ratio))
    wanted = np.sin(step * np.arange(len(out)) / float(ratio))
    inside = slice(1000, -1000)  # the sine begins and ends abruptly: the filter rings there
    assert np.abs(out - wanted)[inside].max() < 1e-5


@pytest.mark.parametrize("block", [1, 977, 48_000])
def test_blocks_make_no_difference(block: int) -> None:
    samples = np.random.default_rng(3).normal(size=(4800, 2))
    np.testing.assert_allclose(
        resampled(samples, 1 + 1e-4, block), resampled(samples, 1 + 1e-4, 4800), atol=1e-12
    )


def test_an_unchanged_speed_passes_samples_bit_by_bit() -> None:
    samples = np.random.default_rng(4).normal(size=(5000, 3)).astype(np.float32)
    np.testing.assert_array_equal(resampled(samples, 1, 999), samples)


@pytest.mark.parametrize("count", [0, 1, 7])
def test_a_handful_of_samples_has_its_length_too(count: int) -> None:
    assert resampled(np.ones((count, 1)), Fraction(3, 2), 4).shape == (round(count * Fraction(3, 2)), 1)


def test_ratios_that_make_no_sense_are_refused() -> None:
    with pytest.raises(SettingError, match="ratio of 0"):
        Resampler(0.0, 1)
