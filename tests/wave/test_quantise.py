"""Integers made of floats: exact without dither, white and constant noise with it."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import freqz, welch

from takewell.units import rms_dbfs
from takewell.wave import Quantiser
from takewell.wave.noise_shape import feedback_taps, threshold_db


def integers(data: np.ndarray, encoding: str, channels: int) -> np.ndarray:
    """The slow way: each sample's bytes as Python reads them."""
    width = 2 if encoding == "int16" else 3
    raw = data.tobytes()
    values = [int.from_bytes(raw[k : k + width], "little", signed=True) for k in range(0, len(raw), width)]
    return np.array(values, np.int64).reshape(-1, channels)


@pytest.mark.parametrize(("encoding", "bits"), [("int16", 16), ("int24", 24)])
@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_without_dither_integers_return_bit_by_bit(encoding: str, bits: int, kind: type) -> None:
    top = 2 ** (bits - 1)
    values = np.concatenate(
        [np.random.default_rng(1).integers(-top, top, 60_001), [-top, top - 1, 0, -1]]
    ).reshape(-1, 5)
    quantiser = Quantiser(encoding, 5, dither=False)
    np.testing.assert_array_equal(
        integers(quantiser.encode((values / top).astype(kind)), encoding, 5), values
    )
    assert quantiser.clipped.tolist() == [0] * 5


def test_without_dither_values_go_to_the_nearest_ties_to_even() -> None:
    steps = np.array([0.4, 0.5, 0.6, 1.5, 2.5, -0.5, -1.5, -0.6])
    result = integers(Quantiser("int16", 1, dither=False).encode((steps / 2**15)[:, None]), "int16", 1)
    assert result[:, 0].tolist() == [0, 0, 1, 2, 2, 0, -2, -1]


# Total noise of TPDF dither at N bits is LSB/2 RMS: AES17 -93.319 dBFS at 16 bits and -141.484 at 24 (3.0103 dB above
# 20 log10 2^-N). The standard error of the level of 2 million samples is below 0.01 dB.
@pytest.mark.outside
@pytest.mark.parametrize(("encoding", "bits", "dbfs"), [("int16", 16, -93.319), ("int24", 24, -141.484)])
@pytest.mark.parametrize("level", [0.0, 1.37e-9, 0.25, "tone"])
def test_dithered_noise_has_its_level_whatever_the_signal(
    encoding: str, bits: int, dbfs: float, level
) -> None:
    count = 2_000_000
    n = np.arange(count)
    signal = 0.3 * np.sin(0.01 * n) if level == "tone" else np.full(count, level + 0.3 * 2.0**-bits)
    data = Quantiser(encoding, 1, seed=5).encode(signal[:, None])
    padded = np.zeros((count, 4), np.uint8)
    padded[:, 4 - bits // 8 :] = data.reshape(count, -1)
    error = (padded.view("<i4")[:, 0] >> (32 - bits)) / 2.0 ** (bits - 1) - signal
    assert float(rms_dbfs(np.mean(error**2))) == pytest.approx(dbfs, abs=0.02)
    assert abs(error.mean()) < 5 * 2.0**-bits / math.sqrt(count)
    assert np.abs(error).max() <= 1.5 * 2.0 ** (1 - bits)
    # White: neighbours of the error do not know each other.
    assert abs(np.mean(error[1:] * error[:-1])) / np.mean(error**2) < 5 / math.sqrt(count)


def test_dither_is_triangular() -> None:
    """A value on a step stays there 3 times in 4 and goes to either neighbour 1 time in 8: the triangle's areas."""
    signal = np.full((800_000, 1), 7 / 2**15)
    values, counts = np.unique(integers(Quantiser("int16", 1).encode(signal), "int16", 1), return_counts=True)
    assert values.tolist() == [6, 7, 8]
    np.testing.assert_allclose(counts / 800_000, [1 / 8, 3 / 4, 1 / 8], atol=5 * math.sqrt(0.25 / 800_000))


def test_channels_have_noise_of_their_own() -> None:
    data = integers(Quantiser("int24", 2).encode(np.zeros((100_000, 2))), "int24", 2)
    assert abs(np.corrcoef(data.T)[0, 1]) < 5 / math.sqrt(100_000)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(0, 3000), max_size=8), st.sampled_from(["int16", "int24"]), st.integers(1, 5))
def test_any_cut_into_blocks_gives_the_same_bytes(cuts: list[int], encoding: str, channels: int) -> None:
    samples = np.random.default_rng(3).uniform(-1, 1, (3000, channels))
    whole = Quantiser(encoding, channels, seed=9).encode(samples)
    parts = Quantiser(encoding, channels, seed=9)
    edges = [0, *sorted(cuts), 3000]
    pieces = [parts.encode(samples[a:b]) for a, b in itertools.pairwise(edges)]
    np.testing.assert_array_equal(np.concatenate(pieces), whole)


def test_another_seed_gives_other_noise_and_the_same_seed_the_same() -> None:
    silence = np.zeros((1000, 1))
    one, same, other = (Quantiser("int24", 1, seed=seed).encode(silence) for seed in (1, 1, 2))
    assert np.array_equal(one, same)
    assert not np.array_equal(one, other)


def test_what_lies_beyond_the_rails_is_held_there_and_counted() -> None:
    samples = np.array([[1.0, 0.0], [-1.0, 0.5], [1e30, -np.inf], [0.999, np.nan], [-1.001, np.inf]])
    quantiser = Quantiser("int16", 2, dither=False)
    result = integers(quantiser.encode(samples), "int16", 2)
    assert result.tolist() == [[32767, 0], [-32768, 16384], [32767, -32768], [32735, 0], [-32768, 32767]]
    assert quantiser.clipped.tolist() == [3, 2]
    assert quantiser.replaced.tolist() == [0, 1]


def test_the_input_is_not_changed_and_need_not_be_contiguous() -> None:
    samples = np.random.default_rng(1).uniform(-1, 1, (4, 1000)).astype(np.float32)
    before = samples.copy()
    strided = Quantiser("int24", 2, seed=1).encode(samples.T[::3, 1:3])
    plain = Quantiser("int24", 2, seed=1).encode(np.ascontiguousarray(samples.T[::3, 1:3]))
    assert np.array_equal(strided, plain)
    assert np.array_equal(samples, before)


def test_no_samples_give_no_bytes() -> None:
    assert Quantiser("int24", 3).encode(np.zeros((0, 3))).size == 0


def shaped_error(rate: int, count: int = 400_000, encoding: str = "int16") -> np.ndarray:
    """Error in units of the least significant bit."""
    signal = 0.3 * np.sin(0.0123 * np.arange(count))
    quantiser = Quantiser(encoding, 1, feedback=feedback_taps(rate), seed=3)
    return integers(quantiser.encode(signal[:, None]), encoding, 1)[:, 0] - signal * 2**15


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_shaped_noise_has_the_spectrum_its_taps_say(rate: int) -> None:
    """The error of TPDF rounding is white with LSB^2 / 4; shaped it is that times |1 + sum c z^-k|^2."""
    taps = np.concatenate([[1.0], feedback_taps(rate)])
    error = shaped_error(rate)
    assert np.mean(error**2) == pytest.approx(0.25 * np.sum(taps**2), rel=0.03)
    frequency, power = welch(error, rate, nperseg=1024)
    expected = 0.25 * np.abs(freqz(taps, worN=frequency, fs=rate)[1]) ** 2 / (rate / 2)
    # A Welch estimate of some 780 segments has a standard error of 4 % or so (Hann, half overlapped).
    assert np.abs(10 * np.log10(power[2:-2] / expected[2:-2])).max() < 1.0


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_the_shape_obeys_gerzon_and_craven_and_is_quieter_to_the_ear(rate: int) -> None:
    taps = np.concatenate([[1.0], feedback_taps(rate)])
    assert np.abs(np.roots(taps)).max() < 1  # minimum phase
    frequency, shape = freqz(taps, worN=1 << 15, fs=rate)
    decibels = 20 * np.log10(np.abs(shape))
    assert decibels.mean() == pytest.approx(0.0, abs=0.01)
    ear = 10 ** (-threshold_db(frequency) / 10)
    heard = 10 * np.log10(np.mean(ear * np.abs(shape) ** 2) / np.mean(ear))
    assert heard < -9.0
    # The filter of prediction is the best of its length: any other one is heard more.
    for k in range(1, len(taps)):
        other = taps.copy()
        other[k] += 0.01
        assert np.mean(ear * np.abs(freqz(other, worN=1 << 15, fs=rate)[1]) ** 2) > np.mean(
            ear * np.abs(shape) ** 2
        )


def test_shaped_samples_do_not_depend_on_how_they_are_cut() -> None:
    samples = 0.9 * np.random.default_rng(1).uniform(-1, 1, (5000, 3))
    whole = Quantiser("int16", 3, feedback=feedback_taps(48_000)).encode(samples)
    parts = Quantiser("int16", 3, feedback=feedback_taps(48_000))
    cut = np.concatenate([parts.encode(samples[a:b]) for a, b in itertools.pairwise([0, 1, 700, 701, 5000])])
    np.testing.assert_array_equal(cut, whole)


def test_shaping_leaves_channels_without_dither_alone_and_does_not_run_away_at_the_rails() -> None:
    exact = np.random.default_rng(2).integers(-(2**15), 2**15, (3000, 1)) / 2**15
    hot = 1.5 * np.sin(0.01 * np.arange(3000))[:, None]
    samples = np.hstack([exact, hot])
    quantiser = Quantiser("int16", 2, dither=[False, True], feedback=feedback_taps(48_000))
    words = integers(quantiser.encode(samples), "int16", 2)
    np.testing.assert_array_equal(words[:, 0], exact[:, 0] * 2**15)
    inside = np.abs(hot[:, 0]) < 0.99
    assert np.abs(words[inside, 1] - hot[inside, 0] * 2**15).max() < 40
    assert quantiser.clipped.tolist()[0] == 0 < quantiser.clipped.tolist()[1]
